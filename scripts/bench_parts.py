"""One measurement of scripts/bench.py, in a process of its own: prints a JSON line.

Usage: bench_parts.py NAME FILE      (FILE: a PLY of one wall, 10 m x 3 m, made by scripts/bench.py)
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np

RULE, CELL = 1.8, 0.01


def timed(work, repeat=1):
    """Best of so many runs, in seconds, and the result."""
    best, made = float("inf"), None
    for _ in range(repeat):
        start = time.perf_counter()
        made = work()
        best = min(best, time.perf_counter() - start)
    return best, made


def relief_of_sweep():
    """A wall 10 m x 3 m at 10 mm, every cell measured: what the sweep's rows are about."""
    from flatscan.core.reliefs import Grid
    from flatscan.core.warp import CommonError

    x, y = (np.arange(n) * CELL + CELL / 2 for n in (1000, 300))
    rng = np.random.default_rng(1)
    z = 0.004 * np.cos(2 * np.pi * x / 1.3) + 0.003 * np.cos(2 * np.pi * y / 0.9)[:, None]
    z = z + rng.normal(0, 0.0003, (300, 1000))
    whole = np.ones_like(z, bool)
    return Grid(
        x=x,
        y=y,
        offset=z,
        u=np.full(z.shape, 0.0003),
        count=np.full(z.shape, 10),
        inside=whole,
        area=np.full(z.shape, CELL**2),
        cell=CELL,
        common=CommonError(0.0),
    )


def sweep(_):
    """Twelve directions, every position. Compiling is not counted: it is kept on disk after the first run."""
    from flatscan.straightedge import sweep as lay

    relief = relief_of_sweep()
    lay(relief, RULE, directions=(0.0,))
    seconds, gaps = timed(lambda: lay(relief, RULE), 3)
    return {"s": seconds, "gap_mm": gaps.worst.value * 1000, "positions": gaps.positions}


def hulls(_):
    """scipy's ConvexHull in 600 of the windows along, made up to the windows of twelve directions; same gaps."""
    from scipy.spatial import ConvexHull

    from flatscan.straightedge import sweep as lay

    relief, w, row = relief_of_sweep(), round(RULE / CELL) + 1, 150
    z = relief.offset[row]
    deepest = np.zeros_like(z)
    starts = np.arange(0, len(z) - w + 1)

    def one_row():
        for start in starts:
            part = z[start : start + w]
            hull = ConvexHull(np.column_stack([np.arange(w), part])).vertices
            hull = np.sort(hull)
            # the upper chain: vertices not below the line from end to end
            line = np.interp(hull, [0, w - 1], part[[0, -1]])
            chain = hull[(part[hull] >= line) | (hull == 0) | (hull == w - 1)]
            gap = np.interp(np.arange(w), chain, part[chain]) - part
            np.maximum(deepest[start : start + w], gap, out=deepest[start : start + w])

    seconds, _none = timed(one_row)
    ours = lay(relief, RULE, directions=(0.0,)).deepest[row]
    return {"s": seconds / len(starts), "windows": len(starts), "differ_m": float(np.nanmax(np.abs(ours - deepest)))}


def read_ours(path):
    from flatscan import capture

    seconds, cloud = timed(lambda: capture.read(path, file_unit="m"))
    more, points = timed(lambda: sum(len(block) for block in cloud.chunks()))
    return {"s": seconds, "again_s": more, "points": points}


def read_open3d(path):
    import open3d

    seconds, cloud = timed(lambda: open3d.io.read_point_cloud(path))
    return {"s": seconds, "points": len(cloud.points)}


def walls_ours(path):
    from flatscan import capture, wall

    cloud = capture.read(path, file_unit="m")
    seconds, room = timed(lambda: wall.find_walls(cloud, up="z", seen_from=np.array([5.0, -3.0, 1.5])))
    return {"s": seconds, "walls": len(room.walls)}


def walls_open3d(path):
    import open3d

    cloud = open3d.io.read_point_cloud(path)
    open3d.utility.random.seed(1)
    seconds, found = timed(lambda: cloud.segment_plane(0.01, 3, 1000))
    return {"s": seconds, "inliers": len(found[1])}


def _seen(path):
    from flatscan import capture, wall

    cloud = capture.read(path, file_unit="m")
    return cloud, wall.find_walls(cloud, up="z", seen_from=np.array([5.0, -3.0, 1.5])).walls[0]


def grid_ours(path):
    from flatscan.relief import capture_type, grid

    cloud, wall = _seen(path)
    common = capture_type("scanner").common_error()
    seconds, made = timed(lambda: grid(cloud, wall, common, cell=CELL))
    return {"s": seconds, "cells": int(made[0].valid.sum())}


def grid_scipy(path):
    from scipy.stats import binned_statistic_2d

    cloud, wall = _seen(path)
    local = wall.frame.to_wall(np.concatenate(list(cloud.chunks())))
    bins = [np.arange(0, 3 + CELL, CELL), np.arange(0, 10 + CELL, CELL)]

    def work():
        return [
            binned_statistic_2d(local[:, 1], local[:, 0], local[:, 2], name, bins) for name in ("mean", "std", "count")
        ]

    seconds, _ = timed(work)
    return {"s": seconds}


def _surface():
    from flatscan.core.geometry import plumb_frame
    from flatscan.core.model import Plumb, Wall

    relief = relief_of_sweep()
    frame = plumb_frame(np.zeros(3), np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    outline = np.array([[0, 0], [10, 0], [10, 3], [0, 3]], float)
    return relief, Wall(1, frame, outline, (), 1.0, "given", "given", Plumb("given", 1e-4))


def plane_ours(_):
    from flatscan.plan.finish import PlaneOptions, place

    relief, wall = _surface()
    options = PlaneOptions(lean_up_to=0.003, turn_up_to=0.003, worth=0.0)
    seconds, made = timed(lambda: place(relief, wall, options=options), 3)
    return {"s": seconds, "mean_mm": made.mean * 1000}


def plane_all_cells(_):
    """linprog with a row for every cell: least mean thickness over a plane that covers all of them."""
    from scipy.optimize import linprog

    from flatscan.plan.finish import PlaneOptions, need_of
    from flatscan.plan.surface import surface_of

    relief, _wall = _surface()
    surface = surface_of(relief)
    x, y = relief.places[0].ravel(), relief.places[1].ravel()
    need = need_of(surface, PlaneOptions(lean_up_to=0.003, turn_up_to=0.003, worth=0.0))
    rows = -np.column_stack([np.ones_like(x), x, y])
    bounds = [(None, None), (-0.003, 0.003), (-0.003, 0.003)]
    cost = [1.0, float(x.mean()), float(y.mean())]
    seconds, made = timed(lambda: linprog(cost, A_ub=rows, b_ub=-need, bounds=bounds, method="highs"))
    return {"s": seconds, "mean_mm": float(made.fun - relief.offset.mean()) * 1000}


def _findings(path):
    from flatscan import jobs

    how = jobs.Capturing(file_unit="m", up="z", capture_type="scanner", seen_from=(5.0, -3.0, 1.5))
    return jobs.check(path, how, jobs.Requirement.by(limit=0.003))


def sheets_ours(path):
    import tempfile

    from flatscan import report

    found = _findings(path)
    with tempfile.TemporaryDirectory() as folder:
        seconds, files = timed(lambda: report.write(found, Path(folder) / "out"))
    return {"s": seconds, "files": len(files)}


def sheets_matplotlib(path):
    import tempfile

    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    relief = _findings(path).relief
    with tempfile.TemporaryDirectory() as folder:

        def work():
            figure = Figure((11.69, 8.27))
            FigureCanvasAgg(figure)
            axes = figure.subplots()
            axes.contourf(relief.x, relief.y, relief.offset, 12)
            axes.set_aspect("equal")
            figure.savefig(Path(folder) / "plain.png", dpi=150)

        seconds, _ = timed(work)
    return {"s": seconds}


PARTS = {
    work.__name__: work
    for work in (
        sweep,
        hulls,
        read_ours,
        read_open3d,
        walls_ours,
        walls_open3d,
        grid_ours,
        grid_scipy,
        plane_ours,
        plane_all_cells,
        sheets_ours,
        sheets_matplotlib,
    )
}

if __name__ == "__main__":
    print(json.dumps(PARTS[sys.argv[1]](sys.argv[2])))
