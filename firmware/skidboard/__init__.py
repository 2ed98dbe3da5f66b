"""skidboard: the firmware of a do-it-yourself oil sampling skid."""

VERSION = "0.1.0"
