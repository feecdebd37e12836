"""A taped width or height against the capture's own: its scale error."""

from __future__ import annotations

from flatscan.core.errors import BadValue
from flatscan.core.model import Wall

NOTABLE = 0.01
NOT_THIS_WALL = 0.2


def check_taped(width: float | None, height: float | None) -> None:
    """Refuse a taped size that no wall has: `BadValue` unless it is 0.1 to 300 m."""
    for name, taped in (("--width", width), ("--height", height)):
        if taped is not None and not 0.1 <= taped <= 300:
            raise BadValue(
                name, f"{taped:g} m", needed="the wall's size as taped, 0.1 to 300 m", remedy="Give it with its unit"
            )


def scale_notes(wall: Wall, width: float | None, height: float | None) -> list[str]:
    """What the taped sizes [m] say about the scale, in per cent: + where the capture shows the wall too large."""
    notes = []
    for word, taped, shown in (("width", width, wall.width), ("height", height, wall.height)):
        if taped is None:
            continue
        error = shown / taped - 1
        text = f"scale: the capture shows a {word} of {shown * 1000:.0f} mm, taped {taped * 1000:.0f} mm, "
        text += f"an error of {error * 100:+.2f} %"
        if abs(error) > NOT_THIS_WALL:
            text += ": too much for a scale error, so another wall, another unit or not the whole wall was captured"
        elif abs(error) > NOTABLE:
            text += f"; areas and quantities are out by about {2 * error * 100:+.1f} %"
        notes.append(text)
    return notes
