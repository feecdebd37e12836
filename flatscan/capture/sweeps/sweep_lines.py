"""One frame of a sweep: where its line is, the plane of light by what it crosses, and the wall's heights along it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.lines.line_rays import LEAST_SENSITIVITY, Bow, LaserPlane, View
from flatscan.capture.lines.line_stripe import CHANNELS, find_stripe
from flatscan.capture.lines.measured_lines import pixels_of
from flatscan.capture.pictures import Picture
from flatscan.capture.sweeps.sweep_bands import NO_LINE, Coarse, coarse_line
from flatscan.capture.sweeps.sweep_setup import Reference, SweepSetup
from flatscan.core.errors import BadValue, ReadError
from flatscan.core.geometry import Array, Mask

Pixels = NDArray[np.uint8]
Rows = NDArray[np.int64]
# of a strip's face the middle part counts: at its edges light of two heights mixes
_FACE, _FEWEST_ON_FACE = 0.6, 3
# half of a target's paper, and a line's width about it, as a share of its black square
_PAPER = 0.8
# a wall and a strip on it are no further apart [m]; light on a strip is no weaker than this share of the line
_MOST_OFF, _LEAST_ON_FACE = 0.05, 0.2
# what is left out beside a strip, where its light and the wall's mix [m]
_BESIDE = 0.010
NO_REFERENCE, FLAT_VIEW = "no reference", "poor angle"


@dataclass(frozen=True, eq=False)
class Shot:
    """How a sweep's frames are seen: its view, what its lines cross, the laser, and what is known of the fan's bend."""

    given: SweepSetup
    view: View
    pivot: Array
    bow: Bow | None
    channel: str

    @property
    def colour(self) -> int:
        """Which of red, green and blue the laser is."""
        return CHANNELS[self.channel]


@dataclass(frozen=True, eq=False)
class SweptLine:
    """One line: ``points`` (n, 3) [m] on the wall, its place ``at`` [m] across, and how it was seen.

    ``width`` [pixels] is the light's, ``pixel`` [m] the size of a pixel, ``shift`` [pixels] where it lies on the
    picture, ``marks`` (references, 2) the pixels at which it crosses the strips.
    """

    number: int
    points: Array
    at: float
    shift: float
    width: float
    pixel: float
    sensitivity: float
    marks: Array


def line_in(shot: Shot, number: int, lit: Pixels, dark: Pixels, where: Path) -> SweptLine | str:
    """The line of a frame, or the word for why there is none; ``lit``, ``dark`` (rows, cols, 3) with and without it."""
    level = shot.given.setup.level
    # a level line is an upright one of the picture laid on its side
    lit, dark = (one.swapaxes(0, 1) if level else one for one in (lit, dark))
    coarse = coarse_line(lit[..., shot.colour], dark[..., shot.colour])
    if isinstance(coarse, str):
        return coarse
    shift, mixed = _on_strips(shot, coarse, _added(lit[..., shot.colour], dark[..., shot.colour]))
    low, many = coarse.window(len(lit), lit.shape[1], shift)
    lit, dark = _cut(lit, low, many), _cut(dark, low, many)
    lit[mixed] = dark[mixed]
    try:
        stripe = find_stripe(Picture(lit, False, None), Picture(dark, False, None), shot.channel, where)
    except ReadError:
        return NO_LINE
    row = stripe.places[:, 1]
    pixels = np.column_stack([stripe.places[:, 0] + low[row.astype(np.int64)], row])
    return measured(shot, number, pixels[:, ::-1] if level else pixels, stripe.width)


def _added(lit: Pixels, dark: Pixels) -> Pixels:
    """Light (rows, cols) that the laser adds."""
    import cv2

    return np.asarray(cv2.subtract(np.ascontiguousarray(lit), np.ascontiguousarray(dark)), np.uint8)


def _cut(picture: Pixels, low: Rows, many: int) -> Pixels:
    """So many columns of a picture (rows, cols, 3) as of ``low`` (rows,): most rows begin at the same one."""
    usual = int(np.median(low))
    made = picture[:, usual : usual + many].copy(order="C")
    for row in np.flatnonzero(low != usual):
        made[row] = picture[row, low[row] : low[row] + many]
    return made


def _on_strips(shot: Shot, coarse: Coarse, added: Pixels) -> tuple[Rows, Mask]:
    """How many pixels each row of the light ``added`` (rows, cols) is to be moved so that its line goes on over strips.

    Where the light lies is looked for on the face and on the wall beside it: how far the wall is off there is not
    known yet. And which rows are those at a strip's edges, in which the line jumps.
    """
    given, view, shift = shot.given, shot.view, np.zeros(len(added), np.int64)
    mixed = np.zeros(len(added), bool)
    rows, size = np.arange(len(added)), np.array([given.width, given.height])
    pixels = np.column_stack([coarse.at(rows), rows])
    seen = view.on_wall(pixels[:, ::-1] if given.setup.level else pixels)
    for reference in given.references:
        away = _away(reference, place_on(reference, view, seen, given.along), given.along)
        face = away <= _FACE * reference.width / 2
        if not face.any():
            continue
        mixed |= ~face & (away <= reference.width / 2 + _BESIDE)
        beside = (away > reference.width / 2 + _BESIDE) & (away <= 1.5 * reference.width + _BESIDE)
        inside = beside & ((seen >= 0) & (seen <= size)).all(axis=1)
        # what lies beyond the wall, a floor or a ceiling, may be anywhere
        beside = inside if inside.sum() >= _FEWEST_ON_FACE else beside
        # a metre of height moves light by about so many pixels there
        reach = max(_MOST_OFF * _moved_by_height(shot, seen[face]), coarse.margin)
        on_face, on_wall = (_brightest(coarse, added, some, reach) for some in (face, beside))
        if on_face is not None and on_wall is not None:
            shift[face] = round(on_face - on_wall)
    return shift, mixed


def _moved_by_height(shot: Shot, seen: Array) -> float:
    """Pixels by which light about ``seen`` (n, 2) on the wall's plane moves on the picture for a metre of height."""
    view, along = shot.view, shot.given.along
    assert view.place is not None
    foot, off = np.append(np.median(seen, axis=0), 0.0), 0.01
    on_face = foot[:2].copy()
    on_face[along] += (shot.pivot[along] - foot[along]) * off / shot.pivot[2]
    apparent = view.place[:2] + (on_face - view.place[:2]) * view.place[2] / (view.place[2] - off)
    moved = pixels_of(view, np.array([apparent, foot[:2]]))
    return float(np.hypot(*(moved[0] - moved[1]))) / off


def _brightest(coarse: Coarse, added: Pixels, some: Mask, reach: float) -> float | None:
    """How many pixels beside the ``coarse`` line the light of ``some`` rows is, None where it does not stand out.

    It is looked for as far off as ``reach``, along the line's own slope, in the rows together.
    """
    rows = np.flatnonzero(some)
    if len(rows) < _FEWEST_ON_FACE:
        return None
    half = min(int(np.ceil(reach)), added.shape[1] // 2)
    columns = np.rint(coarse.at(rows)).astype(np.int64)[:, None] + np.arange(-half, half + 1)
    inside = (columns >= 0) & (columns < added.shape[1])
    light = np.where(inside, added[rows[:, None], np.clip(columns, 0, added.shape[1] - 1)], 0).mean(axis=0)
    wide = max(int(coarse.width) | 1, 3)
    smooth = np.convolve(light, np.full(wide, 1 / wide), "same")
    at = int(smooth.argmax())
    around = slice(max(at - wide, 0), at + wide + 1)
    over = np.maximum(light[around] - np.median(light), 0.0)
    if over.max() < _LEAST_ON_FACE * coarse.strength:
        return None
    return float((np.arange(len(light))[around] * over).sum() / over.sum()) - half


def measured(shot: Shot, number: int, pixels: Array, width: float) -> SweptLine | str:
    """The line seen at ``pixels`` (n, 2), ``width`` [pixels] wide, or the word for why it measures nothing."""
    given, view, axis = shot.given, shot.view, shot.given.along
    seen = view.on_wall(pixels)
    on, beside, marks = [], np.zeros(len(seen), bool), []
    for reference in given.references:
        face, near, at = _on_face(reference, view, seen, axis, _BESIDE)
        if face.sum() < _FEWEST_ON_FACE:
            return NO_REFERENCE
        beside |= near
        on.append(at[face].mean(axis=0))
        marks.append(pixels[face].mean(axis=0))
    plane = plane_through(np.array(on), shot.pivot, given.axis)
    if plane is None:
        return NO_REFERENCE
    bend = 0.0 if shot.bow is None else shot.bow.at(seen, shot.pivot)
    height = plane.heights(view, seen, bend)
    if shot.bow is not None:
        height = height - _bend_at(np.array(on), shot, plane, seen)
    true = plane.true_places(view, seen, height)
    size = np.array([given.width, given.height])
    wall = ((true >= 0) & (true <= size)).all(axis=1) & ~beside & np.isfinite(height) & ~_on_paper(given, true)
    if wall.sum() < 10 * _FEWEST_ON_FACE:
        return NO_LINE
    middle = np.median(seen[wall], axis=0)
    sensitivity = plane.sensitivity(view, middle)
    if sensitivity < LEAST_SENSITIVITY:
        return FLAT_VIEW
    pixel = float(np.median(view.pixel_size(pixels[wall][:: max(1, int(wall.sum()) // 24)])))
    return SweptLine(
        number,
        np.column_stack([true[wall], height[wall]]),
        float(np.median(true[wall, axis])),
        float(np.median(pixels[wall, axis])),
        width,
        pixel,
        sensitivity,
        np.array(marks),
    )


def _on_paper(given: SweepSetup, true: Array) -> Mask:
    """Which places (n, 2) lie on a target's paper: it is no wall, and its black and white pull the line about."""
    on = np.zeros(len(true), bool)
    for place in given.setup.targets.values():
        on |= (np.abs(true - place) <= _PAPER * (given.setup.target_size or 0.0)).all(axis=1)
    return on


def targets_on_wall(given: SweepSetup) -> int:
    """How many targets have paper on the wall's own rectangle: no rule finds room across them there."""
    half, size = _PAPER * (given.setup.target_size or 0.0), np.array([given.width, given.height])
    places = np.array(list(given.setup.targets.values()), float).reshape(-1, 2)
    return int(((places > -half) & (places < size + half)).all(axis=1).sum())


def plane_through(on: Array, pivot: Array, axis: Array | None) -> LaserPlane | None:
    """The plane of light through the laser's pivot (3,) and places (k, 3) on strips; None where they fix none.

    Of one place the ``axis`` (3,) through the pivot makes a plane; of two they alone; of more the nearest to all of
    them (least squares through the pivot).
    """
    try:
        if len(on) == 1:
            return None if axis is None else LaserPlane.through_points(pivot, pivot + axis, on[0])
        if len(on) == 2:
            return LaserPlane.through_points(pivot, on[0], on[1])
    except BadValue:
        return None
    rays = on - pivot
    normal = np.linalg.svd(rays / np.linalg.norm(rays, axis=1)[:, None])[2][2]
    normal = -normal if normal[np.abs(normal[:2]).argmax()] < 0 else normal
    return LaserPlane(normal, float(normal @ pivot), pivot)


def place_on(reference: Reference, view: View, seen: Array, axis: int) -> Array:
    """Places (n, 3) [m] on a strip's face of light seen at ``seen`` (n, 2) on the wall's plane; NaN beyond its ends."""
    assert view.place is not None
    centre, true, off = view.place, seen, np.zeros(len(seen))
    for _ in range(3):
        off = reference.at(true[:, axis], axis)[1]
        true = centre[:2] + (seen - centre[:2]) * ((centre[2] - off) / centre[2])[:, None]
    return np.column_stack([true, off])


def _on_face(reference: Reference, view: View, seen: Array, axis: int, beside: float) -> tuple[Mask, Mask, Array]:
    """Which light (n,) is on the middle of a strip's face, which within ``beside`` [m] of it, and its places (n, 3)."""
    at = place_on(reference, view, seen, axis)
    away = _away(reference, at, axis)
    return away <= _FACE * reference.width / 2, away <= reference.width / 2 + beside, at


def _away(reference: Reference, at: Array, axis: int) -> Array:
    """How far places ``at`` (n, 3) are from a strip's middle line (n,) [m]; without end beyond its ends."""
    away = np.abs(at[:, 1 - axis] - reference.at(at[:, axis], axis)[0])
    return np.asarray(np.where(np.isfinite(away), away, np.inf))


def _bend_at(on: Array, shot: Shot, plane: LaserPlane, seen: Array) -> Array:
    """What the fan's bend at the strips (k, 3) adds to heights at ``seen`` (n, 2): the plane leans on them."""
    assert shot.bow is not None
    axis = shot.given.along
    at_strips = plane.heights(shot.view, on[:, :2], shot.bow.at(on[:, :2], shot.pivot))
    at_strips = at_strips - plane.heights(shot.view, on[:, :2])
    line = np.polynomial.polynomial.polyfit(on[:, 1 - axis], at_strips, min(len(on) - 1, 1))
    return np.asarray(np.polynomial.polynomial.polyval(seen[:, 1 - axis], line))
