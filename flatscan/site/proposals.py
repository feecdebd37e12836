"""Small pictures of a capture as each answer to its question makes it, so that somebody who was there can choose."""

from __future__ import annotations

import io
from pathlib import Path

from flatscan.core.errors import FlatscanError
from flatscan.jobs.listing import Listed, answered
from flatscan.report.room_pictures import small_picture
from flatscan.site.job import Task, slug_of

# four ways are looked at and compared, more are not
_MOST, _WIDE = 4, 640


def pictures(task: Task, error: FlatscanError, folder: Path) -> dict[str, bytes]:
    """Names and PNG pictures of wall 1 by each of the first answers an error offers; none where it asks nothing.

    A room cut out of a building has none: its capture is another file.
    """
    if task.part:
        return {}
    found = dict[str, bytes]()
    for choice in error.choices[:_MOST]:
        listed = answered(task.capture.path, task.capture.settings.how, choice)
        if listed is not None and listed.seeing is not None:
            found[picture_of(*choice)] = _shrunk(listed, task.capture.settings.units, folder)
    return found


def picture_of(setting: str, proposal: str) -> str:
    """The name of the picture that shows a proposal."""
    return f"{slug_of(setting, proposal.replace('-', 'minus '))}.png"


def _shrunk(listed: Listed, units: str, folder: Path) -> bytes:
    from PIL import Image

    path = small_picture(listed, folder, units)
    with Image.open(path) as image:
        small = image.convert("L")
        small.thumbnail((_WIDE, _WIDE))
        stream = io.BytesIO()
        small.save(stream, "PNG", optimize=True)
    return stream.getvalue()
