"""A set-up file of laser-line photos as one of the capture formats."""

from __future__ import annotations

from pathlib import Path

from flatscan.capture.registry import Format
from flatscan.core.model import Readings


def _is_setup(head: bytes) -> bool:
    from flatscan.capture.laser_line.reader import is_setup

    return is_setup(head)


def open_line_photos(path: Path, *, file_unit: str | None = None, reading_u: float = 0.0006) -> Readings:
    """`laser_line.reader.open_lines`, imported when it is needed."""
    from flatscan.capture.laser_line.reader import open_lines

    return open_lines(path, file_unit=file_unit, reading_u=reading_u)


FORMAT = Format("laser line photos", (".toml",), "stations", _is_setup, open_line_photos)
