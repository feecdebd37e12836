"""What straightedges can be laid at all: what makes no sense is refused, what is too sparse is an answer."""

from __future__ import annotations

import math

import numpy as np

from flatscan.core.choices import METHODS
from flatscan.core.errors import BadValue
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share, square_metres
from flatscan.core.reliefs import Grid
from flatscan.straightedge.gaps import Direction, Gaps

# no published straightedge is shorter [m]: on cells too large for a longer one there are too few points
_SHORTEST = 0.1
# points fallen at random leave 5 in nearly every cell from so many on the average (Poisson), and a straightedge wants
# some twenty cells along it
_AT_RANDOM, _CELLS_ALONG = 9.2, 20


def none_laid(relief: Grid, rule: float, turns: tuple[Direction, ...], method: str, k: float) -> Gaps:
    """The answer where cells are so large that no straightedge of that length reaches over three of them."""
    nothing = np.full(relief.offset.shape, np.nan)
    notes = (too_sparse(relief, rule),)
    degrees = tuple(turn.degrees for turn in turns)
    return Gaps(rule, degrees, None, None, None, None, 0, None, nothing, method=method, k=k, notes=notes)


def too_sparse(relief: Grid, rule: float) -> Note:
    """That too few points were measured for a straightedge, and how many would do."""
    there, area = int(relief.count[relief.inside].sum()), relief.net_area
    needed = _enough_points(rule, area)
    return note("straightedge.too-sparse", points=there, area=square_metres(area), rule=metres(rule), needed=needed)


def _enough_points(rule: float, area: float) -> int:
    """Points that carry a straightedge of that length [m] on so large a wall [m2], to two digits."""
    needed = max(_AT_RANDOM / (rule / _CELLS_ALONG) ** 2 * area, 1.0)
    step = 10 ** max(math.floor(math.log10(needed)) - 1, 0)
    return int(math.ceil(needed / step) * step)


def refuse(relief: Relief, rule: float, k: float, method: str) -> None:
    """Raise `BadValue` for a sweep that makes no sense."""
    if not (math.isfinite(rule) and rule > 0):
        raise BadValue(
            "{set:rule}",
            "{rule:span}",
            needed="a straightedge longer than 0",
            remedy="Give its length",
            rule=metres(rule),
        )
    if rule < min(2 * relief.step, _SHORTEST) - 1e-9:
        raise BadValue(
            "{set:rule}",
            "{rule:length.g} on cells of {cell:length.g}",
            needed="a straightedge that reaches over at least three cell centres",
            remedy="Use a longer rule or smaller cells",
            rule=metres(rule),
            cell=metres(relief.step),
        )
    if not (math.isfinite(k) and k > 0):
        raise BadValue(
            "coverage factor",
            "{k:number}",
            needed="a number over 0",
            remedy="Leave it at {usual:number} for {confidence:share}",
            k=share(k),
            usual=share(1.645),
            confidence=share(0.95),
        )
    if method not in METHODS:
        methods = " or ".join(METHODS)
        raise BadValue(
            "{set:method}",
            "'{method}'",
            needed="{methods}",
            remedy="Choose one of them",
            method=method,
            methods=methods,
        )
