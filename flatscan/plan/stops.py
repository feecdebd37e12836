"""Signs that a wall is not a plastering problem.

Nothing is hacked off or loaded while a sign stands; local codes and licensed practice come first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, root_sum_square
from flatscan.plan.cautions import DESIGNER
from flatscan.plan.finish import BuildUp
from flatscan.relief.shape import Shape

# all that may be said where no sign fires
NO_STOP = note("stop.none")
_STRUCTURE = note("stop.structure")
# what a surveyor saw on site; the scan sees none of it
SEEN = {
    "damp": note("stop.damp"),
    "salts": note("stop.salts"),
    "blown": note("stop.blown"),
    "moving crack": note("stop.moving-crack"),
}


@dataclass(frozen=True, slots=True)
class StopLimits:
    """Where the signs stand [m]: bulge and lean over 25 mm (surveyors' practice, printed), build-up over 25 and 40 mm.

    Over 25 mm the designer's word is needed (printed on a site sheet), over 40 mm board or rebuild (common practice),
    where it is so over at least ``least_area`` [m2] in one piece, no narrower than ``least_side`` [m]: a chase or a
    pocket is filled, and no bad wall [setting]. With ``k`` times u over the limit a sign is not ruled out.
    """

    bulge: float = 0.025
    lean: float = 0.025
    designer: float = DESIGNER
    rebuild: float = 0.040
    k: float = 1.645
    least_area: float = 0.25
    least_side: float = 0.30


@dataclass(frozen=True, slots=True)
class _Sign:
    """A sign that may stand: what it says, and whether the best estimate is over its limit."""

    said: Note
    stands: bool


def _bulges(relief: Relief, wall: Wall, shape: Shape, limits: StopLimits) -> Iterator[_Sign]:
    """Bellies along and up: the deepest single bulge off the best-fit plane each way."""
    for way, value, span in (("along", shape.belly_along, wall.width), ("up", shape.belly_up, wall.height)):
        if value is None:
            continue
        u = float(relief.common.u_gap(np.array(span / 2), np.array(span / 2)))
        if abs(value) + limits.k * u > limits.bulge:
            yield _Sign(_bulge(way, value, u, limits), abs(value) > limits.bulge)


def _bulge(way: str, value: float, u: float, limits: StopLimits) -> Note:
    size, limit, along = metres(abs(value), u), metres(limits.bulge), way == "along"
    if value > 0:
        return note("stop.bulge-along" if along else "stop.bulge-up", size=size, limit=limit, structure=_STRUCTURE)
    return note("stop.hollow-along" if along else "stop.hollow-up", size=size, limit=limit, structure=_STRUCTURE)


def _lean(wall: Wall, shape: Shape, limits: StopLimits) -> Iterator[_Sign]:
    slope = wall.plumb.u_lean
    if slope is None:
        return
    u, lean = slope * wall.height, abs(shape.lean_height)
    if lean + limits.k * u > limits.lean:
        code = "stop.leans-in" if shape.lean_height > 0 else "stop.leans-out"
        said = note(code, size=metres(lean, u), limit=metres(limits.lean), structure=_STRUCTURE)
        yield _Sign(said, lean > limits.lean)


def _thick(relief: Relief, build_up: BuildUp, limits: StopLimits) -> Iterator[_Sign]:
    """Build-up over 40 mm over some area is a stop; over 25 mm it is only a caution (`plan.cautions`)."""
    u = _u_thickest(relief, build_up)
    for beyond, stands in ((0.0, True), (limits.k * u, False)):
        if _over(relief, build_up.thickness, limits, beyond):
            yield _Sign(note("stop.thick", size=metres(build_up.most, u), limit=metres(limits.rebuild)), stands)
            return


def _over(relief: Relief, thickness: Array, limits: StopLimits, beyond: float) -> bool:
    """Whether the coat is thicker than to rebuild, or nearly so by ``beyond`` [m], over an area that counts."""
    labels, number = relief.connected(relief.valid & (np.nan_to_num(thickness) > limits.rebuild - beyond))
    for label in range(1, number + 1):
        row, col = np.nonzero(labels == label)
        wide, high = relief.ground_of(row, col)
        if relief.area[row, col].sum() >= limits.least_area and min(wide, high) >= limits.least_side:
            return True
    return False


def _u_thickest(relief: Relief, build_up: BuildUp) -> float:
    at = np.unravel_index(int(np.nanargmax(build_up.thickness)), build_up.thickness.shape)
    random = float(relief.u[at])
    return root_sum_square(random if np.isfinite(random) else 0.0, relief.common.sd) or 0.0


def stops(
    relief: Relief,
    wall: Wall,
    shape: Shape,
    build_up: BuildUp | None = None,
    *,
    seen: tuple[str, ...] = (),
    limits: StopLimits | None = None,
) -> tuple[Note, ...]:
    """Stop signs that stand: the best estimate is over the limit; where there is none only `NO_STOP` may be said.

    ``seen`` names what the surveyor saw (keys of `SEEN`); an unknown one raises `BadValue`.
    """
    unknown = [name for name in seen if name not in SEEN]
    if unknown:
        raise BadValue(
            "signs seen",
            "{names}",
            needed=" or ".join(SEEN),
            remedy="Use one of these words",
            names=", ".join(unknown),
        )
    signs = _signs(relief, wall, shape, build_up, limits or StopLimits())
    return (*(sign.said for sign in signs if sign.stands), *(SEEN[name] for name in seen))


def not_ruled_out(
    relief: Relief, wall: Wall, shape: Shape, build_up: BuildUp | None = None, *, limits: StopLimits | None = None
) -> tuple[Note, ...]:
    """Signs that only value + 1.645 u raises: said, and they block nothing."""
    signs = _signs(relief, wall, shape, build_up, limits or StopLimits())
    return tuple(note("stop.not-ruled-out", sign=sign.said) for sign in signs if not sign.stands)


def _signs(relief: Relief, wall: Wall, shape: Shape, build_up: BuildUp | None, limits: StopLimits) -> tuple[_Sign, ...]:
    thick = () if build_up is None else _thick(relief, build_up, limits)
    return (*_bulges(relief, wall, shape, limits), *_lean(wall, shape, limits), *thick)


def not_judged(wall: Wall) -> tuple[Note, ...]:
    """What the stop signs could not look at."""
    return (note("stop.lean-not-judged"),) if wall.plumb.u_lean is None else ()
