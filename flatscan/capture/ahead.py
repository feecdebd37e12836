"""Reading a large capture beside the main program, which has its own libraries to load meanwhile.

In a process of its own: loading modules and reading in blocks are both made of short steps under the interpreter's
lock, so two threads of them take as long as one after the other. Where processes are not forked (other systems than
Linux), none can be had, or this one is not fresh, nothing is begun and the capture is read when it is asked for.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess

from flatscan.core.model import Cloud, Readings

# a smaller file is read faster than a process is worth
LARGE_FILE, MOST_MEMORY = 20_000_000, 1_000_000_000
# with one of these loaded a process may have threads that a fork leaves behind, and a reader would wait for them
THREADED = ("numba", "lazrs", "open3d", "cv2", "pye57")
Read = Callable[[], Cloud | Readings]
Key = tuple[str, tuple[object, ...]]


@dataclass(frozen=True, eq=False)
class Reading:
    """A capture that is being read: the process, and where its result or its error arrives."""

    process: BaseProcess
    arrives: Connection

    def result(self, read: Read) -> Cloud | Readings:
        """What was read; its error is raised here. If the process was lost, ``read`` reads again."""
        try:
            done, what = self.arrives.recv()
        except (EOFError, OSError):
            return read()
        finally:
            self.arrives.close()
            # done, lost, or not wanted any more because of Ctrl-C
            self.process.kill()
            self.process.join()
        if not done:
            raise what
        return what


_begun: dict[Key, Reading] = {}


def is_large(path: str | os.PathLike[str]) -> bool:
    """Whether a file is so large that something is worth doing while it is read."""
    # not Path.is_file: it raises where a name is too long for the system
    return os.path.isfile(path) and os.path.getsize(path) > LARGE_FILE  # noqa: PTH113, PTH202


def begin(read: Read, path: str | os.PathLike[str], settings: tuple[object, ...]) -> None:
    """Start ``read`` for the file ``path`` as these ``settings`` say; `taken` hands over what it read or raised."""
    if sys.platform != "linux" or threading.active_count() > 1 or any(name in sys.modules for name in THREADED):
        return
    context = multiprocessing.get_context("fork")
    arrives, sent = context.Pipe(duplex=False)
    process = context.Process(target=_read_and_send, args=(read, arrives, sent), name="reading ahead", daemon=True)
    try:
        with warnings.catch_warnings(), _ctrl_c_later():
            # the threads there are belong to the linear algebra library, which is made for this
            warnings.simplefilter("ignore", DeprecationWarning)
            process.start()
    except OSError:
        arrives.close()
        return
    finally:
        sent.close()
    _begun[(os.fspath(path), settings)] = Reading(process, arrives)


@contextlib.contextmanager
def _ctrl_c_later() -> Iterator[None]:
    """Put off Ctrl-C: what modules do around a fork swallows it and leaves their locks as they were."""
    came: list[int] = []
    usual = signal.signal(signal.SIGINT, lambda number, _frame: came.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, usual)
    if came:
        raise KeyboardInterrupt


def _read_and_send(read: Read, arrives: Connection, sent: Connection) -> None:
    # the other end is the main process's alone: when that is gone, sending must fail and not wait
    arrives.close()
    # Ctrl-C reaches the whole group of processes: the main one says so, and ends this one
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        got: tuple[bool, object] = (True, read())
    except Exception as reason:  # noqa: BLE001 - raised again by whoever asks for the result
        got = (False, reason)
    # a large mesh stays in memory as long as its points do: there is not room for it twice
    if _memory() <= MOST_MEMORY:
        # a main process that has gone no longer asks, and what cannot be sent is read again there
        with contextlib.suppress(Exception):
            sent.send(got)


def _memory() -> int:
    """The most memory this process has had [bytes]."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def taken(path: str | os.PathLike[str], settings: tuple[object, ...]) -> Reading | None:
    """The reading that was begun with just these settings, once; None if none was."""
    return _begun.pop((os.fspath(path), settings), None)
