"""Show that every hint works: captures that leave something open are checked, and each option an error names is run.

Lone walls, walls with a return or a strip of floor, rooms and walls among strays lie in files of every unit, with each
axis up or down, mirrored, at the origin or at map coordinates. Where `flatscan check` fails and its message names
values of options, each is added and run again: it must succeed, or ask another question, never the same one.

    python scripts/prove_hints.py            all captures
    python scripts/prove_hints.py --part 9   every ninth of them
"""

from __future__ import annotations

import argparse
import contextlib
import io
import re
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from flatscan.cli import run
from flatscan.core.units import METRES_PER

SEED = 31
# what an error may name, with a value behind it
_HINT = re.compile(r"--(up|file-unit|seen-from|crop) (-?[\w.,-]*[\w])")
_MOST_QUESTIONS = 5
AXES = {"z": (0, 1, 2), "y": (0, 2, 1), "x": (2, 0, 1)}
MAP = (432_000.0, 5_411_000.0, 300.0)


def sheet(rng: np.random.Generator, corner, one, two, count: int) -> np.ndarray:
    """Points (n, 3) [m] strewn over a parallelogram, 2 mm rough."""
    corner, one, two = (np.array(part, float) for part in (corner, one, two))
    across = np.cross(one, two)
    parts = rng.random((count, 2))
    return (
        corner
        + parts[:, :1] * one
        + parts[:, 1:] * two
        + rng.normal(0, 0.002, (count, 1)) * across / np.linalg.norm(across)
    )


def scenes(rng: np.random.Generator) -> Iterator[tuple[str, np.ndarray]]:
    """Names and points (n, 3) [m], z up."""
    wall = sheet(rng, (0, 0, 0), (4, 0, 0), (0, 0, 2.5), 9000)
    yield "wall", wall
    yield "wall with a return", np.concatenate([wall, sheet(rng, (0, 0, 0), (0, 1.2, 0), (0, 0, 2.5), 3000)])
    yield "wall with floor", np.concatenate([wall, sheet(rng, (0, 0, 0), (4, 0, 0), (0, 1.2, 0), 4000)])
    parallel = sheet(rng, (1, 1.0, 0), (2, 0, 0), (0, 0, 2.5), 5000)
    yield "two walls a metre apart", np.concatenate([wall, parallel])
    yield "facade", sheet(rng, (0, 0, 0), (25, 0, 0), (0, 0, 7.8), 12_000)
    yield "wall among strays", np.concatenate([wall, rng.uniform(-450, 450, (180, 3))])
    floor, ceiling = (sheet(rng, (0, 0, z), (4, 0, 0), (0, 2.6, 0), 4000) for z in (0, 2.5))
    others = [sheet(rng, (x, 0, 0), (0, 2.6, 0), (0, 0, 2.5), 4000) for x in (0, 4)]
    yield "room", np.concatenate([wall, floor, ceiling, *others, sheet(rng, (0, 2.6, 0), (4, 0, 0), (0, 0, 2.5), 5000)])


def captures() -> Iterator[tuple[str, np.ndarray]]:
    """Names and points (n, 3) in file numbers of every scene, unit, axis, hand and place."""
    rng = np.random.default_rng(SEED)
    for scene, points in scenes(rng):
        for unit, per in METRES_PER.items():
            for axis, order in AXES.items():
                for place, shift in (("origin", (0.3, -0.4, 0.2)), ("far", (35.0, -60.0, 20.0)), ("map", MAP)):
                    turned = points[:, order] * (np.array([-1, 1, 1]) if (unit == "cm") else 1)
                    yield f"{scene}, {unit}, {axis} up, {place}", (turned + shift) / per


def write(path: Path, points: np.ndarray) -> Path:
    """A PLY of these points, which says neither unit nor up."""
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
    head += "".join(f"property double {axis}\n" for axis in "xyz") + "end_header\n"
    path.write_bytes(head.encode() + np.ascontiguousarray(points, "<f8").tobytes())
    return path


def checked(path: Path, options: tuple[str, ...]) -> tuple[int, str]:
    """Exit code and words of one check with these options."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run(["check", str(path), "--rule", "1m", "--limit", "20mm", "--quiet", "--json", *options])
    return code, err.getvalue().strip()


def follow(path: Path, options: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], str]]:
    """Options given and what came of them, for every way through the hints; only failures have words."""
    code, words = checked(path, options)
    if code in (0, 3, 4):
        yield options, ""
        return
    hints = [(f"--{name}", value) for name, value in _HINT.findall(words)]
    if not hints:
        yield options, words
        return
    for name, value in hints:
        if name in options or len(options) > 2 * _MOST_QUESTIONS:
            yield (*options, name, value), f"asked again: {words}"
            continue
        yield from follow(path, (*options, name, value))


def main() -> int:
    """Run, print a line for each failure and the counts, and exit 1 where there is one."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", type=int, default=1)
    part = parser.parse_args().part
    ways = failures = asked = 0
    with tempfile.TemporaryDirectory() as folder:
        for number, (name, points) in enumerate(captures()):
            if number % part:
                continue
            path = write(Path(folder) / "capture.ply", points)
            for options, trouble in follow(path):
                ways, asked = ways + 1, asked + bool(options)
                if trouble:
                    failures += 1
                    print(f"{name}: {' '.join(options)}: {trouble}")
    print(f"{ways} ways, {asked} of them through hints, {failures} that do not work")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
