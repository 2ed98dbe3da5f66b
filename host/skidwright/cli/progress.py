"""Progress of long work, step by step: bars on a terminal, one line a step elsewhere."""

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol


class ProgressStep(Protocol):
    """Begins a step; its value takes how far it is, up to `total`."""

    def __call__(self, text: str, total: float) -> AbstractContextManager[Callable[[float], None]]: ...


@contextmanager
def steps() -> Iterator[ProgressStep]:
    """Show steps of work on stderr while the block runs."""
    from skidwright.cli import output

    console = output.console(stderr=True)
    if not console.is_terminal:
        yield _plain
        return
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:44}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console) as progress:

        @contextmanager
        def step(text: str, total: float) -> Iterator[Callable[[float], None]]:
            task = progress.add_task(text, total=total)
            yield lambda done: progress.update(task, completed=done)
            progress.update(task, completed=total)

        yield step


@contextmanager
def _plain(text: str, total: float) -> Iterator[Callable[[float], None]]:
    import sys

    started = time.monotonic()
    yield lambda done: None
    print(f"{text}: {time.monotonic() - started:.1f} s", file=sys.stderr)
