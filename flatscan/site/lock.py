"""One run on one folder at a time: a lock that the operating system lets go of when its holder dies."""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from flatscan.core.errors import OutputError

NAME = "lock"


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the folder for this run; raises `OutputError` where another run holds it or it cannot be written."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        stream = (folder / NAME).open("a+b")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise OutputError(
            folder, f"cannot be written ({reason})", needed="a folder that may be written",
            remedy="Choose another folder with --out",
        ) from error  # fmt: skip
    with stream:
        if not _take(stream):
            stream.seek(0)
            holder = stream.read(200).decode("utf-8", "replace").strip() or "another process"
            raise OutputError(
                folder, f"another run is at work in it ({holder})", needed="one run at a time on one folder",
                remedy="Wait for it or stop it, or choose another folder with --out",
            )  # fmt: skip
        # who holds it is only for the message; a full disk is told when results are written
        with suppress(OSError):
            stream.truncate(0)
            stream.write(f"process {os.getpid()} on {platform.node()}".encode())
            stream.flush()
        yield


def _take(stream: BinaryIO) -> bool:
    # the file stays when the run is over: removing it would let two runs lock two files of one name
    try:
        if sys.platform == "win32":
            import msvcrt

            # the byte locked lies beyond what is written, so that others can still read who holds it
            stream.seek(1 << 20)
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
