"""Calibrations by the user: flow meter by weighing, loop inputs by a reference, counter by comparison.

Each gives a result with its uncertainty, the settings that follow from it, and a
file that says who did it, when, against what, and until when it holds.
"""
