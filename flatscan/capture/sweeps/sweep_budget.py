"""Where the error that a whole sweep shares comes from: every number it stands on moved by its doubt.

See methods/laser-line 15.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatscan.capture.camera import Camera
from flatscan.capture.lines.line_budget import (
    BEND,
    CAMERA_PLACE,
    FOCAL,
    LASER_PLACE,
    TARGET_PLACES,
    TARGETS_OFF,
    TARGETS_ON_PICTURE,
    points_moved,
    with_camera,
)
from flatscan.capture.lines.line_rays import View, see_wall
from flatscan.capture.lines.line_setup import u_focal
from flatscan.capture.lines.measured_lines import Points, pixels_of
from flatscan.capture.sweeps.sweep_lines import Shot, SweptLine, place_on, plane_through
from flatscan.capture.sweeps.sweep_setup import Reference
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, note
from flatscan.core.warp import CommonError

LENS, STRAIGHT, STRIPS_OFF = note("sweep.lens-left"), note("sweep.strips-straight"), note("sweep.strips-off")
AXIS, SHUTTER = note("sweep.laser-axis"), note("sweep.shutter")
# lines and places along each on which the budget is tried, and the part of each doubt that is tried
_LINES, _PLACES, _SMALL = 9, 9, 0.2
# chords shorter than this, or than a third of the wall, tell nothing of a smooth error [m]
_SHORT = 0.5
# how long a camera reads a frame is anything up to the time to the next: the root mean square of 0 to 1
_READOUT = 1 / math.sqrt(3)
_CHORD = 2.0
# over which a fan is bent by its doubt in the middle [m] (methods/laser-line 7)
_BENT_OVER = 2.4


@dataclass(frozen=True, eq=False)
class SweepBudget:
    """What all lines of a sweep share: ``parts`` [m] on the middle of 2 m, by source.

    ``sd`` [m] is that of a warp of length 1 m that is as large on every chord tried, ``u_offset`` [m] the u of the mean
    height, ``scale`` that of lengths.
    """

    parts: tuple[tuple[Note, float], ...]
    sd: float
    u_offset: float
    scale: float

    @property
    def chord(self) -> float:
        """Standard uncertainty [m] on the middle of a 2 m chord."""
        return float(CommonError(self.sd).u_gap(np.array(1.0), np.array(1.0)))

    def ranked(self) -> tuple[tuple[Note, float], ...]:
        """All parts, the largest first."""
        return tuple(sorted(self.parts, key=lambda part: (-part[1], part[0].code)))


@dataclass(frozen=True, eq=False)
class _Trial:
    """Some light of some lines of a sweep, from which heights follow anew after any change.

    ``marks`` (lines, references, 2) and ``wall`` (lines, places, 2) are pixels, NaN where there is no light.
    """

    shot: Shot
    points: Points
    marks: Array
    wall: Array

    def heights(
        self,
        *,
        view: View | None = None,
        pivot: Array | None = None,
        axis: Array | None = None,
        references: Sequence[Reference] | None = None,
        shift: Callable[[Array], Array] | None = None,
        bent: float = 0.0,
    ) -> Array:
        """Heights (lines, places) [m] with these in place of the sweep's own; ``shift`` moves pixels (n, 2)."""
        given = self.shot.given
        view = view or self.shot.view
        pivot = self.shot.pivot if pivot is None else pivot
        axis = given.axis if axis is None else axis
        references = given.references if references is None else references
        found = np.full(self.wall.shape[:2], np.nan)
        for number, (marks, wall) in enumerate(zip(self.marks, self.wall, strict=True)):
            moved = (marks, wall) if shift is None else (shift(marks), shift(wall))
            seen, on_wall = (view.on_wall(part) for part in moved)
            on = [place_on(one, view, seen[[i]], given.along)[0] for i, one in enumerate(references)]
            plane = plane_through(np.array(on), pivot, axis)
            if plane is None or not np.isfinite(on).all():
                continue
            found[number] = plane.heights(view, on_wall, self._bend(on_wall, bent))
            if bent:
                # the plane leans on light that is bent as well
                off = plane.heights(view, seen, self._bend(seen, bent)) - plane.heights(view, seen)
                line = np.polynomial.polynomial.polyfit(seen[:, 1 - given.along], off, min(len(off) - 1, 1))
                found[number] -= np.polynomial.polynomial.polyval(on_wall[:, 1 - given.along], line)
        return found

    def _bend(self, seen: Array, bent: float) -> Array:
        """A fan bent by so much [m] in the middle of the 2.4 m about the wall's middle."""
        size = self.shot.given.height if self.shot.given.along == 0 else self.shot.given.width
        part = (seen[:, 1 - self.shot.given.along] - size / 2) / (_BENT_OVER / 2)
        return bent * (1 - part**2)

    def viewed(self, points: Points, camera: Camera | None = None) -> View:
        """The view out of other points, or through another lens."""
        sweep, own = self.shot.given.setup, self.shot.view
        return see_wall(sweep.file, points.pixels, points.at, camera or own.camera, sweep.place)


def sweep_budget(shot: Shot, points: Points, lines: Sequence[SweptLine]) -> SweepBudget:
    """The budget of a sweep: its numbers moved by their doubts, one after the other (JCGM 100:2008, 5.1.2)."""
    chosen = [lines[i] for i in np.unique(np.linspace(0, len(lines) - 1, _LINES).astype(int))]
    marks = np.array([line.marks for line in chosen])
    wall = np.array([_on_flat_wall(shot, one) for one in marks])
    trial = _Trial(shot, points, marks, wall)
    base = trial.heights()
    at = np.array([shot.view.on_wall(one) for one in wall])
    at = np.where(np.isfinite(base)[..., None], at, np.nan)
    fields = {
        source: [(moved - base) / _SMALL for moved in changes] for source, changes in _changes(trial, lines).items()
    }
    chords = _chords(at, shot.given.along)
    shape = CommonError(1.0).u_gap(chords.length / 2, chords.length / 2)
    on_chords = {source: np.sqrt(sum((chords.of(one) ** 2 for one in many), np.zeros(len(shape))))
                 for source, many in fields.items()}  # fmt: skip
    total = np.sqrt(sum((part**2 for part in on_chords.values()), np.zeros(len(shape))))
    on_two = float(CommonError(1.0).u_gap(np.array(_CHORD / 2), np.array(_CHORD / 2)))
    parts = tuple((source, float((part / shape).max(initial=0.0)) * on_two) for source, part in on_chords.items())
    means = [float(np.nanmean(one)) for many in fields.values() for one in many]
    assert shot.view.place is not None
    scale = shot.given.setup.doubts.target_place / max(float(np.ptp(points.at, axis=0).max()), 0.1)
    return SweepBudget(parts, float((total / shape).max(initial=0.0)), math.hypot(*means), scale)


def _on_flat_wall(shot: Shot, marks: Array) -> Array:
    """Pixels (places, 2), evenly over the wall, where light that crosses strips at ``marks`` would meet its plane."""
    given, view = shot.given, shot.view
    seen = view.on_wall(marks)
    on = [place_on(one, view, seen[[i]], given.along)[0] for i, one in enumerate(given.references)]
    plane = plane_through(np.array(on), shot.pivot, given.axis)
    if plane is None:
        return np.full((_PLACES, 2), np.nan)
    size = given.height if given.along == 0 else given.width
    run = (np.arange(_PLACES) + 0.5) / _PLACES * size
    across = (plane.distance - plane.normal[1 - given.along] * run) / plane.normal[given.along]
    return pixels_of(view, np.column_stack([across, run] if given.along == 0 else [run, across]))


def _changes(trial: _Trial, lines: Sequence[SweptLine]) -> dict[Note, list[Array]]:
    """Heights after every change, by source; each doubt is tried by a small part of it."""
    shot, doubts = trial.shot, trial.shot.given.setup.doubts
    camera = shot.view.camera
    assert camera is not None
    assert shot.view.place is not None

    def seen_by(**moved: float) -> list[Array]:
        small = {name: _SMALL * value for name, value in moved.items()}
        every = points_moved(trial.points, shot.view.place, **small)
        return [trial.heights(view=trial.viewed(one)) for one in every]

    focal = u_focal(doubts, camera)
    longer = with_camera(shot.view, camera, _focal(camera, 1 + _SMALL * focal))
    found = {
        TARGETS_ON_PICTURE: seen_by(pixels=doubts.target_pixel),
        TARGET_PLACES: seen_by(places=doubts.target_place),
        TARGETS_OFF: seen_by(off=doubts.target_off),
        LASER_PLACE: [trial.heights(pivot=shot.pivot + part) for part in np.eye(3) * (_SMALL * doubts.pivot)],
        FOCAL: [trial.heights(view=longer if shot.given.setup.place is not None else trial.viewed(
            trial.points, _focal(camera, 1 + _SMALL * focal)))],
        LENS: [trial.heights(view=trial.viewed(trial.points, _bent(camera, _SMALL * doubts.lens)))],
        STRAIGHT: _strips(trial, doubts.reference, bent=True),
        STRIPS_OFF: _strips(trial, doubts.reference_off, bent=False),
        SHUTTER: [trial.heights(shift=_read_late(camera, trial, lines))],
        BEND: [] if shot.bow is not None else [trial.heights(bent=_SMALL * doubts.bow)],
    }  # fmt: skip
    if shot.given.setup.place is not None:
        place = shot.given.setup.place
        views = [replace(shot.view, place=place + part) for part in np.eye(3) * (_SMALL * doubts.camera)]
        found[CAMERA_PLACE] = [trial.heights(view=view) for view in views]
    if shot.given.by_axis and shot.given.axis is not None:
        across = [part - (part @ shot.given.axis) * shot.given.axis for part in np.eye(3)]
        found[AXIS] = [trial.heights(axis=shot.given.axis + _SMALL * doubts.upright * part) for part in across]
    return {source: many for source, many in found.items() if many}


def _focal(camera: Camera, factor: float) -> Camera:
    return replace(camera, fx=camera.fx * factor, fy=camera.fy * factor)


def _bent(camera: Camera, corner: float) -> Camera:
    """The same lens with so many pixels more of radial distortion in the picture's corners."""
    radius = math.hypot(camera.width / 2 / camera.fx, camera.height / 2 / camera.fy)
    lens = (*camera.distortion, *(0.0,) * max(0, 5 - len(camera.distortion)))
    return replace(camera, distortion=(lens[0] + corner / camera.fx / radius**3, *lens[1:]))


def _strips(trial: _Trial, u: float, *, bent: bool) -> list[Array]:
    """Heights with each strip in turn off by its doubt, all of it, or in the middle of every 2 m of it."""
    given, found = trial.shot.given, []
    for number, one in enumerate(given.references):
        along = one.places[:, given.along]
        fine = np.linspace(along.min(), along.max(), 41)
        across, off = one.at(fine, given.along)
        off = off + _SMALL * u * (((fine - fine.mean()) / (_CHORD / 2)) ** 2 if bent else 1.0)
        places = np.column_stack([fine, across, off] if given.along == 0 else [across, fine, off])
        moved = (*given.references[:number], Reference(places, one.width), *given.references[number + 1 :])
        found.append(trial.heights(references=moved))
    return found


def _read_late(camera: Camera, trial: _Trial, lines: Sequence[SweptLine]) -> Callable[[Array], Array]:
    """How pixels (n, 2) move while a frame is read row by row: as far as the line goes from frame to frame."""
    given = trial.shot.given
    step = float(np.median(np.abs(np.diff([line.shift for line in lines]))))
    step = 0.0 if given.sweeps[0].video is None else step
    across = np.array([1.0, 0.0]) if given.along == 0 else np.array([0.0, 1.0])
    return lambda pixels: pixels + _SMALL * _READOUT * step * (pixels[:, [1]] / camera.height) * across


@dataclass(frozen=True, eq=False)
class _Chords:
    """Three places on one line each, of lines by places: the middle of a chord and its ends."""

    left: Array
    middle: Array
    right: Array
    share: Array
    length: Array

    def of(self, field: Array) -> Array:
        """What an error (lines, places) puts on the middle of each chord."""
        flat = field.ravel()
        off: Array = self.share * flat[self.left] + (1 - self.share) * flat[self.right] - flat[self.middle]
        return off


def _chords(at: Array, along: int) -> _Chords:
    """Chords across the lines and along them, as long as 2 m at most, over places ``at`` (lines, places, 2) [m]."""
    number = np.arange(at.shape[0] * at.shape[1]).reshape(at.shape[:2])
    rows = [(number[:, place], at[:, place, along]) for place in range(at.shape[1])]
    rows += [(number[line], at[line, :, 1 - along]) for line in range(at.shape[0])]
    found = list[tuple[float, ...]]()
    for every, places in rows:
        which, run = every[np.isfinite(places)], places[np.isfinite(places)]
        if len(run) < 3:
            continue
        order = np.argsort(run, kind="stable")
        which, run = which[order], run[order]
        least = min(_SHORT, float(np.ptp(run)) / 3)
        for i in range(len(run)):
            for j in range(i + 2, len(run)):
                length = run[j] - run[i]
                if least < length <= 1.1 * _CHORD:
                    middle = int(np.abs(run[i + 1 : j] - (run[i] + run[j]) / 2).argmin()) + i + 1
                    found.append((which[i], which[middle], which[j], (run[j] - run[middle]) / length, length))
    columns = np.array(found, float).T if found else np.empty((5, 0))
    left, middle, right = columns[:3].astype(int)
    return _Chords(left, middle, right, columns[3], columns[4])
