"""From a capture to its walls: what it holds, which walls, and one of them as a relief."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypedDict, Unpack

from flatscan import jobs
from flatscan.core.model import Cloud, Readings
from flatscan.core.settled import file_numbers
from flatscan.core.typed import in_metres
from flatscan.jobs import Capturing, Seen
from flatscan.jobs.seeing import Capture
from flatscan.jobs.settings import Length, wall_named
from flatscan.wall import Room

Rectangle = tuple[Length, Length, Length, Length]
_LENGTHS = ("cell", "width", "height", "reading_u")
_PLACES = ("region", "warp")
_FILE_PLACES = {"seen_from": 3, "crop": 6}


class How(TypedDict, total=False):
    """How a capture is read and its wall found: the settings of `relief`."""

    wall: int | str
    cell: Length
    up: str
    seen_from: tuple[float, float, float]
    crop: tuple[float, float, float, float, float, float]
    file_unit: str
    width: Length
    height: Length
    region: Rectangle
    opening: Iterable[Rectangle]
    no_opening: Iterable[int]
    pocket: Iterable[Rectangle]
    skip: Iterable[Rectangle]
    accept: Iterable[Iterable[Length]]
    as_wall: Iterable[Iterable[Length]]
    not_wall: Iterable[Iterable[Length]]
    capture_type: str
    repeat: Iterable[str | Path]
    reading_u: Length
    max_points: int
    tie: str | Path
    warp: tuple[Length, Length]
    same_wall: bool


def read(
    source: Capture,
    *,
    file_unit: str | None = None,
    reading_u: Length = 0.0006,
    max_points: int | None = None,
    crop: tuple[float, ...] | None = None,
) -> Cloud | Readings:
    """What a capture holds, checked and cleaned; read once, it can be asked for all of its walls.

    Parameters
    ----------
    source : path of a file, of a folder of depth frames, or array of shape (n, 3)
        Points in memory are x, y, z in metres.
    file_unit : {"m", "mm", "cm", "ft", "in"}, optional
        Unit of a source that does not say its own, or says it wrongly.
    reading_u : length
        Standard uncertainty of one laser reading.
    max_points : int, optional
        Refuse a capture of more.
    crop : tuple of 6 numbers, optional
        The part of the points that counts: x0, y0, z0, x1, y1, z1 in the file's own coordinates and unit.

    Returns
    -------
    Cloud or Readings
        Points, or laser readings at stations; `origin.warnings` are what was left out or assumed.

    Raises
    ------
    FlatscanError
        `ReadError`, `BadTable`, `UnitsUnknown`, `TooFewPoints` or `BadValue`: what is wrong with it.

    Examples
    --------
    >>> import numpy as np, flatscan as fs
    >>> points = np.random.default_rng(1).uniform((0, -0.001, 0), (2.0, 0.001, 2.4), (20_000, 3))
    >>> fs.read(points).count
    20000
    >>> fs.read("sample_clouds/laser_grid.csv").width
    2.4
    """
    box = None if crop is None else file_numbers(crop, 6, "crop")
    u = in_metres(reading_u, "reading_u")
    how = Capturing(file_unit=file_unit, reading_u=u, max_points=max_points, crop=box)
    return jobs.read(source, how)


def find_walls(source: Capture, **how: Unpack[How]) -> Room:
    """All walls of a capture, numbered: 1 is the largest net area, then clockwise seen from above.

    Parameters
    ----------
    source : path, array of shape (n, 3) in metres, or what `read` gave
        The capture.
    **how
        Settings of `relief`; those of one wall do nothing here.

    Returns
    -------
    Room
        Its `walls`, each with outline and openings, the `corners` where they meet, and `notes`.

    Raises
    ------
    FlatscanError
        What `read` raises, `WallNotFound` where nothing flat stands upright, `UnitsUnknown` where up or the room side
        cannot be told.

    Source
    ------
    methods/walls 3 to 5.

    Examples
    --------
    >>> import flatscan as fs
    >>> [(wall.number, wall.width) for wall in fs.find_walls("sample_clouds/laser_grid.csv").walls]
    [(1, 2.4)]
    """
    return jobs.list_walls(source, capturing(how))


def relief(source: Capture, **how: Unpack[How]) -> Seen:
    """The wall of a capture as offsets from its own plane; seen once, every question can be put to it.

    Parameters
    ----------
    source : path, array of shape (n, 3) in metres, or what `read` gave
        The capture.
    **how
        `wall` (its number, or "1a" for one level of a wall that has several), `cell` (length), `up` ("z", "-y" ...),
        `seen_from` (a point x, y, z on the room side, in the file's own numbers), `crop` (x0, y0, z0, x1, y1, z1,
        likewise: the points that count), `file_unit`, `width` and `height` (taped), `region` (left, bottom, right,
        top), `opening` (more of such rectangles), `no_opening` (numbers of openings found that are none), `pocket`
        (chases, as rectangles: filled first, priced apart), `skip` (parts not to be plastered), `accept` (places of
        laser readings that were doubted and are right),
        `as_wall` and `not_wall` (places on objects before the wall that are wall, or none),
        `capture_type` ("scanner", "phone-walk" ...: sets the common uncertainty), `repeat` (paths of captures of the
        same wall), `reading_u` (length), `max_points`, `tie` (path of laser readings that tie a scan down), `warp`
        (size and length of the scan's warp, where known), `same_wall` (True: the source is a list of captures that
        share coordinates and show one wall). What is left out is decided by the file and the wall.

    Returns
    -------
    Seen
        Its `wall`, its `relief` (`Grid` or `Stations`: `x` (cols,), `y` (rows,), `offset` and `u` (rows, cols) in
        metres, + toward the room, NaN where nothing was measured), and `notes`.

    Raises
    ------
    FlatscanError
        What `find_walls` raises, and `BadValue` for settings that make no sense for this capture.

    Source
    ------
    methods/walls 6 and methods/uncertainty 2.

    Examples
    --------
    >>> import flatscan as fs
    >>> seen = fs.relief("sample_clouds/laser_grid.csv")
    >>> seen.relief.offset.shape, round(float(seen.relief.offset[0, 0]), 3)
    ((5, 7), -0.12)
    """
    return jobs.see(source, capturing(how))


def capturing(how: How) -> Capturing:
    """The settings of `relief` as jobs take them; a name that is none of them raises `TypeError`."""
    given: dict[str, Any] = {name: value for name, value in how.items() if value is not None}
    if "wall" in given:
        given["wall"], given["part"] = wall_named(given["wall"])
    for name in given.keys() & set(_LENGTHS):
        given[name] = in_metres(given[name], name)
    for name in given.keys() & set(_PLACES):
        given[name] = _all_metres(given[name], name)
    for name in given.keys() & set(_FILE_PLACES):
        given[name] = file_numbers(given[name], _FILE_PLACES[name], name)
    for name in given.keys() & {"opening", "pocket", "skip", "accept", "as_wall", "not_wall"}:
        given[name] = tuple(_all_metres(place, name) for place in given[name])
    if "no_opening" in given:
        given["no_opening"] = tuple(given["no_opening"])
    if "repeat" in given:
        given["repeat"] = tuple(map(str, given["repeat"]))
    if "tie" in given:
        given["tie"] = str(given["tie"])
    return Capturing(**given)


def _all_metres(lengths: Iterable[Length], setting: str) -> tuple[float, ...]:
    return tuple(in_metres(length, setting) for length in lengths)
