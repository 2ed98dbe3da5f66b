"""Drawings as SVG: wiring, front-end schematics, hydraulic circuit."""
