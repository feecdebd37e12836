"""The set-up of laser-line photos: a TOML file that says what was taped and which pictures belong together."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.capture.line_stripe import CHANNELS
from flatscan.core.errors import BadTable, BadValue
from flatscan.core.geometry import Array
from flatscan.core.lengths import parse_length
from flatscan.core.units import to_mm

_MOST_LINES = 60


@dataclass(frozen=True, eq=False)
class Line:
    """One line: its pictures, the laser's pivot (3,) [m], and where it meets the wall's plane, if that is known.

    ``at`` [m] is its place across; ``known`` (2, 2) two places along it with their heights [m].
    """

    on: Path
    off: Path
    pivot: Array
    at: float | None
    known: Array | None


@dataclass(frozen=True, eq=False)
class Doubts:
    """Standard uncertainties of what was taped and seen: lengths [m], ``target_pixel`` [pixels], ``focal`` relative.

    ``stripe`` is how far the line's middle follows the colour of the wall, as a share of its width: 0.03 on smooth
    block or plaster, 0.05 to 0.1 on rough or patched walls (METHODS 5; all engineering estimates).
    """

    target_pixel: float = 0.3
    target_place: float = 0.001
    target_off: float = 0.003
    pivot: float = 0.005
    camera: float = 0.050
    focal: float = 0.003
    bow: float = 0.0003
    stripe: float = 0.03
    # the targets' upright against plumb, from a taped rectangle (common practice: 2 mm per m)
    upright: float = 0.002


@dataclass(frozen=True, eq=False)
class Setup:
    """All that was said about a set-up; lengths in metres. ``corners`` (4, 2) pixels of a taped rectangle."""

    file: Path
    name: str
    width: float | None
    height: float | None
    camera_file: Path | None
    place: Array | None
    channel: str
    level: bool
    targets: dict[int, Array]
    target_size: float | None
    pixels: Array
    points: Array
    lines: tuple[Line, ...]
    straightness: Line | None
    doubts: Doubts


def read_setup(path: Path) -> Setup:
    """The set-up in a TOML file; raises `BadTable` that names the entry at fault."""
    try:
        record = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as reason:
        raise BadTable(path, f"not TOML ({reason})", needed="a set-up file", remedy="Correct that line") from None
    get = _Reader(path)
    laser, camera, wall = (get.table(record, name) for name in ("laser", "camera", "wall"))
    targets = get.table(record, "targets")
    channel = str(laser.get("channel", "red"))
    if channel not in CHANNELS or laser.get("runs", "up") not in ("up", "along"):
        raise get.wrong("laser", f"{channel}, runs {laser.get('runs')}", "channel red, green or blue; runs up or along")
    pivot = get.lengths(laser, "pivot", 3) if "pivot" in laser else None
    pixels, points = _marked(get, record)
    lines = record.get("line", [])
    if not isinstance(lines, list) or not 1 <= len(lines) <= _MOST_LINES:
        raise get.wrong("line", "no lines, or too many", f"1 to {_MOST_LINES} entries [[line]] with on and off")
    straight = record.get("straightness")
    return Setup(
        file=path, name=str(wall.get("name", "")), width=get.size(wall, "width"), height=get.size(wall, "height"),
        camera_file=path.parent / str(camera["file"]) if "file" in camera else None,
        place=get.lengths(camera, "place", 3) if "place" in camera else None, channel=channel,
        level=laser.get("runs", "up") == "along",
        targets=get.places(targets), target_size=get.size(targets, "size"), pixels=pixels, points=points,
        lines=tuple(_line(get, entry, pivot) for entry in lines),
        straightness=None if straight is None else _line(get, straight, pivot),
        doubts=_doubts(get, get.table(record, "u")),
    )  # fmt: skip


def _line(get: _Reader, entry: Any, pivot: Array | None) -> Line:
    if not isinstance(entry, dict) or not {"on", "off"} <= set(entry):
        raise get.wrong("line", f"{entry!r}"[:60], "on and off: the pictures with the laser on and off")
    own = get.lengths(entry, "pivot", 3) if "pivot" in entry else pivot
    if own is None:
        raise get.wrong("laser", "no pivot", 'pivot = ["0.8 m", "1.2 m", "0.45 m"]: its x, height and distance')
    known = None
    if "known" in entry:
        rows = entry["known"]
        if not isinstance(rows, list) or len(rows) != 2:
            raise get.wrong("line", "known", "two pairs of a place along the line and the wall's height there")
        known = np.array([get.lengths({"known": row}, "known", 2) for row in rows])
    return Line(get.beside(entry["on"]), get.beside(entry["off"]), own, get.size(entry, "at"), known)


def _marked(get: _Reader, record: dict[str, Any]) -> tuple[Array, Array]:
    """Pixels (n, 2) and places (n, 2) [m] of points marked by hand: one by one, or a rectangle with its sides."""
    pixels, places = [np.empty((0, 2))], [np.empty((0, 2))]
    entries = record.get("point", [])
    for entry in entries if isinstance(entries, list) else [None]:
        if not isinstance(entry, dict):
            raise get.wrong("point", f"{entry!r}"[:60], "pixel and at")
        pixels.append(get.pixels(entry, "pixel", 1))
        places.append(get.lengths(entry, "at", 2)[None])
    frame = get.table(record, "rectangle")
    if frame:
        sides = np.array([get.one(name, frame.get(name)) for name in ("bottom", "right", "top", "left")])
        pixels.append(get.pixels(frame, "pixels", 4))
        foot = get.lengths(frame, "foot", 2) if "foot" in frame else np.zeros(2)
        tapes: Array = np.concatenate([sides, get.lengths(frame, "diagonals", 2)])
        places.append(rectangle_corners(get.file, tapes) + foot)
    return np.concatenate(pixels), np.concatenate(places)


def _doubts(get: _Reader, record: dict[str, Any]) -> Doubts:
    plain = ("target_pixel", "focal", "upright", "stripe")
    made: dict[str, float] = {}
    for name, value in record.items():
        if name not in Doubts.__dataclass_fields__:
            raise get.wrong("u", name, f"some of {', '.join(Doubts.__dataclass_fields__)}")
        made[name] = float(value) if name in plain and isinstance(value, (int, float)) else get.one(name, value)
        if not 0 <= made[name] < 10:
            raise get.wrong("u", f"{name} {value!r}", "0 or more")
    return Doubts(**made)


@dataclass(frozen=True)
class _Reader:
    """Entries of a TOML table as numbers, with errors that name the file and the entry."""

    file: Path

    def wrong(self, entry: str, found: str, needed: str) -> BadTable:
        return BadTable(self.file, f"[{entry}] {found}", needed=needed, remedy="Correct the set-up file")

    def table(self, record: dict[str, Any], name: str) -> dict[str, Any]:
        made = record.get(name, {})
        if not isinstance(made, dict):
            raise self.wrong(name, f"{made!r}"[:60], f"a table [{name}]")
        return made

    def one(self, name: str, value: Any) -> float:
        """A length; a bare number is in metres, as positions are."""
        try:
            return parse_length(str(value), where=name, unit="m")
        except (BadValue, ValueError, ZeroDivisionError):
            raise self.wrong(name, f"{value!r}", 'a length such as "1.2 m" or "3 mm"') from None

    def size(self, record: dict[str, Any], name: str) -> float | None:
        return self.one(name, record[name]) if name in record else None

    def lengths(self, record: dict[str, Any], name: str, many: int) -> Array:
        values = record.get(name)
        if not isinstance(values, list) or len(values) != many:
            raise self.wrong(name, f"{values!r}"[:60], f"{many} lengths in brackets")
        return np.array([self.one(name, value) for value in values])

    def pixels(self, record: dict[str, Any], name: str, many: int) -> Array:
        try:
            made = np.array(record[name], float).reshape(-1, 2)
        except (KeyError, TypeError, ValueError):
            made = np.empty((0, 2))
        if len(made) != many or not np.isfinite(made).all():
            raise self.wrong(name, f"{record.get(name)!r}"[:60], f"{many} times two pixel coordinates")
        return made

    def places(self, record: dict[str, Any]) -> dict[int, Array]:
        given = record.get("at", {})
        if not isinstance(given, dict) or not all(str(key).isdigit() for key in given):
            raise self.wrong("targets", f"at {given!r}"[:60], 'at = { 0 = ["0.3 m", "0.3 m"], ... }')
        if given and "size" not in record:
            raise self.wrong("targets", "no size", 'size = "100 mm": of the black square, measured on the paper')
        return {int(key): self.lengths({"at": value}, "at", 2) for key, value in given.items()}

    def beside(self, name: Any) -> Path:
        return self.file.parent / str(name)


# six tapes for five unknowns: the one left over tells whether a tape was misread
_MOST_MISFIT = 0.005


def rectangle_corners(file: Path, lengths: Array) -> Array:
    """Corners (4, 2) [m] from bottom left, counter-clockwise, the bottom side along x; least squares over all tapes.

    ``lengths`` (6,) [m] are bottom, right, top, left, and the diagonals from bottom left to top right and from bottom
    right to top left. Raises `BadTable` where they cannot belong to one flat quadrilateral.
    """
    from scipy.optimize import least_squares

    ends = np.array([[0, 1], [1, 2], [2, 3], [3, 0], [0, 2], [1, 3]])
    if not (lengths > 0.05).all():
        raise BadTable(
            file, "[rectangle] a side under 50 mm", needed="sides and both diagonals", remedy="Correct the set-up file"
        )

    def corners(unknown: Array) -> Array:
        return np.array([[0, 0], [unknown[0], 0], unknown[1:3], unknown[3:5]])

    def misfit(unknown: Array) -> Array:
        at = corners(unknown)
        return np.hypot(*(at[ends[:, 0]] - at[ends[:, 1]]).T) - lengths

    found = least_squares(misfit, [lengths[0], lengths[0], lengths[1], 0.0, lengths[3]])
    if np.abs(found.fun).max() > _MOST_MISFIT:
        raise BadTable(
            file, f"[rectangle] its sides and diagonals miss each other by {to_mm(np.abs(found.fun).max()):.0f} mm",
            needed=f"six lengths that close within {to_mm(_MOST_MISFIT):.0f} mm", remedy="Tape both diagonals again",
        )  # fmt: skip
    return corners(np.asarray(found.x))
