"""Bundle adjustment: poses, lenses and points that fit all sights best, and what the fit leaves open.

Triggs, McLauchlan, Hartley and Fitzgibbon, Bundle Adjustment: A Modern Synthesis, Vision Algorithms 1999, sections 6
and 9: points are eliminated first (Schur complement), the frame is held by inner constraints.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from flatscan.capture.photos.ties import POSE, Sights, Slopes, Ties, seen_by
from flatscan.core.geometry import Array, robust_scale

# beyond so many u a sight counts less and less (Cauchy's weight), and beyond so many it is dropped
_SOFT, _HARD = 2.5, 4.0
# weight of the constraints that hold the frame, against the largest of the others
_HELD = 1.0
# sights are sorted by the size of their features into so many classes, each with a u of its own
_CLASSES, _SHARPEST = 4, 0.03
_FEWEST_SIGHTS = 2
_SETTLED = 1e-7


@dataclass(frozen=True, eq=False)
class Priors:
    """What is known of lenses beforehand: most likely values (g, 10) and u (g, 10); 0 holds one, infinity frees it."""

    lenses: Array
    u: Array


@dataclass(frozen=True, eq=False)
class Normals:
    """Normal equations with the points eliminated.

    ``reduced`` (k, k) and ``right`` (k,) are for poses and lenses, ``carry`` (3 p, k) tells how points follow them,
    ``own`` (3 p,) how they move by themselves; ``cost`` is the sum of squares.
    """

    reduced: Array
    right: Array
    carry: sparse.csr_matrix
    own: Array
    cost: float


@dataclass(frozen=True, eq=False)
class Adjusted:
    """Ties that fit best, the sights kept with the u they turned out to have, and how many were dropped."""

    ties: Ties
    sights: Sights
    dropped: int
    residual: float


def adjust(ties: Ties, sights: Sights, priors: Priors, *, rounds: int = 8) -> Adjusted:
    """Poses, lenses and points that fit ``sights`` best; sights that miss by far are dropped, u is told by the rest."""
    many = len(sights)
    ties = settled(ties, sights, priors, soft=True, rounds=rounds)
    for _ in range(2):
        sights = _reweighted(ties, sights)
        ties, sights = _without_strays(ties, sights)
        ties = settled(ties, sights, priors, soft=False, rounds=rounds)
    sights = _reweighted(ties, sights)
    off = sights.pixels - seen_by(ties, sights).pixels
    return Adjusted(ties, sights, many - len(sights), float(np.sqrt((off**2).sum(axis=1).mean() / 2)))


def settled(ties: Ties, sights: Sights, priors: Priors, *, soft: bool = False, rounds: int = 8) -> Ties:
    """Damped Gauss-Newton steps until they no longer matter (Levenberg and Marquardt)."""
    damp = 1e-4
    normals = normal_equations(ties, sights, priors, soft=soft)
    for _ in range(rounds):
        for _ in range(6):
            change, points = _step(ties, normals, damp)
            tried = ties.moved(change, points)
            after = normal_equations(tried, sights, priors, soft=soft)
            if after.cost <= normals.cost * (1 + 1e-12):
                break
            damp *= 10
        else:
            return ties
        gained = (normals.cost - after.cost) / max(normals.cost, 1e-300)
        ties, normals, damp = tried, after, damp / 10
        if gained < _SETTLED:
            break
    return ties


def _step(ties: Ties, normals: Normals, damp: float) -> tuple[Array, Array]:
    held = holding(ties)
    scale = np.sqrt(np.maximum(np.diag(normals.reduced), 1e-12))
    matrix = normals.reduced / np.outer(scale, scale) + damp * np.eye(len(scale))
    along = np.linalg.qr(held * scale[:, None])[0]
    matrix = matrix + _HELD * along @ along.T
    change = np.linalg.solve(matrix, normals.right / scale) / scale
    return change, (normals.own - normals.carry @ change).reshape(-1, 3)


def holding(ties: Ties) -> Array:
    """How poses and lenses (k, 7) move when the whole is shifted, turned or enlarged, which no sight tells."""
    many = len(ties.turns)
    held = np.zeros((ties.unknowns, 7))
    middle = ties.points.mean(axis=0)
    for axis in range(3):
        held[np.arange(many) * POSE + 3 + axis, axis] = 1.0
    arms = ties.centres - middle
    for axis in range(3):
        unit = np.zeros(3)
        unit[axis] = 1.0
        for i in range(many):
            # the world turns by w: camera = turn @ world, so the turn becomes turn @ exp(-w) = exp(-turn w) @ turn
            held[POSE * i : POSE * i + 3, 3 + axis] = -ties.turns[i] @ unit
            held[POSE * i + 3 : POSE * i + 6, 3 + axis] = np.cross(unit, arms[i])
    for axis in range(3):
        held[np.arange(many) * POSE + 3 + axis, 6] = arms[:, axis]
    return held


def points_held(ties: Ties) -> Array:
    """How points (3 p, 7) move along with `holding`."""
    arms = ties.points - ties.points.mean(axis=0)
    columns = [np.broadcast_to(axis, arms.shape) for axis in np.eye(3)]
    columns += [np.cross(axis, arms) for axis in np.eye(3)]
    return np.stack([column.ravel() for column in (*columns, arms)], axis=1)


def normal_equations(ties: Ties, sights: Sights, priors: Priors, *, soft: bool = False) -> Normals:
    """The normal equations at ``ties``; ``soft`` weighs what misses by far down."""
    slopes = seen_by(ties, sights)
    off = (sights.pixels - slopes.pixels) / sights.sd[:, None]
    miss = (off**2).sum(axis=1)
    miss[~slopes.before] = 1e4
    weight, cost = np.ones(len(miss)), float(miss.sum())
    if soft:
        weight = 1 / (1 + miss / _SOFT**2)
        cost = float((_SOFT**2 * np.log1p(miss / _SOFT**2)).sum())
    root = np.where(slopes.before, np.sqrt(weight), 0.0) / sights.sd
    rows = (off * sights.sd[:, None] * root[:, None]).ravel()
    outer, inner = _design(ties, sights, slopes, root)
    block = _point_blocks(ties, sights, slopes, root)
    carry_right = inner.T @ outer
    inverse = sparse.bsr_matrix(
        (block, np.arange(len(block)), np.arange(len(block) + 1)), shape=(3 * len(block), 3 * len(block))
    )
    carry = (inverse @ carry_right).tocsr()
    own = np.asarray(inverse @ (inner.T @ rows))
    reduced = np.asarray((outer.T @ outer - carry_right.T @ carry).todense())
    right = outer.T @ rows - carry_right.T @ own
    reduced, right, known = _with_priors(ties, priors, reduced, right)
    return Normals((reduced + reduced.T) / 2, right, carry, own, cost + known)


def _design(ties: Ties, sights: Sights, slopes: Slopes, root: Array) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
    """Slopes of all weighted sights by poses and lenses (2 n, k), and by points (2 n, 3 p)."""
    many = len(sights)
    columns = np.concatenate([ties.pose_columns(sights.photo), ties.lens_columns(sights.photo)], axis=1)
    values = np.concatenate([slopes.pose, slopes.lens], axis=2) * root[:, None, None]
    width = columns.shape[1]
    starts = np.arange(0, 2 * many * width + 1, width)
    outer = sparse.csr_matrix(
        (values.ravel(), np.repeat(columns, 2, axis=0).ravel(), starts), shape=(2 * many, ties.unknowns)
    )
    own = 3 * sights.point[:, None] + np.arange(3)
    inner = sparse.csr_matrix(
        (
            (slopes.point * root[:, None, None]).ravel(),
            np.repeat(own, 2, axis=0).ravel(),
            np.arange(0, 6 * many + 1, 3),
        ),
        shape=(2 * many, 3 * len(ties.points)),
    )
    return outer, inner


def _point_blocks(ties: Ties, sights: Sights, slopes: Slopes, root: Array) -> Array:
    """Inverses (p, 3, 3) of every point's own normal equations."""
    weighted = slopes.point * root[:, None, None]
    parts = np.einsum("nki,nkj->nij", weighted, weighted).reshape(-1, 9)
    block = np.stack([np.bincount(sights.point, part, len(ties.points)) for part in parts.T], axis=1)
    block = block.reshape(-1, 3, 3)
    # a point nobody sees, or one seen along its own ray only, must not stop the rest
    trace = np.trace(block, axis1=1, axis2=2)
    block += np.eye(3) * (1e-9 * trace + 1e-12)[:, None, None]
    return np.linalg.inv(block)


def _with_priors(ties: Ties, priors: Priors, reduced: Array, right: Array) -> tuple[Array, Array, float]:
    first = POSE * len(ties.turns)
    u = priors.u.ravel()
    off = (priors.lenses - ties.lenses).ravel()
    known = np.isfinite(u) & (u > 0)
    weight = np.zeros(len(u))
    weight[known] = u[known] ** -2
    at = first + np.arange(len(u))
    reduced[at, at] += weight
    right[at] += weight * off
    # what is held does not move: its row and column are taken out
    for fixed in at[u == 0]:
        reduced[fixed, :] = reduced[:, fixed] = 0.0
        reduced[fixed, fixed], right[fixed] = 1.0, 0.0
    return reduced, right, float((weight * off**2).sum())


def _reweighted(ties: Ties, sights: Sights) -> Sights:
    """The same sights with the u that those of like size turn out to have; what a fit takes up is given back."""
    off = sights.pixels - seen_by(ties, sights).pixels
    marked = ties.labels[sights.point] >= 0
    features = np.flatnonzero(~marked)
    order = features[np.argsort(sights.size[features], kind="stable")]
    sd = np.empty(len(sights))
    unknowns = 3 * len(np.unique(sights.point)) + ties.unknowns
    back = np.sqrt(2 * len(sights) / max(2 * len(sights) - unknowns, 0.1 * len(sights)))
    for part in (*np.array_split(order, _CLASSES), np.flatnonzero(marked)):
        if len(part):
            sd[part] = max(robust_scale(off[part].ravel()) * back, _SHARPEST)
    return replace(sights, sd=sd)


def _without_strays(ties: Ties, sights: Sights) -> tuple[Ties, Sights]:
    """Without sights that miss by far, and points that too few are left of."""
    slopes = seen_by(ties, sights)
    off = (sights.pixels - slopes.pixels) / sights.sd[:, None]
    kept = slopes.before & ((off**2).sum(axis=1) < _HARD**2 * 2)
    sights = sights.only(kept)
    many = np.bincount(sights.point, minlength=len(ties.points))
    sights = sights.only(many[sights.point] >= _FEWEST_SIGHTS)
    left, point = np.unique(sights.point, return_inverse=True)
    return replace(ties, points=ties.points[left], labels=ties.labels[left]), replace(
        sights, point=point.astype(np.int64)
    )
