"""Asking before something moves or is written."""

import sys

import click


def agreed(question: str, yes: bool) -> bool:
    """Whether the user says yes, or said so beforehand with --yes.

    Raises UsageError where there is nobody to ask: input is no terminal.
    """
    if yes:
        return True
    ask(question)
    return click.confirm(question, default=False, err=True)


def ask(question: str, remedy: str = "give --yes") -> None:
    """Raise UsageError when there is nobody who could answer."""
    if not sys.stdin.isatty():
        raise click.UsageError(f"{question} There is no terminal to ask at: {remedy}")
