"""A scan tied down by laser readings: its warp, lean and turn taken out, with what is left known from place to place.

The scan is dense and warped, the readings are true and few. Their differences are a plane, steps at the scan's seams, a
warp of unknown shape, length and size, and the readings' own noise. Which warps those may be, readings and scan tell
together (`before_readings`); what is taken out and what is left is the mean over all of them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.errors import MixedSurveys, TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.model import Plumb, Readings, Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share, slope
from flatscan.core.reliefs import Grid, Why
from flatscan.core.warp import CommonError
from flatscan.relief.before_readings import Before, Supposed, after, before_readings, log_evidence, suppositions
from flatscan.relief.scan_shows import left_over
from flatscan.relief.tie_places import Differences, differences
from flatscan.relief.tied import TiedError
from flatscan.relief.trend import Seam
from flatscan.relief.warps import CHORD, Warps

# differences so much larger than stated mean another wall, sense or unit, not a worse capture
_STRANGE = 6.0
# a slip that explains the differences so many times better is one (a million, in logs)
_PLAINLY = 13.8
# a warp is said to be larger than stated from here on
_LARGER = 1.3
# a slip in reading a laser by hand that does harm [m]: a finger's breadth on the rule would be ten
HARMFUL_SLIP = 0.005


@dataclass(frozen=True, eq=False)
class Tie:
    """What tying a scan down showed.

    ``places`` (n, 2) of the readings used, ``difference`` (n,) scan minus reading, ``u`` (n,) of one difference,
    ``left_out`` (n,) each difference minus what the others predict for it and ``u_left_out`` (n,) what to expect of
    it; ``disagree`` the numbers of readings that stand out, ``smallest_slip`` (n,) [m] that would be named at each.
    ``lean`` [m per m] is how far the scan's vertical was off
    the laser's, + = the scan showed the top too far into the room, ``u_lean`` its uncertainty (None: the readings
    are too few or too close to tell, and plumb stays the scan's). ``least`` and ``most``
    bound the warp taken out [m]. ``stated`` [m] is what the capture's warp was said to put on the middle of 2 m,
    ``warps`` which warps the readings leave open. ``seams`` are steps in the scan, ``steps`` [m] what of each was
    taken out, with ``u_steps`` [m]; ``widened`` is by how much every u was, for what the scan shows to be left.
    """

    file: str
    sha256: str
    places: Array
    difference: Array
    u: Array
    left_out: Array
    u_left_out: Array
    smallest_slip: Array
    disagree: tuple[int, ...]
    lean: float
    u_lean: float | None
    least: float
    most: float
    stated: float
    warps: Warps
    seams: tuple[Seam, ...]
    steps: tuple[float, ...]
    u_steps: tuple[float, ...]
    widened: float

    @property
    def rms_left_out(self) -> float:
        """Root mean square of ``left_out`` over its own expectation: near 1 where the stated numbers hold."""
        return float(np.sqrt(np.mean((self.left_out / self.u_left_out) ** 2)))

    @property
    def unseen(self) -> tuple[int, ...]:
        """Numbers of the readings at which a slip of 5 mm would not be told (in 80 % of cases)."""
        return tuple(int(i) for i in np.flatnonzero(self.smallest_slip > HARMFUL_SLIP))


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
    before, sound, is_plumb = before_readings(relief, wall, apart, laser, u_laser_lean)
    slip = _slip(apart, before, sound)
    if slip or _beyond_belief(apart, before):
        raise _strangers(readings, apart, before, slip)
    supposed = suppositions(before, apart, sound)
    rest = supposed[0].rest
    disagree = tuple(sorted({*supposed[0].slips, *rest.named}))
    common, warps = after(before, apart, supposed)
    tied, lean, taken = _corrected(relief, common)
    common = common.wider(left_over(tied, common, before.uneven))
    tied = replace(tied, common=common)
    steps = common.steps()
    result = Tie(
        file=readings.origin.file,
        sha256=readings.origin.sha256,
        places=apart.places,
        difference=apart.difference,
        u=apart.u,
        left_out=rest.off,
        u_left_out=rest.u,
        smallest_slip=rest.smallest_told,
        disagree=disagree,
        lean=lean,
        u_lean=common.u_slope_up() if is_plumb else None,
        least=taken[0],
        most=taken[1],
        stated=before.stated,
        warps=warps,
        seams=before.trend.seams,
        steps=tuple(float(one) for one in steps[0]),
        u_steps=tuple(float(one) for one in steps[1]),
        widened=float(np.sqrt(common.widened.max())),
    )
    plumb = Plumb(note("wall.laser-readings", count=len(apart.u)), u_laser_lean) if is_plumb else wall.plumb
    return tied, replace(wall, plumb=plumb), result, (*notes, *_notes(result))


_SLIPS = {
    "the sense of the readings is the other way round": "sense",
    "positions were taken from the right edge": "mirror_x",
    "heights were taken from the top": "mirror_y",
}


def _slip(apart: Differences, before: Before, sound: Supposed) -> str:
    """What was typed the wrong way round, where that explains the differences beyond doubt; else nothing."""
    if len(apart.u) < 6:
        return ""
    moved = {
        "sense": replace(apart, difference=2 * apart.scan - apart.difference),
        "mirror_x": apart.moved(mirror_x=True),
        "mirror_y": apart.moved(mirror_y=True),
    }
    now = log_evidence(before, apart, sound)
    tried = {slip: log_evidence(before, some) for slip, how in _SLIPS.items() if (some := moved[how]) is not None}
    best = max(tried, key=lambda slip: tried[slip], default="")
    return best if best and tried[best] > now + _PLAINLY else ""


def _beyond_belief(apart: Differences, before: Before) -> bool:
    """Whether the differences are of a size that no such capture has."""
    freedom = len(apart.u) - 3
    return freedom >= 1 and _rest(apart) > _STRANGE * float(np.hypot(before.warp.sd, np.median(apart.u)))


def _rest(apart: Differences) -> float:
    """Standard deviation [m] of the differences off their plane, each as sure as it is."""
    weight = np.median(apart.u) / apart.u
    plane = np.column_stack([np.ones(len(apart.u)), apart.places - apart.places.mean(axis=0)]) * weight[:, None]
    value = apart.difference * weight
    off = value - plane @ np.linalg.lstsq(plane, value, rcond=None)[0]
    return float(np.sqrt((off**2).sum() / max(len(off) - 3, 1)))


def _strangers(readings: Readings, apart: Differences, before: Before, slip: str) -> MixedSurveys:
    """The error for readings that differ from the scan by far more than stated, with the slip that would explain it."""
    guess = ". They would fit if {slip}" if slip else ""
    return MixedSurveys(
        "{file}",
        "the readings and the scan still differ by {rest:length.1} after offset, lean and turn",
        needed="about {expected:length.1}, as capture type and readings say",
        remedy="Check the wall number, which way big readings run, the unit and where places start from" + guess,
        file=readings.origin.file,
        rest=metres(_rest(apart)),
        expected=metres(float(np.hypot(before.warp.sd, np.median(apart.u)))),
        slip=slip,
    )


def _corrected(relief: Grid, common: TiedError) -> tuple[Grid, float, tuple[float, float]]:
    """Relief less the error the readings show, the lean found, and the least and most of the warp taken out.

    Offset and turn of the laser to the wall say nothing of the wall, so what of the correction is a constant and a
    slope along is put back: offsets are then from a plane that is parallel to the laser's vertical and stands as the
    wall's own frame does. Both are exact numbers and add nothing to the uncertainty.
    """
    across, upward = relief.places
    whole = common.mean(np.column_stack([across.ravel(), upward.ravel()])).reshape(across.shape)
    here = relief.valid
    middle = (relief.x[0] + relief.x[-1]) / 2
    along = np.column_stack([np.ones(int(here.sum())), across[here] - middle])
    back = np.linalg.lstsq(along, whole[here], rcond=None)[0]
    taken = whole - back[0] - back[1] * (across - middle)
    halves = [None if half is None else half - taken for half in (relief.half_a, relief.half_b)]
    standing = None if relief.standing is None else relief.standing.tied(taken)
    tied = replace(
        relief, offset=relief.offset - taken, half_a=halves[0], half_b=halves[1], common=common, standing=standing
    )
    full = np.column_stack([np.ones(int(here.sum())), across[here], upward[here]])
    slopes = np.linalg.lstsq(full, whole[here], rcond=None)[0]
    bend = whole[here] - full @ slopes
    return _without_seams(tied, common), float(slopes[2]), (float(bend.min()), float(bend.max()))


def _without_seams(relief: Grid, common: TiedError) -> Grid:
    """The relief less the strips along seams in which a cell may belong to either side: they are not measured."""
    at = np.column_stack([place.ravel() for place in relief.places])
    out = np.zeros(relief.offset.shape, bool)
    for seam in common.trend.seams:
        out |= (np.abs(seam.off(at)) <= seam.wide).reshape(out.shape)
    if not out.any():
        return relief
    offset, u = (np.where(out, np.nan, field) for field in (relief.offset, relief.u))
    halves = [None if half is None else np.where(out, np.nan, half) for half in (relief.half_a, relief.half_b)]
    why = np.zeros(out.shape, np.int8) if relief.why is None else relief.why
    why = np.where(out & relief.valid, np.int8(Why.SEAM), why)
    return replace(relief, offset=offset, u=u, half_a=halves[0], half_b=halves[1], why=why)


def _notes(result: Tie) -> list[Note]:
    """What was taken out, how well the readings agree, which do not, and where that could not be seen."""
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
    chord = result.warps.chord()
    if chord > _LARGER * result.stated:
        said.append(note("relief.larger-warp", used=metres(chord), stated=metres(result.stated), over=metres(CHORD)))
    if result.widened > _LARGER:
        said.append(note("relief.uneven-warp", by=share(result.widened)))
    said += [
        note("relief.step-taken-out", (float(seam.at[0]), float(seam.at[1])), step=metres(step, u))
        for seam, step, u in zip(result.seams, result.steps, result.u_steps, strict=True)
    ]
    for i in result.disagree:
        x, y = (float(at) for at in result.places[i])
        said.append(note("relief.disagrees", (x, y), off=metres(result.left_out[i])))
    if result.unseen:
        code = "relief.slips-unseen" if len(result.unseen) < many else "relief.no-slip-seen"
        said.append(note(code, count=len(result.unseen), of=many, slip=metres(HARMFUL_SLIP)))
    return said
