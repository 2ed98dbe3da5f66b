"""The command line, for pages that show what it answers."""

from command_line import run  # noqa: F401  (fixture)
