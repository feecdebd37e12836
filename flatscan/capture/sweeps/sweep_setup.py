"""The set-up of swept lines: a video or many photos of a laser line that turns, and the strips that every line crosses.

See methods/laser-line 14.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.capture.calibration.setup_reader import SetupReader, short
from flatscan.capture.lines.line_setup import Setup, read_setup
from flatscan.core.beside import beside
from flatscan.core.geometry import Array
from flatscan.core.records import load_toml

_MOST_SWEEPS, _MOST_REFERENCES, _MOST_PHOTOS = 8, 6, 3000
_PLUMB = (0.0, 1.0, 0.0)


@dataclass(frozen=True, eq=False)
class Reference:
    """A straight strip on the wall that the lines cross: places (k, 3) along its middle [m] with how far off it stands.

    ``width`` [m] is how broad its face is.
    """

    places: Array
    width: float

    def at(self, along: Array, axis: int) -> tuple[Array, Array]:
        """Its middle across and how far off its face stands (n,) [m] at places ``along`` it; NaN beyond its ends."""
        order = np.argsort(self.places[:, axis])
        known = self.places[order]
        across, off = (
            np.interp(along, known[:, axis], known[:, column], left=np.nan, right=np.nan) for column in (1 - axis, 2)
        )
        return across, off


@dataclass(frozen=True, eq=False)
class Sweep:
    """One sweep: its ``video`` or ``photos``, a picture without the laser or None, the laser's ``pivot`` (3,) [m]."""

    video: Path | None
    photos: tuple[Path, ...]
    off: Path | None
    pivot: Array

    @property
    def name(self) -> Path:
        """The file that it is called by."""
        return self.photos[0] if self.video is None else self.video

    @property
    def files(self) -> tuple[Path, ...]:
        """All pictures it is made of."""
        own = self.photos if self.video is None else (self.video,)
        return own if self.off is None else (*own, self.off)


@dataclass(frozen=True, eq=False)
class SweepSetup:
    """A set-up of sweeps: what it shares with that of single lines, and what is known of every line.

    ``axis`` (3,) is the direction of the axis that the laser turns about and the light contains, None where it is not
    known. ``plumb`` tells whether the set-up says how plumb its references are. ``width``, ``height`` [m]: the wall's.
    """

    setup: Setup
    sweeps: tuple[Sweep, ...]
    references: tuple[Reference, ...]
    axis: Array | None
    plumb: bool
    width: float
    height: float

    @property
    def along(self) -> int:
        """The coordinate that the references run along: 0 for upright lines, 1 for level ones."""
        return 1 if self.setup.level else 0

    @property
    def by_axis(self) -> bool:
        """Whether the plane of light is told by the axis it turns about and one strip."""
        return len(self.references) < 2


def read_sweeps(path: Path) -> SweepSetup:
    """The set-up of swept lines in a TOML file; raises `BadTable` that names the entry at fault."""
    setup = read_setup(path)
    record = load_toml(path, "a set-up file", "Correct that line")
    get = SetupReader(path)
    if setup.lines:
        needed = "either [[sweep]] or [[line]]: single lines stay separate, a sweep makes one wall"
        raise get.wrong("line", "given beside [[sweep]]", needed)
    if setup.camera_file is None:
        raise get.wrong("camera", "no file", "the lens, calibrated at the video's own size: a sweep leans on it")
    if setup.width is None or setup.height is None:
        raise get.wrong("wall", "no width or no height", "both: what no line fell on has to count as not measured")
    references = tuple(_reference(get, entry, setup.level) for entry in _entries(get, record, "reference", 0))
    axis = _axis(get, get.table(record, "laser"))
    if len(references) + (axis is not None) < 2:
        needed = "two strips [[reference]] that every line crosses, or one and [laser] axis"
        raise get.wrong("reference", "{count} of them, so where each line stands is not known", needed,
                        count=len(references))  # fmt: skip
    laser = get.table(record, "laser")
    pivot = get.lengths(laser, "pivot", 3) if "pivot" in laser else None
    sweeps = tuple(_sweep(get, entry, pivot) for entry in _entries(get, record, "sweep", 1))
    plumb = "upright" in get.table(record, "u")
    return SweepSetup(setup, sweeps, references, axis, plumb, setup.width, setup.height)


def files_of_sweeps(path: Path) -> tuple[Path, ...]:
    """The videos, pictures and the lens that a set-up names; raises as `read_sweeps` does."""
    given = read_sweeps(path)
    named = [one for sweep in given.sweeps for one in sweep.files]
    straight = given.setup.straightness
    square = [] if straight is None else [one for one in (straight.on, straight.off) if one is not None]
    lens = [] if given.setup.camera_file is None else [given.setup.camera_file]
    return tuple(dict.fromkeys([*named, *square, *lens]))


def _entries(get: SetupReader, record: dict[str, Any], name: str, fewest: int) -> list[dict[str, Any]]:
    entries, most = record.get(name, []), _MOST_SWEEPS if name == "sweep" else _MOST_REFERENCES
    sound = isinstance(entries, list) and all(isinstance(entry, dict) for entry in entries)
    if not sound or not fewest <= len(entries) <= most:
        raise get.wrong(name, "{given}", f"{fewest} to {{most}} entries [[{name}]]", given=short(entries), most=most)
    return list(entries)


def _reference(get: SetupReader, entry: dict[str, Any], level: bool) -> Reference:
    rows = entry.get("at")
    if not isinstance(rows, list) or not 2 <= len(rows) <= 100:
        needed = 'at = [["0.1 m", "2.4 m", "20 mm"], ...]: x, height and how far its face stands off, 2 places or more'
        raise get.wrong("reference", "at {given}", needed, given=short(rows))
    places = np.array([get.lengths({"at": row}, "at", 3) for row in rows])
    width = get.size(entry, "width")
    if width is None or not 0.01 <= width <= 0.5:
        raise get.wrong("reference", "width {given}", "its breadth, 10 mm to 500 mm", given=short(entry.get("width")))
    run = places[:, 1 if level else 0]
    if np.ptp(run) < 0.3:
        needed = "strips of 300 mm or more, up for lines along" if level else "strips of 300 mm or more along the wall"
        raise get.wrong("reference", "its ends lie side by side", needed)
    return Reference(places, width)


def _axis(get: SetupReader, laser: dict[str, Any]) -> Array | None:
    """Unit direction (3,) of the axis in the light that the laser turns about, None where none is given."""
    given = laser.get("axis")
    if given is None:
        return None
    try:
        direction = np.array(_PLUMB if given == "plumb" else given, float).reshape(3)
    except (TypeError, ValueError):
        direction = np.zeros(3)
    size = float(np.linalg.norm(direction))
    if not np.isfinite(size) or size < 1e-6:
        raise get.wrong("laser", "axis {given}", '"plumb", or three numbers: its direction', given=short(given))
    return np.asarray(direction / size, np.float64)


def _sweep(get: SetupReader, entry: dict[str, Any], pivot: Array | None) -> Sweep:
    own = get.lengths(entry, "pivot", 3) if "pivot" in entry else pivot
    if own is None:
        raise get.wrong("laser", "no pivot", 'pivot = ["0.8 m", "1.2 m", "0.45 m"]: its x, height and distance')
    video, photos = entry.get("video"), entry.get("photos", [])
    if (video is None) == (not photos) or not isinstance(photos, list) or len(photos) > _MOST_PHOTOS:
        needed = "either video or photos, of these at most {most}"
        raise get.wrong("sweep", "{given}", needed, given=short(entry), most=_MOST_PHOTOS)
    off = entry.get("off")
    return Sweep(
        None if video is None else beside(get.file, video),
        tuple(beside(get.file, name) for name in photos),
        None if off is None else beside(get.file, off),
        own,
    )
