"""The circuit as parts and nets: one source for netlists, simulations, drawings and lists."""
