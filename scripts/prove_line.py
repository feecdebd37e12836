"""Show how true the middle of a photographed laser line is, and how often its ± holds, on drawn photographs.

The pictures (line_model.py) have errors of a camera and a wall that the search for the line does not assume. Shown by
kind of picture: rows measured, root mean square of the error on rows of one tone and on rows at a border of tone, in
pixels, how many errors lie within the stated 95 %, and the same for means of 50 mm of line; the mean error of a whole
line and what is said to be shared by it; the channel chosen. At the end, how many of all rows lie within.

    python scripts/prove_line.py                all kinds
    python scripts/prove_line.py --photos 5     fewer photos of each
    python scripts/prove_line.py --seed 7       other photos
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
from line_model import KINDS, Kind, draw

from flatscan.capture.lines.picture_pair import stripe_of_pair
from flatscan.capture.pictures import Picture
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array

SEED, PHOTOS = 20_261, 20
# rows that a station of 50 mm holds, at 2.4 mm a pixel
STEP = 21


@dataclass(frozen=True, eq=False)
class Errors:
    """Errors and u of rows (n,) [pixels], whether a border of tone is near, and of means over ``STEP`` rows (m,).

    ``whole`` (1,) is the mean error of all rows of one tone, ``shared`` (1,) what a whole line is said to share.
    """

    row: Array
    u: Array
    tone: np.ndarray
    mean: Array
    u_mean: Array
    whole: Array
    shared: Array


def errors_of(kind: Kind, seed: int, **size: int) -> tuple[Errors, str, float]:
    """Errors of one photo, the channel chosen, and the share of rows measured; raises what reading raises."""
    photo = draw(kind, np.random.default_rng(seed), **size)
    on, off = (None if picture is None else Picture(picture, False, None) for picture in (photo.on, photo.off))
    assert on is not None
    stripe = stripe_of_pair(on, off, None, Path("drawn"), level=False)
    error = stripe.places[:, 0] - np.interp(stripe.places[:, 1], np.arange(len(photo.true)), photo.true)
    rows = np.clip(np.rint(stripe.places[:, 1]), 0, len(photo.true) - 1).astype(int)
    means, u_means = [], []
    for step in np.unique(rows // STEP):
        inside = rows // STEP == step
        if inside.sum() >= STEP // 2:
            means.append(np.average(error[inside], weights=stripe.weights()[inside]))
            u_means.append(np.hypot(stripe.u_of_mean(inside), stripe.shared()))
    tone, shared = photo.tone[rows], stripe.shared()
    u, whole = np.hypot(stripe.u, shared), error[~tone].mean() if (~tone).any() else error.mean()
    found = Errors(error, u, tone, np.array(means), np.array(u_means), np.array([whole]), np.array([shared]))
    return found, stripe.channel, len(rows) / len(photo.true)


def summary(name: str, kind: Kind, photos: int, seed: int, held: list[float] | None = None) -> str:
    """One row of the table; the share of its rows within their ± is added to ``held``."""
    found, channels, seen, refused = [], Counter[str](), [], 0
    for number in range(photos):
        try:
            errors, channel, share = errors_of(kind, seed + 1000 * number)
        except ReadError as reason:
            refused += 1
            print(name, reason, file=sys.stderr)
            continue
        found.append(errors)
        channels[channel] += 1
        seen.append(share)
    if not found:
        return f"| {name} | refused {refused} |"
    row, u, tone, mean, u_mean, whole, shared = (
        np.concatenate([getattr(one, part.name) for one in found]) for part in fields(Errors)
    )
    if held is not None:
        held.append(float(np.mean(np.abs(row) < 1.96 * u)))
    return (
        f"| {name} | {100 * np.mean(seen):.0f} | {_rms(row[~tone])} | {_inside(row[~tone], u[~tone])} | "
        f"{_rms(row[tone])} | {_inside(row[tone], u[tone])} | {_rms(mean)} | {_inside(mean, u_mean)} | "
        f"{_rms(whole)} | {_rms(shared)} | "
        f"{', '.join(f'{channel} {many}' for channel, many in channels.most_common())} | {refused} |"
    )


def _rms(errors: Array) -> str:
    return f"{np.sqrt(np.mean(errors**2)):.2f}" if len(errors) else ""


def _inside(errors: Array, u: Array) -> str:
    return f"{100 * np.mean(np.abs(errors) < 1.96 * u):.1f}" if len(errors) else ""


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=PHOTOS)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--kind", default="")
    given = parser.parse_args()
    start = time.perf_counter()
    print(
        "| kind of picture | rows % | one tone, px | in ± % | borders, px | in ± % | 21 rows, px | in ± % "
        "| whole line, px | shared, px | channel | refused |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|---|")
    held: list[float] = []
    for name, kind in KINDS.items():
        if given.kind in name:
            print(summary(name, kind, given.photos, given.seed, held), flush=True)
    print(f"all kinds alike: {100 * np.mean(held):.1f} % of rows within; the fewest of a kind {100 * min(held):.1f} %")
    print(f"{given.photos} photos each, seed {given.seed}, {time.perf_counter() - start:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()
