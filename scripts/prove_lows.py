"""Litres of lows against closed forms, with noise, texture and warp drawn anew: python scripts/prove_lows.py --walls 6.

Walls of 2.4 x 1.8 m in cells of 20 mm, each with one hollow somewhere; smoothed as a check under 3 mm would be.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter

from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.reliefs import Grid
from flatscan.core.warp import CommonError
from flatscan.jobs import Requirement
from flatscan.jobs.ruling import gaps_left
from flatscan.plan.lows import filling
from flatscan.plan.ridges import shave
from flatscan.relief.smooth import choose_window, smooth

WIDTH, HEIGHT, CELL, RADIUS = 2.4, 1.8, 0.02, 0.3
FORMS: dict[str, tuple[Callable[[Array], Array], float]] = {
    "cap": (lambda r: np.clip(1 - r**2, 0, None), np.pi * RADIUS**2 / 2),
    "cone": (lambda r: np.clip(1 - r, 0, None), np.pi * RADIUS**2 / 3),
    # twice its standard deviation is the radius: a rim that never ends
    "bell": (lambda r: np.exp(-2 * r**2), np.pi * RADIUS**2 / 2),
}


def wall(rng: np.random.Generator, form: str, depth: float, noise: float, texture: float, warp: float) -> Relief:
    """A relief as captured: twice the noise in each half of the points."""
    x, y = np.meshgrid(*((np.arange(round(size / CELL)) + 0.5) * CELL for size in (WIDTH, HEIGHT)))
    at = rng.uniform((0.6, 0.5), (WIDTH - 0.6, HEIGHT - 0.5))
    z = -depth * FORMS[form][0](np.hypot(x - at[0], y - at[1]) / RADIUS)
    for size, over in ((texture, 0.04), (warp, 0.7)):
        field = gaussian_filter(rng.normal(size=(3 * z.shape[0], 3 * z.shape[1])), over / CELL)
        z = z + size * (field / field.std())[: z.shape[0], : z.shape[1]]
    halves = [z + rng.normal(0, noise * np.sqrt(2), z.shape) for _ in range(2)]
    shape, common = z.shape, CommonError(warp, 0.7 * np.sqrt(2))
    relief = Grid(
        x=x[0],
        y=y[:, 0],
        offset=(halves[0] + halves[1]) / 2,
        u=np.full(shape, noise),
        count=np.full(shape, 20),
        inside=np.ones(shape, bool),
        area=np.full(shape, CELL**2),
        common=common,
        cell=CELL,
        half_a=halves[0],
        half_b=halves[1],
    )
    return smooth(relief, choose_window(relief, 0.003))


def main() -> None:
    """Print one line for every form, depth and kind of error."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--walls", type=int, default=6)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    rng = np.random.default_rng(given.seed)
    print("form depth noise texture warp [mm]: found, left out, false; mean error %, in interval")
    for form in FORMS:
        for depth in (0.003, 0.005):
            for noise, texture, warp in ((0.0005, 0, 0), (0.001, 0, 0), (0.0005, 0.0003, 0), (0.0005, 0, 0.001)):
                _line(rng, given.walls, form, depth, (noise, texture, warp))


def _line(rng: np.random.Generator, walls: int, form: str, depth: float, errors: tuple[float, float, float]) -> None:
    true, off, covered, left, false = FORMS[form][1] * depth, [], 0, 0, 0
    for _ in range(walls):
        relief = wall(rng, form, depth, *errors)
        shaved = shave(relief).relief
        deepest, fill = gaps_left(replace(shaved), Requirement(rule=1.8))
        found = filling(shaved, deepest, fill=fill)
        left += len(found.doubtful)
        if not found.lows:
            continue
        best = max(found.lows, key=lambda low: low.volume)
        false += len(found.lows) - 1
        off.append(best.volume / true - 1)
        covered += best.u is not None and abs(best.volume - true) <= 2 * best.u
    mean = f"{100 * np.mean(off):+.1f}" if off else "-"
    sizes = " ".join(f"{1000 * size:g}" for size in (depth, *errors))
    print(f"{form} {sizes}: {len(off)}, {left}, {false}; {mean}, {covered} of {len(off)}", flush=True)


if __name__ == "__main__":
    main()
