"""A process for each wall that is worked on: it can be stopped, and one that hangs holds up no other wall.

What a capture makes a reader do happens there and never in the process that serves the pages. So many work at once, the
others wait for a place; so many that have nothing to do are kept, because what they measured is at hand in them.
"""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
import threading
import time
import traceback
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from multiprocessing.connection import Connection
from typing import Any

from flatscan.capture.registry import free_memory
from flatscan.core.errors import FlatscanError
from flatscan.core.notes import Note
from flatscan.core.quantity import share
from flatscan.desk.measuring import Measuring, Task
from flatscan.jobs import Progress
from flatscan.site.pools import end_with_parent, limit_memory, processes

# walls that are worked on at once, and processes that are kept with what they measured
AT_ONCE, _KEPT = 4, 6
# no wall takes so long [s]: what does hangs
_LATEST = 3600.0
# how often whoever waits looks whether he still has to [s]
_LOOK = 0.1
Then = Callable[[Any], None] | None
_TOLD, _DONE, _FAILED, _BROKEN = "told", "done", "failed", "broken"


class Stopped(Exception):  # noqa: N818 - it need not be an error: somebody may have asked for it
    """The work was stopped by somebody at the page, or ended for a ``reason`` that may be none the next time."""

    def __init__(self, reason: FlatscanError | None = None) -> None:
        self.reason = reason
        super().__init__("" if reason is None else reason.text())

    def __reduce__(self) -> tuple[type[Stopped], tuple[FlatscanError | None]]:
        """How it crosses from one process to another."""
        return Stopped, (self.reason,)


class Hand:
    """The process of one wall, begun when there is work for it; `do` does one task after another."""

    def __init__(self, places: threading.Semaphore) -> None:
        self.busy = 0
        self.used = time.monotonic()
        self._places = places
        self._process: Any = None
        self._pipe: Connection | None = None
        # where the process keeps its temporary files
        self._room: str | None = None
        self._turn = ThreadPoolExecutor(1, thread_name_prefix="flatscan-desk")
        self._lock = threading.Lock()
        # how often it was stopped: a task that was asked for before that is not begun any more
        self._stops = 0

    def submit(self, task: Task, tell: Progress, then: Then = None) -> Future[Any]:
        """Ask for a task; its future gives what it found once ``then`` had it, its `FlatscanError`, or `Stopped`."""
        with self._lock:
            self.busy += 1
            stops = self._stops
        return self._turn.submit(self._do, task, tell, then, stops)

    def stop(self) -> None:
        """Kill the process, and whatever was asked for ends with `Stopped`."""
        with self._lock:
            self._stops += 1
            if self._process is not None:
                self._process.kill()

    def close(self) -> None:
        """Stop, and take no more work."""
        self.stop()
        self._turn.shutdown(wait=True, cancel_futures=True)
        self._end()

    def _do(self, task: Task, tell: Progress, then: Then, stops: int) -> Any:
        try:
            while not self._places.acquire(timeout=_LOOK):
                self._ask_whether_stopped(stops)
            try:
                found = self._done(task, tell, stops)
            finally:
                self._places.release()
            if then is not None:
                then(found)
            return found
        finally:
            with self._lock:
                self.busy -= 1
                self.used = time.monotonic()

    def _ask_whether_stopped(self, stops: int) -> None:
        if stops != self._stops:
            raise Stopped

    def _done(self, task: Task, tell: Progress, stops: int) -> Any:
        pipe = self._pipe or self._begin(stops)
        latest = time.monotonic() + _LATEST
        try:
            pipe.send(task)
            while True:
                while not pipe.poll(_LOOK):
                    if time.monotonic() > latest:
                        self.stop_late()
                kind, said = pipe.recv()
                if kind != _TOLD:
                    break
                tell(*said)
        except (EOFError, OSError):
            self._end()
            self._ask_whether_stopped(stops)
            raise Stopped(_ended(task)) from None
        if kind == _FAILED:
            raise said
        if kind == _BROKEN:
            raise RuntimeError(said)
        return said

    def stop_late(self) -> None:
        """Kill a process that has worked longer than any wall takes."""
        with self._lock:
            if self._process is not None:
                self._process.kill()

    def _begin(self, stops: int) -> Connection:
        """A process for this wall; nobody waits at the lock while the system starts it."""
        context = processes()
        ours, theirs = context.Pipe()
        room = tempfile.mkdtemp(prefix="flatscan-")
        process = context.Process(target=_serve, args=(theirs, free_memory(), room), daemon=True)
        process.start()
        theirs.close()
        with self._lock:
            self._process, self._pipe, self._room = process, ours, room
        # one that was stopped meanwhile was not there to be killed
        if stops != self._stops:
            self._end()
            raise Stopped
        return ours

    def _end(self) -> None:
        with self._lock:
            if self._process is not None:
                self._process.kill()
                self._process.join(5.0)
                self._process.close()
            if self._pipe is not None:
                self._pipe.close()
            if self._room is not None:
                # one that is killed tidies up nothing
                shutil.rmtree(self._room, ignore_errors=True)
            self._process = self._pipe = self._room = None


class Crew:
    """All the walls' processes."""

    def __init__(self) -> None:
        self._hands: dict[str, Hand] = {}
        self._places = threading.Semaphore(AT_ONCE)
        self._lock = threading.Lock()

    def submit(self, wall: str, task: Task, tell: Progress, then: Then = None) -> Future[Any]:
        """Ask for a task on a wall; see `Hand.submit`."""
        with self._lock:
            hand = self._hands.get(wall)
            if hand is None:
                self._make_room()
                hand = self._hands[wall] = Hand(self._places)
            return hand.submit(task, tell, then)

    def stop(self, wall: str) -> None:
        """Stop what is done on a wall; others go on."""
        with self._lock:
            hand = self._hands.pop(wall, None)
        if hand is not None:
            hand.close()

    def close(self) -> None:
        """Stop all of them."""
        for wall in list(self._hands):
            self.stop(wall)

    def _make_room(self) -> None:
        """Let go of those that have had nothing to do for longest."""
        idle = sorted((hand.used, wall) for wall, hand in self._hands.items() if not hand.busy)
        for _, wall in idle[: max(len(self._hands) + 1 - _KEPT, 0)]:
            self._hands.pop(wall).close()


def _ended(task: Task) -> FlatscanError:
    """The process of a wall was ended from outside, or took longer than any wall does."""
    return FlatscanError(
        task.job.title,
        "what measured this wall was ended: the memory was full, or it took over {hours:number} h",
        needed="memory for the whole scan, and a scan that can be read",
        remedy="Close other programs and try again, or export the scan thinner",
        hours=share(_LATEST / 3600),
    )


def _serve(pipe: Connection, memory: int | None, room: str) -> None:
    """The life of one process: do what is asked, tell how far it is, send what came of it.

    Its temporary files lie in ``room``, which whoever ends the process removes.
    """
    tempfile.tempdir = room
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=end_with_parent, daemon=True).start()
    limit_memory(memory)
    # what is made of a wall is its owner's alone, as its capture is
    os.umask(0o077)
    measuring = Measuring()

    def tell(stage: Note, part: float | None = None) -> None:
        pipe.send((_TOLD, (stage, part)))

    while True:
        try:
            task = pipe.recv()
        except EOFError:
            return
        pipe.send(_outcome(measuring, task, tell))


def _outcome(measuring: Measuring, task: Task, tell: Progress) -> tuple[str, Any]:
    try:
        return _DONE, measuring.do(task, tell)
    except FlatscanError as trouble:
        return _FAILED, trouble
    except MemoryError:
        return _FAILED, Stopped(_ended(task))
    except Exception:
        # a fault of ours: told in the log of the process that serves the pages
        return _BROKEN, traceback.format_exc()
