"""Compiling the kernels, with a cache folder of their own that survives a read-only install."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any


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
