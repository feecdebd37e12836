"""How far another surface smears a wall's edge: the strip there that cannot be measured, from the capture itself.

Points of the surface that adjoins stand before the wall at every depth. Those well off the wall are counted in narrow
bands along the edge; as many to a millimetre of depth lie close to the wall as well, where they cannot be told from
its own points and pull a cell's mean toward the room. The strip ends where that pull is small beside what a cell's
mean is uncertain by anyway. Where a capture was fused or drawn as a mesh its corners are round instead: a wall that
rises steeply into a corner is left out as far as it rises, up to the usual strip. A real swelling into the corner looks
the same and is then not judged, which is said.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flatscan.core.geometry import Array, fit_plane_robust, robust_scale
from flatscan.wall.fit import Fit

# where nothing can be measured at an edge, as much as scanners smear by common experience; and no strip over the second
USUAL, MOST = 0.05, 0.08
# clear of any smear: what the wall and its noise are told from
INNER, OUTER = 0.085, 0.20
BAND = 0.005
# a point so far before the wall is not the wall's own, whatever the wall does at its edge
DEEP, OFF = 0.05, 0.006
# the relief takes points within 25 mm first, then within three spreads, or 1.5 of a cell's own where that is more
GATE = 0.025
# a pull up to this part of a cell's own uncertainty is let pass
PART = 0.5
CELL, FEWEST = 0.01, 10
# an edge is looked at in pieces of half a metre or more with so many points in a band; a piece with fewer says nothing
PIECE, POINTS = 0.5, 8
REACH = 3.0
# as many points of a capture tell a strip, and fix a plane beside it, well enough
ENOUGH, FITTED = 250_000, 500
# where more than this stands before the wall further in, something else than the corner does
STRAYS = 0.1
# a wall that rises by more than the first, or three cell's uncertainties, into a corner is round there, as far as it
# rises by the second or one uncertainty
ROUND, LEVEL = 0.0015, 0.0002
SEEN = 0.5


class Edges:
    """The points of a capture along a wall's edges, as the fit's own coordinates along, up and off the wall.

    ``points`` (n, 3) are an even sample of the ``count`` points there are.
    """

    def __init__(self, fit: Fit, points: Array, count: int) -> None:
        points = points[:: max(1, len(points) // ENOUGH)]
        near = points[np.abs((points - fit.frame.at) @ fit.frame.out) < 0.4]
        place = fit.local(near)
        self.place = place[np.abs(place[:, 2]) < DEEP]
        self.share = len(points) / max(count, 1)

    def strip(
        self, axis: int, edge: float, inward: int, ends: tuple[float, float], proud: float = 2 * OFF
    ) -> float | None:
        """Width [m] of the strip at an edge that cannot be measured, None where that cannot be told.

        ``axis`` is 0 for an edge at ``edge`` [m] along, 1 for one up; ``inward`` (1 or -1) points into the wall, and
        ``ends`` [m] are where the edge begins and stops. What smears it stands at least ``proud`` [m] before the wall.
        """
        away = inward * (self.place[:, axis] - edge)
        along = self.place[:, 1 - axis]
        use = (away > 0) & (away < OUTER) & (along > ends[0]) & (along < ends[1])
        away, along, off = away[use], along[use], self.place[use, 2]
        if (away > INNER).sum() < 10 * POINTS:
            return None
        pieces = self._pieces(along, away, ends)
        least = min(OFF, proud / 2)
        widths = [_width(away[piece], along[piece], off[piece], self.share, least) for piece in pieces]
        known = [width for width in widths if width is not None]
        if len(known) < SEEN * len(widths):
            return None
        # of a piece or two in twenty something else may stand in the corner
        return float(np.quantile(known, 0.9, method="inverted_cdf"))

    @staticmethod
    def _pieces(along: Array, away: Array, ends: tuple[float, float]) -> Sequence[Array]:
        """Which points (n,) lie in each piece of the edge."""
        a_metre = (away > INNER).sum() * BAND / (OUTER - INNER) / (ends[1] - ends[0])
        number = max(1, int((ends[1] - ends[0]) / max(PIECE, POINTS / max(a_metre, 1e-9))))
        which = np.clip(((along - ends[0]) / (ends[1] - ends[0]) * number).astype(int), 0, number - 1)
        return [which == piece for piece in range(number)]


def _width(away: Array, along: Array, off: Array, share: float, least: float) -> float | None:
    """Where the pull of another surface ends along one piece of an edge [m]; None without wall or end."""
    inner = away > INNER
    if inner.sum() < POINTS * (OUTER - INNER) / BAND / 2:
        return None
    some = np.flatnonzero(inner)[:: max(1, int(inner.sum()) // FITTED)]
    try:
        plane, _ = fit_plane_robust(away[some], along[some], off[some], rounds=12)
    except np.linalg.LinAlgError:
        return None
    rest = off - plane[0] - plane[1] * away - plane[2] * along
    noise = robust_scale(rest[inner])
    deep = max(least, 4 * noise)
    if deep > DEEP / 2 or 4 * noise > 2 * least + DEEP / 2 * (least == OFF):
        return None
    band = np.minimum((away / BAND).astype(int), round(OUTER / BAND) - 1)
    bands = round(OUTER / BAND)
    own = np.bincount(band[np.abs(rest) <= deep], minlength=bands)
    other = np.bincount(band[rest > deep], minlength=bands)
    clear = round(INNER / BAND)
    # strays are everywhere: only more of them than further in are the other surface's
    usual = other[clear:].sum() / max(own[clear:].sum(), 1)
    if usual > STRAYS:
        return None
    dense = np.maximum(own, own[clear:].mean() / 2)
    pull = _pull(np.maximum(other / dense - usual, 0.0) / (DEEP - deep), noise)
    area = BAND * max(float(np.ptp(along)), BAND)
    in_cell = max(own[clear:].mean() / area * CELL**2 / share, FEWEST)
    u = noise / np.sqrt(in_cell)
    bad = np.flatnonzero(pull[:clear] > PART * u)
    end = 0 if not len(bad) else int(bad[-1]) + 1
    near = np.abs(rest) <= deep
    rise = np.bincount(band[near], rest[near], minlength=bands) / np.maximum(own, 1)
    end = _round_end(rise, end, u)
    return max(end * BAND, REACH * noise) if end * BAND <= MOST else None


def _round_end(rise: Array, start: int, u: float) -> int:
    """The band at which a round corner ends, ``start`` where the wall does not rise (n,) [m] steeply into it."""
    end = start
    if rise[start] > max(ROUND, 3 * u):
        while end * BAND < USUAL and rise[end] > max(LEVEL, u):
            end += 1
    return end


def _pull(depth_density: Array, noise: float) -> Array:
    """How far a cell's mean is pulled [m] by so many foreign points a metre of depth for each of its own (n,)."""
    # points spread evenly over the first gate widen the second: their variance is a third of its square
    spread = noise**2 + depth_density * GATE**3 / 3
    gate = np.minimum(np.sqrt(np.maximum(9 * noise**2, 2.25 * spread)), GATE)
    foreign = depth_density * gate
    pulled: Array = foreign / (1 + foreign) * gate / 2
    return pulled
