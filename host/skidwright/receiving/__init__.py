"""Fluid received or moved: accept or refuse against a target, and what the register keeps of it."""
