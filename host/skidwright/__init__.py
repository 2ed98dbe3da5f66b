"""skidwright: the host side of a do-it-yourself oil sampling skid."""

__version__ = "0.1.0"
