"""The scan of a building from file to summary, for scripts/bench.py: seconds, memory and how both grow."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
from building_model import Building, write_las

Runner = Callable[..., tuple[float, float, str]]


class Watcher(threading.Thread):
    """The largest memory that any process of this run took, looked up ten times a second."""

    def __init__(self, folder: Path) -> None:
        super().__init__(daemon=True)
        self.folder, self.peak, self.stop = str(folder), 0.0, threading.Event()

    def run(self) -> None:
        while not self.stop.wait(0.1):
            for place in Path("/proc").glob("[0-9]*/status"):
                try:
                    if not self._is_ours(place.parent):
                        continue
                    found = re.search(r"VmHWM:\s+(\d+) kB", place.read_text())
                except OSError:
                    continue
                if found:
                    self.peak = max(self.peak, int(found[1]) / 1024)

    def _is_ours(self, process: Path) -> bool:
        return f"FLATSCAN_BENCH={self.folder}".encode() in (process / "environ").read_bytes().split(b"\0")


def building_of(millions: float) -> Building:
    """Rooms of 300,000 points each, up to 40 of them; then denser rooms, as a better scanner makes them."""
    rooms = int(np.clip(round(millions / 0.3), 2, 40))
    storeys = 1 if rooms <= 8 else 2 if rooms <= 32 else 4
    across = max(1, int(np.ceil(np.sqrt(rooms / storeys))))
    deep = max(1, int(np.ceil(rooms / storeys / across)))
    return Building(across=across, deep=deep, storeys=storeys)


def large_rows(folder: Path, sizes: list[float], run: Runner) -> tuple[list[list[str]], str]:
    """A table row for each size, and the slope of seconds against points in logarithms."""
    rows, times = [], []
    os.environ["FLATSCAN_BENCH"] = str(folder)
    for millions in sizes:
        building, path = building_of(millions), folder / "building.las"
        write_las(path, building, round(millions * 1e6))
        watcher = Watcher(folder)
        watcher.start()
        split = _seconds_to_split(path, folder / "look", run)
        command = ["site", str(folder), "--limit", "3mm", "--capture-type", "scanner", "--file-unit", "m"]
        command += ["--formats", "json", "--out", str(folder / "out"), "--json", "--quiet"]
        seconds, peak, text = run(sys.executable, "-m", "flatscan", *command)
        watcher.stop.set()
        watcher.join()
        made = json.loads(text)
        walls = made["totals"]["walls"]
        for row in made["failed"]:
            print(f"not measured: {row['title']}: {row['error']}", file=sys.stderr)
        size = f"{path.stat().st_size / 1e9:.2f} GB"
        rows.append(
            [
                f"{millions:g}",
                f"{building.rooms}, {walls} of {4 * building.rooms}",
                size,
                f"{seconds:.1f}",
                f"{seconds / millions:.2f}",
                f"{split:.1f}",
                f"{peak:.0f}",
                f"{watcher.peak:.0f}",
            ]
        )
        print(rows[-1], file=sys.stderr)
        times.append((millions, seconds, split))
        path.unlink()
        shutil.rmtree(folder / "out")
    return rows, growth(times)


def growth(times: list[tuple[float, float, float]]) -> str:
    """Powers of the number of points that the seconds rise with: of (millions, seconds, seconds to read and split)."""
    if len(times) < 2:
        return "Growth: one size tells nothing."
    millions, whole, split = np.log(np.array(times)).T
    last = float(np.diff(whole[-2:])[0] / np.diff(millions[-2:])[0])
    cut = float(np.diff(split[-2:])[0] / np.diff(millions[-2:])[0])
    power = float(np.polyfit(millions, whole, 1)[0])
    return (
        f"Growth: seconds rise with points to the power {power:.2f} (goal: at most 1.1). "
        "Most of the time goes by walls, of which the larger buildings have fewer a million points: over the last step "
        f"it is {last:.2f} for the whole and {cut:.2f} for reading and splitting, which look at every point."
    )


def _seconds_to_split(path: Path, folder: Path, run: Runner) -> float:
    """Seconds to read and cut the file alone."""
    program = (
        "import sys, time; from pathlib import Path\n"
        "from flatscan import capture; from flatscan.site import buildings\n"
        "start = time.perf_counter(); cloud = capture.read(sys.argv[1], file_unit='m')\n"
        "buildings.split(cloud, Path(sys.argv[2])); print(time.perf_counter() - start)"
    )
    _, _, text = run(sys.executable, "-c", program, str(path), str(folder))
    shutil.rmtree(folder, ignore_errors=True)
    return float(text)
