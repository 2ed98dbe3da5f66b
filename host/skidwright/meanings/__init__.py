"""Faults, interlocks and settings of the board in words for people."""
