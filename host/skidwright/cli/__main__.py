"""`python -m skidwright.cli` is the command `skidwright`."""

from skidwright.cli import main

main()
