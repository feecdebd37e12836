"""Photos and videos of laser lines that came without a set-up: told from other captures, and laid in pairs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.desk.line_questions import is_video

# what a capture holds that still has to be asked for its set-up
UNASKED = "photos of lines"
PHOTOS = (".png", ".jpg", ".jpeg", ".heic", ".heif")
LENSES = (".json", ".yml", ".yaml", ".xml")
# more lines than this are a sweep, and come as a video
MOST_LINES = 12
_MOST = 2 * MOST_LINES
# grey values, of 255, that two pictures of a camera that stands still differ by at most in most of their parts
_ALIKE = 12.0


def is_photo(path: Path) -> bool:
    """Whether a file is a photo by its name."""
    return path.suffix.lower() in PHOTOS


def is_unasked(files: Sequence[Path]) -> bool:
    """Whether files are photos of lines, or a video of one, and lens files at most: all but a set-up.

    Photos are taken for such where the camera stood still between them.
    """
    videos = [path for path in files if is_video(path.name)]
    photos = [path for path in files if is_photo(path)]
    lenses = [path for path in files if path.suffix.lower() in LENSES]
    if len(videos) + len(photos) + len(lenses) < len(files) or len({path.parent for path in files}) > 1:
        return False
    if videos:
        return len(videos) == 1 and len(photos) <= 1
    return 0 < len(photos) <= _MOST and _stood_still(photos[:2])


def _stood_still(photos: Sequence[Path]) -> bool:
    """Whether photos show the same but for a line; a single one always does."""
    small = [_small(path) for path in photos]
    if any(one is None for one in small) or len({one.shape for one in small if one is not None}) > 1:
        return False
    return len(small) == 1 or float(np.median(np.abs(small[0] - small[1]))) <= _ALIKE


def _small(path: Path) -> Any:
    """A picture (rows, cols, 3), reduced; None for one that cannot be read."""
    import cv2

    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
        found = cv2.imdecode(data, cv2.IMREAD_REDUCED_COLOR_4) if len(data) else None
    except (OSError, cv2.error):
        return None
    return None if found is None else found.astype(float)


def guessed(photos: Sequence[Path]) -> list[tuple[str, str]]:
    """The photos by name in pairs, laser on and laser off (or ""): the one with more light in few places has it on."""
    names = [path.name for path in photos]
    if len(photos) % 2:
        return [(name, "") for name in names]
    pairs = list(zip(photos[::2], photos[1::2], strict=True))
    return [(a.name, b.name) if _lit(a, b) else (b.name, a.name) for a, b in pairs]


def _lit(one: Path, other: Path) -> bool:
    """Whether the first of two photos has the line: light in a few places that the other lacks."""
    first, second = _small(one), _small(other)
    if first is None or second is None or first.shape != second.shape:
        return True
    more = first - second
    # cubes: a line is a few places that differ by much, whatever all others do
    return float(((more - np.median(more, axis=(0, 1))) ** 3).sum()) >= 0
