"""Laser-line photos as a capture: lines as stations, and where their uncertainty comes from (methods/laser-line 8)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from flatscan.capture.calibration.lens import U_PIXELS
from flatscan.capture.camera import Camera
from flatscan.capture.lines.line_format import LINE_READER
from flatscan.capture.lines.line_rays import View
from flatscan.capture.lines.line_setup import Doubts, Line, Setup, read_setup, u_focal
from flatscan.capture.lines.measured_lines import MeasuredLine, Points, Rows, heights_after, measure, with_pivot
from flatscan.capture.registry import present_file
from flatscan.core.errors import TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.model import Origin, Readings
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres

LINES = "laser-line"
# the small change by which each part is tried; the answer is linear over it
_SMALL = 0.2

# what the capture type laser-line already holds on the middle of a 2 m chord (methods/uncertainty 7)
_USUAL_COMMON = 0.4e-3

# where uncertainty comes from; what to change to make each smaller stands in ADVICE
LINE_ON_PICTURE = note("line.on-picture")
STRIPE = note("line.stripe-on-wall")
TARGETS_ON_PICTURE = note("line.targets-on-picture")
TARGET_PLACES = note("line.places-of-targets")
TARGETS_OFF = note("line.targets-off-wall")
LASER_PLACE = note("line.place-of-laser")
CAMERA_PLACE = note("line.place-of-camera")
FOCAL = note("line.focal-length")
LENS = note("line.lens-left")
LASER_PLANE = note("line.plane-of-laser")
BEND = note("line.bend-of-fan")
ADVICE = {
    LINE_ON_PICTURE: note("line.halve-on-picture"),
    STRIPE: note("line.halve-stripe"),
    TARGETS_ON_PICTURE: note("line.halve-targets-on-picture"),
    TARGET_PLACES: note("line.halve-places-of-targets", to=metres(0.001)),
    TARGETS_OFF: note("line.halve-targets-off-wall"),
    LASER_PLACE: note("line.halve-place-of-laser", to=metres(0.002)),
    CAMERA_PLACE: note("line.halve-place-of-camera", to=metres(0.020)),
    FOCAL: note("line.halve-focal-length"),
    LENS: note("line.halve-lens-left"),
    LASER_PLANE: note("line.halve-plane-of-laser"),
    BEND: note("line.halve-bend-of-fan"),
}


@dataclass(frozen=True, eq=False)
class Budget:
    """Standard uncertainties [m] of a line's heights by source: ``random`` from place to place, ``common`` shared."""

    random: tuple[tuple[Note, float], ...]
    common: tuple[tuple[Note, float], ...]

    @property
    def u_random(self) -> float:
        """Combined part [m] that differs from place to place."""
        return math.hypot(*(value for _, value in self.random))

    @property
    def u_common(self) -> float:
        """Combined part [m] that a whole line shares."""
        return math.hypot(*(value for _, value in self.common))

    @property
    def u(self) -> float:
        """Combined standard uncertainty [m] of a height."""
        return math.hypot(self.u_random, self.u_common)

    def ranked(self) -> tuple[tuple[Note, float], ...]:
        """All parts, the largest first."""
        return tuple(sorted((*self.random, *self.common), key=lambda part: (-part[1], part[0].code)))

    def to_halve(self) -> tuple[Note, ...]:
        """What to change so that the rest is at most half of the whole; largest part first."""
        left, advice = self.u**2, []
        for source, value in self.ranked():
            if left <= (self.u / 2) ** 2:
                break
            left -= value**2
            advice.append(ADVICE[source])
        return tuple(advice)


def budget_of(setup: Setup, given: Line, line: MeasuredLine) -> Budget:
    """The budget of a measured line: every taped or seen number moved by its doubt, one after the other.

    The sums of squares of the changes in height (about their median where the line has no place of its own) are the
    variances (JCGM 100:2008, 5.1.2); what the picture leaves is the line's own.
    """
    doubts = setup.doubts
    noise = float(np.sqrt(np.mean(line.u**2))) if len(line.u) else 0.0
    stripe = line.stripe.shared(doubts.stripe) * line.pixel / line.sensitivity
    trial = _Trial(setup, given, line, heights_after(setup, line, given, line.points, setup.place))
    common = (
        (TARGETS_ON_PICTURE, trial.points(pixels=doubts.target_pixel)),
        (TARGET_PLACES, trial.points(places=doubts.target_place)),
        (TARGETS_OFF, trial.points(off=doubts.target_off)),
        (LASER_PLACE, trial.pivot(doubts.pivot) if setup.plane is None else 0.0),
        (LASER_PLANE, trial.plane()),
        (CAMERA_PLACE, trial.camera(doubts.camera) if setup.place is not None else 0.0),
        (FOCAL, trial.focal(u_focal(doubts, line.view.camera))),
        (LENS, _lens_left(setup, line) * line.pixel / line.sensitivity),
        (BEND, 0.0 if setup.straightness is not None else _bow(line, doubts)),
    )
    return Budget(((LINE_ON_PICTURE, noise), (STRIPE, stripe)), common)


@dataclass(frozen=True, eq=False)
class _Trial:
    setup: Setup
    given: Line
    line: MeasuredLine

    base: Array

    def _rms(self, points: Points, place: Array | None, given: Line, line: MeasuredLine | None = None) -> float:
        moved = heights_after(self.setup, line or self.line, given, points, place)
        return float(np.sqrt(np.mean(((moved - self.base) / _SMALL) ** 2)))

    def points(self, *, pixels: float = 0.0, places: float = 0.0, off: float = 0.0) -> float:
        """Root sum of squares over all points, each coordinate moved by itself; corners of a target move together."""
        small = {"pixels": _SMALL * pixels, "places": _SMALL * places, "off": _SMALL * off}
        every = points_moved(self.line.points, self.line.view.place, **small)
        return math.hypot(*(self._rms(points, self.setup.place, self.given) for points in every))

    def pivot(self, u: float) -> float:
        """The laser's place in all three directions."""
        moved = (with_pivot(self.given, shift) for shift in np.eye(3) * (_SMALL * u))
        return math.hypot(*(self._rms(self.line.points, self.setup.place, given) for given in moved))

    def camera(self, u: float) -> float:
        """A taped camera's place in all three directions."""
        place = self.setup.place
        if place is None:
            return 0.0
        shifts = np.eye(3) * (_SMALL * u)
        return math.hypot(*(self._rms(self.line.points, place + shift, self.given) for shift in shifts))

    def focal(self, u: float) -> float:
        """The focal length of the lens, which decides how far away the camera is taken to be."""
        camera = self.line.view.camera
        if camera is None:
            return 0.0
        factor = 1 + _SMALL * u
        other = replace(camera, fx=camera.fx * factor, fy=camera.fy * factor)
        longer = replace(self.line, view=with_camera(self.line.view, camera, other))
        plane = self.setup.plane
        # a lens that is wrong for the wall was as wrong for the boards
        setup = self.setup if plane is None else replace(self.setup, plane=plane.longer(_SMALL * u))
        return replace(self, setup=setup)._rms(self.line.points, setup.place, self.given, longer)

    def plane(self) -> float:
        """The laser's plane, in the ways in which its calibration left it open, about the line's own middle."""
        calibrated = self.setup.plane
        if calibrated is None:
            return 0.0
        # what moves all lines of one plane nearer or further moves the wall, and bends nothing
        changes = []
        for way in calibrated.ways():
            moved = replace(self.setup, plane=calibrated.moved(_SMALL * way))
            change = (heights_after(moved, self.line, self.given, self.line.points, None) - self.base) / _SMALL
            changes.append(float(np.sqrt(np.mean((change - np.median(change)) ** 2))))
        return math.hypot(*changes)


def _lens_left(setup: Setup, line: MeasuredLine) -> float:
    """What the lens's file leaves of its distortion [pixels], where its calibration says so."""
    own = None if line.view.camera is None else line.view.camera.extra(U_PIXELS)
    return setup.plane.lens if setup.plane is not None else float(own or 0.0)


def points_moved(
    points: Points, place: Array | None, *, pixels: float = 0.0, places: float = 0.0, off: float = 0.0
) -> Iterator[Points]:
    """Points with each coordinate moved by itself: on the picture [pixels], on the wall, or off it [m].

    The corners of a target move together on the wall. ``place`` (3,) is the camera's.
    """
    for group in _together(points.at, alone=pixels > 0):
        for axis in (0, 1) if off == 0 else (0,):
            seen, at = points.pixels.copy(), points.at.copy()
            if pixels:
                seen[group, axis] += pixels
            elif places:
                at[group, axis] += places
            elif place is not None:
                # a target that stands proud appears shifted away from the camera's foot
                at[group] -= (at[group] - place[:2]) * (off / place[2])
            yield Points(seen, at)


def with_camera(view: View, camera: Camera, other: Camera) -> View:
    """The same pixels on the same wall through another focal length."""
    ratio = np.diag([camera.fx / other.fx, camera.fy / other.fy, 1.0])
    return replace(view, camera=other, to_wall=view.to_wall @ np.linalg.inv(ratio))


def _together(at: Array, *, alone: bool) -> list[Rows]:
    """Numbers of points that move together: each by itself, or the four corners of a target."""
    numbers = np.arange(len(at))
    if alone or len(at) % 4:
        return [numbers[i : i + 1] for i in numbers]
    groups = [numbers[i : i + 4] for i in range(0, len(at), 4)]
    near = all(np.ptp(at[group], axis=0).max() < 0.4 for group in groups)
    return groups if near else [numbers[i : i + 1] for i in numbers]


def _bow(line: MeasuredLine, doubts: Doubts) -> float:
    """A fan bent by its doubt in the middle, as heights about their median."""
    along = line.seen[:, 1] if np.ptp(line.seen[:, 1]) > np.ptp(line.seen[:, 0]) else line.seen[:, 0]
    part = 2 * (along - along.min()) / max(float(np.ptp(along)), 1e-9) - 1
    bent, straight = (line.plane.heights(line.view, line.seen, bow * (1 - part**2)) for bow in (doubts.bow, 0.0))
    moved = bent - straight
    return float(np.sqrt(np.mean((moved - np.median(moved)) ** 2)))


@dataclass(frozen=True, eq=False)
class LineSurvey:
    """A set-up measured: its lines with their budgets."""

    setup: Setup
    lines: tuple[tuple[MeasuredLine, Budget], ...]


def survey_lines(path: Path, pairs: Sequence[tuple[Path, Path | None]] = ()) -> LineSurvey:
    """Measure all lines of a set-up file, or pictures ``pairs`` (on, off or None) with its first line's set-up.

    Raises what reading, seeing and measuring raise.
    """
    setup = read_setup(present_file(path))
    if pairs:
        first = setup.lines[0]
        setup = replace(setup, lines=tuple(replace(first, on=on, off=off) for on, off in pairs))
    measured = measure(setup)
    both = zip(setup.lines, measured, strict=True)
    return LineSurvey(setup, tuple((line, budget_of(setup, given, line)) for given, line in both))


def open_lines(path: Path) -> Readings:
    """Readings every 50 mm along each line, offsets from the targets' plane, + toward the room.

    ``u`` is the largest line's random part and what its common part exceeds the capture type's. Raises `TooFewPoints`
    where no line gives a station.
    """
    surveyed = survey_lines(path)
    setup, lines = surveyed.setup, surveyed.lines
    x, y, z = (np.concatenate([getattr(line, name) for line, _ in lines]) for name in ("x", "y", "height"))
    if len(x) < 3:
        raise TooFewPoints(
            path,
            "{stations} stations on {lines} lines",
            needed="at least 3",
            remedy="Photograph longer lines",
            stations=len(x),
            lines=len(lines),
        )
    u = max(math.hypot(part.u_random, math.sqrt(max(part.u_common**2 - _USUAL_COMMON**2, 0.0))) for _, part in lines)
    u_lean = setup.doubts.upright / min(line.sensitivity for line, _ in lines)
    origin = Origin(str(path), "", LINE_READER, "m", len(x), _notes(surveyed), LINES)
    return Readings(origin, x, y, z, u, setup.width, setup.height, name=setup.name, u_lean=u_lean)


def _notes(surveyed: LineSurvey) -> tuple[Note, ...]:
    """What each picture and line is worth, what joins the lines, and what is plumb."""
    notes: list[Note] = []
    for line, budget in surveyed.lines:
        source, most = budget.ranked()[0]
        worth = note(
            "line.stations",
            picture=line.name,
            stations=len(line.x),
            span=metres(max(np.ptp(line.x), np.ptp(line.y))),
            u=metres(budget.u),
            source=source,
            most=metres(most),
        )
        notes += [*line.notes, worth]
    free = sum(not line.placed for line, _ in surveyed.lines)
    if free and len(surveyed.lines) > 1:
        notes.append(note("line.some-not-placed", free=free, lines=len(surveyed.lines)))
    elif free:
        notes.append(note("line.not-placed"))
    return (*notes, note("line.plumb-by-targets"))
