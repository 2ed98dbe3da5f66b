"""The command line. Only this package prints; the library below it raises (`skidwright.errors`).

Exit status of every command: 0 all good; 1 carried out, but the data fell short (each command's help says
when); 2 could not be carried out; 130 stopped with Ctrl-C, 143 by SIGTERM, 129 by SIGHUP (a closed terminal);
141 when the reader of its answer went away before its end.
"""

from skidwright.cli.app import main

__all__ = ["main"]
