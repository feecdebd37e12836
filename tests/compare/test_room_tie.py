"""A wall plastered in a room whose other walls were left alone, scanned in two coordinate systems."""

import json
from dataclasses import dataclass, replace

import numpy as np
import pytest
from make_samples import ROOM, write_ply
from room_model import Pose, Shape, build_room

from flatscan.cli import run


@dataclass(frozen=True)
class Plastered(Shape):
    def offset(self, x, y):
        return 0.018 + 0 * x + 0 * y


@pytest.fixture(scope="module")
def rooms(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rooms")
    bare = replace(ROOM, boxes=(), skirting=None)
    done = replace(bare, shape=Plastered(bare.shape.width, bare.shape.height))
    for name, seed, plan, yaw in (("before", 1, bare, -0.2), ("after", 2, done, 0.6)):
        points, _ = build_room(seed, plan=plan, pose=Pose(yaw=yaw), points=90_000, noise=0.001)
        write_ply(folder / f"{name}.ply", points, "a room")
    return folder


def test_the_walls_left_alone_fix_the_thickness(rooms, capsys):
    walls = [part for number in (1, 2, 4) for part in ("--reference-wall", str(number))]
    files = [str(rooms / "before.ply"), str(rooms / "after.ply")]
    assert run(["compare", *files, "--wall", "3", *walls, "--capture-type", "scanner", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["compare"]
    x, y = np.meshgrid((np.arange(420) + 0.5) / 100, (np.arange(260) + 0.5) / 100)
    wall = ~((x > 1.5) & (x < 2.7) & (y > 0.9) & (y < 2.0))
    mean = (0.018 - ROOM.shape.offset(x, y))[wall].mean() * 1000
    assert found["mean_mm"] == pytest.approx(mean, abs=2 * found["u_mm"])
    assert found["mean_mm"] == pytest.approx(mean, abs=0.5)
    assert "reference walls 1, 2, 4" in found["tied_by"]


def test_walls_that_are_not_there_are_refused(rooms, capsys):
    files = [str(rooms / "before.ply"), str(rooms / "after.ply")]
    code = run(["compare", *files, "--wall", "3", "--reference-wall", "9", "--capture-type", "scanner"])
    assert code == 1
    assert "another wall of 1, 2, 3, 4" in capsys.readouterr().err
