"""The bar that shows how far a command is, where somebody looks."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from flatscan.core.notes import Note

if TYPE_CHECKING:
    from flatscan.jobs import Progress

PATIENCE = 2.0


class _Bar:
    """Shows nothing until `PATIENCE` seconds have passed, then the stage, how far it is, and the time it took."""

    def __init__(self) -> None:
        self.started = time.monotonic()
        self.display: Any = None
        self.task: Any = None

    def __call__(self, stage: Note, share: float | None = None) -> None:
        from flatscan.report.say import say

        if self.display is None:
            if time.monotonic() - self.started < PATIENCE:
                return
            self._open()
        self.display.update(self.task, description=say(stage), completed=share, total=None if share is None else 1.0)

    def _open(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
        self.display = Progress(*columns, console=Console(file=sys.stderr), transient=True)
        self.display.start()
        self.task = self.display.add_task("", total=None)

    def close(self) -> None:
        if self.display is not None:
            self.display.stop()


@contextmanager
def progress_bar(*, quiet: bool) -> Iterator[Progress]:
    """A function ``(stage, share)`` that the stages call as they go; silent with ``quiet`` and where nobody looks."""
    # a log file has no use for a bar that is drawn again and again
    if quiet or not sys.stderr.isatty():
        from flatscan.jobs import silent

        yield silent
        return
    bar = _Bar()
    try:
        yield bar
    finally:
        bar.close()
