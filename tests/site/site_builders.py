"""Sites to work on, and pools that work on them quickly."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from flatscan.site.work import Outcome, do

SAMPLES = Path(__file__).parents[2] / "sample_clouds"


def grid_text(shift=0, rows=3):
    """A table of laser readings; ``shift`` mm makes one wall differ from the next."""
    lines = [
        "units, mm",
        "sense, big = hollow",
        "width, 2.4 m",
        "height, 2.5 m",
        "wall, north",
        "",
        ", 0.1, 0.8, 1.6, 2.3",
    ]
    heights = (2.4, 1.3, 0.1)[:rows]
    lines += [f"{y}, {120 + shift}, {118 - shift % 3}, 117, {119 + shift}" for y in heights]
    return "\n".join(lines) + "\n"


def make_site(folder, floors=("ground", "first"), rooms=2, walls=2):
    """A folder of laser grids: floor/room/wall.csv, no two alike."""
    number = 0
    for floor in floors:
        for room in range(rooms):
            place = folder / floor / f"room {room + 1}"
            place.mkdir(parents=True)
            for wall in range(walls):
                number += 1
                (place / f"wall-{wall + 1}.csv").write_text(grid_text(number))
    return number


def tree(folder):
    """Every file under a folder with its bytes, lock left out."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "lock"
    }


class InlinePool:
    """Tasks in this very process; ``work`` stands in for `flatscan.site.work.do`. ``done`` lists what was done."""

    def __init__(self, work=do):
        self.work, self.tasks, self.done, self.closed = work, [], [], False

    def submit(self, task):
        self.tasks.append(task)

    def next(self):
        task = self.tasks.pop(0)
        outcome = self.work(task)
        self.done.append((task.kind, task.slug))
        return task, outcome

    def close(self):
        self.closed = True


def quick_work(record, sheets):
    """Work without the sums: the record of a real wall under each task's own name, told apart by its key."""

    def work(task):
        head = {"kind": task.kind, "key": task.key, "slug": task.slug, "capture": task.capture.slug}
        head |= {
            "title": task.title,
            "file": task.capture.path.name,
            "part": task.part,
            "number": task.number,
            "level": "",
        }
        head |= task.capture.labels() | {"status": "done", "schema": 1}
        if task.kind == "look":
            return Outcome(head | {"rooms": [], "walls": 1, "room": None})
        made = json.loads(json.dumps(record["document"]))
        made["material"]["volume_l"] = int(task.key[:4], 16) / 100
        return Outcome(record | head | {"document": made}, sheets | {"key.txt": task.key.encode()})

    return work


def flatscan(*words, cwd):
    """Run the command line in a process of its own."""
    environment = os.environ | {"PYTHONPATH": str(SAMPLES.parent), "PYTHONWARNINGS": "ignore"}
    command = [sys.executable, "-m", "flatscan", *map(str, words)]
    return subprocess.run(command, check=False, cwd=cwd, capture_output=True, text=True, env=environment, timeout=300)


def thin_copy(path, to, keep=4):
    """Every fourth point of a sample scan: larger cells, which are planned in less time."""
    head, rows = path.read_bytes().split(b"end_header\n", 1)
    points = np.frombuffer(rows, "<f4").reshape(-1, 3)
    thin = points[::keep]
    head = head.replace(f"element vertex {len(points)}".encode(), f"element vertex {len(thin)}".encode())
    to.write_bytes(head + b"end_header\n" + thin.tobytes())


def crash_on_second(task):
    """A worker that dies of a signal in one wall, as on a fault in a compiled library."""
    if task.slug.endswith("room-1-wall-2"):
        os.kill(os.getpid(), signal.SIGSEGV)
    return quick(task)


def hang_on_second(task):
    """A worker that never comes back from one wall."""
    if task.slug.endswith("room-1-wall-2"):
        time.sleep(600)
    return quick(task)


def eat_memory_on_second(task):
    """A worker that asks for 4 GB in one wall and touches all of it."""
    if task.slug.endswith("room-1-wall-2"):
        np.ones(1 << 29).sum()
    return quick(task)


def fault_on_second(task):
    """A worker with a fault of ours in one wall."""
    if task.slug.endswith("room-1-wall-2"):
        raise ZeroDivisionError("by nought")
    return quick(task)


def chatty(task):
    """A worker in which a library prints to standard output."""
    os.write(1, b"noise")
    sys.stdout.write("more noise")
    return quick(task)


def tell_and_wait(task):
    """A worker that says which process it is and waits to be ended."""
    Path(task.scratch, f"pid-{os.getpid()}").touch()
    time.sleep(600)


def quick(task):
    """A look that finds one wall, and a wall that needed no work."""
    head = {"kind": task.kind, "key": task.key, "slug": task.slug, "capture": task.capture.slug, "schema": 1}
    head |= {"title": task.title, "file": task.capture.path.name, "part": task.part, "number": task.number} | {
        "level": ""
    }
    head |= task.capture.labels() | {"status": "done"}
    if task.kind == "look":
        return Outcome(head | {"rooms": [], "walls": 1, "room": None})
    wall = {"area_m2": 1.0, "covered_share": 1.0}
    return Outcome(
        head | {"document": {"wall": wall}, "said": {"stops": [], "criteria": []}, "order": []},
        {"result.json": task.key.encode()},
    )


def slow(task):
    """Work that takes long enough for a worker to die in the middle of it."""
    time.sleep(0.2)
    return quick(task)
