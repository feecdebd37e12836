"""Show that the strips left out at corners and above a skirting are wide enough, and no wider than a capture smears.

Rooms are ray-cast with range noise of 0.5, 1 and 3 mm, with and without mixed pixels. The cells beside a
strip are held against the true wall: their mean must not be off by more than the uncertainty that a cell of them is
given. Round corners, as fused captures show them, are among them. Prints a table, exits 1 where a gate fails.

    python scripts/prove_strips.py [--seeds 3] [--first 100] [--points 1500000]
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace

import numpy as np
import room_model

from flatscan import capture
from flatscan import wall as walls
from flatscan.core.geometry import Array
from flatscan.core.model import Wall
from flatscan.core.reliefs import Grid, Why
from flatscan.relief import capture_type, grid

SIDES = ("left", "foot", "right", "head")
SHAPE = room_model.Shape(3.2, 2.4, lean=0.003, belly_along=0.003, humps=((1.2, 1.4, 0.004, 0.2),))
EMPTY = room_model.Plan(SHAPE, depth=3.0, stands=((1.3, 1.3, 1.6), (2.1, 1.4, 1.2)))
SKIRTED = replace(EMPTY, skirting=(0.015, 0.10))
# cells this far from a strip tell what the wall is like beside it [m]
FROM, TO = 0.10, 0.40


@dataclass(frozen=True)
class Edge:
    """A strip [m], how far cells beside it are pulled toward the room, its u, and the u of one of those cells [m]."""

    strip: float
    pull: float
    u_pull: float
    u: float


def scanned(
    seed: int, *, plan: room_model.Plan, noise: float, mixed: float, points: int, radius: float = 0.0
) -> tuple[Wall, Grid]:
    """The measured wall of a ray-cast room and its relief; with a ``radius`` [m] its side corners are round."""
    hits = room_model.scan(plan, points=points, noise=noise, focus=0.7, mixed=mixed, seed=seed)
    if radius:
        hits = rounded(hits, plan.shape, radius)
    cloud = capture.from_points(room_model.Pose().to_file(hits), file_unit="m")
    room = walls.find_walls(cloud, up="z")
    # most rays are aimed at it
    wall = max(room.walls, key=lambda one: one.share)
    relief, _ = grid(cloud, wall, capture_type("scanner").common_error())
    return wall, relief


def rounded(hits: Array, shape: room_model.Shape, radius: float) -> Array:
    """The hits with those near the wall's left and right corner on a round, as fused captures show them."""
    hits = hits.copy()
    for sign, corner in ((1.0, 0.0), (-1.0, shape.width)):
        away = sign * (hits[:, 0] - corner)
        off = hits[:, 2] - shape.offset(corner, hits[:, 1])
        in_corner = (away < radius) & (off < radius) & (off > -radius) & (away > -radius)
        arm = np.stack([away - radius, off - radius], axis=1)[in_corner]
        size = np.hypot(*arm.T)[:, None]
        # noise across the round stays as it is across the surfaces
        arm *= (radius + np.minimum(np.maximum(radius - away, radius - off)[in_corner, None] - radius, 0.0)) / size
        hits[in_corner, 0] = corner + sign * (arm[:, 0] + radius)
        hits[in_corner, 2] += arm[:, 1] + radius - off[in_corner]
    return hits


def edges_of(wall: Wall, relief: Grid, shape: room_model.Shape) -> dict[str, Edge]:
    """What each edge with a strip shows."""
    across, upward = relief.places
    rest = np.where(relief.valid, relief.offset - shape.offset(across, upward), np.nan)
    (left, bottom), (right, top) = wall.outline.min(axis=0), wall.outline.max(axis=0)
    low, high = wall.whole.min(axis=0), wall.whole.max(axis=0)
    strips = (left - low[0], bottom - low[1] - wall.skirting, high[0] - right, high[1] - top)
    found = {}
    for side, strip in enumerate(strips):
        if bottom == low[1] and side == 1 or strip <= 0:
            continue
        away = (across - left, upward - bottom, right - across, top - upward)[side]
        axis = 1 - side % 2
        found[SIDES[side]] = _edge(rest, relief, away, axis, float(strip))
    return found


def _edge(rest: Array, relief: Grid, away: Array, axis: int, strip: float) -> Edge:
    # lines across the edge, each with its own level further in; clear of the other edges
    rest, valid, u, away = (np.moveaxis(a, axis, 1) for a in (rest, relief.valid, relief.u, away))
    inner = valid & (away > FROM) & (away < TO)
    level = np.where(inner, rest, 0).sum(1) / np.maximum(inner.sum(1), 1)
    first = valid & (away >= 0) & (away < 1.001 * relief.cell)
    lines = np.flatnonzero((inner.sum(1) > 2) & first.any(1))
    lines = lines[(lines > 0.15 / relief.cell) & (lines < len(level) - 0.15 / relief.cell)]
    pulled = np.array([np.nanmean(rest[line][first[line]]) - level[line] for line in lines])
    cell_u = float(np.sqrt(np.mean(u[first] ** 2)))
    return Edge(strip, float(pulled.mean()), float(pulled.std() / np.sqrt(len(pulled))), cell_u)


def unmeasured(relief: Grid) -> float:
    """Share of the wall lost to strips."""
    lost = relief.inside & (relief.why == Why.STRIP)
    return float(relief.area[lost].sum() / relief.net_area)


def main() -> int:
    """Print the table; 1 where a strip is too narrow or none is narrower than the usual one on clean captures."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--seeds", type=int, default=3)
    ask.add_argument("--first", type=int, default=100)
    ask.add_argument("--points", type=int, default=1_500_000)
    asked, failed = ask.parse_args(), False
    print("room     noise mixed  cell  edge    strips mm           pull mm  95 %  u of a cell mm  pull / u")
    for name, plan, radius in (("empty", EMPTY, 0.0), ("skirted", SKIRTED, 0.0), ("round", EMPTY, 0.03)):
        for noise in (0.0005, 0.001, 0.003):
            for mixed in (0.0, 0.5):
                seen: dict[str, list[Edge]] = {}
                for seed in range(asked.first, asked.first + asked.seeds):
                    options = {"noise": noise, "mixed": mixed, "points": asked.points, "radius": radius}
                    wall, relief = scanned(seed, plan=plan, **options)
                    for side, edge in edges_of(wall, relief, plan.shape).items():
                        seen.setdefault(side, []).append(edge)
                for side, some in seen.items():
                    pull, u = np.mean([e.pull for e in some]), np.mean([e.u for e in some])
                    wide = 1.96 * np.sqrt(np.mean([e.u_pull**2 for e in some]) / len(some))
                    bad = bool(abs(pull) - wide > u)
                    failed |= bad
                    strips = " ".join(f"{1000 * e.strip:4.0f}" for e in some)
                    said = "  TOO NARROW" if bad else ""
                    print(
                        f"{name:8} {1000 * noise:5.1f} {mixed:5.1f} {1000 * relief.cell:5.0f}  {side:6} {strips:18}"
                        f" {1000 * pull:8.3f} {1000 * wide:6.3f} {1000 * u:10.3f} {pull / u:10.2f}{said}"
                    )
                if not radius and noise <= 0.001 and min(e.strip for some in seen.values() for e in some) >= 0.05:
                    print("  no strip is narrower than the usual 50 mm")
                    failed = True
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
