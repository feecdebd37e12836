"""The set-up of laser-line photos: a TOML file that says what was taped and which pictures belong together."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from flatscan.capture.calibration.lens import U_FOCAL
from flatscan.capture.calibration.setup_reader import SetupReader, short
from flatscan.capture.camera import Camera
from flatscan.capture.lines.laser_plane import CalibratedPlane, read_plane
from flatscan.capture.lines.line_ridge import CHANNELS
from flatscan.core.beside import beside
from flatscan.core.errors import BadTable
from flatscan.core.geometry import Array
from flatscan.core.quantity import metres
from flatscan.core.records import load_toml

_MOST_LINES = 60
# six tapes for five unknowns: the one left over tells whether a tape was misread
_MOST_MISFIT = 0.005
_SHORTEST_SIDE = 0.05
# relative u of a focal length that nothing is said of, and the least of one that was calibrated (engineering estimates)
_USUAL_FOCAL, _LEAST_FOCAL = 0.003, 0.001


@dataclass(frozen=True, eq=False)
class Line:
    """One line: its pictures, the laser's pivot (3,) [m], and where it meets the wall's plane, if that is known.

    ``off`` is None where there is no picture without the laser. ``at`` [m] is its place across; ``known`` (2, 2) two
    places along it with their heights [m].
    """

    on: Path
    off: Path | None
    pivot: Array | None
    at: float | None
    known: Array | None


@dataclass(frozen=True, eq=False)
class Doubts:
    """Standard uncertainties of what was taped and seen: lengths [m], ``target_pixel`` [pixels], ``focal`` relative.

    ``stripe`` is how far a line's middle may lie off its light's, as a share of its width, beside what the picture
    itself tells (methods/laser-line 4 and 8; all engineering estimates).
    """

    target_pixel: float = 0.3
    target_place: float = 0.001
    target_off: float = 0.003
    pivot: float = 0.005
    camera: float = 0.050
    # None: as the lens's calibration says, else 0.003
    focal: float | None = None
    bow: float = 0.0003
    stripe: float = 0.005
    # the targets' upright against plumb, from a taped rectangle (common practice: 2 mm per m)
    upright: float = 0.002
    # of swept lines: what a calibration leaves of the lens in the picture's corner [pixels], how far a reference strip
    # is out of straight in the middle of 2 m, and how far off its face stands (methods/laser-line 15; estimates)
    lens: float = 0.2
    reference: float = 0.0003
    reference_off: float = 0.0005


def u_focal(doubts: Doubts, camera: Camera | None) -> float:
    """Relative u of a focal length: stated, or as its calibration says, which knows nothing of where it is focused."""
    if doubts.focal is not None:
        return doubts.focal
    own = None if camera is None else camera.extra(U_FOCAL)
    return _USUAL_FOCAL if own is None else max(float(own), _LEAST_FOCAL)


@dataclass(frozen=True, eq=False)
class Setup:
    """All that was said about a set-up; lengths in metres. ``channel`` is None where the pictures are to choose it."""

    file: Path
    name: str
    width: float | None
    height: float | None
    camera_file: Path | None
    camera_name: str | None
    place: Array | None
    channel: str | None
    level: bool
    targets: dict[int, Array]
    target_size: float | None
    pixels: Array
    points: Array
    lines: tuple[Line, ...]
    straightness: Line | None
    doubts: Doubts
    plane_file: Path | None = None
    plane: CalibratedPlane | None = None


def read_setup(path: Path) -> Setup:
    """The set-up in a TOML file; raises `BadTable` that names the entry at fault."""
    record = load_toml(path, "a set-up file", "Correct that line")
    get = SetupReader(path)
    laser, camera, wall = (get.table(record, name) for name in ("laser", "camera", "wall"))
    targets = get.table(record, "targets")
    channel, runs = laser.get("channel"), laser.get("runs", "up")
    if channel not in (None, *CHANNELS) or runs not in ("up", "along"):
        needed = "channel red, green or blue, or none; runs up or along"
        raise get.wrong("laser", "{channel}, runs {runs}", needed, channel=str(channel), runs=str(runs))
    pivot = get.lengths(laser, "pivot", 3) if "pivot" in laser else None
    plane_file = get.beside(laser["plane"]) if "plane" in laser else None
    straight = record.get("straightness")
    if plane_file is not None:
        _refuse_both(get, record, camera, laser)
    pixels, points = _marked(get, record)
    lines = record.get("line", [])
    fewest = 0 if "sweep" in record else 1
    if not isinstance(lines, list) or not fewest <= len(lines) <= _MOST_LINES:
        needed = "1 to {most} entries [[line]] with on and off"
        raise get.wrong("line", "no lines, or too many", needed, most=_MOST_LINES)
    return Setup(
        file=path,
        name=str(wall.get("name", "")),
        width=get.size(wall, "width"),
        height=get.size(wall, "height"),
        camera_file=beside(path, camera["file"]) if "file" in camera else None,
        camera_name=str(camera["name"]) if "name" in camera else None,
        place=get.lengths(camera, "place", 3) if "place" in camera else None,
        channel=channel,
        level=runs == "along",
        targets=get.places(targets),
        target_size=get.size(targets, "size"),
        pixels=pixels,
        points=points,
        lines=tuple(_line(get, entry, pivot, taped=plane_file is None) for entry in lines),
        straightness=None if straight is None else _line(get, straight, pivot),
        doubts=_doubts(get, get.table(record, "u")),
        plane_file=plane_file,
        plane=None if plane_file is None else read_plane(plane_file),
    )


def _refuse_both(get: SetupReader, record: dict[str, Any], camera: dict[str, Any], laser: dict[str, Any]) -> None:
    """Raise `BadTable` for a calibrated plane beside what only a taped laser needs."""
    taped = [name for name, there in (("pivot", "pivot" in laser), ("place", "place" in camera)) if there]
    taped += [name for name in ("straightness", "sweep") if name in record]
    lines = record.get("line", [])
    taped += ["pivot of a line"] if any("pivot" in one for one in lines if isinstance(one, dict)) else []
    if taped:
        needed = "either the laser's calibrated plane or what was taped of laser and camera, not both"
        raise get.wrong("laser", "plane beside {taped}", needed, taped=tuple(taped))


def files_of_setup(path: Path) -> tuple[Path, ...]:
    """The pictures and the lens that a set-up names; raises as `read_setup` does."""
    setup = read_setup(path)
    lines = setup.lines if setup.straightness is None else (*setup.lines, setup.straightness)
    named = [picture for line in lines for picture in (line.on, line.off) if picture is not None]
    return tuple(dict.fromkeys([*named, *(one for one in (setup.camera_file, setup.plane_file) if one is not None)]))


def _line(get: SetupReader, entry: Any, pivot: Array | None, *, taped: bool = True) -> Line:
    if not isinstance(entry, dict) or "on" not in entry:
        needed = "on and off: the pictures with the laser on and off (in a dim room on alone will do)"
        raise get.wrong("line", "{given}", needed, given=short(entry))
    own = get.lengths(entry, "pivot", 3) if "pivot" in entry else pivot
    if own is None and taped:
        needed = 'pivot = ["0.8 m", "1.2 m", "0.45 m"]: its x, height and distance; or plane = "laser.json"'
        raise get.wrong("laser", "no pivot", needed)
    known = None
    if "known" in entry:
        rows = entry["known"]
        if not isinstance(rows, list) or len(rows) != 2:
            raise get.wrong("line", "known", "two pairs of a place along the line and the wall's height there")
        known = np.array([get.lengths({"known": row}, "known", 2) for row in rows])
    off = get.beside(entry["off"]) if "off" in entry else None
    return Line(get.beside(entry["on"]), off, own, get.size(entry, "at"), known)


def _marked(get: SetupReader, record: dict[str, Any]) -> tuple[Array, Array]:
    """Pixels (n, 2) and places (n, 2) [m] of points marked by hand: one by one, or a rectangle with its sides."""
    pixels, places = [np.empty((0, 2))], [np.empty((0, 2))]
    entries = record.get("point", [])
    for entry in entries if isinstance(entries, list) else [None]:
        if not isinstance(entry, dict):
            raise get.wrong("point", "{given}", "pixel and at", given=short(entry))
        pixels.append(get.pixels(entry, "pixel", 1))
        places.append(get.lengths(entry, "at", 2)[None])
    frame = get.table(record, "rectangle")
    if frame:
        sides = np.array([get.length(name, frame.get(name)) for name in ("bottom", "right", "top", "left")])
        pixels.append(get.pixels(frame, "pixels", 4))
        foot = get.lengths(frame, "foot", 2) if "foot" in frame else np.zeros(2)
        tapes: Array = np.concatenate([sides, get.lengths(frame, "diagonals", 2)])
        places.append(rectangle_corners(get.file, tapes) + foot)
    return np.concatenate(pixels), np.concatenate(places)


def _doubts(get: SetupReader, record: dict[str, Any]) -> Doubts:
    plain = ("target_pixel", "focal", "upright", "stripe", "lens")
    doubts: dict[str, Any] = {}
    for name, value in record.items():
        if name not in Doubts.__dataclass_fields__:
            raise get.wrong("u", "{name}", "some of {known}", name=name, known=tuple(Doubts.__dataclass_fields__))
        doubts[name] = float(value) if name in plain and isinstance(value, (int, float)) else get.length(name, value)
        if not 0 <= doubts[name] < 10:
            raise get.wrong("u", "{name} {given}", "0 or more", name=name, given=repr(value))
    return Doubts(**doubts)


def rectangle_corners(file: Path, lengths: Array) -> Array:
    """Corners (4, 2) [m] from bottom left, counter-clockwise, the bottom side along x; least squares over all tapes.

    ``lengths`` (6,) [m] are bottom, right, top, left, and the diagonals from bottom left to top right and from bottom
    right to top left. Raises `BadTable` where they cannot belong to one flat quadrilateral.
    """
    from scipy.optimize import least_squares

    ends = np.array([[0, 1], [1, 2], [2, 3], [3, 0], [0, 2], [1, 3]])
    if not (lengths > _SHORTEST_SIDE).all():
        raise BadTable(
            file,
            "[rectangle] a side under {least:length}",
            needed="sides and both diagonals",
            remedy="Correct the set-up file",
            least=metres(_SHORTEST_SIDE),
        )

    def corners(unknown: Array) -> Array:
        return np.array([[0, 0], [unknown[0], 0], unknown[1:3], unknown[3:5]])

    def misfit(unknown: Array) -> Array:
        at = corners(unknown)
        return np.hypot(*(at[ends[:, 0]] - at[ends[:, 1]]).T) - lengths

    found = least_squares(misfit, [lengths[0], lengths[0], lengths[1], 0.0, lengths[3]])
    if np.abs(found.fun).max() > _MOST_MISFIT:
        raise BadTable(
            file,
            "[rectangle] its sides and diagonals miss each other by {off:length}",
            needed="six lengths that close within {most:length}",
            remedy="Tape both diagonals again",
            off=metres(np.abs(found.fun).max()),
            most=metres(_MOST_MISFIT),
        )
    return corners(np.asarray(found.x))
