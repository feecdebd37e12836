"""Show that points which repeat each other are told from points which do not, and repeats of a scan from copies.

Walls of known truth are scanned with independent errors (clean, rough, wavy, in lines, in sweeps, on steps, with heavy
tails), and clouds of such walls are filled up, jittered, smoothed, resampled and meshed. Each is checked as by
`flatscan check`. Pairs of captures are given as repeats: genuine ones (new noise, new warp, another set-up, the same
roughness), and copies, halves, thinned, moved, jittered and resampled ones.

Gates: of genuine walls at most 1 is said to repeat its points; of the others at least 90 % are, each kind at least
80 %; no flat wall that was filled up is called outside. Of genuine repeats at most 1 is refused, of the others at
least 95 %. Exit code 1 where a gate fails.

Run: python scripts/prove_independent.py [--walls 6] [--seed 500] [--only walls|repeats|decisions] [--kinds rough,mls-4]
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from object_model import scanned, scene_of
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.spatial import Delaunay, cKDTree
from scipy.stats import binom

from flatscan import jobs
from flatscan.core.errors import FlatscanError, MixedSurveys
from flatscan.jobs.made_again import with_repeats

Array = np.ndarray
Rng = np.random.Generator
WIDTH, HEIGHT, LIMIT = 2.8, 2.2, 0.003
FINE = 0.002
# a hollow so wide at half its depth [m] is as deep as its gap: the straightedge rests where nothing of it is left
HOLLOW, NEAR_LIMIT = 0.4, (0.98, 1.02)


def field(rng: Rng, length: float, sd: float) -> Callable[[Array, Array], Array]:
    """A random surface of that standard deviation and correlation length [m], between fine cells bilinear."""
    cell = min(max(length / 3, FINE), 0.02)
    shape = int(HEIGHT / cell) + 8, int(WIDTH / cell) + 8
    table = gaussian_filter(rng.normal(size=shape), length / np.sqrt(2) / cell, mode="wrap")
    table *= sd / table.std()

    def surface(x: Array, y: Array) -> Array:
        at = np.stack([y / cell + 2, x / cell + 2])
        return map_coordinates(table, at, order=1, mode="nearest")

    return surface


def even(x: Array, y: Array) -> Array:
    """A flat wall."""
    return 0 * x + 0 * y


def logarithmic(rng: Rng, low: float, high: float) -> float:
    """A number between two, evenly on a logarithmic scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def spots(rng: Rng, density: float) -> tuple[Array, Array]:
    """Places at random over the wall."""
    n = int(density * WIDTH * HEIGHT)
    return rng.uniform(0, WIDTH, n), rng.uniform(0, HEIGHT, n)


def lines(rng: Rng, density: float) -> tuple[Array, Array]:
    """Places along the lines of a scanner, close along them and far across, from one stand."""
    ratio = rng.uniform(3, 8)
    across = 1 / np.sqrt(density * ratio)
    a = np.arange(-1.2, 1.2, across / 1.6)
    b = np.arange(-1.2, 1.2, across * ratio / 1.6)
    a, b = np.meshgrid(a, b)
    x, y = WIDTH / 2 + 1.6 * np.tan(a), HEIGHT / 2 + 1.6 * np.tan(b) / np.cos(a)
    x, y = x + rng.normal(0, 1e-4, x.shape), y + rng.normal(0, 1e-4, x.shape)
    here = (x > 0) & (x < WIDTH) & (y > 0) & (y < HEIGHT)
    return x[here], y[here]


def stack(x: Array, y: Array, z: Array) -> Array:
    """Points in wall coordinates."""
    return np.stack([x, y, z], axis=1)


def genuine(kind: str, rng: Rng) -> Array:
    """Points of a wall scanned with errors of their own."""
    density, noise = logarithmic(rng, 2_000, 60_000), logarithmic(rng, 0.0003, 0.004)
    if kind in ("cast", "joints", "snots"):
        scene = scene_of({"cast": "bare"}.get(kind, kind), int(rng.integers(1_000_000)))
        return scanned(scene)
    x, y = lines(rng, density) if kind == "lines" else spots(rng, density)
    z = field(rng, 0.6, rng.uniform(0, 0.001))(x, y)
    error = rng.normal(0, noise, len(x))
    if kind in ("rough", "lines"):
        # render and plaster: grains of 2 to 30 mm, up to as large as a roughcast's
        z += field(rng, logarithmic(rng, 0.003, 0.03), logarithmic(rng, 0.0002, 0.0015))(x, y)
    elif kind == "wavy":
        for _ in range(6):
            wave, turn = logarithmic(rng, 0.02, 0.4), rng.uniform(0, 2 * np.pi, 2)
            z += 0.004 * wave * np.sin(2 * np.pi * (x * np.cos(turn[0]) + y * np.sin(turn[0])) / wave + turn[1])
    elif kind == "tails":
        error = noise * rng.standard_t(3, len(x)) * (0.6 + x / WIDTH)
    elif kind == "sweeps":
        # points of two sweeps mixed, each with its own warp, 1 mm apart
        sweep = rng.random(len(x)) < 0.5
        z += np.where(sweep, 0.001 + field(rng, 0.8, 0.0007)(x, y), field(rng, 0.8, 0.0007)(x, y))
    points = stack(x, y, z + error)
    return np.round(points, 3) if kind == "steps" else points


GENUINE = ("clean", "rough", "wavy", "lines", "tails", "sweeps", "steps", "cast", "joints", "snots")


def raw(rng: Rng, most: float = 9_000, gap: float = 0.0) -> Array:
    """The scan of a flat wall that is filled up later, or of one with a round hollow so deep [m]."""
    x, y = spots(rng, logarithmic(rng, 1_500, most))
    hollow = gap * np.exp(-4 * np.log(2) * (np.hypot(x - WIDTH / 2, y - HEIGHT / 2) / HOLLOW) ** 2)
    return stack(x, y, rng.normal(0, logarithmic(rng, 0.001, 0.004), len(x)) - hollow)


def jittered(points: Array, times: int, rng: Rng) -> Array:
    """So many of each point, moved a little."""
    copies = np.repeat(points, times, axis=0)
    return copies + rng.normal(0, logarithmic(rng, 0.0002, 0.002), copies.shape)


def filled(points: Array, times: int, rng: Rng) -> Array:
    """Points with others laid in the triangles between them."""
    corners = points[Delaunay(points[:, :2]).simplices]
    size = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    some = rng.choice(len(corners), (times - 1) * len(points), p=size / size.sum())
    weights = rng.dirichlet((1.0, 1.0, 1.0), len(some))
    return np.concatenate([points, (weights[:, :, None] * corners[some]).sum(axis=1)])


def halved(points: Array, rng: Rng) -> Array:
    """Points with the middles between each and its three nearest."""
    del rng
    _, near = cKDTree(points).query(points, k=4)
    return np.concatenate([points, *((points + points[near[:, k]]) / 2 for k in (1, 2, 3))])


def least_squares(points: Array, at: Array, reach: float) -> Array:
    """Heights at places (n, 2) of planes fitted to the points around with Gaussian weights."""
    distance, near = cKDTree(points[:, :2]).query(at, k=24)
    weight = np.exp(-((distance / reach) ** 2))
    off = (points[near, :2] - at[:, None]) / reach
    design = np.concatenate([np.ones((*off.shape[:2], 1)), off], axis=2)
    normal = np.einsum("nk,nki,nkj->nij", weight, design, design) + 1e-9 * np.eye(3)
    right = np.einsum("nk,nki,nk->ni", weight, design, points[near, 2])
    return np.linalg.solve(normal, right[..., None])[:, 0, 0]


def smoothed(points: Array, times: int, rng: Rng) -> Array:
    """Points on moving least squares, with so many times as many places."""
    spacing = 1 / np.sqrt(len(points) / WIDTH / HEIGHT)
    at = points[:, :2]
    if times > 1:
        at = np.concatenate([at, at.repeat(times - 1, axis=0) + rng.normal(0, spacing / 2, (len(at) * (times - 1), 2))])
    return np.column_stack([at, least_squares(points, at, rng.uniform(1.2, 2.5) * spacing)])


def thinned(points: Array, size: float) -> Array:
    """The mean of the points in each small cube."""
    _, which, count = np.unique(np.floor(points / size), axis=0, return_inverse=True, return_counts=True)
    return np.stack([np.bincount(which.ravel(), weights=points[:, axis]) / count for axis in range(3)], axis=1)


def vertices(points: Array, rng: Rng) -> Array:
    """Vertices of a mesh drawn over smoothed heights and parted twice, as fused depth makes them."""
    cell = rng.uniform(1.0, 1.5) / np.sqrt(len(points) / WIDTH / HEIGHT)
    x, y = np.meshgrid(np.arange(0, WIDTH, cell), np.arange(0, HEIGHT, cell))
    at = np.column_stack([x.ravel(), y.ravel()])
    z = least_squares(points, at, 1.2 * cell).reshape(x.shape)
    fine = np.arange(0, WIDTH - cell, cell / 4), np.arange(0, HEIGHT - cell, cell / 4)
    x, y = np.meshgrid(*fine)
    return stack(x.ravel(), y.ravel(), map_coordinates(z, [y.ravel() / cell, x.ravel() / cell], order=1))


REPEATING: dict[str, Callable[[Rng], Array]] = {
    "copies-4": lambda rng: jittered(raw(rng), 4, rng),
    "copies-10": lambda rng: jittered(raw(rng), 10, rng),
    "drawn-4": lambda rng: jittered(rng.choice(points := raw(rng), 4 * len(points)), 1, rng),
    "linear-4": lambda rng: filled(raw(rng), 4, rng),
    "linear-10": lambda rng: filled(raw(rng), 10, rng),
    "middles-4": lambda rng: halved(raw(rng), rng),
    "mls-1": lambda rng: smoothed(raw(rng, 40_000), 1, rng),
    "mls-4": lambda rng: smoothed(raw(rng), 4, rng),
    "mls-10": lambda rng: smoothed(raw(rng), 10, rng),
    "voxel-copies-10": lambda rng: jittered(thinned(raw(rng, 40_000), 0.02), 10, rng),
    "voxel-linear-10": lambda rng: filled(thinned(raw(rng, 40_000), 0.02), 10, rng),
    "vertices": lambda rng: vertices(raw(rng), rng),
}

# filled up and then jittered over all traces: may pass for a rough wall, but must not be called outside either
HIDING: dict[str, Callable[[Rng], Array]] = {
    "linear-jitter-4": lambda rng: jittered(filled(raw(rng), 4, rng), 1, rng),
    "copies-wide-4": lambda rng: jittered(raw(rng, 40_000), 4, rng),
}
ANY_FILLED = REPEATING | HIDING
# the same of walls with a hollow, and their measurements alone
NEAR: dict[str, Callable[[Rng, float], Array]] = {
    "linear-jitter-4": lambda rng, gap: jittered(filled(raw(rng, gap=gap), 4, rng), 1, rng),
    "copies-wide-4": lambda rng, gap: jittered(raw(rng, 40_000, gap), 4, rng),
    "as measured": lambda rng, gap: raw(rng, gap=gap),
}


@dataclass(frozen=True)
class Outcome:
    """What was said of one wall: how its points repeat each other (or nothing), the decision, the gap [mm]."""

    kind: str
    named: str
    decision: str
    gap_mm: float
    seconds: float


HOW = jobs.Capturing(up="y", seen_from=(WIDTH / 2, 1.2, 3.0), file_unit="m", capture_type="scanner", warp=(1e-5, 1.0))


def checked(kind: str, seed: int) -> Outcome:
    """One wall of a kind, checked."""
    rng = np.random.default_rng([seed, (*GENUINE, *ANY_FILLED).index(kind)])
    return told(kind, genuine(kind, rng) if kind in GENUINE else ANY_FILLED[kind](rng))


def told(kind: str, points: Array) -> Outcome:
    """What is told of some points."""
    start = time.perf_counter()
    try:
        found = jobs.check(points, HOW, jobs.Requirement(limit=LIMIT, rule=1.8, judges=True))
    except FlatscanError as error:
        return Outcome(kind, "", f"refused: {error}", np.nan, 0.0)
    shown = found.relief.independence
    gap = np.nan if found.gaps.worst is None else found.gaps.worst.value * 1000
    named = "" if shown is None else f"{shown.kind} {shown.share:.2f}"
    return Outcome(kind, named, found.verdict.decision, gap, time.perf_counter() - start)


HEAD = f"{'kind':17}{'walls':>6}{'named':>6}{'within':>8}{'undecided':>10}{'outside':>8}{'largest gap':>12}  said"


def line(kind: str, some: list[Outcome]) -> str:
    """One row of the table."""
    counts = [sum(one.decision == word for one in some) for word in ("within", "undecided", "outside")]
    named = [one.named for one in some if one.named]
    largest = max(one.gap_mm for one in some)
    rest = [one.decision for one in some if one.decision.startswith("refused")]
    said = ", ".join([*named[:6], *rest[:1]])
    return f"{kind:17}{len(some):6}{len(named):6}{counts[0]:8}{counts[1]:10}{counts[2]:8}{largest:9.1f} mm  {said}"


def placed(points: Array, rng: Rng, *, moved: bool) -> tuple[Array, jobs.Capturing]:
    """A capture as its file has it, registered to a fraction of a millimetre or moved, and how to read it."""
    turn = rng.uniform(-1.2, 1.2) if moved else rng.normal(0, 0.0002)
    by = rng.uniform(-3, 3, 3) if moved else rng.normal(0, 0.0005, 3)
    axes = np.array([[np.cos(turn), 0, -np.sin(turn)], [0, 1, 0], [np.sin(turn), 0, np.cos(turn)]])
    stand = np.array([WIDTH / 2, 1.2, 3.0]) @ axes + by
    return points @ axes + by, jobs.Capturing(
        up="y", seen_from=(stand[0], stand[1], stand[2]), file_unit="m", capture_type="scanner", cell=0.04
    )


class Site:
    """One wall, and scans of it: the same form and roughness, new places, noise and warp."""

    def __init__(self, rng: Rng, kind: str) -> None:
        self.rng, self.kind = rng, kind
        self.form = field(rng, 0.5, rng.uniform(0.0005, 0.002))
        rough = kind in ("rough", "lines", "moved")
        self.grain = field(rng, logarithmic(rng, 0.003, 0.03), logarithmic(rng, 0.0002, 0.0012)) if rough else even

    def scan(self) -> Array:
        """One more scan."""
        rng = self.rng
        place = lines if self.kind == "lines" else spots
        x, y = place(rng, logarithmic(rng, 4_000, 25_000))
        warp = field(rng, logarithmic(rng, 0.3, 1.5), logarithmic(rng, 0.0002, 0.001))
        z = self.form(x, y) + self.grain(x, y) + warp(x, y)
        return stack(x, y, z + rng.normal(0, logarithmic(rng, 0.0005, 0.003), len(x)))


TRUE = ("plain", "rough", "lines", "moved")
FALSE: dict[str, Callable[[Array, Rng], tuple[Array, Array]]] = {
    "same": lambda scan, _: (scan, scan),
    "shuffled": lambda scan, rng: (scan, rng.permutation(scan)),
    "odd-even": lambda scan, _: (scan[::2], scan[1::2]),
    "thinned": lambda scan, _: (scan, scan[::3]),
    "jittered": lambda scan, rng: (scan, scan + rng.normal(0, logarithmic(rng, 0.0002, 0.001), scan.shape)),
    "filled-up": lambda scan, rng: (scan, filled(scan, 3, rng)),
    "cubes": lambda scan, _: (scan, thinned(scan, 0.015)),
    "smoothed": lambda scan, rng: (scan, smoothed(scan, 1, rng)),
    "part-resampled": lambda scan, rng: (scan[::2], jittered(rng.choice(scan, len(scan)), 1, rng)),
    "moved-same": lambda scan, _: (scan, scan),
    "moved-odd-even": lambda scan, _: (scan[::2], scan[1::2]),
    "moved-jittered": lambda scan, rng: (scan, scan + rng.normal(0, 0.0005, scan.shape)),
    "moved-thinned": lambda scan, _: (scan, scan[::3]),
}


def repeated(kind: str, seed: int) -> tuple[str, str]:
    """What is said of a pair of captures given as repeats: taken, or why not."""
    rng = np.random.default_rng([seed, 7, (*TRUE, *FALSE).index(kind)])
    if kind in TRUE:
        site = Site(rng, kind)
        pair = site.scan(), site.scan()
    else:
        site = Site(rng, str(rng.choice(TRUE)))
        pair = FALSE[kind](site.scan(), rng)
    as_filed = HOW if kind in FALSE else None
    seen = []
    for number, points in enumerate(pair):
        moved = number == 1 and kind.startswith("moved")
        laid, how = placed(points, rng, moved=moved) if moved or as_filed is None else (points, replace(HOW, cell=0.04))
        seen.append(jobs.see(laid, how))
    try:
        with_repeats(seen[0], seen[1:], HOW)
    except MixedSurveys as error:
        return "refused", str(error)
    return "taken", ""


def walls_table(asked: argparse.Namespace, kinds: list[str]) -> list[tuple[str, bool]]:
    """Walls of every kind, and whether the gates hold."""
    print(HEAD, flush=True)
    every: list[Outcome] = []
    for kind in kinds:
        some = [checked(kind, asked.seed + number) for number in range(asked.walls)]
        every += some
        print(line(kind, some), flush=True)
    false = [one for one in every if one.kind in GENUINE and one.named]
    missed = {kind: [not one.named for one in every if one.kind == kind] for kind in kinds if kind in REPEATING}
    outside = [one for one in every if one.kind in ANY_FILLED and one.decision == "outside"]
    told = sum(map(len, missed.values()))
    share = 1 - sum(map(sum, missed.values())) / max(told, 1)
    worst = min((1 - sum(some) / len(some) for some in missed.values()), default=1.0)
    genuine_walls = sum(one.kind in GENUINE for one in every)
    return [
        (f"genuine walls said to repeat their points: {len(false)} of {genuine_walls}, at most 1", len(false) <= 1),
        (f"walls that do, named: {share:.3f} of {told}, at least 0.9; least of a kind {worst:.2f}, at least 0.8",
         share >= 0.9 and worst >= 0.8),
        (f"filled-up flat walls called outside: {len(outside)}, none", not outside),
    ]  # fmt: skip


def decisions_table(asked: argparse.Namespace, kinds: list[str]) -> list[tuple[str, bool]]:
    """Walls with a hollow a little under and over the limit, filled up so that it does not show: wrong decisions."""
    gates = []
    print(f"{'near the limit':17}{'walls':>6}{'named':>6}{'false within':>14}{'false outside':>15}")
    for kind in kinds:
        found: dict[float, list[Outcome]] = {}
        for share in NEAR_LIMIT:
            generators = (
                np.random.default_rng([asked.seed + number, 9, round(100 * share)]) for number in range(asked.walls)
            )
            found[share] = [told(kind, NEAR[kind](rng, share * LIMIT)) for rng in generators]
        under, over = (found[share] for share in NEAR_LIMIT)
        within, outside = (
            sum(one.decision == word for one in some) for word, some in (("within", over), ("outside", under))
        )
        named = sum(bool(one.named) for one in (*under, *over))
        of = f"{within} of {len(over)}", f"{outside} of {len(under)}"
        print(f"{kind:17}{len(under) + len(over):6}{named:6}{of[0]:>14}{of[1]:>15}", flush=True)
        most = binom.ppf(0.999, asked.walls, 0.05)
        gates.append(
            (f"{kind}: decided wrongly {within} and {outside}, at most {most:.0f}", max(within, outside) <= most)
        )
    return gates


def repeats_table(asked: argparse.Namespace, kinds: list[str]) -> list[tuple[str, bool]]:
    """Pairs of captures of every kind, and whether the gates hold."""
    print(f"{'repeats':17}{'pairs':>6}{'refused':>8}  said of the first")
    refused: dict[str, list[bool]] = {}
    for kind in kinds:
        found = [repeated(kind, asked.seed + number) for number in range(asked.walls * (3 if kind in TRUE else 1))]
        refused[kind] = [word == "refused" for word, _ in found]
        print(f"{kind:17}{len(found):6}{sum(refused[kind]):8}  {max(why for _, why in found)}", flush=True)
    true = [one for kind in kinds if kind in TRUE for one in refused[kind]]
    false = [one for kind in kinds if kind in FALSE for one in refused[kind]]
    share = sum(false) / max(len(false), 1)
    return [
        (f"genuine repeats refused: {sum(true)} of {len(true)}, at most 1", sum(true) <= 1),
        (f"other pairs refused: {share:.3f} of {len(false)}, at least 0.95", share >= 0.95 or not false),
    ]


def main() -> int:
    """Print the tables; 1 if a gate fails."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--walls", type=int, default=6, help="walls, or pairs, of a kind")
    options.add_argument("--seed", type=int, default=500, help="the first seed")
    options.add_argument("--only", choices=("walls", "repeats", "decisions"))
    options.add_argument("--kinds", help="only these, parted by commas")
    asked = options.parse_args()
    start, gates = time.perf_counter(), []
    chosen = asked.kinds.split(",") if asked.kinds else None
    walls = [kind for kind in (*GENUINE, *ANY_FILLED) if chosen is None or kind in chosen]
    pairs = [kind for kind in (*TRUE, *FALSE) if chosen is None or kind in chosen]
    near = [kind for kind in NEAR if chosen is None or kind in chosen]
    for only, table, some in (
        ("walls", walls_table, walls),
        ("repeats", repeats_table, pairs),
        ("decisions", decisions_table, near),
    ):
        gates += table(asked, some) if asked.only in (None, only) and some else []
    for words, holds in gates:
        print(f"{'ok' if holds else 'FAILS'}: {words}")
    print(f"seeds from {asked.seed}, {time.perf_counter() - start:.0f} s")
    return 0 if all(holds for _, holds in gates) else 1


if __name__ == "__main__":
    sys.exit(main())
