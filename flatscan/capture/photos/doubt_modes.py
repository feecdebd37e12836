"""What an adjustment leaves open, as changes of poses and lenses one standard deviation large, largest first.

The covariance of poses and lenses (Triggs et al. 1999, section 9) is carried to the heights of the points; what a
shift, turn or stretch of the whole would do is taken out (an S-transformation: Baarda, 1973), and the heights' own
largest directions are kept, which is a singular value decomposition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flatscan.capture.photos.adjustment import Adjusted, Priors, holding, normal_equations, points_held, settled
from flatscan.capture.photos.bundle import Indices
from flatscan.capture.photos.ties import LENS, POSE, Ties, seen_by
from flatscan.core.geometry import Array, Mask

MOST = 20
# points that stand for the wall: some of each of so many squares, so that crowds count no more than the rest
_ACROSS, _DOWN, _EACH = 16, 12, 6
# modes that together make less than this share of the heights' variance are left out
_LEFT = 0.002
# sights of one point on several photos err alike (light, slant, the detector): what independent errors would do is
# doubled, which is what drawn walls took (methods/photos)
ALIKE = 2.0
# parts of a picture, across and down, and of how many sights each must be, in which sights are asked whether they err
# alike
_PARTS, _IN_PART = ((4, 3), (8, 6)), 6
# how far out a picture's corners lie, by its focal length
_CORNER = 0.7


@dataclass(frozen=True, eq=False)
class Modes:
    """Changes (n, k) of poses and lenses, each one standard deviation, and names; ``heights`` (n,) [m] is their rms.

    ``u_focal`` is the relative u of the lenses' focal lengths, the largest of them; ``alike`` how much larger all is
    than independent errors of sights would make it.
    """

    changes: Array
    names: tuple[str, ...]
    heights: Array
    u_focal: float
    alike: float


def modes_of(fitted: Adjusted, priors: Priors, used: Mask) -> Modes:
    """The largest directions of what is left open; ``used`` (p,) tells the points that lie on the wall."""
    ties = fitted.ties
    normals = normal_equations(ties, fitted.sights, priors)
    covariance = _covariance(ties, normals.reduced, priors)
    alike = ALIKE * _inflated(fitted)
    root = _root(covariance) * alike
    at = _spread(ties, used)
    carry = -normals.carry
    free, held = holding(ties), points_held(ties)
    every = np.asarray(carry @ root)
    # what the points do together as one body, and the change of all photos that does the same
    rows = (3 * at[:, None] + np.arange(3)).ravel()
    together = np.linalg.lstsq(held[rows], every[rows], rcond=None)[0]
    root = root - free @ together
    heights = _unlevelled(ties.points[at], (every - held @ together)[3 * at + 2])
    _, sizes, directions = np.linalg.svd(heights, full_matrices=False)
    shares = np.cumsum(sizes**2) / max(float((sizes**2).sum()), 1e-300)
    many = min(MOST, int(np.searchsorted(shares, 1 - _LEFT)) + 1, int((sizes > 0).sum()))
    changes = (root @ directions[:many].T).T
    names = tuple(_name(ties, change) for change in changes)
    place = POSE * len(ties.turns) + ties.lenses.shape[1] * np.arange(len(ties.lenses))
    u_focal = alike * float((np.sqrt(np.maximum(covariance[place, place], 0.0)) / ties.lenses[:, 0]).max())
    return Modes(changes, names, sizes[:many] / np.sqrt(len(at)), u_focal, alike)


def _inflated(fitted: Adjusted) -> float:
    """How much larger than by independent errors what the sights do together is, 1 or more.

    Where a shutter reads row by row or a lens is of another kind, sights in one part of a picture err alike: the mean
    square of their sums is over what their own squares make (clustered errors: Liang and Zeger, Biometrika 73, 1986).
    """
    sights = fitted.sights
    off = (sights.pixels - seen_by(fitted.ties, sights).pixels) / sights.sd[:, None]
    off = off / max(float(np.sqrt((off**2).mean())), 1e-12)
    size = sights.pixels.max(axis=0) + 1
    most = 1.0
    for parts in _PARTS:
        at = np.floor(np.clip(sights.pixels / size, 0, 1 - 1e-9) * parts).astype(np.int64)
        part = at[:, 1] * parts[0] + at[:, 0]
        for key in (part, sights.photo * parts[0] * parts[1] + part):
            many = np.bincount(key)
            full = many >= _IN_PART
            if full.any():
                sums = np.stack([np.bincount(key, one) for one in off.T])[:, full]
                most = max(most, float((sums**2 / many[full]).mean()))
    return float(np.sqrt(most))


def _covariance(ties: Ties, reduced: Array, priors: Priors) -> Array:
    """Covariance (k, k) of poses and lenses with the whole held; what is held by its prior has none."""
    scale = np.sqrt(np.maximum(np.diag(reduced), 1e-12))
    along = np.linalg.qr(holding(ties) * scale[:, None])[0]
    inverse = np.linalg.inv(reduced / np.outer(scale, scale) + along @ along.T) - along @ along.T
    covariance = inverse / np.outer(scale, scale)
    fixed = POSE * len(ties.turns) + np.flatnonzero(priors.u.ravel() == 0)
    covariance[fixed, :] = covariance[:, fixed] = 0.0
    return covariance


def _root(covariance: Array) -> Array:
    """Columns (k, n) whose products add up to the covariance."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    root: Array = scale[:, None] * vectors * np.sqrt(np.clip(values, 0.0, None))
    return root


def _spread(ties: Ties, used: Mask) -> Indices:
    """Numbers of points evenly over the wall."""
    at = np.flatnonzero(used)
    x, y = ties.points[at, 0], ties.points[at, 1]
    across = np.clip(((x - x.min()) / max(np.ptp(x), 1e-9) * _ACROSS).astype(np.int64), 0, _ACROSS - 1)
    down = np.clip(((y - y.min()) / max(np.ptp(y), 1e-9) * _DOWN).astype(np.int64), 0, _DOWN - 1)
    square = down * _ACROSS + across
    order = np.argsort(square, kind="stable")
    rank = np.arange(len(order)) - np.searchsorted(square[order], square[order])
    chosen: Indices = np.sort(at[order[rank < _EACH]])
    return chosen


def _unlevelled(points: Array, heights: Array) -> Array:
    """Heights (n, k) without the plane that fits them best: plumb and position are known otherwise, or not at all."""
    plane = np.column_stack([np.ones(len(points)), points[:, :2]])
    return np.asarray(heights - plane @ np.linalg.lstsq(plane, heights, rcond=None)[0])


def _name(ties: Ties, change: Array) -> str:
    """Whether a change is one of the lens or of where photos were taken: which of both moves pixels further."""
    first = POSE * len(ties.turns)
    lens = change[first:].reshape(ties.lenses.shape)
    focal = ties.lenses[:, 0]
    terms = [LENS.index(name) for name in ("k1", "k2", "k3")]
    bent = focal * (np.abs(lens[:, terms]) @ _CORNER ** np.array([3, 5, 7]))
    turned = np.linalg.norm(change[:first].reshape(-1, POSE)[:, :3], axis=1) * focal[ties.lens_of]
    return "lens" if bent.max() > np.median(turned) else "places"


def other_lens(fitted: Adjusted, priors: Priors, term: str, u: float) -> Array:
    """How poses and lenses (k,) change when one term of the lens may be as large as ``u``, which they were held from.

    It stands for what this model of lenses cannot know; the common shift, turn and stretch are taken out.
    """
    ties = fitted.ties
    wider = priors.u.copy()
    wider[:, LENS.index(term)] = u
    again = settled(ties, fitted.sights, Priors(priors.lenses, wider))
    together = np.linalg.lstsq(points_held(ties), (again.points - ties.points).ravel(), rcond=None)[0]
    relative = again.turns @ np.swapaxes(ties.turns, 1, 2)
    crossed = (relative - np.swapaxes(relative, 1, 2)) / 2
    turns = np.stack([crossed[:, 2, 1], crossed[:, 0, 2], crossed[:, 1, 0]], axis=1)
    poses = np.concatenate([turns, again.centres - ties.centres], axis=1).ravel()
    return np.asarray(np.append(poses, again.lenses - ties.lenses) - holding(ties) @ together)
