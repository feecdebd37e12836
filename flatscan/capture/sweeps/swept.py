"""Swept lines as a capture: every frame a line, all lines one cloud of points with what they share of their error."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.calibration.camera_file import fit_size, read_camera
from flatscan.capture.calibration.printed_marks import find_targets
from flatscan.capture.depth_photo import OneBlock
from flatscan.capture.lines.line_rays import Bow, LaserPlane, refuse_degenerate, see_wall
from flatscan.capture.lines.line_stripe import CHANNELS
from flatscan.capture.lines.measured_lines import Points, points_of, straightness_of
from flatscan.capture.pictures import read_picture
from flatscan.capture.source import PointSource
from flatscan.capture.sweeps.sweep_agreement import FINEST, agreeing, alone, patch_error, spacing
from flatscan.capture.sweeps.sweep_bands import NO_LINE, TWO, Coarse, coarse_line
from flatscan.capture.sweeps.sweep_budget import SweepBudget, sweep_budget
from flatscan.capture.sweeps.sweep_format import SWEEP_READER
from flatscan.capture.sweeps.sweep_frames import Reel, reel_of
from flatscan.capture.sweeps.sweep_lines import NO_REFERENCE, Shot, SweptLine, line_in, targets_on_wall
from flatscan.capture.sweeps.sweep_setup import Sweep, SweepSetup, read_sweeps
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.model import SweptWall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, pixels
from flatscan.core.warp import CommonError

Pixels = NDArray[np.uint8]
Told = Callable[[float], None]
KIND = "laser-sweep"
# frames out of which the wall without the line is made; the darker third of each pixel's values is free of light
_LOOKS, _DARK = 9, 3
_MOVED = 1.0
# borders of tone pull single pieces of a line aside by more than most differ: drawn walls had them (methods 15)
_TAILS = 2.0
_LEAST_SHARE, _FEWEST_LINES, _LEAST_WAY = 0.5, 12, 0.1
_LANES, _AHEAD = 2, 4
# the looks are found while the whole file is gone through once
_FIRST_PASS = 0.2


@dataclass(frozen=True, eq=False)
class Swept:
    """One sweep measured: its lines, how it was seen, of how many ``frames``; ``missed`` counts the others by why.

    ``patch`` [m] is how far one line is off over a piece as long as lines lie apart.
    """

    sweep: Sweep
    shot: Shot
    points: Points
    lines: tuple[SweptLine, ...]
    frames: int
    missed: Counter[str]
    budget: SweepBudget
    patch: float

    @property
    def apart(self) -> float:
        """How far lines lie apart [m]."""
        return spacing(np.array([line.at for line in self.lines]))

    @property
    def pixel(self) -> float:
        """Size of a pixel on the wall [m]."""
        return float(np.median([line.pixel for line in self.lines]))


def open_sweeps(path: Path, told: Told | None = None) -> PointSource:
    """All points of all sweeps of a set-up file, in the wall's own coordinates [m]; ``told`` hears how far it is.

    Raises what reading, seeing and measuring raise, and `ReadError` for sweeps that make no wall.
    """
    given = read_sweeps(path)
    bow = straightness_of(given.setup)
    done = list[Swept]()
    for number, sweep in enumerate(given.sweeps):
        done.append(measure_sweep(given, sweep, bow, _part(told, number, len(given.sweeps))))
    points = np.concatenate([line.points for one in done for line in one.lines])
    stands = np.array([one.shot.view.place for one in done])
    return PointSource(
        SWEEP_READER,
        len(points),
        OneBlock(points),
        unit="m",
        unit_from=note("sweep.unit"),
        up=np.array([0.0, 1.0, 0.0]),
        up_from=note("sweep.up"),
        stands=stands,
        warnings=_notes(given, done),
        kind=KIND,
        swept=_wall(given, done),
    )


def _part(told: Told | None, number: int, many: int) -> Told:
    def tell(part: float) -> None:
        if told is not None:
            told((number + part) / many)

    return tell


def _wall(given: SweepSetup, done: list[Swept]) -> SweptWall:
    """The wall as the set-up gives it, with the largest common error of any sweep."""
    parts = [one.budget for one in done]
    worst = max(parts, key=lambda part: part.sd)
    common = CommonError(
        sd=worst.sd,
        length=1.0,
        u_offset=max(part.u_offset for part in parts),
        scale=max(part.scale for part in parts),
        source=note("sweep.budget"),
    )
    apart = max(one.apart for one in done)
    # points of one line in one cell, as large as lines lie apart, are off together
    in_cell = max(max(FINEST, one.apart) / one.pixel / alone(one.lines) for one in done)
    return SweptWall(
        width=given.width,
        height=given.height,
        name=given.setup.name,
        common=common,
        apart=apart,
        independent=min(1.0, 1.0 / in_cell),
        scatter=_TAILS * max(one.patch for one in done),
        u_lean=_lean(given, done),
    )


def _lean(given: SweepSetup, done: list[Swept]) -> float | None:
    """How plumb the wall's upright is known [m per m]: by the laser's own axis, or by what is said of the strips."""
    if given.by_axis:
        return given.setup.doubts.upright / min(line.sensitivity for one in done for line in one.lines)
    return given.setup.doubts.upright if given.plumb else None


def measure_sweep(given: SweepSetup, sweep: Sweep, bow: Bow | None, told: Told) -> Swept:
    """The lines of one sweep; the video is gone through twice, a few frames in memory at a time."""
    reel = reel_of(sweep)
    looks = _looks(reel, told)
    dark = _dark(sweep, reel, looks)
    _refuse_moved(sweep, looks[::2])
    camera_file = given.setup.camera_file
    assert camera_file is not None
    camera = fit_size(
        read_camera(camera_file, given.setup.camera_name), camera_file, reel.width, reel.height, sweep.name
    )
    points = points_of(given.setup, dark, sweep.name)
    view = see_wall(sweep.name, points.pixels, points.at, camera, given.setup.place)
    shot = Shot(given, view, sweep.pivot, bow, _channel(given, looks, dark))
    lines, missed, frames = list[SweptLine](), Counter[str](), 0
    for found in _in_order(shot, reel, dark):
        frames += 1
        told(_FIRST_PASS + (1 - _FIRST_PASS) * frames / reel.count)
        if isinstance(found, str):
            missed[found] += 1
        else:
            lines.append(found)
    _refuse_poor(given, sweep, lines, missed, frames, looks, shot)
    lines = agreeing(lines, given.along)
    size = max(FINEST, spacing(np.array([line.at for line in lines])))
    patch = patch_error(lines, given.along, size)
    return Swept(sweep, shot, points, tuple(lines), frames, missed, sweep_budget(shot, points, lines), patch)


def _looks(reel: Reel, told: Told) -> list[Pixels]:
    """Some frames evenly over the whole sweep, which is gone through to its end."""
    step = max((reel.count - 1) // (_LOOKS - 1), 1)
    found = []
    for number, colours in reel.frames(range(0, reel.count, step)):
        told(_FIRST_PASS * number / reel.count)
        found.append(np.ascontiguousarray(colours))
    return found


def _dark(sweep: Sweep, reel: Reel, looks: list[Pixels]) -> Pixels:
    """The wall without the line (rows, cols, 3): the picture given, or what a pixel is while the line is elsewhere."""
    if sweep.off is not None:
        picture = read_picture(sweep.off).colours
        if picture.shape[:2] != (reel.height, reel.width):
            raise ReadError(
                sweep.off,
                "{width} x {height} pixels, but the sweep has {wide} x {high}",
                needed="a frame of the same video with the laser off",
                remedy="Leave it out: the sweep itself shows the wall without the line",
                width=picture.shape[1],
                height=picture.shape[0],
                wide=reel.width,
                high=reel.height,
            )
        return picture
    dark = np.empty_like(looks[0])
    # a strip of rows at a time: all looks together are many megabytes
    for start in range(0, reel.height, 64):
        rows = slice(start, start + 64)
        stack = np.stack([one[rows] for one in looks])
        dark[rows] = np.partition(stack, min(_DARK, len(looks) - 1), axis=0)[min(_DARK, len(looks) - 1)]
    return dark


def _channel(given: SweepSetup, looks: list[Pixels], dark: Pixels) -> str:
    """The laser's colour: the one stated, or where most light comes to the wall by the line."""
    stated: str | None = given.setup.channel
    if stated is not None:
        return stated
    added = [np.clip(look.astype(np.int16) - dark, 30, None).sum(axis=(0, 1)) for look in looks]
    return tuple(CHANNELS)[int(np.argmax(np.sum(added, axis=0)))]


def _refuse_moved(sweep: Sweep, looks: list[Pixels]) -> None:
    """Raise `ReadError` where targets do not stay at their places on the pictures."""
    first, moved = dict[int, Array](), list[float]()
    for look in looks:
        found = find_targets(look)
        shifts = [np.hypot(*(found[number] - first[number]).mean(axis=0)) for number in found if number in first]
        if len(shifts) > 1:
            moved.append(float(np.median(shifts)))
        first = found | first
    if moved and max(moved) > _MOVED:
        raise ReadError(
            sweep.name,
            "the camera moved during the sweep: targets shift by {moved:pixels}",
            needed="less than {most:pixels}",
            remedy="Put it on a stand, start it without touching it, and sweep again",
            moved=pixels(max(moved)),
            most=pixels(_MOVED),
        )


def _in_order(shot: Shot, reel: Reel, dark: Pixels) -> Iterator[SweptLine | str]:
    """What each frame shows, in their order, found on two lanes; no more than a few frames wait."""
    waiting = deque[Future[SweptLine | str]]()
    with ThreadPoolExecutor(_LANES) as pool:
        for number, lit in reel.frames():
            waiting.append(pool.submit(line_in, shot, number, lit, dark, reel.name_of(number)))
            if len(waiting) >= _AHEAD:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _refuse_poor(
    given: SweepSetup,
    sweep: Sweep,
    lines: list[SweptLine],
    missed: Counter[str],
    frames: int,
    looks: list[Pixels],
    shot: Shot,
) -> None:
    """Raise `ReadError` for a sweep that makes no wall, with what most of its frames lack."""
    if len(lines) >= max(_LEAST_SHARE * frames, _FEWEST_LINES):
        way = float(np.ptp([line.at for line in lines]))
        if way < _LEAST_WAY:
            raise _stands(sweep, way)
        return
    why = missed.most_common(1)[0][0] if missed else NO_LINE
    values: dict[str, object] = {"count": missed[why], "frames": frames}
    if why == TWO:
        raise ReadError(
            sweep.name,
            "{count} of {frames} frames show two lines",
            needed="one line, upright or level",
            remedy="Switch the laser's other line off, and cover what reflects: glass, tiles, gloss paint",
            **values,
        )
    if why == NO_REFERENCE:
        raise ReadError(
            sweep.name,
            "in {count} of {frames} frames the line does not cross every strip of [[reference]]",
            needed="strips as long as the sweep, lit and in view",
            remedy="Check their places in the set-up file, and that their faces are matt and bright",
            **values,
        )
    if why != NO_LINE:
        _refuse_angle(shot, given, sweep)
        raise ReadError(
            sweep.name,
            "in {count} of {frames} frames the light falls so that heights do not show",
            needed="a camera and a laser well apart",
            remedy="Put the camera on the other side of the wall from the laser",
            **values,
        )
    if _stood_still(shot, looks):
        raise _stands(sweep, 0.0)
    raise ReadError(
        sweep.name,
        "{count} of {frames} frames show no laser line",
        needed="a line in at least half of them",
        remedy="Darken the room, check the laser's colour in [laser] channel, and cut the video to the sweep itself",
        **values,
    )


def _refuse_angle(shot: Shot, given: SweepSetup, sweep: Sweep) -> None:
    """Raise `BadValue` that says why the light in the wall's middle measures nothing, where that is so."""
    middle = np.array([given.width / 2, given.height / 2])
    along = np.array([1.0, 0.0]) if given.setup.level else np.array([0.0, 1.0])
    refuse_degenerate(sweep.name, shot.view, LaserPlane.through(shot.pivot, middle, along), middle)


def _stood_still(shot: Shot, looks: list[Pixels]) -> bool:
    """Whether the line is at one place in all frames, so that the wall seems to have it by itself: it is coloured."""
    still = np.min(looks, axis=0)
    others = np.delete(still, shot.colour, axis=2).max(axis=2)
    lit, plain = (one.T if shot.given.setup.level else one for one in (still[..., shot.colour], others))
    return isinstance(coarse_line(lit, plain), Coarse)


def _stands(sweep: Sweep, way: float) -> ReadError:
    return ReadError(
        sweep.name,
        "the laser was not turned: all lines lie within {way:length}",
        needed="a line that goes over the wall",
        remedy="Turn the laser slowly from one end of the wall to the other while the camera runs",
        way=metres(way),
    )


def _notes(given: SweepSetup, done: list[Swept]) -> tuple[Note, ...]:
    """How many lines each sweep gave and how far apart, what is worth most, and what is plumb."""
    notes = list[Note]()
    for one in done:
        source, most = one.budget.ranked()[0]
        notes.append(
            note(
                "sweep.lines",
                picture=one.sweep.name.name,
                lines=len(one.lines),
                frames=one.frames,
                apart=metres(one.apart),
                u=metres(one.budget.chord),
                span=metres(2.0),
                source=source,
                most=metres(most),
                line=metres(one.patch),
            )
        )
        if one.missed:
            notes.append(note("sweep.frames-left-out", picture=one.sweep.name.name, count=sum(one.missed.values())))
    hung = targets_on_wall(given)
    if hung:
        notes.append(note("sweep.targets-on-wall", count=hung))
    if given.by_axis:
        notes.append(note("sweep.plumb-by-laser"))
    else:
        notes.append(note("sweep.plumb-by-references" if given.plumb else "sweep.not-plumb"))
    return tuple(notes)
