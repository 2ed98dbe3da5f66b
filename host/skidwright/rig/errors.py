"""The one error of the rig's calculations and drawings."""

from __future__ import annotations


class RigError(ValueError):
    """A rig, wiring or front-end file cannot be read or makes no sense; the text is one line for the user."""
