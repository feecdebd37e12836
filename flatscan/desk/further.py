"""Addresses of the pages that stand beside the steps of a wall."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any


def addresses() -> dict[str, tuple[Callable[..., Any], str]]:
    """View and methods by address."""
    from flatscan.desk import against, more_captures, rechecks

    return {
        "/recheck": (rechecks.drop, "GET POST"),
        "/recheck/<name>": (rechecks.found, "GET"),
        "/recheck/<name>/state": (rechecks.state, "GET"),
        "/recheck/<name>/stop": (rechecks.stop, "POST"),
        "/wall/<name>/compare": (against.compare, "GET POST"),
        "/wall/<name>/compare/state": (against.state, "GET"),
        "/wall/<name>/compared/<file>": (against.file, "GET"),
        "/wall/<name>/more": (more_captures.more, "GET POST"),
    }
