"""Show that two right surveys of one wall seldom disagree, and that a real difference is found.

Two parties survey one wall of humps and hollows, each with a set-up of its own (offset, turn and lean) and with errors
as large as it claims, but of kinds that are none of our model's: doming, 1/f, drift, short warps, and cells with heavy
tails (Student's t with 3 degrees of freedom). Shown are the share of pairs that disagree anywhere (at most 5 % is asked
for), the same where one party is a scanner and the other a phone, and how often a dent of 6 mm over 0.3 m2 in one of
two scanners' surveys is found, and at the right place.

    python scripts/prove_agreement.py               all rows
    python scripts/prove_agreement.py --pairs 10    fewer pairs in each row
    python scripts/prove_agreement.py --seed 7      other walls
"""

from __future__ import annotations

import argparse
import sys
import time

import numpy as np
import warp_model
from scipy.stats import binom

from flatscan.compare import Alignment, Scores, change_leveled, claimed, level, scores, together
from flatscan.core.geometry import Array
from flatscan.core.notes import note
from flatscan.core.reliefs import Grid
from flatscan.relief import capture_type

WIDE, HIGH, CELL, U_CELL = warp_model.WIDE, warp_model.HIGH, 0.05, 0.2e-3
KINDS = {
    "doming": warp_model.doming,
    "1/f": warp_model.one_over_f,
    "drift": warp_model.drift,
    "short": warp_model.short,
}
PAIRS = (("scanner", "scanner"), ("phone-static", "phone-static"), ("scanner", "phone-static"))
DENT, DENT_SIDES, SEED = 0.006, (0.6, 0.5), 21_117
PLACED = Alignment(np.eye(3), np.zeros(3), note("compare.by-outline", u=note("report.none")), 0.003)


def cells() -> tuple[Array, Array]:
    """x and y of the cells' middles, each (rows, cols) [m]."""
    x, y = ((np.arange(round(size / CELL)) + 0.5) * CELL for size in (WIDE, HIGH))
    across, upward = np.meshgrid(x, y)
    return across, upward


def wall(rng: np.random.Generator) -> Array:
    """Humps and hollows of up to 6 mm, 0.1 to 0.4 m wide (rows, cols) [m]."""
    x, y = cells()
    z = np.zeros(x.shape)
    for _ in range(8):
        at, wide = (rng.uniform(0, WIDE), rng.uniform(0, HIGH)), rng.uniform(0.1, 0.4)
        z += rng.uniform(-0.006, 0.006) * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * wide**2))
    return z


def surveyed(rng: np.random.Generator, truth: Array, kind: str, claims: str) -> Grid:
    """A survey of a wall that claims to be of a kind of capture, its error of ``kind`` as large as that claims."""
    common = capture_type(claims).common_error()
    x, y = cells()
    at = np.stack([x.ravel(), y.ravel()], axis=1)
    error = KINDS[kind](rng)(at).reshape(x.shape) * common.sd / warp_model.SIZE
    # its own set-up
    error += rng.uniform(-0.02, 0.02) + rng.uniform(-5e-3, 5e-3) * x + rng.uniform(-2e-3, 2e-3) * y
    noise = rng.standard_t(3, x.shape) * U_CELL / np.sqrt(3)
    return Grid(
        x=x[0], y=y[:, 0], offset=truth + error + noise, u=np.full(x.shape, U_CELL), count=np.full(x.shape, 20),
        inside=np.ones(x.shape, bool), area=np.full(x.shape, CELL**2), cell=CELL, common=common,
    )  # fmt: skip


def scored(first: Grid, second: Grid) -> Scores:
    """Scores of two surveys as `flatscan compare --stage dispute` works them out."""
    both = together(first, second, PLACED)
    commons = (first.common, second.common)
    leveled = level(both, commons, np.ones(first.offset.shape, bool), u_lean=1e-3)
    change = change_leveled(both, commons, PLACED, leveled)
    return scores(both, change.change, claimed(both, commons, change.u))


def pair(kind: str, claims: tuple[str, str], seed: int, dent: float = 0.0) -> tuple[Scores, tuple[float, float]]:
    """Two surveys of one wall, the second with a dent of that depth [m]; the scores, and the dent's middle."""
    rng = np.random.default_rng(seed)
    truth, (x, y) = wall(rng), cells()
    at = rng.uniform(0.5, WIDE - 0.5), rng.uniform(0.5, HIGH - 0.5)
    inside = (np.abs(x - at[0]) < DENT_SIDES[0] / 2) & (np.abs(y - at[1]) < DENT_SIDES[1] / 2)
    first = surveyed(rng, truth, kind, claims[0])
    return scored(first, surveyed(rng, truth - dent * inside, kind, claims[1])), at


def disagree(kind: str, claims: tuple[str, str], pairs: int, seed: int) -> int:
    """How many of so many pairs of right surveys disagree somewhere."""
    return sum(bool(pair(kind, claims, seed + k)[0].beyond.any()) for k in range(pairs))


def found(kind: str, pairs: int, seed: int) -> int:
    """In how many of so many pairs of scanners' surveys a dent is found, by its worst place in it."""
    hits = 0
    for k in range(pairs):
        made, at = pair(kind, PAIRS[0], seed + k, DENT)
        off = abs(made.x[made.worst] - at[0]), abs(made.y[made.worst] - at[1])
        hits += bool(made.beyond.any()) and off[0] < DENT_SIDES[0] / 2 + 0.05 and off[1] < DENT_SIDES[1] / 2 + 0.05
    return hits


def at_most(pairs: int) -> int:
    """As many as 5 % of so many pairs can be by chance, with 99.5 %."""
    return int(binom.ppf(0.995, pairs, 0.05))


def main() -> int:
    """Print the table; 1 where a gate fails."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--pairs", type=int, default=200)
    ask.add_argument("--seed", type=int, default=SEED)
    given, failed, start = ask.parse_args(), 0, time.monotonic()
    print(f"{'errors':8} {'two parties':28} disagree   (of {given.pairs}; at most {at_most(given.pairs)})")
    for kind in KINDS:
        for claims in PAIRS:
            many = disagree(kind, claims, given.pairs, given.seed)
            failed += many > at_most(given.pairs)
            print(f"{kind:8} {' and '.join(claims):28} {many:4d}  {many / given.pairs:6.1%}", flush=True)
    for kind in KINDS:
        many = found(kind, given.pairs, given.seed)
        failed += many < 0.95 * given.pairs
        print(f"{kind:8} a dent of 6 mm over 0.3 m2     {many:4d}  {many / given.pairs:6.1%} found", flush=True)
    print(f"{'FAILS' if failed else 'holds'}, {time.monotonic() - start:.0f} s")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
