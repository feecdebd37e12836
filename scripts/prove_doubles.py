"""Show how often two surfaces in one scan are found, and how seldom a single one is taken for two.

Walls of plaster, bricks with joints raked out, stones, and roughcast, scanned with noise that is normal, heavy-tailed
or skewed (none of them what the program fits but the first), once and twice: two sweeps 8 to 30 mm apart, half or a
third of the points on the second. Prints a table, exits 1 where over 2 % of single walls are called double, or under
95 % of those with 15 mm between sweeps are found at a noise of up to 3 mm.

    python scripts/prove_doubles.py [--walls 5] [--seed 1]      (five minutes on one core)
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Frame
from flatscan.core.holes import Plumb
from flatscan.core.model import Cloud, Origin, Wall
from flatscan.core.notes import note
from flatscan.relief.doubles import doubles

WIDE, HIGH = 3.0, 2.4
KINDS, NOISES = ("plaster", "brick", "stones", "roughcast"), ("normal", "heavy", "skewed")
# points a m2 and noise of a point [m]
SCANS = ((2_000, 0.003), (6_000, 0.002), (6_000, 0.004), (40_000, 0.001))
# how far the second sweep stands off [m], and the share of points on it
SWEEPS = ((0.0, 0.0), (0.008, 0.5), (0.010, 0.5), (0.015, 0.5), (0.015, 0.3), (0.030, 0.5))
_SAID = note("wall.laser")
_LINES = {"stones": (0.004, 8.0, 0.008), "roughcast": (0.003, 1.2, 0.003)}


def wall() -> Wall:
    """The bare wall of that size."""
    box = np.array([[0, 0], [WIDE, 0], [WIDE, HIGH], [0, HIGH]], float)
    frame = Frame(np.zeros(3), *np.eye(3))
    return Wall(1, frame, box, (), share=1.0, up_from=_SAID, facing_from=_SAID, plumb=Plumb(_SAID, 0.001))


def form(kind: str, x: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Heights [m] of a wall of a kind, drawn anew."""
    if kind == "plaster":
        return 0.005 * np.sin(2 * x + rng.uniform(0, 6)) + 0.004 * np.sin(1.3 * y + rng.uniform(0, 6))
    if kind == "brick":
        row = np.floor(y / 0.075)
        col = np.floor((x + 0.1125 * (row % 2)) / 0.225)
        joint = (y % 0.075 < 0.010) | ((x + 0.1125 * (row % 2)) % 0.225 < 0.010)
        return np.where(joint, -rng.uniform(0.004, 0.010), 0.004 * ((row * 7919 + col * 104_729) % 17 / 17 - 0.5))
    cell, wide, size = _LINES[kind]
    grains = ndimage.gaussian_filter(rng.normal(size=(round(HIGH / cell) + 1, round(WIDE / cell) + 1)), wide)
    return size / grains.std() * grains[(y / cell).astype(int), (x / cell).astype(int)]


def scanned(
    kind: str, noise: str, scan: tuple[int, float], sweep: tuple[float, float], rng: np.random.Generator
) -> Cloud:
    """A scan of such a wall."""
    count = int(scan[0] * WIDE * HIGH)
    x, y = rng.uniform(0, WIDE, count), rng.uniform(0, HIGH, count)
    errors = {
        "normal": rng.standard_normal(count),
        "heavy": rng.standard_t(3, count) / np.sqrt(3),
        "skewed": rng.exponential(size=count) - 1,
    }[noise]
    z = form(kind, x, y, rng) + scan[1] * errors + sweep[0] * (rng.random(count) < sweep[1])
    points = np.stack([x, y, z], axis=1)
    origin = Origin("made", "0", "made", "m", count)
    return Cloud(origin, points, lambda: iter([points]), count, np.zeros(3), np.zeros(3))


def main() -> int:
    """Print the table; 1 where a gate fails."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--walls", type=int, default=5)
    asked.add_argument("--seed", type=int, default=1)
    options, place = asked.parse_args(), wall()
    rng = np.random.default_rng(options.seed)
    print("| points a m2, noise | wall | " + " | ".join(f"{1e3 * d:.0f} mm, {s:.0%}" for d, s in SWEEPS) + " |")
    print("|---|---|" + "---|" * len(SWEEPS))
    single, clear = list[bool](), list[bool]()
    for scan in SCANS:
        for kind in KINDS:
            cells = []
            for sweep in SWEEPS:
                found = [
                    doubles(scanned(kind, noise, scan, sweep, rng), place) is not None
                    for noise in NOISES
                    for _ in range(options.walls)
                ]
                cells.append(f"{sum(found)} of {len(found)}")
                if sweep[0] == 0:
                    single += found
                elif sweep[0] == 0.015 and scan[1] <= 0.003:
                    clear += found
            print(f"| {scan[0]:,}, {1e3 * scan[1]:.0f} mm | {kind} | " + " | ".join(cells) + " |", flush=True)
    print(f"single walls called double: {sum(single)} of {len(single)}")
    print(f"15 mm apart, noise up to 3 mm, found: {sum(clear)} of {len(clear)}")
    return 0 if np.mean(single) <= 0.02 and np.mean(clear) >= 0.95 else 1


if __name__ == "__main__":
    sys.exit(main())
