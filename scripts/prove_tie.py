"""Show that a scan tied down by laser readings is as sure as it says, whatever its error looks like.

Walls with a known largest gap are scanned with errors of six kinds (`warp_model`), of which the settings state one:
8 mm over 2 m. They are read by laser with u 0.65 mm and a slightly bent laser plane at places that `plan_readings`
chooses, and everything goes through the public functions. Asked for, of each kind:

- true errors of gaps chosen without looking lie within 1.96 times their u in at least 93 %, pooled in 93 to 97 %;
- the true largest gap lies over the lower and under the upper bound in at least 93 %;
- at most 5 % of walls within are called outside, and at most 5 % of walls outside within;
- at most 5 % of good readings are named as wrong, and a slip of 5 mm is named in at least 80 % where the reading is
  predicted to 1.3 mm or better; where one is not, it is said that slips cannot be seen there.

    python scripts/prove_tie.py                 all rows
    python scripts/prove_tie.py --walls 40      more walls in every row
    python scripts/prove_tie.py --minutes 30    as many of them as that allows
    python scripts/prove_tie.py --quick         a seeded part of it in about a minute
"""

from __future__ import annotations

import argparse
import itertools
import sys
import time
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta
from warp_model import HIGH, KINDS, SIZE, WIDE, Field, waves

from flatscan.core.geometry import Frame
from flatscan.core.model import Origin, Plumb, Readings, Relief, Wall
from flatscan.core.reliefs import Grid
from flatscan.core.warp import CommonError
from flatscan.relief import Tie, capture_type, tie
from flatscan.relief.planning import plan_readings
from flatscan.standards import Tolerance
from flatscan.straightedge import Gaps, sweep
from flatscan.verdict import Measured, judge

Array = NDArray[np.float64]
CELL, RULE, LIMIT = 0.05, 2.0, 0.005
U_READING, U_SCAN = 0.65e-3, 0.1e-3
COUNTS, SHARES, SLIP, SURE, UNSURE = (12, 20), (0.6, 1.4), 0.005, 1.3e-3, 1.4e-3
STATED = CommonError(SIZE, 2.0)
LASER = capture_type("laser-readings")
SEED = 20_261_127


@dataclass
class Tally:
    """What one kind of error showed; every list holds an entry a wall, a gap or a reading."""

    held: list[bool] = field(default_factory=list)
    over: list[bool] = field(default_factory=list)
    under: list[bool] = field(default_factory=list)
    right: list[bool] = field(default_factory=list)
    wrong_within: list[bool] = field(default_factory=list)
    wrong_outside: list[bool] = field(default_factory=list)
    blamed: list[bool] = field(default_factory=list)
    named: list[bool] = field(default_factory=list)
    unsaid: list[bool] = field(default_factory=list)
    u: list[float] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Take in what another showed."""
        for name in vars(self):
            getattr(self, name).extend(getattr(other, name))


def cells() -> tuple[Array, Array]:
    """x and y of the cells' centres, each (rows, cols)."""
    x, y = ((np.arange(round(size / CELL)) + 0.5) * CELL for size in (WIDE, HIGH))
    across, upward = np.meshgrid(x, y)
    return across, upward


def on_cells(shape: Field) -> Array:
    """A field on the cells (rows, cols)."""
    across, upward = cells()
    return shape(np.column_stack([across.ravel(), upward.ravel()])).reshape(across.shape)


def relief_of(z: Array, common: CommonError, halves: tuple[Array, Array]) -> Relief:
    """A fully measured wall of such offsets."""
    across, upward = cells()
    return Grid(
        x=across[0],
        y=upward[:, 0],
        offset=z,
        u=np.full(z.shape, U_SCAN),
        count=np.full(z.shape, 20),
        inside=np.ones(z.shape, bool),
        area=np.full(z.shape, CELL**2),
        cell=CELL,
        common=common,
        half_a=halves[0],
        half_b=halves[1],
    )


def laid(relief: Relief) -> Gaps:
    """All straightedges on a relief."""
    return sweep(relief, RULE, workers=1)


def largest(z: Array) -> float:
    """The largest gap of a wall known without error."""
    worst = laid(relief_of(z, CommonError(0.0), (z, z))).worst
    if worst is None:
        raise RuntimeError("a whole wall without a straightedge position")
    return worst.value


def tied(scan: Relief, places: Array, read: Array) -> tuple[Relief, Tie]:
    """The scan tied down by readings."""
    outline = np.array([[0, 0], [WIDE, 0], [WIDE, HIGH], [0, HIGH]])
    wall = Wall(1, Frame(np.zeros(3), *np.eye(3)), outline, (), 1.0, "made", "made", Plumb(None, 3.5e-3))
    readings = Readings(Origin("made", "", "made", "mm", len(read)), places[:, 0], places[:, 1], read, U_READING)
    made, _, shown, _ = tie(scan, wall, readings, laser=LASER.common_error(), u_laser_lean=LASER.lean)
    return made, shown


def one_wall(kind: str, share: float, places: Array, number: int) -> Tally:
    """One wall scanned, read and tied: as read, and where one could be told once more with one reading 5 mm off.

    No two walls of any row have an error, a surface or a reading in common.
    """
    generator = np.random.default_rng([SEED, list(KINDS).index(kind), round(10 * share), len(places), number])
    shape, error, bend = waves(0.6, 1.0, generator), KINDS[kind](generator), LASER.common_error()
    fan = waves(bend.length, bend.sd, generator)
    unit = share * LIMIT / largest(on_cells(shape))
    across, upward = cells()
    truth = unit * on_cells(shape)
    wrong = on_cells(error) + generator.normal(0, 3.5e-3) * upward + generator.normal(0, 0.02) * across
    halves = [truth + wrong + generator.normal(0, U_SCAN * np.sqrt(2), truth.shape) for _ in range(2)]
    scan = relief_of((halves[0] + halves[1]) / 2, STATED, (halves[0], halves[1]))
    read = unit * shape(places) + fan(places) + generator.normal(0, U_READING, len(places))
    made, shown = tied(scan, places, read)
    tally = told(made, truth, share)
    tally.blamed = [i in shown.disagree for i in range(len(places))]
    unsure = np.flatnonzero(shown.u_left_out > UNSURE)
    tally.unsaid = [i not in shown.unseen for i in unsure]
    bad = int(generator.integers(len(places)))
    slipped = read + SLIP * generator.choice([-1, 1]) * (np.arange(len(places)) == bad)
    if shown.u_left_out[bad] <= SURE:
        tally.named.append(bad in tied(scan, places, slipped)[1].disagree)
    return tally


def told(made: Relief, truth: Array, share: float) -> Tally:
    """How a tied relief's gaps, bounds and decision stand to the truth."""
    gaps = laid(made)
    entry = Tolerance.entered("flatness", LIMIT, gaps.rule, gaps.method)
    decision = judge(entry, Measured(sweeps=(gaps,)), made).criteria[0].decision
    ratios, u = errors_over_u(made, truth)
    tally = Tally(held=list(np.abs(ratios) <= 1.96), u=[float(np.median(u))])
    tally.over.append(gaps.upper is None or share * LIMIT <= gaps.upper)
    tally.under.append(gaps.lower is None or share * LIMIT >= gaps.lower)
    tally.right.append(decision == ("within" if share < 1 else "outside"))
    (tally.wrong_outside if share < 1 else tally.wrong_within).append(
        decision == ("outside" if share < 1 else "within")
    )
    return tally


def errors_over_u(relief: Relief, truth: Array) -> tuple[Array, Array]:
    """True error over stated u, and that u, of gaps along and up, contacts on cells, chosen without looking."""
    wrong = relief.offset - truth
    found, stated_u = [], []
    for near, far in ((20, 20), (10, 25), (8, 8)):
        for turn in (False, True):
            error = wrong.T if turn else wrong
            n = error.shape[1] - near - far
            if n < 1:
                continue
            cols, rows = np.arange(0, n, 5), np.arange(2, error.shape[0], 7)
            left, at, right = (error[np.ix_(rows, cols + k)] for k in (0, near, near + far))
            part = far / (near + far)
            row, col = np.meshgrid(rows, cols, indexing="ij")
            triples = [np.stack([(col + k + 0.5) * CELL, (row + 0.5) * CELL], axis=-1) for k in (0, near, near + far)]
            if turn:
                triples = [place[..., ::-1] for place in triples]
            u = np.hypot(relief.common.u_gap_at(*triples), np.sqrt(part**2 + (1 - part) ** 2 + 1) * U_SCAN)
            gap_error = part * left + (1 - part) * right - at
            known = np.isfinite(gap_error)
            found.append((gap_error / u)[known])
            stated_u.append(u[known])
    return np.concatenate(found), np.concatenate(stated_u)


def share_of(what: list[bool]) -> float:
    """How many of them, 0 where there are none."""
    return float(np.mean(what)) if what else 0.0


def slack(many: int, share: float = 0.05) -> float:
    """What chance may add to a share in so many independent trials (2.3 standard deviations, 1 %)."""
    return 2.33 * float(np.sqrt(share * (1 - share) / max(many, 1)))


def at_most(count: int, many: int) -> float:
    """The largest share that so many of so many do not rule out at 95 %, one-sided (Clopper and Pearson, 1934)."""
    return 1.0 if count >= many else float(beta.ppf(0.95, count + 1, many - count))


def false_decisions(tally: Tally) -> str:
    """How many walls were decided rightly and how many wrongly, with the share that these do not rule out."""
    said = [f"right {sum(tally.right)} of {len(tally.right)}"]
    for name, wrong in (("within", tally.wrong_within), ("outside", tally.wrong_outside)):
        said.append(f"false {name} {sum(wrong)} of {len(wrong)} (at most {at_most(sum(wrong), len(wrong)):.1%})")
    # who errs at no limit whatever has both bounds on the right sides of the truth
    missed = sum(not (over and under) for over, under in zip(tally.over, tally.under, strict=True))
    said.append(f"truth not between the bounds {missed} of {len(tally.over)}")
    beyond = [len(one) - sum(one) for one in (tally.over, tally.under)]
    most = max(at_most(one, len(tally.over)) for one in beyond)
    return "; ".join(said) + f" (beyond either of them at most {most:.1%})"


def broken(tally: Tally, walls: int) -> list[str]:
    """The goals that one kind misses beyond chance; gaps of one wall count as four."""
    far = []
    if share_of(tally.held) < 0.93 - slack(4 * walls, 0.07):
        far.append("gaps within 1.96 u")
    if min(share_of(tally.over), share_of(tally.under)) < 0.95 - slack(walls):
        far.append("truth between the bounds")
    for name, wrong in (("false within", tally.wrong_within), ("false outside", tally.wrong_outside)):
        if share_of(wrong) > 0.05 + slack(len(wrong)):
            far.append(name)
    if share_of(tally.blamed) > 0.05:
        far.append("good readings blamed")
    if tally.named and share_of(tally.named) < 0.80 - slack(len(tally.named), 0.2):
        far.append("slips named")
    if any(tally.unsaid):
        far.append("said where slips cannot be seen")
    return far


def main() -> int:
    """Print the rows; 1 if one breaks what is asked of it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--walls", type=int, default=20, help="walls for each kind, number of readings and gap")
    parser.add_argument("--first", type=int, default=0, help="number of the first wall, for others than before")
    parser.add_argument("--minutes", type=float, help="fewer walls where these are over")
    parser.add_argument("--kind", choices=sorted(KINDS), action="append")
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args()
    walls = 4 if asked.quick else asked.walls
    started, misses, pooled = time.monotonic(), [], Tally()
    some = np.random.default_rng(SEED)
    z = on_cells(KINDS["Gaussian, as stated"](some)) + 1e-3 * on_cells(waves(0.6, 1.0, some))
    plans = plan_readings(
        relief_of(z, STATED, (z, z)), rule=RULE, reading_u=U_READING, laser=LASER.common_error(), counts=COUNTS
    )
    kinds = asked.kind or list(KINDS)
    rows = {(kind, len(plan.places)): Tally() for kind in kinds for plan in plans}
    done = 0
    # a wall of every row in turn, so that as many of each are done whenever time is up
    while done < walls and (asked.minutes is None or time.monotonic() - started < 60 * asked.minutes):
        for kind, plan, share in itertools.product(kinds, plans, SHARES):
            rows[kind, len(plan.places)].add(one_wall(kind, share, plan.places, asked.first + done))
        done += 1
    print(f"wall {WIDE} x {HIGH} m, rule {RULE} m, limit {LIMIT * 1000:g} mm, readings u {U_READING * 1000:g} mm,")
    print(
        f"stated {SIZE * 1000:g} mm over 2 m; {done} walls for each number of readings and gap; seed {SEED}, "
        f"walls from {asked.first}"
    )
    head = "kind, readings", "gaps in u", "over", "under", "right", "f.within", "f.outside", "blamed", "named", "u mm"
    print(f"{head[0]:32s}" + "".join(f"{word:>10s}" for word in head[1:]))
    for kind in kinds:
        both = Tally()
        for plan in plans:
            tally = rows[kind, len(plan.places)]
            print(f"{kind + ', ' + str(len(plan.places)):32s}" + row(tally))
            both.add(tally)
        print(f"{kind + ', false decisions':32s}{false_decisions(both)}")
        misses += [f"{kind}: {what}" for what in broken(both, len(both.right))]
        pooled.add(both)
    print(f"{'all':32s}" + row(pooled))
    print(f"{'all, false decisions':32s}{false_decisions(pooled)}")
    many = slack(4 * len(pooled.right))
    if not asked.kind and not 0.93 - many <= share_of(pooled.held) <= 0.97 + many:
        misses.append("all: gaps within 1.96 u")
    for what in misses:
        print(f"missed: {what}")
    print(f"\n{'broken' if misses else 'holds'}; {time.monotonic() - started:.0f} s")
    return int(bool(misses))


def row(tally: Tally) -> str:
    """The figures of a tally, each under its head."""
    shares = tally.held, tally.over, tally.under, tally.right, tally.wrong_within, tally.wrong_outside, tally.blamed
    named = f"{share_of(tally.named):.0%}/{len(tally.named)}" if tally.named else "-"
    numbers = [*(f"{share_of(some):.1%}" for some in shares), named, f"{1000 * np.median(tally.u):.2f}"]
    return "".join(f"{number:>10s}" for number in numbers)


if __name__ == "__main__":
    sys.exit(main())
