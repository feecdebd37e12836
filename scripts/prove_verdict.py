"""Show how often the verdict is wrong, on simulated walls whose true gap is known, through the public functions.

Every row is one kind of wall and capture: shape of the surface, true gap as a share of the limit, noise of a single
point, points in a cell, standard uncertainty that a smooth warp of the whole capture puts on the middle of a 2 m gap.
A wall exactly at the limit may be called within, or outside, in at most 5 % of surveys (methods/decision 1). Beside it
stands what plain thresholding of the same smoothed relief says.

    python scripts/prove_verdict.py                  all rows (six minutes on two cores)
    python scripts/prove_verdict.py --walls 50       more walls in every row, for narrower proportions
    python scripts/prove_verdict.py --gated          only the rows of which something is asked
    python scripts/prove_verdict.py --quick          a seeded part of it in under a minute
"""

from __future__ import annotations

import argparse
import itertools
import multiprocessing
import os
import sys
import time
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from flatscan.core.model import Relief
from flatscan.core.reliefs import Grid
from flatscan.core.warp import CommonError
from flatscan.relief import choose_window, smooth
from flatscan.standards import Tolerance
from flatscan.straightedge import sweep
from flatscan.verdict import Measured, judge

Array = NDArray[np.float64]
WIDTH, HEIGHT, CELL, RULE, LIMIT = 4.0, 2.4, 0.02, 2.0, 0.005
SHAPES = ("smooth", "hump", "hollow", "waves")
NOISE_MM, POINTS, WARP_MM = (1.0, 3.0, 6.0), (5, 20, 50), (0.0, 0.6, 1.19, 2.38)
VARIANTS = 12
SHARES = (0.4, 0.7, 1.0, 1.2, 1.6)
# a Gaussian warp of 1 m correlation length puts 0.596 of its own sd on the middle of a 2 m gap (methods/uncertainty 6)
WARP_LENGTH, GAP_OF_WARP = 1.0, 0.596
ALLOWED, SURE = 0.05, 0.001


@dataclass(frozen=True, slots=True)
class Row:
    """One kind of wall and capture."""

    shape: str
    share: float
    noise_mm: float
    points: int
    warp_mm: float


def _decision(gaps, relief):
    """Whether a sweep keeps the limit, entered by hand."""
    entry = Tolerance.entered("flatness", LIMIT, gaps.rule, gaps.method)
    return judge(entry, Measured(sweeps=(gaps,)), relief).criteria[0].decision


def may_be_gated(row: Row) -> bool:
    """Whether something is asked of the row, if smoothing makes its gaps certain enough."""
    well_outside = row.share == 1.6 and row.warp_mm <= 0.6 and row.noise_mm <= 3 and row.points >= 20
    return row.share == 1.0 or (row.share == 0.4 and row.warp_mm == 0.6) or well_outside


def times(row: Row) -> int:
    """How many times as many walls a row has as those of which little or nothing is asked."""
    if row.share == 1.0:
        return 5
    # 95 % within is asked of all these rows together, and is known to a percent only from a thousand walls
    return 8 if row.share == 0.4 and row.warp_mm == 0.6 else 1


@dataclass(frozen=True, slots=True)
class Outcome:
    """Decisions on the walls of one row, and how many plain thresholding would call within."""

    row: Row
    walls: int
    within: int
    outside: int
    naive_within: int
    window: int
    u_gap_mm: float

    @property
    def gate(self) -> str:
        """What is asked of the row in words, or nothing."""
        row = self.row
        if not may_be_gated(row):
            return ""
        if row.share == 1.0:
            return "false within and false outside at most 5 %"
        if row.share == 0.4:
            return "at least 95 % within" if self.certain_enough else ""
        return "at least 90 % outside"

    @property
    def certain_enough(self) -> bool:
        """Whether smoothing could bring u(gap) under a fifteenth of the limit, as the method asks.

        See methods/uncertainty 4.
        """
        return self.u_gap_mm <= LIMIT * 1000 / 15 * (1 + 1e-9)

    @property
    def holds(self) -> bool:
        """Whether the counts are compatible with the gate; a true rate at the gate fails it once in a thousand rows."""
        if self.row.share == 1.0:
            return all(binom.sf(count - 1, self.walls, ALLOWED) > SURE for count in (self.within, self.outside))
        if self.gate == "at least 95 % within":
            return bool(binom.cdf(self.within, self.walls, 0.95) > SURE)
        if self.gate == "at least 90 % outside":
            return bool(binom.cdf(self.outside, self.walls, 0.90) > SURE)
        return True


def places() -> tuple[Array, Array]:
    """x and y of the cells' centres, each (rows, cols)."""
    return tuple(np.meshgrid(*((np.arange(round(size / CELL)) + 0.5) * CELL for size in (WIDTH, HEIGHT))))


@lru_cache(maxsize=8)
def root(count: int, length: float) -> Array:
    """A square root of the correlation matrix of so many cells in a row, Gaussian with that length."""
    at = np.arange(count) * CELL
    values, vectors = np.linalg.eigh(np.exp(-((at[:, None] - at) ** 2) / (2 * length**2)))
    keep = values > 1e-10 * values[-1]
    return vectors[:, keep] * np.sqrt(values[keep])


def random_field(length: float, generator: np.random.Generator) -> Array:
    """A stationary Gaussian field of sd 1 and Gaussian correlation of that length (rows, cols)."""
    up, along = root(round(HEIGHT / CELL), length), root(round(WIDTH / CELL), length)
    return up @ generator.standard_normal((up.shape[1], along.shape[1])) @ along.T


@lru_cache(maxsize=64)
def surface(shape: str, variant: int) -> Array:
    """A wall of that shape whose largest gap under the straightedge is exactly 1 m; every variant is another wall."""
    generator = np.random.default_rng([SHAPES.index(shape), variant])
    x, y = places()
    at = generator.uniform(1.2, 2.8), generator.uniform(0.8, 1.6)
    if shape == "smooth":
        z = random_field(0.7, generator)
    elif shape == "waves":
        z = np.cos(2 * np.pi * (x - at[0]) / 1.2) * np.cos(2 * np.pi * (y - at[1]) / 1.2)
    else:
        # full width at half height 0.3 to 0.8 m: wide enough for the widest smoothing allowed (methods/uncertainty 5)
        width = generator.uniform(0.3, 0.8)
        bump = np.exp(-4 * np.log(2) * (np.hypot(x - at[0], y - at[1]) / width) ** 2)
        z = bump if shape == "hump" else -bump
    gap = sweep(as_relief(z, np.zeros_like(z), 0.0), RULE, workers=1).worst
    if gap is None:
        raise RuntimeError("a whole wall without a straightedge position")
    return z / gap.value


def as_relief(z: Array, u: Array, warp_sd: float, halves: tuple[Array, Array] | None = None, points: int = 1) -> Relief:
    """Cells of a fully measured wall."""
    rows, cols = z.shape
    return Grid(
        x=(np.arange(cols) + 0.5) * CELL,
        y=(np.arange(rows) + 0.5) * CELL,
        offset=z,
        u=u,
        count=np.full(z.shape, points),
        inside=np.ones(z.shape, bool),
        area=np.full(z.shape, CELL**2),
        cell=CELL,
        common=CommonError(warp_sd, WARP_LENGTH),
        half_a=None if halves is None else halves[0],
        half_b=None if halves is None else halves[1],
    )


def captured(truth: Array, row: Row, generator: np.random.Generator) -> Relief:
    """What a capture of the wall delivers: means of the cells' points, of two random halves of them, and a warp."""
    sd = row.warp_mm / 1000 / GAP_OF_WARP
    shown = truth + sd * random_field(WARP_LENGTH, generator)
    counts = (row.points // 2, row.points - row.points // 2)
    a, b = (shown + generator.standard_normal(truth.shape) * row.noise_mm / 1000 / np.sqrt(n) for n in counts)
    mean = (a * counts[0] + b * counts[1]) / row.points
    return as_relief(mean, np.full(truth.shape, row.noise_mm / 1000 / np.sqrt(row.points)), sd, (a, b), row.points)


def prove(row: Row, walls: int, seed: int = 1) -> Outcome:
    """Decide so many walls of one kind."""
    key = [
        seed,
        SHAPES.index(row.shape),
        *(int(100 * value) for value in (row.share, row.noise_mm, row.warp_mm)),
        row.points,
    ]
    generator = np.random.default_rng(key)
    counts = {"within": 0, "outside": 0, "undecided": 0}
    naive, window, u_gap = 0, 1, 0.0
    for wall in range(walls):
        relief = captured(surface(row.shape, wall % VARIANTS) * LIMIT * row.share, row, generator)
        window = choose_window(relief, LIMIT)
        flat = smooth(relief, window)
        gaps = sweep(flat, RULE, workers=1)
        counts[_decision(gaps, flat)] += 1
        naive += gaps.worst is not None and gaps.worst.value <= LIMIT
        u_gap = float(np.sqrt(1.5) * np.median(flat.u)) * 1000
    return Outcome(row, walls, counts["within"], counts["outside"], naive, window, u_gap)


def all_rows() -> list[Row]:
    """Every combination."""
    return [Row(*mix) for mix in itertools.product(SHAPES, SHARES, NOISE_MM, POINTS, WARP_MM)]


def quick_rows() -> list[Row]:
    """The rows with gates for one middling scan, with and without warp."""
    return [Row(shape, share, 3.0, 20, warp) for shape in SHAPES for share in (0.4, 1.0, 1.6) for warp in (0.0, 0.6)]


HEAD = (
    f"{'shape':8}{'gap/limit':>10}{'noise':>7}{'points':>7}{'u_warp':>7}{'window':>7}{'u_gap':>7}{'walls':>7}"
    f"{'within':>8}{'undecided':>10}{'outside':>8}{'naive within':>13}"
)


def line(out: Outcome) -> str:
    """One row of the table."""
    row, left = out.row, out.walls - out.within - out.outside
    told = f"  {'ok' if out.holds else 'FAILS'}: {out.gate}" if out.gate else ""
    shares = [count / out.walls for count in (out.within, left, out.outside, out.naive_within)]
    return (
        f"{row.shape:8}{row.share:10.2f}{row.noise_mm:7.0f}{row.points:7d}{row.warp_mm:7.2f}{out.window:7d}"
        f"{out.u_gap_mm:7.2f}{out.walls:7d}{shares[0]:8.2f}{shares[1]:10.2f}{shares[2]:8.2f}{shares[3]:13.2f}"
        f"{told}"
    )


def _work(job: tuple[Row, int]) -> Outcome:
    return prove(*job)


def main() -> int:
    """Print the table; 1 if a gate fails."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--walls", type=int, default=6, help="walls in a row (more where much is asked)")
    options.add_argument("--quick", action="store_true", help="a small seeded part of the table")
    options.add_argument("--gated", action="store_true", help="only the rows of which something is asked")
    options.add_argument("--processes", type=int, default=2)
    asked = options.parse_args()
    rows = quick_rows() if asked.quick else all_rows()
    if asked.gated:
        rows = [row for row in rows if may_be_gated(row)]
    jobs = [(row, asked.walls * times(row)) for row in rows]
    print(
        f"wall {WIDTH} x {HEIGHT} m, cells {CELL * 1000:.0f} mm, straightedge {RULE} m, limit {LIMIT * 1000:.0f} mm; "
        "noise, u in mm; shares of walls"
    )
    print(HEAD, flush=True)
    # small matrices: threads inside each process would only stand in each other's way
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
    start, outcomes = time.perf_counter(), []
    with multiprocessing.get_context("spawn").Pool(asked.processes) as pool:
        for out in pool.imap(_work, jobs):
            outcomes.append(out)
            print(line(out), flush=True)
    failed = [line(out) for out in outcomes if not out.holds] + [words for words, fine in pooled(outcomes) if not fine]
    for words, _ in pooled(outcomes):
        print(words)
    print(
        f"{len(outcomes)} rows, {sum(bool(out.gate) for out in outcomes)} with a gate, {len(failed)} gates fail; "
        f"{time.perf_counter() - start:.0f} s"
    )
    return 1 if failed else 0


def pooled(outcomes: list[Outcome]) -> list[tuple[str, bool]]:
    """Each gate over all its rows together, where the proportion itself must keep it; and plain thresholding."""
    said = []
    for gate, count, most in (("false within", "within", ALLOWED), ("false outside", "outside", ALLOWED)):
        some = [out for out in outcomes if out.row.share == 1.0]
        total = sum(out.walls for out in some)
        share = sum(getattr(out, count) for out in some) / max(total, 1)
        said.append((f"at the limit, {gate}: {share:.4f} of {total} walls, at most {most}", share <= most))
    for gate, count, least in (("at least 95 % within", "within", 0.95), ("at least 90 % outside", "outside", 0.90)):
        some = [out for out in outcomes if out.gate == gate]
        total = sum(out.walls for out in some)
        share = sum(getattr(out, count) for out in some) / max(total, 1)
        error = np.sqrt(share * (1 - share) / max(total, 1))
        said.append(
            (
                f"{gate}: {share:.4f} (standard error {error:.4f}) of {total} walls in {len(some)} rows",
                share >= least or not some,
            )
        )
    some = [out for out in outcomes if out.row.share in (1.0, 0.7)]
    for share in (0.7, 1.0):
        rows = [out for out in some if out.row.share == share]
        total = sum(out.walls for out in rows)
        if total:
            naive = sum(out.naive_within for out in rows) / total
            said.append(
                (f"plain thresholding at {share} of the limit: {naive:.2f} within, {1 - naive:.2f} outside", True)
            )
    return said


if __name__ == "__main__":
    sys.exit(main())
