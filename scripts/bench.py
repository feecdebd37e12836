"""Speed and memory side by side with the obvious library way, in one run on one machine.

Usage: .venv/bin/python scripts/bench.py [--points 10000000] [--large 1,10,100] [--only large|parts] [--write]

Every measurement runs in a process of its own; peak memory is the operating system's figure for that process.
--large measures the scan of a building of so many million points from file to summary. --write puts the tables into
DEVELOPERS.md between its markers.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(Path(__file__).parent))
from bench_large import large_rows  # noqa: E402

TURNS = 5
MARKS = "<!-- bench: {} -->", "<!-- bench end: {} -->"


def run(*command: str, threads: int | None = None) -> tuple[float, float, str]:
    """Seconds, peak memory [MB] and standard output of a command."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "ignore"}
    environment |= {} if threads is None else {"FLATSCAN_THREADS": str(threads)}
    start = time.perf_counter()
    with tempfile.TemporaryFile("w+") as out:
        child = subprocess.Popen(command, env=environment, stdout=out, stderr=subprocess.DEVNULL)
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        text = out.read()
    # a site with a wall that could not be measured ends with 1 and still has its summary
    if child.returncode not in (0, 1, 3, 4) or not text.strip() and child.returncode == 1:
        raise SystemExit(f"bench: {' '.join(command)} ended with {child.returncode}")
    return time.perf_counter() - start, usage.ru_maxrss / 1024, text


def part(name: str, path: Path, threads: int | None = None) -> dict:
    """One measurement of bench_parts.py with its peak memory."""
    _, peak, text = run(sys.executable, str(ROOT / "scripts/bench_parts.py"), name, str(path), threads=threads)
    return json.loads(text) | {"mb": peak}


def write_wall(path: Path, points: int, width: float = 10.0, height: float = 3.0) -> None:
    """Binary PLY of one wall, 32-bit, 1 mm noise, humps; 10 m x 3 m is the size the speed goals are stated for."""
    header = f"ply\nformat binary_little_endian 1.0\nelement vertex {points}\n"
    header += "".join(f"property float {axis}\n" for axis in "xyz") + "end_header\n"
    with path.open("wb") as stream:
        stream.write(header.encode())
        for number, start in enumerate(range(0, points, 1_000_000)):
            rng = np.random.default_rng([7, number])
            n = min(1_000_000, points - start)
            x, z = rng.uniform(0, width, n), rng.uniform(0, height, n)
            off = 0.003 * np.cos(2 * np.pi * x / 2.5) + 0.006 * np.exp(
                -((x - 0.4 * width) ** 2 + (z - 1.6) ** 2) / 0.01
            )
            y = -(off + rng.normal(0, 0.001, n))
            stream.write(np.column_stack([x, y, z]).astype("<f4").tobytes())


def check_rows(path: Path, area: float) -> list[list[str]]:
    """`flatscan check` against open3d's bare reading of the same file: the goal is at most four times, both ways."""
    size = path.stat().st_size / 1e6
    command = (
        "check",
        str(path),
        "--limit",
        "3mm",
        "--capture-type",
        "scanner",
        "--file-unit",
        "m",
        "--up",
        "z",
        "--seen-from",
        "5,-3,1.5",
    )
    # in turns, and the best of each: a machine that is busy for a moment is busy for both
    ours, theirs = [], []
    for _ in range(TURNS):
        ours.append(run(sys.executable, "-m", "flatscan", *command, "--json", "--quiet"))
        theirs.append(part("read_open3d", path))
    (fast, mine, _), (slow, _, _) = min(ours), max(ours)
    bare = min(theirs, key=lambda one: one["s"])
    empty, base, _ = run(sys.executable, "-c", "import flatscan.jobs, flatscan.report")
    return [
        [
            f"check a wall of {area:g} m2, from start to exit, best of {TURNS}",
            f"{fast:.2f} s (worst {slow:.2f}), {mine:.0f} MB",
            f"open3d read_point_cloud, best of {TURNS}",
            f"{bare['s']:.2f} s, {bare['mb']:.0f} MB",
            f"{fast / bare['s']:.1f} x",
        ],
        [
            "its memory over the file's size",
            f"{mine / size:.1f} x of {size:.0f} MB",
            "the program itself before it reads",
            f"{empty:.2f} s, {base:.0f} MB",
            "",
        ],
    ]


def pair(title: str, ours: str, name: str, theirs: str, path: Path) -> list[str]:
    """A row: our way and the obvious library way."""
    mine, other = part(ours, path), part(theirs, path)
    ratio = mine["s"] / other["s"]
    said = f"{ratio:.2f} x" if ratio >= 0.01 else f"{ratio:.4f} x"
    return [title, f"{mine['s']:.2f} s, {mine['mb']:.0f} MB", name, f"{other['s']:.2f} s, {other['mb']:.0f} MB", said]


def sweep_rows(path: Path) -> list[list[str]]:
    whole, one, hull = part("sweep", path), part("sweep", path, threads=1), part("hulls", path)
    theirs = hull["s"] * whole["positions"]
    ours = f"{whole['s']:.2f} s"
    name = f"scipy ConvexHull in each of {whole['positions']:,} windows (made up from {hull['windows']} of them, "
    name += f"whose gaps differ by at most {hull['differ_m']:.0e} m)"
    return [
        [
            "sweep 10 m x 3 m at 10 mm, 12 directions",
            ours,
            name,
            f"{theirs:.0f} s",
            f"{theirs / whole['s']:.0f} x faster",
        ],
        ["the same", ours, "on one thread", f"{one['s']:.2f} s", f"{one['s'] / whole['s']:.2f} x faster"],
    ]


def start_row() -> list[str]:
    """Best of seven: what a person waits for help."""
    ours = min(run(sys.executable, "-m", "flatscan", "--help")[0] for _ in range(7))
    bare = min(run(sys.executable, "-c", "import click")[0] for _ in range(7))
    return ["flatscan --help", f"{ours:.3f} s", "python with click alone", f"{bare:.3f} s", f"{ours / bare:.1f} x"]


def part_rows(folder: Path, points: int) -> list[list[str]]:
    path, sample = folder / "wall.ply", str(ROOT / "sample_clouds/wall.ply")
    write_wall(path, points)
    # once for the kernels to be compiled and kept
    run(sys.executable, "-m", "flatscan", "check", sample, "--limit", "3mm", "--json", "--quiet")
    pairs = (
        (f"read {points / 1e6:g} million points, check, hash", "read_ours", "open3d read_point_cloud", "read_open3d"),
        ("find the walls in them", "walls_ours", "open3d segment_plane", "walls_open3d"),
        (
            "grid them at 10 mm, with spread and halves, without strays",
            "grid_ours",
            "scipy binned_statistic_2d: mean, std, count",
            "grid_scipy",
        ),
        ("finish plane of 300,000 cells, lean and turn free", "plane_ours", "linprog, a row a cell", "plane_all_cells"),
        ("all sheets", "sheets_ours", "one bare contourf to PNG", "sheets_matplotlib"),
    )
    small = folder / "small.ply"
    write_wall(small, points, 4.0, 2.5)
    checks = [*check_rows(path, 30.0), *check_rows(small, 10.0)]
    return [start_row(), *checks, *(pair(*words, path) for words in pairs), *sweep_rows(path)]


def table(head: list[str], rows: list[list[str]]) -> str:
    lines = ["| " + " | ".join(row) + " |" for row in [head, ["---"] * len(head), *rows]]
    return "\n".join(lines)


def into_developers(name: str, text: str) -> None:
    """Put a table between its markers in DEVELOPERS.md, at the end of the file if they are not there yet."""
    path = ROOT / "DEVELOPERS.md"
    whole = path.read_text(encoding="utf-8")
    first, last = (mark.format(name) for mark in MARKS)
    block = f"{first}\n{text}\n{last}"
    if first in whole and last in whole:
        start, end = whole.index(first), whole.index(last) + len(last)
        whole = whole[:start] + block + whole[end:]
    else:
        whole = f"{whole.rstrip()}\n\n{block}\n"
    beside = path.with_suffix(".new")
    beside.write_text(whole, encoding="utf-8")
    beside.replace(path)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--points", type=int, default=10_000_000)
    parser.add_argument("--large", default="", help="millions of points of buildings, such as 1,10,100")
    parser.add_argument("--only", choices=["large", "parts"])
    parser.add_argument("--write", action="store_true", help="put the tables into DEVELOPERS.md")
    asked = parser.parse_args()
    load, cores = os.getloadavg()[0], len(os.sched_getaffinity(0))
    machine = (
        f"{platform.machine()}, {cores} processors, Python {platform.python_version()}, load {load:.1f} at the start"
    )
    folder = Path(tempfile.mkdtemp(prefix="flatscan-bench-"))
    try:
        if asked.only != "large":
            rows = part_rows(folder, asked.points)
            text = f"{machine}\n\n" + table(["what", "flatscan", "the obvious way", "it takes", "ratio"], rows)
            print(text)
            if asked.write:
                into_developers("parts", text)
        if asked.large:
            sizes = [float(word) for word in asked.large.split(",")]
            rows, slope = large_rows(folder, sizes, run)
            head = ["million points", "rooms, walls", "file", "s", "s per million", "to read and split, s"]
            head += ["peak of the run, MB", "peak of any process, MB"]
            text = f"{machine}\n\n{table(head, rows)}\n\n{slope}"
            print(text)
            if asked.write:
                into_developers("large", text)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
