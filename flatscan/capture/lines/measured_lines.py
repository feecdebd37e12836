"""One set-up measured: each line's heights over the targets' plane, and how sure they are."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.calibration.camera_file import fit_size, read_camera
from flatscan.capture.calibration.printed_marks import corners_on_wall, find_targets
from flatscan.capture.camera import Camera
from flatscan.capture.lines.line_rays import Bow, LaserPlane, View, apply, bow_of, refuse_degenerate, see_wall
from flatscan.capture.lines.line_setup import Line, Setup
from flatscan.capture.lines.line_stripe import Stripe
from flatscan.capture.lines.picture_pair import stripe_of_pair
from flatscan.capture.pictures import Picture, read_picture
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array, Mask
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres

Rows = NDArray[np.int64]
STEP = 0.050
_FEWEST_IN_STEP = 3
_BEYOND = 1.3


@dataclass(frozen=True, eq=False)
class Points:
    """Points of known place on a picture: ``pixels`` (n, 2), ``at`` (n, 2) [m]."""

    pixels: Array
    at: Array


@dataclass(frozen=True, eq=False)
class MeasuredLine:
    """A line in steps of 50 mm: ``x``, ``y``, ``height`` (n,) [m], ``rows`` (n,) pictures rows in each.

    ``u`` (n,) [m] is what the picture leaves of a height, before all that was taped. ``sensitivity`` is S of
    methods/laser-line 2, ``placed`` whether its distance from the targets' plane is known, ``pixel`` [m] the size of a
    pixel on the wall there.
    """

    name: str
    x: Array
    y: Array
    height: Array
    u: Array
    rows: Array
    seen: Array
    plane: LaserPlane
    view: View
    points: Points
    stripe: Stripe
    sensitivity: float
    placed: bool
    pixel: float
    notes: tuple[Note, ...]


def measure(setup: Setup) -> tuple[MeasuredLine, ...]:
    """All lines of a set-up; raises `ReadError`, `BadTable` or `BadValue` that says which picture or entry is wrong."""
    bow = straightness_of(setup)
    return tuple(_measured(setup, line, bow) for line in setup.lines)


def straightness_of(setup: Setup) -> Bow | None:
    """The fan's own bend by the set-up's picture of light square to the wall, None without one."""
    if setup.straightness is None:
        return None
    view, _, stripe, _ = _seen(setup, setup.straightness)
    assert setup.straightness.pivot is not None
    return bow_of(view.on_wall(stripe.places), setup.straightness.pivot, level=setup.level, where=setup.file)


def _measured(setup: Setup, line: Line, bow: Bow | None) -> MeasuredLine:
    view, points, stripe, notes = _seen(setup, line)
    seen = view.on_wall(stripe.places)
    plane, placed = laser_plane(setup, line, view, seen)
    middle = np.median(seen, axis=0)
    sensitivity = refuse_degenerate(line.on, view, plane, middle)
    bend = 0.0 if bow is None or line.pivot is None else bow.at(seen, line.pivot)
    height = plane.heights(view, seen, bend)
    true = plane.true_places(view, seen, height)
    on_wall = np.ones(len(true), bool)
    for place, size in ((true[:, 0], setup.width), (true[:, 1], setup.height)):
        # light beyond the wall's own size lies on a ceiling, a floor or another wall
        on_wall &= True if size is None else (place >= 0) & (place <= size)
    kept = _steps(true, on_wall, setup.level)
    x, y = _stations(true, kept, setup.level)
    pixel = float(np.median(view.pixel_size(stripe.places[:: max(1, len(stripe.places) // 50)])))
    notes = (*notes, *_beyond_boards(setup, view))
    u = np.array([stripe.u_of_mean(rows) for rows in kept]) * pixel / sensitivity
    return MeasuredLine(
        line.on.name,
        x,
        y,
        _middles(height, stripe, kept),
        u,
        np.array([len(rows) for rows in kept]),
        _middles(seen, stripe, kept).reshape(-1, 2),
        plane,
        view,
        points,
        stripe,
        sensitivity,
        placed,
        pixel,
        notes,
    )


def _seen(setup: Setup, line: Line) -> tuple[View, Points, Stripe, tuple[Note, ...]]:
    on, off = read_picture(line.on), None if line.off is None else read_picture(line.off)
    stripe = stripe_of_pair(on, off, setup.channel, line.on, level=setup.level)
    camera = _camera(setup, on, line.on)
    plain, where = (on, line.on) if off is None or line.off is None else (off, line.off)
    points = points_of(setup, plain.colours, where)
    view = _view(setup, where, points, camera, setup.place)
    name, notes = line.on.name, stripe.notes
    if on.turned:
        notes = (*notes, note("line.turned-upright", picture=name))
    if camera is not None and setup.camera_file is None and setup.plane is None:
        notes = (*notes, note("line.not-calibrated", picture=name))
    return view, points, stripe, notes


def _beyond_boards(setup: Setup, view: View) -> tuple[Note, ...]:
    """A note where the wall is much nearer or further than the boards that the laser was calibrated with."""
    if setup.plane is None or view.place is None:
        return ()
    plane, off = setup.plane, float(view.place[2])
    if plane.near / _BEYOND <= off <= plane.far * _BEYOND:
        return ()
    return (
        note(
            "line.beyond-boards",
            near=metres(round(plane.near, 2)),
            far=metres(round(plane.far, 2)),
            off=metres(round(off, 2)),
        ),
    )


def _view(setup: Setup, where: Path, points: Points, camera: Camera | None, place: Array | None) -> View:
    """The wall as the camera sees it: by its place and turn alone where the laser is fixed to it."""
    view = see_wall(where, points.pixels, points.at, camera, place)
    return view if setup.plane is None else view.rigid()


def _camera(setup: Setup, picture: Picture, where: Path) -> Camera | None:
    height, width = picture.colours.shape[:2]
    camera = None
    if setup.camera_file is not None:
        camera = fit_size(read_camera(setup.camera_file, setup.camera_name), setup.camera_file, width, height, where)
    if setup.plane is not None and setup.plane_file is not None:
        own = fit_size(setup.plane.camera, setup.plane_file, width, height, where)
        if camera is not None and not _one_lens(camera, own):
            raise ReadError(
                setup.plane_file,
                "the laser was calibrated with another lens file than {file}",
                needed="one lens for the laser's plane and the pictures",
                remedy="Leave out [camera] file, or calibrate the laser with that file",
                file=Path(setup.camera_file or "").name,
            )
        return own
    if camera is not None:
        return camera
    if picture.focal is None or setup.place is not None:
        return None
    return Camera(width, height, picture.focal, picture.focal, (width - 1) / 2, (height - 1) / 2)


def _one_lens(one: Camera, other: Camera) -> bool:
    """Whether two cameras are the same but for rounding."""
    first, second = ([it.fx, it.fy, it.cx, it.cy, *it.distortion] for it in (one, other))
    return len(first) == len(second) and bool(np.allclose(first, second, rtol=1e-6, atol=1e-9))


def points_of(setup: Setup, colours: NDArray[np.uint8], where: Path) -> Points:
    """All points of known place on a picture (rows, cols, 3): targets found, and points marked by hand."""
    pixels, at = [setup.pixels], [setup.points]
    if setup.targets and setup.target_size is not None:
        found = find_targets(colours)
        known = sorted(set(found) & set(setup.targets))
        if len(known) + len(setup.points) < min(4, len(setup.targets) + len(setup.points)):
            raise ReadError(
                where,
                "targets found: {seen}; those with a known place: {known} of {targets}",
                needed="at least 4 of them",
                remedy="Photograph nearer and sharper, with all targets lit and in view",
                seen=tuple(sorted(found)) or "none",
                known=len(known),
                targets=len(setup.targets),
            )
        pixels += [found[number] for number in known]
        at += [corners_on_wall(setup.targets[number], setup.target_size) for number in known]
    return Points(np.concatenate(pixels), np.concatenate(at))


def laser_plane(setup: Setup, line: Line, view: View, seen: Array) -> tuple[LaserPlane, bool]:
    """The plane of light of a line, and whether its distance to the targets' plane is known.

    As it was calibrated; or from the pivot and where the line meets the wall's plane (``at``), from two known heights,
    or else from the median of the line itself, which then has no distance of its own.
    """
    if setup.plane is not None and view.turn is not None:
        return LaserPlane.in_room(setup.plane.normal, setup.plane.distance, view), True
    axis = 1 if setup.level else 0
    along = np.array([1.0, 0.0]) if setup.level else np.array([0.0, 1.0])
    if line.known is not None and view.place is not None:
        return _through_known(line, view, seen, axis), True
    place = float(np.median(seen[:, axis])) if line.at is None else line.at
    foot = np.zeros(2)
    foot[axis] = place
    assert line.pivot is not None
    return LaserPlane.through(line.pivot, foot, along), line.at is not None


def _through_known(line: Line, view: View, seen: Array, axis: int) -> LaserPlane:
    """The plane through the pivot and the two places of the line whose heights are known."""
    assert line.known is not None
    assert line.pivot is not None
    assert view.place is not None
    ends = []
    for place, height in line.known:
        nearest = np.argsort(np.abs(seen[:, 1 - axis] - place), kind="stable")[:15]
        at = np.append(np.median(seen[nearest], axis=0), 0.0)
        ends.append(view.place + (at - view.place) * (1 - height / view.place[2]))
    return LaserPlane.through_points(line.pivot, *ends)


def _steps(true: Array, on_wall: Mask, level: bool) -> list[Rows]:
    """Numbers of the places (n, 2) on the wall in each step of 50 mm along the line, steps of enough places only."""
    step = np.floor(true[:, 0 if level else 1] / STEP).astype(np.int64)
    kept: list[Rows] = [np.flatnonzero((step == one) & on_wall) for one in np.unique(step[on_wall])]
    return [rows for rows in kept if len(rows) >= _FEWEST_IN_STEP]


def _stations(true: Array, kept: list[Rows], level: bool) -> tuple[Array, Array]:
    """x and y (n,) of the middles of whole steps of the wall's own coordinate.

    The light wanders a few millimetres sideways with the wall's own heights; a straightedge along it is laid on its
    middle, so all stations of a line stand on one line, and those of neighbouring lines side by side.
    """
    if not kept:
        return np.empty(0), np.empty(0)
    along = true[:, 0 if level else 1]
    middles = np.array([(np.floor(along[rows[0]] / STEP) + 0.5) * STEP for rows in kept])
    sideways = np.full(len(kept), float(np.median(true[np.concatenate(kept), 1 if level else 0])))
    return (middles, sideways) if level else (sideways, middles)


def _middles(values: Array, stripe: Stripe, kept: list[Rows]) -> Array:
    """Means of values (n,) or (n, 2) over the places of each step, those that are better known counting more."""
    weights = stripe.weights()
    return np.array([np.average(values[rows], axis=0, weights=weights[rows]) for rows in kept])


def heights_after(setup: Setup, line: MeasuredLine, given: Line, points: Points, view_place: Array | None) -> Array:
    """Heights (n,) of the same light after a change of the set-up, about their median where the line has no place."""
    pixels = pixels_of(line.view, line.seen)
    camera = line.view.camera
    view = _view(setup, given.on, points, camera, view_place)
    seen = view.on_wall(pixels)
    plane, placed = laser_plane(setup, given, view, seen)
    height = plane.heights(view, seen)
    return height if placed else height - np.median(height)


def pixels_of(view: View, seen: Array) -> Array:
    """Pixels (n, 2) at which places ``seen`` (n, 2) [m] on the wall's plane appear."""
    straight = apply(np.asarray(np.linalg.inv(view.to_wall), np.float64), seen)
    camera = view.camera
    if camera is None:
        return straight
    import cv2

    rays = np.column_stack([straight, np.ones(len(straight))])
    lens = np.array(camera.distortion or (0.0,) * 4)
    pixels, _ = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), camera.matrix, lens)
    return np.asarray(pixels, np.float64).reshape(-1, 2)


def with_pivot(line: Line, shift: Array) -> Line:
    """The same line with the laser's pivot moved by ``shift`` (3,) [m]."""
    return line if line.pivot is None else replace(line, pivot=line.pivot + shift)
