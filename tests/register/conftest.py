"""Command lines for the tests of the register."""

from command_line import one_line, run  # noqa: F401  (fixtures)
