"""The common error of a capture: as its type declares it, and as repeated captures show it.

See methods/uncertainty 7, 3c.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import ndtri, stdtrit

from flatscan.core.errors import BadValue, MixedSurveys
from flatscan.core.geometry import Array, fit_plane, robust_scale
from flatscan.core.independence import Independence
from flatscan.core.model import PHONE_GRAVITY, Relief
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.core.reliefs import Grid, Narrow
from flatscan.core.warp import CommonError
from flatscan.relief.smooth import local_quadratic, windows

# A Gaussian warp of sd s and length 1 m puts 0.596 s on the middle of a 2 m chord (methods/uncertainty 6).
_CHORD_SHARE = 0.596


@dataclass(frozen=True, slots=True)
class CaptureType:
    """Common errors of one kind of capture (k = 1).

    ``chord`` [m] is the error of the middle of a 2 m chord, ``lean`` [m per m] that of the vertical,
    ``scale`` the relative error of lengths, ``grounds`` where the numbers come from.
    """

    name: str
    chord: float
    lean: float
    scale: float
    grounds: str

    def common_error(self) -> CommonError:
        """The warp this capture type carries; the wall's mean position is as uncertain as its chord."""
        return CommonError(
            sd=self.chord / _CHORD_SHARE, length=1.0, u_offset=self.chord, scale=self.scale, source=self.name
        )


# A cross-line laser levels to
# 0.3 mm per m (methods/uncertainty 9, printed in a manual): as the limits of a rectangular spread, 0.17 mm per m. The
# scale of a phone capture is off by up to 1 % (methods/uncertainty 9, repeated room captures).
_PHONE_LEAN, _LASER_LEAN = PHONE_GRAVITY, 0.17e-3
TYPES = {
    kind.name: kind
    for kind in (
        CaptureType("phone-walk", 5.0e-3, _PHONE_LEAN, 0.01, "methods/uncertainty 7, walking phone scan"),
        CaptureType("phone-static", 1.5e-3, _PHONE_LEAN, 0.01, "methods/uncertainty 7, phone held still"),
        CaptureType("photogrammetry", 4.0e-3, _PHONE_LEAN, 0.01, "methods/uncertainty 7, self-calibrated (doming)"),
        CaptureType("depth-photo", 1.5e-3, _PHONE_LEAN, 0.01, "as phone-static: one pose"),
        CaptureType("laser-readings", 0.3e-3, _LASER_LEAN, 0.0, "methods/uncertainty 7, straightness of the fan"),
        CaptureType("laser-line", 0.4e-3, _LASER_LEAN, 0.005, "methods/uncertainty 7, laser-line photo"),
        CaptureType("laser-sweep", 0.4e-3, _LASER_LEAN, 0.002, "methods/laser-line 15, swept laser lines"),
        CaptureType("scanner", 0.4e-3, 0.1e-3, 0.001, "methods/uncertainty 7, one station within 10 m"),
    )
}


def capture_type(name: str) -> CaptureType:
    """The capture type of that name; an unknown one raises `BadValue`."""
    if name not in TYPES:
        raise BadValue(
            "capture type",
            "'{name}' is not known",
            needed="one of {types}",
            remedy="Choose one of these",
            name=name,
            types=tuple(TYPES),
        )
    return TYPES[name]


# Repeats cannot see an error that repeats (a lens, a range pattern): a third of what one capture may hold stays
# (engineering estimate, between the one-capture and three-capture rows of methods/uncertainty 7).
REPEATING_SHARE = 1 / 3
# effective degrees of freedom of S on a 4 x 2.4 m wall: 4 with two captures, 8 with three (methods/uncertainty 10)
_FREEDOM_PER_REPEAT = 4
_SIZE_APART = 0.05
_ALIKE = 0.3


@dataclass(frozen=True, slots=True)
class RepeatResult:
    """What repeats showed: chord error ``s`` [m] of one capture at each of ``spans`` [m], and how many there were."""

    captures: int
    spans: tuple[float, ...]
    s: tuple[float, ...]
    freedom: int


def combine(reliefs: Sequence[Relief], kind: CaptureType, rule: float) -> tuple[Grid, RepeatResult]:
    """Mean relief of R >= 2 captures of one wall with its common error estimated from their differences.

    Captures are brought together by their outlines and levelled by plane fits only, so tilt and position do not
    count. S^2(L) is the mean over the wall of [r(a)/2 + r(b)/2 - r(middle)]^2 over spans L, summed over captures and
    divided by R - 1, less what the random part explains; the mean's error is S / sqrt R, widened by Student's t for
    its few degrees of freedom, and the share that repeats is added. Raises `MixedSurveys`, with the mismatch in mm,
    where the captures do not show one wall.
    """
    aligned = _aligned(reliefs)
    stack = np.stack([_levelled(one, aligned[0]) for one in aligned])
    seen = np.isfinite(stack)
    count = seen.sum(axis=0)
    mean = np.where(count > 0, np.nansum(stack, axis=0) / np.maximum(count, 1), np.nan)
    both = count == len(aligned)
    _refuse_strangers(stack, both, aligned)
    u = np.sqrt(np.nansum([np.where(ok, one.u, 0.0) ** 2 for ok, one in zip(seen, aligned, strict=True)], axis=0))
    u = np.where(count > 0, u / np.maximum(count, 1), np.nan)
    shown = _chord_errors(stack, both, aligned, rule)
    halves = [_mean_of([_levelled(one, aligned[0], half) for one in aligned]) for half in ("half_a", "half_b")]
    standing = aligned[0].standing
    if standing is not None:
        # what one capture shows behind an object of the first is all that is known there
        standing = replace(standing, as_wall=np.stack([mean, u, *halves]))
    joined = replace(
        aligned[0],
        standing=standing,
        independence=_least_independent(aligned),
        offset=mean,
        u=u,
        count=sum((one.count for one in aligned), np.zeros_like(aligned[0].count)),
        half_a=halves[0],
        half_b=halves[1],
        common=_common(shown, kind),
        narrow=_narrow_in_all(aligned),
        looked_over=0,
    )
    return joined, shown


def _least_independent(reliefs: Sequence[Grid]) -> Independence | None:
    """How the points of that capture repeat each other in which each stands for the least."""
    shown = [one.independence for one in reliefs if one.independence is not None]
    return min(shown, key=lambda one: one.share, default=None)


def _aligned(reliefs: Sequence[Relief]) -> list[Grid]:
    """The reliefs cut to the rows and columns they share from their lower left; sizes too far apart are refused."""
    first, scans = reliefs[0], list[Grid]()
    for number, other in enumerate(reliefs, 1):
        alike = isinstance(first, Grid) and isinstance(other, Grid) and np.isclose(first.cell, other.cell)
        if not isinstance(other, Grid) or not alike:
            raise MixedSurveys(
                "capture {number}",
                "another cell size than the first, or readings instead of points",
                needed="repeated scans in equal cells",
                remedy="Give {set:cell}, the same for all",
                number=number,
            )
        apart = [abs(a - b) * other.cell for a, b in zip(first.offset.shape, other.offset.shape, strict=True)]
        if max(apart) > _SIZE_APART + other.cell:
            raise MixedSurveys(
                "capture {number}",
                "a wall {wide:length} wider or narrower and {high:length} higher or lower than the first",
                needed="the same wall, within {most:length}",
                remedy="Choose the same wall of each capture, or leave this one out",
                number=number,
                wide=metres(apart[1]),
                high=metres(apart[0]),
                most=metres(_SIZE_APART),
            )
        scans.append(other)
    rows, cols = (min(scan.offset.shape[axis] for scan in scans) for axis in (0, 1))
    return [_cut(scan, rows, cols) for scan in scans]


def _cut(relief: Grid, rows: int, cols: int) -> Grid:
    def part(values: Any) -> Any:
        return None if values is None else values[:rows, :cols]

    names = ("offset", "u", "count", "inside", "area", "half_a", "half_b", "why")
    seen = relief.narrow
    narrow = None if seen is None else Narrow(part(seen.found), part(seen.rise), part(seen.u))
    standing = None if relief.standing is None else relief.standing.cut(rows, cols)
    return replace(
        relief,
        narrow=narrow,
        standing=standing,
        x=relief.x[:cols],
        y=relief.y[:rows],
        **{name: part(getattr(relief, name)) for name in names},
    )


def _narrow_in_all(reliefs: Sequence[Grid]) -> Narrow | None:
    """What any of the captures shows on less than a cell: found in one is found, its height the mean of those known."""
    some = [one.narrow for one in reliefs if one.narrow is not None]
    if not some:
        return None
    rise, u = np.stack([one.rise for one in some]), np.stack([one.u for one in some])
    known = np.isfinite(rise)
    count = known.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(count > 0, np.nansum(rise, axis=0) / count, np.nan)
        doubt = np.where(count > 0, np.sqrt(np.nansum(u**2, axis=0)) / count, np.nan)
    return Narrow(np.logical_or.reduce([one.found for one in some]), mean, doubt)


def _levelled(relief: Grid, first: Grid, field: str = "offset") -> Array:
    """One capture's offsets (or half) moved and tilted onto the first's best-fit plane."""
    x, y = relief.places
    here = relief.valid & first.valid
    plane, _ = fit_plane(x[here], y[here], (relief.offset - first.offset)[here])
    values: Array = np.where(relief.valid, getattr(relief, field), np.nan) - (plane[0] + plane[1] * x + plane[2] * y)
    return values


def _mean_of(stack: Sequence[Array]) -> Array:
    seen = np.isfinite(stack)
    count = seen.sum(axis=0)
    return np.where(count > 0, np.nansum(stack, axis=0) / np.maximum(count, 1), np.nan)


def _refuse_strangers(stack: Array, both: Array, aligned: Sequence[Grid]) -> None:
    """Refuse captures whose forms do not agree although both have a form well over their noise."""
    window = windows(aligned[0].cell)[-1]
    forms = [
        local_quadratic([z], one.u, both & np.isfinite(z), window)[0][0][both]
        for z, one in zip(stack, aligned, strict=True)
    ]
    for number, form in enumerate(forms[1:], 2):
        noise = float(np.median(aligned[number - 1].u[both]))
        sizes = [robust_scale(forms[0]), robust_scale(form)]
        likeness = float(np.corrcoef(forms[0], form)[0, 1])
        if min(sizes) > 3 * noise and likeness < _ALIKE:
            raise MixedSurveys(
                "capture {number}",
                "a form that differs from the first by {off:length.1} typically, where the walls' own forms are "
                "{first:length.1} and {this:length.1}",
                needed="captures of one wall",
                remedy="Choose the same wall of each capture, or leave this one out",
                number=number,
                off=metres(robust_scale(form - forms[0])),
                first=metres(sizes[0]),
                this=metres(sizes[1]),
            )


def _chord_errors(stack: Array, both: Array, aligned: Sequence[Grid], rule: float) -> RepeatResult:
    cell, captures = aligned[0].cell, len(aligned)
    residual = np.where(both, stack - stack.mean(axis=0), np.nan)
    noise = float(np.mean([np.mean(one.u[both] ** 2) for one in aligned]))
    spans, errors = [], []
    for span in (rule, rule / 2, rule / 4):
        half = max(1, round(span / 2 / cell))
        squares = [
            ((r[..., : -2 * half] + r[..., 2 * half :]) / 2 - r[..., half:-half]) ** 2
            for r in (residual, residual.swapaxes(1, 2))
            if r.shape[2] > 2 * half
        ]
        found = np.concatenate([s[np.isfinite(s)] for s in squares]) if squares else np.empty(0)
        if len(found) < 30 * captures:
            continue
        total = found.mean() * captures / (captures - 1)
        spans.append(2 * half * cell)
        errors.append(float(np.sqrt(max(total - 1.5 * noise, 0.0))))
    return RepeatResult(captures, tuple(spans), tuple(errors), _FREEDOM_PER_REPEAT * (captures - 1))


def _common(shown: RepeatResult, kind: CaptureType) -> CommonError:
    """Warp whose chord error is nowhere under what the repeats showed, with the share that repeats added."""
    declared = kind.common_error()
    floor = replace(declared, sd=declared.sd * REPEATING_SHARE)
    if not shown.spans:
        return declared
    widen = float(stdtrit(shown.freedom, 0.95) / ndtri(0.95)) / np.sqrt(shown.captures)
    halves = np.array(shown.spans) / 2
    wanted = np.hypot(np.array(shown.s) * widen, floor.u_gap(halves, halves))

    def excess(length: float) -> float:
        shape = CommonError(1.0, length).u_gap(halves, halves)
        sd = float((wanted / shape).max())
        return float(np.log(sd * shape / wanted).sum())

    from scipy.optimize import minimize_scalar

    length = float(minimize_scalar(excess, bounds=(0.2, 1.0), method="bounded").x)
    sd = float((wanted / CommonError(1.0, length).u_gap(halves, halves)).max())
    chord = float(wanted[0])
    source = note("relief.by-repeats", captures=shown.captures, type=kind.name)
    return CommonError(sd=sd, length=length, u_offset=chord, scale=declared.scale, source=source)
