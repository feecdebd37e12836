"""Show how many slips among laser readings are told, and how many sound walls are doubted.

Rough walls of three sorts, none of them the model that foretells readings: blobs of every width, courses with strays
of long tails, slabs that step with Laplace's. All lean, belly and carry humps of 5 to 15 mm, half of them one that is
read at one station only. Each is tried as it is, and with one reading off by 20 to 60 mm either way, anywhere on it.
Then: how often a hump that is worth cutting rests on one reading, which is said and doubts nothing, on sound walls and
with a slip of 8 to 15 mm. Prints two tables, exits 1 where over 5 % of sound walls are doubted or under 90 % of slips
are told.

    python scripts/prove_doubts.py [--walls 200] [--seed 1]
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace

import numpy as np

from flatscan.core.model import Origin, Readings
from flatscan.core.warp import CommonError
from flatscan.plan.hacking import HackOptions, hacking_plan
from flatscan.relief.doubted import doubted
from flatscan.relief.laser_stations import from_stations, wall_of

SORTS = ("blobs", "courses", "slabs")
_ORIGIN = Origin("made", "0", "laser grid", "mm", 0)


def wall_of_sort(rng: np.random.Generator, sort: str) -> Readings:
    """A rough wall of a sort, read to half a millimetre."""
    columns, rows = rng.integers(6, 13), rng.integers(4, 8)
    width, height = rng.uniform(2.5, 6), rng.uniform(2.3, 3)
    x, y = np.linspace(0.1, width - 0.1, columns), np.linspace(0.1, height - 0.1, rows)
    across, upward = (at.ravel() for at in np.meshgrid(x, y))
    z = rng.normal(0, 4) * across + rng.normal(0, 4) * upward
    z = z + rng.normal(0, 5) * np.sin(np.pi * across / width) + rng.normal(0, 5) * np.sin(np.pi * upward / height)
    rough = rng.uniform(1, 4)

    def bump(high: float, size: float) -> np.ndarray:
        away = (across - rng.uniform(0, width)) ** 2 + (upward - rng.uniform(0, height)) ** 2
        return high * np.exp(-away / 2 / size**2)

    if sort == "blobs":
        z = z + sum(bump(rng.normal(0, rough), rng.uniform(0.15, 0.8)) for _ in range(60))
    elif sort == "courses":
        z = z + rng.normal(0, 0.7 * rough, rows).repeat(columns) + 0.5 * rough * rng.standard_t(5, len(z))
    else:
        for _ in range(4):
            turn, at = rng.uniform(0, 2 * np.pi), rng.uniform(0, width)
            z = z + rng.normal(0, rough) * ((across - at) * np.cos(turn) + (upward - height / 2) * np.sin(turn) > 0)
        z = z + rng.laplace(0, 0.5 * rough, len(z))
    z = z + sum(bump(rng.uniform(5, 15), rng.uniform(0.1, 0.4)) for _ in range(rng.integers(0, 4)))
    if rng.random() < 0.5:
        z[rng.integers(len(z))] += rng.uniform(10, 15)
    reading = np.round(2 * (120 - z + rng.normal(0, 0.6, len(z)))) / 2
    return Readings(_ORIGIN, across, upward, -reading / 1e3, 0.0006, width, height)


def tried(sort: str, walls: int, seed: int) -> tuple[int, int, int]:
    """Of so many walls: how many are doubted as they are, of how many a slip is told, and others named beside it."""
    rng, false, found, beside = np.random.default_rng(seed), 0, 0, 0
    for _ in range(walls):
        sound = wall_of_sort(rng, sort)
        wall, _ = wall_of(sound, 0.0002)
        false += bool(doubted(sound, wall))
        at, slip = rng.integers(len(sound.x)), rng.choice([-1, 1]) * rng.uniform(0.020, 0.060)
        offset = sound.offset.copy()
        offset[at] += slip
        named = [(one.x, one.y) for one in doubted(replace(sound, offset=offset), wall)]
        here = (float(sound.x[at]), float(sound.y[at]))
        found += here in named
        beside += bool(set(named) - {here})
    return false, found, beside


def shown_once(sort: str, walls: int, seed: int) -> tuple[int, int, int]:
    """Of so many walls: how many list a hump to cut that one reading shows, as they are, and with a slip.

    The slip is one of 8 to 15 mm, proud, anywhere; the last number is how often it is that very hump. Such slips are
    never doubted: walls have humps as high.
    """
    rng, sound, slipped, itself = np.random.default_rng(seed), 0, 0, 0
    for _ in range(walls):
        read = wall_of_sort(rng, sort)
        sound += bool(_once(read))
        at, offset = rng.integers(len(read.x)), read.offset.copy()
        offset[at] += rng.uniform(0.008, 0.015)
        found = _once(replace(read, offset=offset))
        slipped += bool(found)
        itself += any(np.hypot(x - read.x[at], y - read.y[at]) < 0.001 for x, y in found)
    return sound, slipped, itself


def _once(read: Readings) -> list[tuple[float, float]]:
    """Places of the humps worth cutting that one reading alone shows."""
    wall, relief, _ = from_stations(read, CommonError(0.0), 0.0002)
    # one person's plastering of the shipped systems: 8 h for 0.2 m3 (methods/trade 9)
    found = hacking_plan(relief, wall, options=HackOptions(hours_per_m3=40.0)).hacks
    return [(hack.x, hack.y) for hack in found if hack.read_once]


def main() -> int:
    """Print the table; 1 where a gate fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--walls", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print("| walls | sound ones doubted | slips told | others named beside a slip |\n|---|---|---|---|")
    passed = True
    for number, sort in enumerate(SORTS):
        false, found, beside = tried(sort, asked.walls, asked.seed + number)
        print(f"| {asked.walls} of {sort} | {false} | {found} | {beside} |", flush=True)
        passed &= false <= 0.05 * asked.walls and found >= 0.90 * asked.walls
    print("\n| walls | a hump to cut that one reading shows: sound | with a slip of 8 to 15 mm | the slip itself |")
    print("|---|---|---|---|")
    for number, sort in enumerate(SORTS):
        sound, slipped, itself = shown_once(sort, asked.walls, asked.seed + number)
        print(f"| {asked.walls} of {sort} | {sound} | {slipped} | {itself} |", flush=True)
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
