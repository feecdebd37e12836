"""One process at a time: a lock file that the operating system lets go of when its holder dies."""

from __future__ import annotations

import os
import platform
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from flatscan.core.errors import OutputError

# how often a lock that somebody holds is asked for again [s]
_AGAIN = 0.05


@contextmanager
def locked(path: Path, patience: float = 0.0) -> Iterator[None]:
    """Hold the lock file ``path``; raises `OutputError`, which names the holder, where it is not free in time.

    ``patience`` [s] is how long to wait. A lock of a process that died is free. `OSError` where it cannot be written.
    """
    stream = _taken(path, time.monotonic() + patience)
    if stream is None:
        holder = "another process"
        with suppress(OSError):
            holder = path.read_bytes()[:200].decode("utf-8", "replace").strip() or holder
        raise OutputError(
            path.parent,
            "another run is at work in it ({holder})",
            needed="one run at a time on one folder",
            remedy="Wait for it or stop it, or choose another folder with {set:out}",
            holder=holder,
        )
    with stream:
        # who holds it is only for the message
        with suppress(OSError):
            stream.truncate(0)
            stream.write(f"process {os.getpid()} on {platform.node()}".encode())
            stream.flush()
        try:
            yield
        finally:
            # removed while it is held; who waits sees that its file is gone and takes the next one
            with suppress(OSError):
                path.unlink()


def _taken(path: Path, until: float) -> BinaryIO | None:
    """The lock file, opened and locked; None where somebody held it until the time was over."""
    while True:
        stream = path.open("a+b")
        if _lock(stream) and _stands(path, stream):
            return stream
        stream.close()
        if time.monotonic() >= until:
            return None
        time.sleep(_AGAIN)


def _stands(path: Path, stream: BinaryIO) -> bool:
    """Whether the file that was opened is still the one of that name: its holder removes it when done."""
    try:
        return os.path.samestat(os.fstat(stream.fileno()), path.stat())
    except OSError:
        return False


def _lock(stream: BinaryIO) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            # the byte locked lies beyond what is written, so that others can still read who holds it
            stream.seek(1 << 20)
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except OSError:
        # a disk that knows no locks is no reason to refuse the work
        return True
    return True
