"""Least-squares quadratics z = t0 + t1 x + t2 y + t3 x^2 + t4 xy + t5 y^2: how far a surface is from a plane."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import Array, robust_scale, tukey_weight

FLOOR = 5e-4


def terms_at(x: Array, y: Array) -> Array:
    """The six terms (n, 6) at each place."""
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def slopes_at(x: Array, y: Array) -> Array:
    """The derivatives along x and y of the six terms (2, n, 6) at each place."""
    zero, one = np.zeros_like(x), np.ones_like(x)
    return np.stack([np.stack([zero, one, zero, 2 * x, y, zero], 1), np.stack([zero, zero, one, zero, x, 2 * y], 1)])


def solve(design: Array, z: Array, weight: Array | None = None) -> Array:
    """Weighted least-squares coefficients (6,); places of order 1 keep the normal equations well conditioned."""
    weighted = design if weight is None else design * weight[:, None]
    normal = weighted.T @ design
    # a whisper of damping lets points on one line through: the terms they leave open come out as 0
    damping = 1e-12 * np.trace(normal) * np.eye(6)
    result: Array = np.linalg.solve(normal + damping, weighted.T @ z)
    return result


def robust(design: Array, z: Array, *, rounds: int = 20) -> Array:
    """Coefficients (6,) by Tukey's biweight, started from least absolute deviations."""
    terms = solve(design, z)
    for turn in range(rounds):
        rest = z - design @ terms
        # Tukey's loss alone can lock on a bad start
        far = np.maximum(np.abs(rest), FLOOR)
        terms = solve(design, z, 1 / far if turn < 8 else tukey_weight(rest, max(robust_scale(rest), FLOOR)))
    return terms
