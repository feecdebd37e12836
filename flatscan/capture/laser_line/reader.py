"""Laser-line photos as a capture: every line a row of stations, joined by the wall's common plane."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from flatscan.capture.laser_line.budget import Budget, budget_of
from flatscan.capture.laser_line.measure import MeasuredLine, measure
from flatscan.capture.laser_line.setup import Setup, read_setup
from flatscan.capture.registry import present_file
from flatscan.core.errors import TooFewPoints
from flatscan.core.model import Origin, Readings
from flatscan.core.units import to_mm

READER = "laser line photos"
# what the capture type laser-line already holds on the middle of a 2 m chord (METHODS 1b)
_USUAL_COMMON = 0.4e-3


@dataclass(frozen=True, eq=False)
class LineSurvey:
    """A set-up measured: its lines with their budgets."""

    setup: Setup
    lines: tuple[tuple[MeasuredLine, Budget], ...]


def survey_lines(path: Path, pairs: Sequence[tuple[Path, Path]] = ()) -> LineSurvey:
    """Measure all lines of a set-up file, or pictures ``pairs`` (on, off) with its first line's set-up.

    Raises what reading, seeing and measuring raise.
    """
    setup = read_setup(present_file(path))
    if pairs:
        first = setup.lines[0]
        setup = replace(setup, lines=tuple(replace(first, on=on, off=off) for on, off in pairs))
    measured = measure(setup)
    both = zip(setup.lines, measured, strict=True)
    return LineSurvey(setup, tuple((line, budget_of(setup, given, line)) for given, line in both))


def open_lines(path: Path, *, file_unit: str | None = None, reading_u: float = 0.0006) -> Readings:
    """Readings every 50 mm along each line, offsets from the targets' plane, + toward the room.

    ``u`` is the largest line's random part and what its common part exceeds the capture type's; ``file_unit`` and
    ``reading_u`` are the readings' of another format. Raises `TooFewPoints` where no line gives a station.
    """
    del file_unit, reading_u
    surveyed = survey_lines(path)
    setup, lines = surveyed.setup, surveyed.lines
    x, y, z = (np.concatenate([getattr(line, name) for line, _ in lines]) for name in ("x", "y", "height"))
    if len(x) < 3:
        raise TooFewPoints(
            path, f"{len(x)} stations on {len(lines)} lines", needed="at least 3", remedy="Photograph longer lines"
        )
    u = max(math.hypot(part.u_random, math.sqrt(max(part.u_common**2 - _USUAL_COMMON**2, 0.0))) for _, part in lines)
    u_lean = setup.doubts.upright / min(line.sensitivity for line, _ in lines)
    origin = Origin(str(path), "", READER, "m", len(x), tuple(_words(surveyed)))
    return Readings(origin, x, y, z, u, setup.width, setup.height, name=setup.name, u_lean=u_lean)


def _words(surveyed: LineSurvey) -> list[str]:
    said: list[str] = []
    for line, budget in surveyed.lines:
        name, share = budget.ranked()[0]
        said += line.notes
        said.append(
            f"{line.name}: {len(line.x)} stations over {to_mm(max(np.ptp(line.x), np.ptp(line.y))):.0f} mm, "
            f"± {to_mm(budget.u):.2f} mm (1 sd), most of it from the {name} ({to_mm(share):.2f} mm)"
        )
    free = [line.name for line, _ in surveyed.lines if not line.placed]
    if free and len(surveyed.lines) > 1:
        said.append(
            f"{len(free)} of {len(surveyed.lines)} lines have no known distance from the wall's plane and are joined "
            "by their own medians: what the wall does from one line to the next is not measured"
        )
    elif free:
        said.append("the line has no known distance from the wall's plane: its straightness is measured, not its place")
    said.append("plumb is the targets' upright, not the laser's: give a line at 90 degrees or a plumb bob for lean")
    return said


def is_setup(head: bytes) -> bool:
    """Whether a file begins like a set-up: TOML with a table [[line]] or [targets] and [laser]."""
    return b"[laser]" in head and (b"[[line]]" in head or b"[targets]" in head)
