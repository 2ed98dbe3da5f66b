"""The rig before it is built: wiring, front end, plumbing, drawings; all computed, none tried on silicon."""
