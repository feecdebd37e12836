"""Set-ups of swept laser lines as a format; their reader is imported when it is needed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from flatscan.capture.registry import Format
from flatscan.capture.source import PointSource

SWEEP_READER = "swept laser lines"


def _is_sweep(head: bytes) -> bool:
    return b"[laser]" in head and b"[[sweep]]" in head


def open_swept(path: Path, told: Callable[[float], None] | None = None) -> PointSource:
    """`swept.open_sweeps`, imported when it is needed."""
    from flatscan.capture.sweeps.swept import open_sweeps

    return open_sweeps(path, told)


def _of_sweep(path: Path) -> tuple[Path, ...]:
    from flatscan.capture.sweeps.sweep_setup import files_of_sweeps

    return files_of_sweeps(path)


SWEEP = Format(SWEEP_READER, (".toml",), "points", _is_sweep, open_swept, _of_sweep, tells=True)
