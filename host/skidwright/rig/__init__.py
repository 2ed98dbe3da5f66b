"""The rig before it is built: wiring, front end, plumbing sizes, drawings. All of it computed, none of it tried on silicon."""
