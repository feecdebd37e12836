"""Where walls meet: the angle, and how far it is out of square over a 600 mm leg."""

from __future__ import annotations

import numpy as np

from flatscan.core.geometry import fit_plane, fit_plane_robust, robust_scale
from flatscan.core.model import Wall
from flatscan.wall.draw import Drawn
from flatscan.wall.room import Corner

LEG = 0.6
CLEAR = 0.05
LEAST_CELLS = 30
NEARLY_SQUARE = np.radians(15.0)


def find_corners(walls: tuple[Wall, ...], drawn: list[Drawn]) -> tuple[Corner, ...]:
    """All corners where the right edge of one wall is the left edge of another, by the left wall's number.

    The walls' own lines within 600 mm of the corner count, as under a square laid into it, clear of the 50 mm that
    scanners smear.
    """
    corners = []
    for i, one in enumerate(drawn):
        for j, two in enumerate(drawn):
            if i == j or not (_is_at(one, 2, two) and _is_at(two, 0, one)):
                continue
            corners.append(_corner(walls[i], walls[j], one, two))
    return tuple(corners)


def _is_at(one: Drawn, side: int, two: Drawn) -> bool:
    number = one.edges[side].plane
    return number is not None and one.planes[number] is two.plane


def _corner(left: Wall, right: Wall, one: Drawn, two: Drawn) -> Corner:
    """Angle inside the room: pi less the turn from the left wall's line to the right one's."""
    turn_left, u_left = _local_turn(left, one, at_right=True)
    turn_right, u_right = _local_turn(right, two, at_right=False)
    up, out_left, out_right = left.frame.up, left.frame.out, right.frame.out
    turn = float(np.arctan2(-np.cross(out_left, out_right) @ up, out_left @ out_right))
    # a slope toward the room at the right end swings the left wall's line into the corner and closes it, and so does
    # a slope away from the room at the right wall's left end
    angle = np.pi - turn - np.arctan(turn_left) + np.arctan(turn_right)
    off = float(angle - (np.pi / 2 if angle < np.pi else 3 * np.pi / 2))
    square = LEG * float(np.tan(off)) if abs(off) < NEARLY_SQUARE else None
    u = None if u_left is None or u_right is None or square is None else float(LEG * np.hypot(u_left, u_right))
    foot = left.frame.to_file(np.array([[left.width, 0.0, 0.0]]))[0]
    return Corner(
        left.number, right.number, float(angle), square, u, LEG,
        (float(foot[0]), float(foot[1]), float(foot[2])),
    )  # fmt: skip


def _local_turn(wall: Wall, drawn: Drawn, *, at_right: bool) -> tuple[float, float | None]:
    """Slope [m per m] of the wall's line near the corner against its frame, and its random uncertainty."""
    grid = drawn.grid
    x = grid.x - drawn.left
    near = (x > wall.width - LEG) & (x < wall.width - CLEAR) if at_right else (x > CLEAR) & (x < LEG)
    y = grid.y - grid.y.mean()
    clear = (y > y.min() + 0.5) & (y < y.max() - 0.5)
    across, upward = np.meshgrid(x, y)
    use = near[None, :] & clear[:, None] & (grid.surface > 0) & np.isfinite(grid.rise)
    if use.sum() < LEAST_CELLS or np.ptp(across[use]) < LEG / 2:
        return 0.0, None
    coefficients, weight = fit_plane_robust(across[use], upward[use], grid.rise[use])
    rest = grid.rise[use] - coefficients[0] - coefficients[1] * across[use] - coefficients[2] * upward[use]
    _, cofactor = fit_plane(across[use], upward[use], grid.rise[use], np.where(weight > 0, 1.0, 1e-9))
    return float(coefficients[1]), robust_scale(rest) * float(np.sqrt(cofactor[1, 1]))
