"""Set-ups of photographed laser lines as a format; their reader is imported when it is needed."""

from __future__ import annotations

from pathlib import Path

from flatscan.capture.registry import Format
from flatscan.core.model import Readings

LINE_READER = "laser line photos"


def _is_setup(head: bytes) -> bool:
    """Whether a file begins like a set-up: TOML with a table [[line]] or [targets] and [laser]."""
    return b"[laser]" in head and (b"[[line]]" in head or b"[targets]" in head)


def open_line_photos(path: Path, *, file_unit: str | None = None, reading_u: float = 0.0006) -> Readings:
    """`line_budget.open_lines`, imported when it is needed; ``file_unit`` and ``reading_u`` are another format's."""
    from flatscan.capture.lines.line_budget import open_lines

    del file_unit, reading_u
    return open_lines(path)


def _of_setup(path: Path) -> tuple[Path, ...]:
    from flatscan.capture.lines.line_setup import files_of_setup

    return files_of_setup(path)


LINE_PHOTOS = Format(LINE_READER, (".toml",), "stations", _is_setup, open_line_photos, _of_setup)
