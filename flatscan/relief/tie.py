"""A scan tied down by laser readings: its warp, lean and turn taken out, with what is left known from place to place.

The scan is dense and warped, the readings are true and few. Their differences are a plane plus a Gaussian process
plus the readings' own noise, which exact algebra solves (universal kriging; Rasmussen and Williams 2006, 2.7 and
5.4.2; Chiles and Delfiner 2012, 3.4).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri, ndtri

from flatscan.core.errors import MixedSurveys, TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.model import Plumb, Readings, Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share, slope
from flatscan.core.reliefs import Grid
from flatscan.core.warp import CommonError
from flatscan.relief.tie_places import Differences, differences
from flatscan.relief.tied import TiedError, plane_terms, posterior

# a laser is set up by eye: how far off and how turned it stands to the wall is all but free [m, m per m]
_FREE_OFFSET, _FREE_SLOPE = 10.0, 0.1
# a reading is named if it would be this unlikely in a set without mistakes, and counted less from then on
_FALSE_ALARM = 0.01
# differences so much larger than stated mean another wall, sense or unit, not a worse capture
_STRANGE, _NEVER = 6.0, 1e-6


@dataclass(frozen=True, eq=False)
class Tie:
    """What tying a scan down showed.

    ``places`` (n, 2) of the readings used, ``difference`` (n,) scan minus reading, ``u`` (n,) of one difference,
    ``left_out`` (n,) each difference minus what the others predict for it and ``u_left_out`` (n,) what to expect of
    it; ``disagree`` the numbers of readings that stand out. ``lean`` [m per m] is how far the scan's vertical was off
    the laser's, + = the scan showed the top too far into the room, ``u_lean`` its uncertainty (None: the readings
    are too few or too close to tell, and plumb stays the scan's). ``least`` and ``most``
    bound the warp taken out [m]. ``stated_sd`` and ``sd`` are the warp's size as stated and as used.
    """

    file: str
    sha256: str
    places: Array
    difference: Array
    u: Array
    left_out: Array
    u_left_out: Array
    disagree: tuple[int, ...]
    lean: float
    u_lean: float | None
    least: float
    most: float
    stated_sd: float
    sd: float
    length: float

    @property
    def rms_left_out(self) -> float:
        """Root mean square of ``left_out`` over its own expectation: near 1 where the stated numbers hold."""
        return float(np.sqrt(np.mean((self.left_out / self.u_left_out) ** 2)))


def tie(
    relief: Relief, wall: Wall, readings: Readings, *, laser: CommonError, u_laser_lean: float, u_place: float = 0.010
) -> tuple[Grid, Wall, Tie, tuple[Note, ...]]:
    """The relief with the warp and lean that laser ``readings`` show taken out, its wall, and what must be said.

    ``relief.common`` states the size and length of the warp, ``laser`` the laser plane's own bend, ``u_laser_lean``
    [m per m] how plumb it is, ``u_place`` [m] how well a reading's place on the wall is known. The result's offsets
    are measured from a plane parallel to the laser's vertical; its ``common`` is a `TiedError`. Raises `BadTable` for
    a reading outside the wall, `TooFewPoints` where none falls on measured cells and `MixedSurveys` where scan and
    readings cannot show one wall.
    """
    if not isinstance(relief, Grid):
        raise TooFewPoints(
            "{file}",
            "a table of readings cannot be tied by another",
            needed="a scan to be tied",
            remedy="Give the readings as a capture of their own",
            file=readings.origin.file,
        )
    apart, notes = differences(relief, wall, readings, u_place)
    stated, is_plumb = _stated(relief, wall, apart, laser, u_laser_lean)
    u, disagree = _sound(apart, stated)
    factor = _size_factor(replace(apart, u=u), stated)
    if _beyond_belief(replace(apart, u=u), stated, factor):
        raise _strangers(readings, replace(apart, u=u), stated)
    common = stated.after(apart.places, u, factor)
    tied, lean, taken = _corrected(relief, common, apart.difference)
    left_out, u_left_out = _leave_one_out(common, apart.difference)
    result = Tie(
        file=readings.origin.file,
        sha256=readings.origin.sha256,
        places=apart.places,
        difference=apart.difference,
        u=u,
        left_out=left_out,
        u_left_out=u_left_out,
        disagree=disagree,
        lean=lean,
        u_lean=common.u_slope_up() if is_plumb else None,
        least=taken[0],
        most=taken[1],
        stated_sd=relief.common.sd,
        sd=common.warp.sd,
        length=common.length,
    )
    plumb = Plumb(note("wall.laser-readings", count=len(u)), u_laser_lean) if is_plumb else wall.plumb
    return tied, replace(wall, plumb=plumb), result, (*notes, *_notes(result))


@dataclass(frozen=True, eq=False)
class _Stated:
    """What is known before the readings: the warp, the laser's own bend, the plane's prior sd (3,), the box (4,)."""

    warp: CommonError
    laser: CommonError
    plane_sd: Array
    box: Array

    def after(self, places: Array, u: Array, factor: float = 1.0) -> TiedError:
        """The error left by readings with standard uncertainty ``u`` (n,), the warp being ``factor`` times stated."""
        warp = replace(self.warp, sd=self.warp.sd * factor)
        by = note("relief.by-readings", count=len(u), warp=metres(warp.sd), over=metres(warp.length), by=warp.source)
        noise = self.laser.covariance(places, places) + np.diag(u**2)
        return posterior(places, noise, warp, self.plane_sd, self.box, scale=warp.scale, source=by)


def _stated(
    relief: Grid, wall: Wall, apart: Differences, laser: CommonError, u_laser_lean: float
) -> tuple[_Stated, bool]:
    """What is known before the readings, and whether they tell plumb better than the scan's own gravity does.

    If they do, gravity has no say, so that the same wall comes out however the phone was held.
    """
    box = np.array([relief.x[0], relief.y[0], relief.x[-1], relief.y[-1]])
    free = _Stated(relief.common, laser, np.array([_FREE_OFFSET, _FREE_SLOPE, _FREE_SLOPE]), box)
    gravity = wall.plumb.u_lean
    if gravity is None or np.hypot(free.after(apart.places, apart.u).u_slope_up(), u_laser_lean) <= gravity:
        return free, True
    held = np.array([_FREE_OFFSET, _FREE_SLOPE, np.hypot(gravity, u_laser_lean)])
    return replace(free, plane_sd=held), False


def _whitened(common: TiedError, values: Array) -> tuple[Array, Array]:
    """P ``values`` and the diagonal of P = V^-1, V being the differences' covariance with the plane's prior."""
    seen = common.root @ plane_terms(common.places, common.centre)
    inverse = common.root.T @ (np.eye(len(values)) - seen @ common.plane_u @ seen.T) @ common.root
    return inverse @ values, np.diag(inverse)


def _leave_one_out(common: TiedError, difference: Array) -> tuple[Array, Array]:
    """Each difference minus its prediction by the others, and the sd of that (Rasmussen and Williams 2006, 5.12)."""
    product, diagonal = _whitened(common, difference)
    return product / diagonal, 1 / np.sqrt(diagonal)


def _sound(apart: Differences, stated: _Stated) -> tuple[Array, tuple[int, ...]]:
    """Standard uncertainty of each difference (n,), widened where a reading disagrees, and the numbers of those.

    A reading disagrees if it is off even from a warp as large as the others show: else the warp is what is wrong.
    """
    u, many = apart.u.copy(), len(apart.u)
    found: list[int] = []
    limit = -float(ndtri(_FALSE_ALARM / (2 * many)))
    while many >= 6 and len(found) < max(1, many // 8):
        off, expected = _leave_one_out(stated.after(apart.places, u), apart.difference)
        worst = int(np.argmax(np.abs(off) / expected))
        if abs(off[worst]) <= limit * expected[worst]:
            break
        factor = _size_factor(replace(apart, u=u).without([*found, worst]), stated, doubt=0.5)
        off, expected = _leave_one_out(stated.after(apart.places, u, factor), apart.difference)
        if abs(off[worst]) <= limit * expected[worst]:
            break
        # three times as uncertain as it is wrong: it stays in the set but decides next to nothing
        u[worst] = np.hypot(u[worst], 3 * abs(off[worst]))
        found.append(worst)
    return u, tuple(sorted(found))


def _misfit(apart: Differences, common: TiedError) -> float:
    """Sum of squares of the differences weighed by all that was stated: chi-square with n - 3 degrees of freedom."""
    return float(apart.difference @ _whitened(common, apart.difference)[0])


def _size_factor(apart: Differences, stated: _Stated, doubt: float = 0.05) -> float:
    """How many times larger than stated the warp most likely is, if the differences are unlikely otherwise; else 1.

    Unlikely is less than ``doubt``; likeliest by restricted likelihood (Patterson and Thompson, Biometrika 58, 1971).
    """
    freedom = len(apart.u) - 3
    if freedom < 3 or stated.warp.sd <= 0:
        return 1.0
    if _misfit(apart, stated.after(apart.places, apart.u)) <= max(freedom, float(chdtri(freedom, doubt))):
        return 1.0

    def unlikely(log_factor: float) -> float:
        common = stated.after(apart.places, apart.u, float(np.exp(log_factor)))
        size = -2 * np.log(np.diag(common.root)).sum() - np.linalg.slogdet(common.plane_u)[1]
        return float(size) + _misfit(apart, common)

    most = float(np.log(2 * _STRANGE))
    from scipy.optimize import minimize_scalar

    return float(np.exp(minimize_scalar(unlikely, bounds=(0.0, most), method="bounded").x))


def _beyond_belief(apart: Differences, stated: _Stated, factor: float) -> bool:
    """Whether no warp of a size there is explains the differences."""
    freedom = len(apart.u) - 3
    rest = _misfit(apart, stated.after(apart.places, apart.u, factor))
    return factor >= _STRANGE or (freedom >= 1 and rest > float(chdtri(freedom, _NEVER)))


def _strangers(readings: Readings, apart: Differences, stated: _Stated) -> MixedSurveys:
    """The error for readings that differ from the scan by far more than stated, with the slip that would explain it."""
    slips = {
        "the sense of the readings is the other way round": replace(
            apart, difference=2 * apart.scan - apart.difference
        ),
        "positions were taken from the right edge": apart.moved(mirror_x=True),
        "heights were taken from the top": apart.moved(mirror_y=True),
    }
    tried = {slip: _misfit(some, stated.after(some.places, some.u)) for slip, some in slips.items() if some is not None}
    best = min(tried, key=lambda slip: tried[slip], default="")
    now = _misfit(apart, stated.after(apart.places, apart.u))
    guess = ". They would fit if {slip}" if best and tried[best] < now / 4 else ""
    plane = plane_terms(apart.places, apart.places.mean(axis=0))
    rest = apart.difference - plane @ np.linalg.lstsq(plane, apart.difference, rcond=None)[0]
    expected = float(np.hypot(stated.warp.sd, np.median(apart.u)))
    return MixedSurveys(
        "{file}",
        "the readings and the scan still differ by {rest:length.1} after offset, lean and turn",
        needed="about {expected:length.1}, as capture type and readings say",
        remedy="Check the wall number, the sense, the unit and where positions are measured from" + guess,
        file=readings.origin.file,
        rest=metres(float(np.std(rest))),
        expected=metres(expected),
        slip=best,
    )


def _corrected(relief: Grid, common: TiedError, difference: Array) -> tuple[Grid, float, tuple[float, float]]:
    """Relief less the error the readings show, the lean found, and the least and most of the warp taken out.

    Offset and turn of the laser to the wall say nothing of the wall, so what of the correction is a constant and a
    slope along is put back: offsets are then from a plane that is parallel to the laser's vertical and stands as the
    wall's own frame does. Both are exact numbers and add nothing to the uncertainty.
    """
    product, _ = _whitened(common, difference)
    seen = common.root @ plane_terms(common.places, common.centre)
    plane = common.plane_u @ (seen.T @ (common.root @ difference))
    weights = common.root.T @ (common.root @ (difference - plane_terms(common.places, common.centre) @ plane))
    across, upward = relief.places
    at = np.column_stack([across.ravel(), upward.ravel()])
    warp = np.concatenate(
        [common.warp.covariance(part, common.places) @ weights for part in np.array_split(at, 1 + len(at) // 20_000)]
    ).reshape(across.shape)
    whole = warp + (plane_terms(at, common.centre) @ plane).reshape(across.shape)
    here = relief.valid
    along = np.column_stack([np.ones(int(here.sum())), across[here] - common.centre[0]])
    back = np.linalg.lstsq(along, whole[here], rcond=None)[0]
    taken = whole - back[0] - back[1] * (across - common.centre[0])
    halves = [None if half is None else half - taken for half in (relief.half_a, relief.half_b)]
    standing = None if relief.standing is None else relief.standing.tied(taken)
    tied = replace(
        relief, offset=relief.offset - taken, half_a=halves[0], half_b=halves[1], common=common, standing=standing
    )
    full = np.column_stack([np.ones(int(here.sum())), across[here], upward[here]])
    slopes = np.linalg.lstsq(full, whole[here], rcond=None)[0]
    bend = whole[here] - full @ slopes
    return tied, float(slopes[2]), (float(bend.min()), float(bend.max()))


def _notes(result: Tie) -> list[Note]:
    """What was taken out, how well the readings agree, and which do not."""
    many = len(result.u)
    said = [
        note(
            "relief.tied-not-plumb" if result.u_lean is None else "relief.tied-plumb",
            count=many,
            least=metres(result.least),
            most=metres(result.most),
            lean=slope(result.lean),
        )
    ]
    if many >= 4:
        rms = float(np.sqrt(np.mean(result.left_out**2)))
        said.append(note("relief.left-out", rms=metres(rms), times=share(result.rms_left_out)))
    if result.sd > result.stated_sd * 1.001:
        said.append(note("relief.larger-warp", used=metres(result.sd), stated=metres(result.stated_sd)))
    for i in result.disagree:
        x, y = (float(at) for at in result.places[i])
        said.append(note("relief.disagrees", (x, y), off=metres(result.left_out[i])))
    return said
