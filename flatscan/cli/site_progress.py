"""How far a site is, on standard error: a bar on a terminal, a line a wall elsewhere, each with the time left."""

from __future__ import annotations

import sys
import time
from typing import Any

import click


class SiteProgress:
    """Called after each task with how many are done and known, the share of the work, and the task's record."""

    def __init__(self) -> None:
        # a clock that nobody can set: time left stays right when the machine's date jumps
        self.started = time.monotonic()
        self.display: Any = None
        self.task: Any = None
        if sys.stderr.isatty():
            self._open()

    def __call__(self, done: int, known: int, share: float, record: dict[str, Any] | None) -> None:
        """Show one more task as done."""
        words = "" if record is None else _words(record)
        left = time_left(time.monotonic() - self.started, share)
        if self.display is None:
            click.echo(f"[{done}/{known}] {words}{left}", err=True)
            return
        self.display.update(self.task, completed=share, description=f"{done} of {known}: {words}{left}")

    def close(self) -> None:
        """Take the bar away."""
        if self.display is not None:
            self.display.stop()

    def _open(self) -> None:
        from rich.console import Console
        from rich.markup import escape
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (BarColumn(), TimeElapsedColumn(), TextColumn("{task.description}", markup=False))
        self.display = Progress(*columns, console=Console(file=sys.stderr), transient=True)
        self.display.start()
        self.task = self.display.add_task(escape("reading the captures"), total=1.0)


def _words(record: dict[str, Any]) -> str:
    title = " ".join(str(record["title"]).split())
    if record["status"] != "done":
        return f"{title}: not measured"
    if record["kind"] == "look":
        found = record["rooms"] or [None] * record["walls"]
        return f"{title}: {len(found)} {'rooms' if record['rooms'] else 'walls'}"
    verdict = record["document"].get("verdict")
    return f"{title}: {verdict['decision'] if verdict else 'surveyed'}"


def time_left(elapsed: float, share: float) -> str:
    """Words for the time left when ``share`` of the work took ``elapsed`` seconds; none while nothing can be said.

    >>> time_left(60, 0.25), time_left(0.5, 0.5), time_left(9, 1.0)
    (', about 3 min left', ', under a minute left', '')
    """
    if not 0 < share < 1:
        return ""
    left = elapsed * (1 - share) / share
    if left < 60:
        return ", under a minute left"
    minutes = round(left / 60)
    return f", about {minutes} min left" if minutes < 90 else f", about {minutes / 60:.1f} h left"
