"""The work of the jobs beside the pages, a process a wall: a page that asks meets a result, an error, or `Working`."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from concurrent import futures
from concurrent.futures import CancelledError, Future
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from flatscan import report
from flatscan.core.errors import FlatscanError, Infeasible
from flatscan.core.notes import Note, note
from flatscan.desk import answering
from flatscan.desk.crew import Crew, Stopped
from flatscan.desk.folders import Job
from flatscan.desk.measuring import Key, Task, stamp, whole_capture
from flatscan.jobs import Comparing, Result, SetOut, Survey
from flatscan.plan.cutting import Cut
from flatscan.report.say import say
from flatscan.wall import Room

# results of this many steps are kept: about the steps of five walls
_KEPT = 24
# who must have an answer now waits so long [s]: a wall that hangs must not keep all of the pages' threads
PATIENCE = 8.0
SHEETS, SEAL = "sheets", "seal"
Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Working:
    """Not done yet: what is being done, and how far it is, if that is known."""

    stage: Note
    share: float | None

    @property
    def words(self) -> str:
        """What is being done, for a page."""
        return say(self.stage)


@dataclass(frozen=True, eq=False)
class Read:
    """The walls found in a capture."""

    room: Room


@dataclass(frozen=True, eq=False)
class _Failed:
    """Work that could not be done, and why; or that somebody stopped."""

    trouble: FlatscanError | Stopped


class Bench:
    """Has the stages of jobs done, keeps what they found, and says how far they are."""

    def __init__(self) -> None:
        self._crew = Crew()
        self._kept: OrderedDict[Key, Any] = OrderedDict()
        self._asked: dict[Key, Future[Any]] = {}
        self._told: dict[Key, Working] = {}
        self._lock = threading.RLock()

    def room(self, job: Job, wait: float = 0.3) -> Read | Working:
        """The walls of the job's capture; raises the errors of reading and finding, and `Stopped`."""
        key = ("room", *stamp(job), whole_capture(answering.capturing(job)))
        found = self._ask(key, Task("room", job), wait)
        return found if isinstance(found, Working) else Read(found)

    def picture(self, job: Job, wall: str) -> bytes | Working:
        """A wall as the capture saw it, as a PNG; empty where there is none of that name, or only readings."""
        key = ("picture", *stamp(job), whole_capture(answering.capturing(job)), wall)
        return self._ask(key, Task("picture", job, (wall,)), PATIENCE)

    def result(self, job: Job, wait: float = 0.3) -> Result | Working:
        """What the job's purpose asks for; raises every error of its command, and `Stopped`."""
        return self._found(job, answering.command_of(job), wait)

    def nearest(self, job: Job, wait: float = 0.3) -> Result | Working:
        """`result`, and for a plan that cannot be set out its survey: with the nearest that can, and what it costs."""
        try:
            return self.result(job, wait)
        except Infeasible:
            return self._found(job, "survey", wait)

    def ticked(self, job: Job, found: Survey | SetOut, places: Sequence[Place]) -> tuple[Cut, ...] | Working:
        """The cuts that humps of a list stand for, as deep as all of them together need."""
        key = ("ticked", *_key(job, found.command), tuple(places))
        return self._ask(key, Task("ticked", job, (found, tuple(places))), PATIENCE)

    def recheck(self, job: Job, path: Path, seal: str | None, wait: float) -> tuple[str, str] | Working:
        """How the sealed file at ``path`` stands, and that in words; raises `ReadError` for what is no sealed file."""
        return self._ask(("recheck", job.name, seal), Task("recheck", job, (path, seal)), wait)

    def compared(
        self, job: Job, earlier: Job, asked: Comparing, folder: Path, *, begin: bool
    ) -> Result | Working | None:
        """What changed on a wall since an earlier capture of it, with its sheets in ``folder``; raises every error.

        None where nobody has begun it, unless it is to ``begin``.
        """
        alike = (job.plan, earlier.plan, job.settings["units"], asked)
        key = ("compared", *stamp(job), stamp(earlier), *alike)
        task = Task("compared", job, (earlier, asked, folder, report.USUAL)) if begin else None
        return self._ask(key, task, 0.3)

    def begin(self, job: Job, kind: str, more: tuple[Any, ...], then: Callable[[Any], None]) -> None:
        """Have `SHEETS` or a `SEAL` made; ``then`` gets what came of it. One that is being made already goes on."""
        key = (kind, job.name)
        with self._lock:
            running = self._asked.get(key)
            if running is None or running.done():
                self._submit(key, Task(kind, job, more), then)

    def making(self, job: Job, kind: str) -> Working | None:
        """How far the `SHEETS` or the `SEAL` of a job are; None where none are being made."""
        key = (kind, job.name)
        future = self._asked.get(key)
        if future is None or futures.wait([future], timeout=0.3).done:
            return None
        return self._told.get(key, _almost())

    def made(self, job: Job, kind: str) -> None:
        """Once after `making`: raises what kept the sheets or the seal from being made, `Stopped` among it."""
        with self._lock:
            future = self._asked.get((kind, job.name))
            if future is None or not future.done():
                return
            del self._asked[kind, job.name]
        try:
            future.result()
        except CancelledError:
            raise Stopped from None

    def at_work(self, name: str) -> Working | None:
        """What is being done on a wall, None where nothing is."""
        with self._lock:
            keys = [key for key, future in self._asked.items() if key[1] == name and not future.done()]
            return self._told.get(keys[0], _almost()) if keys else None

    def stop(self, name: str) -> None:
        """Stop all that is done on a wall: its process is killed, and whoever asked meets `Stopped` until `again`."""
        self._crew.stop(name)

    def again(self, name: str) -> None:
        """Forget that the work on a wall was stopped."""
        with self._lock:
            for key, kept in list(self._kept.items()):
                if key[1] == name and isinstance(kept, _Failed) and isinstance(kept.trouble, Stopped):
                    del self._kept[key]

    def close(self) -> None:
        """Take no more work; what runs is stopped."""
        self._crew.close()

    def _found(self, job: Job, command: str, wait: float) -> Any:
        return self._ask(("found", *_key(job, command)), Task("found", job, (command,)), wait)

    def _ask(self, key: Key, task: Task | None, wait: float) -> Any:
        """What came of a task, or `Working`; without a ``task`` nothing is begun."""
        with self._lock:
            future = self._asked.get(key)
            if future is None and key not in self._kept and task is not None:
                future = self._submit(key, task)
        if future is not None and not futures.wait([future], timeout=wait).done:
            return self._told.get(key, _almost())
        if future is not None:
            self._settle(key, future)
        with self._lock:
            kept = self._kept.get(key)
            if kept is not None:
                self._kept.move_to_end(key)
        if isinstance(kept, _Failed):
            raise kept.trouble
        return kept if future is None else future.result()

    def _submit(self, key: Key, task: Task, then: Callable[[Any], None] | None = None) -> Future[Any]:
        def tell(stage: Note, share: float | None = None) -> None:
            self._told[key] = Working(stage, share)

        tell(note("stage.waiting"))
        future = self._asked[key] = self._crew.submit(task.job.name, task, tell, then)
        if then is None:
            future.add_done_callback(partial(self._settle, key))
        return future

    def _settle(self, key: Key, future: Future[Any]) -> None:
        """Keep what came of a task, once."""
        with self._lock:
            if self._asked.get(key) is not future:
                return
            del self._asked[key]
            self._told.pop(key, None)
            trouble = CancelledError() if future.cancelled() else future.exception()
            if isinstance(trouble, (Stopped, CancelledError)):
                self._keep(key, _Failed(trouble if isinstance(trouble, Stopped) else Stopped()))
            elif isinstance(trouble, FlatscanError):
                # the same settings on the same file fail in the same way: a page that asks again is told, not kept
                # waiting
                self._keep(key, _Failed(trouble))
            elif trouble is None:
                self._keep(key, future.result())

    def _keep(self, key: Key, value: Any) -> None:
        self._kept[key] = value
        self._kept.move_to_end(key)
        while len(self._kept) > _KEPT:
            self._kept.popitem(last=False)


def _almost() -> Working:
    return Working(note("stage.almost-done"), None)


def _key(job: Job, command: str) -> Key:
    return *stamp(job), command, answering.plan_used(job, command), bool(job.text)
