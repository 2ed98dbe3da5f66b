"""The wiring: one file describes it, everything else is made from it and checked against it."""
