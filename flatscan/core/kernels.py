"""Compiling the kernels with a cache that survives a read-only install; chunks worked on side by side, in one order."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any

from flatscan.core.geometry import Array


def user_cache_folder() -> Path:
    """Where this user's machine keeps caches: ``LOCALAPPDATA``, ``XDG_CACHE_HOME``, or a folder under home."""
    if sys.platform == "win32" and os.environ.get("LOCALAPPDATA"):
        return Path(os.environ["LOCALAPPDATA"]) / "flatscan"
    if sys.platform == "darwin":
        return Path("~/Library/Caches/flatscan").expanduser()
    root = os.environ.get("XDG_CACHE_HOME") or "~/.cache"
    return Path(root).expanduser() / "flatscan"


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except (OSError, RuntimeError):
        return False


@cache
def _cache_on() -> bool:
    """Point numba at a writable cache folder; False where there is none, and then every run compiles anew."""
    # numba raises while decorating if it finds no place for its cache (a read-only install without a home), and it
    # reads the variable only once, when it is imported: so set both the variable and, if it is here already, its config
    given = os.environ.get("NUMBA_CACHE_DIR")
    try:
        folder = Path(given) if given else user_cache_folder() / "numba"
    except RuntimeError:
        return False
    if not _writable(folder):
        return False
    os.environ["NUMBA_CACHE_DIR"] = str(folder)
    import numba

    vars(numba.config)["CACHE_DIR"] = str(folder)
    return True


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """The function compiled by numba without the interpreter lock, cached on disk where that is possible."""
    cached = _cache_on()
    import numba

    return numba.njit(cache=cached, nogil=True)(function)


def in_lanes(chunks: Iterable[Array], work: Callable[[int, Array, int], None], lanes: int = 2) -> None:
    """Call ``work`` with lane, chunk (m, 3) and the number of its first point, for each chunk in turn.

    Every ``lanes``-th chunk goes to the same lane, one after the other, whatever the number of processors: a lane that
    adds up does so in the same order everywhere. An error of ``work`` or of reading a chunk is raised.
    """
    start, waiting = 0, list[Future[None]]()
    with ThreadPoolExecutor(lanes) as pool:
        for number, points in enumerate(chunks):
            if number >= lanes:
                waiting[number - lanes].result()
            waiting.append(pool.submit(work, number % lanes, points, start))
            start += len(points)
        for last in waiting[-lanes:]:
            last.result()
