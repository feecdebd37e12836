"""What a scan says of its warp: bends that are not the wall's are the warp's, and the warp has no more than the scan.

Scan is wall plus warp, and the two are independent: at every length the scan's surface bends over a chord by the sum of
both. How uneven the wall is at all, the readings tell: they are samples of it, and no wall bends over chords by more
than its own unevenness allows. So the scan holds the warp from above, and with readings from below. What lies between
is the wall's own form, which is profiled out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.geometry import Array
from flatscan.core.reliefs import Grid
from flatscan.core.warp import CommonError
from flatscan.relief.members import Member
from flatscan.relief.tied import TiedError
from flatscan.relief.trend import Seam
from flatscan.relief.warps import Warps

# half chords [m] from what a block of cells shows to what most walls have room for
_BLOCK = 0.1
_ARMS = (0.1, 0.2, 0.4, 0.8)
_FEWEST, _MOST_BENDS = 12, 400
# so many of a hundred normal values lie within one standard deviation: a hump that no reading stands on is no warp
_ONE_SD = 0.6827
# bends under this [m] are no evidence: rounding, and the laser's own u is far larger
_FLOOR2 = (0.05e-3) ** 2
# a chord's middle is off by at most root 1.5 of what a surface without any likeness of its places is uneven by
_MOST_BEND = 1.5
# how uneven the wall may be, in steps around what the readings show
_UNEVEN = 2.0 ** np.arange(-3, 9.1, 0.5)


@dataclass(frozen=True, slots=True)
class Uneven:
    """How uneven readings show a wall: mean square [m2] off their plane, how much of it is their own, of how many."""

    square: float
    own: float
    freedom: int

    @classmethod
    def of(cls, places: Array, offset: Array, u: Array) -> Uneven | None:
        """Of readings ``offset`` (n,) at ``places`` (n, 2) with standard uncertainty ``u`` (n,); None if too few."""
        freedom = len(offset) - 3
        if freedom < 3:
            return None
        plane = np.column_stack([np.ones(len(offset)), places - places.mean(axis=0)])
        off = offset - plane @ np.linalg.lstsq(plane, offset, rcond=None)[0]
        # readings more alike than their own u lets expect are so by chance
        own = float(np.median(u) ** 2)
        return cls(max(float((off**2).sum() / freedom), own / 4), own, freedom)

    def log_likelihood(self) -> tuple[Array, Array]:
        """Mean squares (w,) [m2] the wall alone may have, and how likely each is, 0 up to what is shown, in logs."""
        total = self.square * _UNEVEN
        ratio = self.square / np.maximum(total, 1e-300)
        likely = np.where(ratio < 1, -self.freedom / 2 * (ratio - 1 - np.log(ratio)), 0.0)
        return np.maximum(total - self.own, 0.1 * total), likely


@dataclass(frozen=True, eq=False)
class Shown:
    """Bends of a scan over chords of several lengths, and what each shape of warp can have to do with them.

    ``bends`` are (m,) [m] for each arm, ``columns`` (K, n, m) the covariances of each with the readings under each
    shape at its stated size, ``squares`` (K,) what the shape alone puts on a bend, ``freedom`` (K,) in how many
    independent ones.
    """

    bends: tuple[Array, ...]
    columns: tuple[Array, ...]
    squares: tuple[Array, ...]
    freedom: tuple[Array, ...]

    @classmethod
    def of(cls, relief: Grid, warps: Warps, seams: tuple[Seam, ...], places: Array) -> Shown:
        """The bends of a scan less the steps at its seams, read at ``places`` (n, 2)."""
        blocks, across, upward, step = _blocks(relief, seams)
        box = np.array([relief.x[0], relief.y[0], relief.x[-1], relief.y[-1]])
        at = np.stack([across, upward])
        apart = np.hypot(*(at[:, None] - places.T[:, :, None, None]))
        every = [shape.sd**2 * (1 - shape.unlike(apart)) for shape in warps.shapes]
        found = []
        for arm in _ARMS:
            arm_blocks = round(arm / step)
            bends = _bent(blocks[None], arm_blocks)[0]
            here = np.flatnonzero(np.isfinite(bends))
            if len(here) < _FEWEST:
                continue
            some = here[:: max(1, len(here) // _MOST_BENDS)]
            half = np.array(arm_blocks * step)
            columns = np.stack([_bent(column, arm_blocks)[:, some] for column in every])
            squares = np.array([float(shape.u_gap(half, half)) ** 2 for shape in warps.shapes])
            freedom = np.array([_freedom(shape, float(half), box) for shape in warps.shapes])
            found.append((bends[some], columns, squares, freedom))
        bends_of, columns_of, squares_of, freedom_of = zip(*found, strict=True) if found else ((),) * 4
        return cls(bends_of, columns_of, squares_of, freedom_of)

    def log_likelihood(self, members: Sequence[Member], uneven: Uneven | None) -> Array:
        """Log-likelihood (K, F) of what is left of the scan under each warp, 0 where warp and wall explain it.

        What is left once a warp's mean is taken out bends by the wall and by what the readings leave of that warp. Of
        the chords the one counts that speaks loudest against a warp: they look at the same surface, so their words
        must not be added up.
        """
        worst: Array = np.zeros((len(members), len(members[0].squares) if members else 0))
        for bends, columns, squares, freedom in zip(self.bends, self.columns, self.squares, self.freedom, strict=True):
            for member, column, square, free, row in zip(members, columns, squares, freedom, worst, strict=True):
                turned = member.turn @ column
                left = bends - member.gains[0] @ turned
                # a plane has no bends
                expected = np.maximum(member.squares * square - member.taken_off(turned), 0.0) + _FLOOR2
                likely = _against(np.mean(left**2, axis=1) + _FLOOR2, expected, free, above=True)
                if uneven is not None:
                    wall, of_wall = uneven.log_likelihood()
                    most = expected[:, None] + _MOST_BEND * wall
                    usual = _usual(left)[:, None] ** 2 + _FLOOR2
                    likely = likely + (of_wall + _against(usual, most, free, above=False)).max(axis=1)
                np.minimum(row, likely, out=row)
        return worst


def left_over(relief: Grid, common: TiedError, uneven: Uneven | None) -> Array:
    """How much larger (2,) what is left of a tied scan is, along and up, than its u and the wall's unevenness say.

    Variances, at least 1: a warp that is not alike everywhere, or not in all directions, is none of those tried.
    """
    wider = np.ones(2)
    if uneven is None:
        return wider
    # what is left of a step is the wall's, or stands in its own u
    rests = zip(common.trend.seams, common.steps()[0], strict=True)
    blocks, across, upward, step = _blocks(relief, tuple(replace(one, jump=one.jump - out) for one, out in rests))
    at = np.stack([across, upward], axis=-1)
    wall = _MOST_BEND * max(uneven.square - uneven.own, 0.0)
    for axis in (0, 1):
        for arm in (round(one / step) for one in _ARMS):
            z, places = (blocks, at) if axis == 0 else (blocks.T, at.swapaxes(0, 1))
            if arm < 1 or z.shape[1] <= 2 * arm:
                continue
            three = z[:, : -2 * arm], z[:, arm:-arm], z[:, 2 * arm :]
            bends = (three[0] + three[2]) / 2 - three[1]
            here = np.argwhere(np.isfinite(bends))
            if len(here) < _FEWEST:
                continue
            row, col = here[:: max(1, len(here) // _MOST_BENDS)].T
            u = common.u_gap_at(places[row, col], places[row, col + arm], places[row, col + 2 * arm])
            left = float(_usual(bends[row, col][None])[0]) ** 2
            wider[axis] = max(wider[axis], (left - wall) / (float(np.mean(u**2)) + _FLOOR2))
    return wider


def _usual(left: Array) -> Array:
    """What a share of 68 % of each row (f, m) stays under, without its sign."""
    middle = int(_ONE_SD * left.shape[1])
    return np.asarray(np.partition(np.abs(left), middle, axis=1)[:, middle])


def _against(shown: Array, expected: Array, freedom: float, *, above: bool) -> Array:
    """Log-likelihood of mean squares ``shown`` where so much is expected; 0 where they are on the side asked for."""
    ratio = shown / expected
    against = freedom / 2 * (ratio - 1 - np.log(ratio))
    return np.asarray(np.where((ratio < 1) == above, -against, 0.0))


def _blocks(relief: Grid, seams: tuple[Seam, ...]) -> tuple[Array, Array, Array, float]:
    """Means of square blocks of cells about 100 mm wide, NaN where most was not measured; their places and width."""
    many = max(1, min(round(_BLOCK / relief.cell), *relief.offset.shape))
    rows, cols = (size // many for size in relief.offset.shape)
    z = np.where(relief.valid, relief.offset, np.nan)
    at = np.column_stack([place.ravel() for place in relief.places])
    for seam in seams:
        off = seam.off(at).reshape(z.shape)
        z = np.where(np.abs(off) <= seam.wide, np.nan, z - seam.jump * (off > 0))
    parts = z[: rows * many, : cols * many].reshape(rows, many, cols, many)
    known = np.isfinite(parts).sum(axis=(1, 3))
    total = np.nansum(parts, axis=(1, 3))
    x, y = (
        place[: size * many].reshape(size, many).mean(axis=1) for place, size in ((relief.x, cols), (relief.y, rows))
    )
    blocks = np.where(known * 2 > many**2, total / np.maximum(known, 1), np.nan)
    return (blocks, *np.meshgrid(x, y), many * relief.cell)


def _bent(fields: Array, arm: int) -> Array:
    """The middle's distance (k, m) from chords ``arm`` blocks either way, along and then up, of fields (k, r, c)."""
    found = []
    for turned in (fields, fields.swapaxes(1, 2)):
        if arm >= 1 and turned.shape[2] > 2 * arm:
            bend = (turned[:, :, : -2 * arm] + turned[:, :, 2 * arm :]) / 2 - turned[:, :, arm:-arm]
            found.append(bend.reshape(len(fields), bend.shape[1] * bend.shape[2]))
    return np.concatenate(found, axis=1) if found else np.empty((len(fields), 0))


def _freedom(shape: CommonError, arm: float, box: Array) -> float:
    """Degrees of freedom of the mean square bend of a warp over a wall: (sum of variances)^2 / sum of covariances^2.

    Satterthwaite, Biometrics Bulletin 2, 1946, 110. Covariances of two chords depend on how far apart they lie.
    """
    wide, high = float(box[2] - box[0]), float(box[3] - box[1])
    # chords along only: those up show the same warp once more
    long = max(wide - 2 * arm, 1e-6)
    steps = [np.arange(0.0, size + 1e-9, max(arm, size / 40)) for size in (long, high)]
    across, upward = np.meshgrid(*steps)
    # so many pairs lie that far apart, either way
    pairs = np.outer(len(steps[1]) - np.arange(len(steps[1])), len(steps[0]) - np.arange(len(steps[0]))).astype(float)
    pairs *= np.where(upward > 0, 2, 1) * np.where(across > 0, 2, 1)
    together = np.zeros(across.shape)
    for share, one in ((0.5, -arm), (-1.0, 0.0), (0.5, arm)):
        for other_share, other in ((0.5, -arm), (-1.0, 0.0), (0.5, arm)):
            together -= share * other_share * shape.unlike(np.hypot(across + one - other, upward))
    alone = float(together[0, 0])
    total = float(across.size)
    return float(np.clip((total * alone) ** 2 / max(float((pairs * together**2).sum()), 1e-300), 1.0, None))
