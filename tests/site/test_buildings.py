"""The scan of a building cut into rooms: each point to its own room, each wall as its formula says."""

import json
import re
import shutil
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from site_builders import SAMPLES, InlinePool, quick, tree

sys.path.insert(0, str(Path(__file__).parents[2] / "scripts"))
from building_model import PARTITION, SLAB, Building, write_las, write_ply

from flatscan import capture
from flatscan.core.errors import OutputError, ReadError
from flatscan.jobs import Capturing
from flatscan.report import say
from flatscan.site import buildings, run
from flatscan.site.buildings import cell_for, storeys
from flatscan.site.job import Capture, Settings, with_slugs
from flatscan.site.work import do

FLAT = Building(across=3, deep=2, storeys=2, yaw=0.3, at=(600_003.0, 200_000.0, 50.0))


def true_room(points, building):
    """Storey, column and row of points in file coordinates, by the building's own plan."""
    c, s = np.cos(-building.yaw), np.sin(-building.yaw)
    local = (points - np.array(building.at)) @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]).T
    size = np.array(building.room) + [PARTITION, PARTITION, SLAB]
    return np.floor((local + [PARTITION / 2, PARTITION / 2, SLAB / 2]) / size).astype(int)


@pytest.fixture(scope="module")
def flat_scan(tmp_path_factory):
    path = tmp_path_factory.mktemp("flat") / "flat.las"
    write_las(path, FLAT, 600_000)
    return capture.read(path, file_unit="m")


def test_storeys_by_hand():
    """Two storeys 2.6 m high with a 300 mm slab between them; a stairwell's few points in the slab join nothing."""
    rng = np.random.default_rng(1)
    lower, upper, stairs = rng.uniform(0, 2.6, 50_000), rng.uniform(2.9, 5.5, 50_000), rng.uniform(0, 5.5, 2_000)
    levels = np.repeat([0.0, 2.6, 2.9, 5.5], 20_000) + rng.normal(0, 0.001, 80_000)
    found = storeys(np.concatenate([lower, upper, stairs, levels]))
    assert_allclose(found, [(0, 2.6), (2.9, 5.5)], atol=0.045)


def test_a_slab_with_nothing_on_it_is_no_storey():
    assert storeys(np.zeros(1000)) == []
    assert storeys(np.empty(0)) == []


def test_every_point_goes_to_its_own_room(flat_scan, tmp_path):
    """Of 10 000 points at most one goes to the room next door."""
    names, notes = buildings.split(flat_scan, tmp_path)
    assert len(names) == FLAT.rooms
    assert say(notes[0]).startswith("cut into 12 rooms on 2 storeys; 0.0 %")
    total, places = 0, set()
    for name in names:
        part = buildings.read_part(tmp_path, name)
        points = np.concatenate(list(part.chunks())) + part.shift
        rooms, count = np.unique(true_room(points, FLAT), axis=0, return_counts=True)
        assert count.max() > 0.9999 * len(points), name
        places.add(tuple(rooms[np.argmax(count)]))
        total += len(points)
        assert part.count == len(points)
        assert part.origin.sha256 == flat_scan.origin.sha256
        assert part.up_from == flat_scan.up_from
    assert len(places) == FLAT.rooms
    assert total > 0.9999 * flat_scan.count


def test_points_keep_their_places_and_order(flat_scan, tmp_path):
    """A room's points are the file's own, in the file's order, to a thousandth of a millimetre."""
    names, _ = buildings.split(flat_scan, tmp_path)
    part = np.concatenate(list(buildings.read_part(tmp_path, names[3]).chunks()))
    whole = np.concatenate(list(flat_scan.chunks()))
    # the file's numbers come in steps of 0.1 mm, so a point is known by its whole tenths
    known = [np.round((points + 100) * 1e4).astype(np.int64) @ [1, 2**21, 2**42] for points in (whole, part)]
    there = np.isin(known[0], known[1])
    assert there.sum() == len(part)
    assert_allclose(part, whole[there], rtol=0, atol=1e-6)


def test_the_same_bytes_again(flat_scan, tmp_path):
    for name in ("a", "b"):
        buildings.split(flat_scan, tmp_path / name)
    assert tree(tmp_path / "a") == tree(tmp_path / "b")


@pytest.mark.parametrize("points", [80_000, 1_000_000])
def test_sparse_and_dense(points, tmp_path):
    building = Building(across=2, deep=2)
    write_ply(tmp_path / "b.ply", building, points)
    cloud = capture.read(tmp_path / "b.ply", file_unit="m")
    names, _ = buildings.split(cloud, tmp_path / "parts")
    assert len(names) == 4


def test_cells_follow_the_density():
    """On a plane with 400 points a m2, 2.5 of them fall into a cell of 79 mm."""
    rng = np.random.default_rng(3)
    sample = np.column_stack([rng.uniform(0, 20, (160_000, 2)), np.full(160_000, 0.1)])
    assert_allclose(cell_for(sample, 160_000), np.sqrt(2.5 / 400), rtol=0.02)
    assert cell_for(sample, 10**9) == 0.05
    assert cell_for(sample, 10) == 0.15


def test_a_single_room_is_left_whole(tmp_path):
    cloud = capture.read(SAMPLES / "room.ply")
    assert not buildings.is_building(cloud)
    write_ply(tmp_path / "hall.ply", Building(across=1, deep=1, room=(9.0, 5.0, 3.0)), 300_000)
    hall = capture.read(tmp_path / "hall.ply", file_unit="m")
    assert buildings.is_building(hall)
    assert buildings.split(hall, tmp_path / "parts") == ([], ())
    assert not (tmp_path / "parts").exists()


def test_lost_and_cut_off_rooms(flat_scan, tmp_path):
    names, _ = buildings.split(flat_scan, tmp_path)
    rows = tmp_path / f"{names[0]}.f32"
    rows.write_bytes(rows.read_bytes()[:-12])
    with pytest.raises(ReadError, match="bytes instead of"):
        buildings.read_part(tmp_path, names[0])
    rows.unlink()
    with pytest.raises(ReadError, match="needed: a room cut out of the scan"):
        buildings.read_part(tmp_path, names[0])


def test_no_room_on_the_disk_is_said_with_the_number(flat_scan):
    with pytest.raises(OutputError, match=r"needed: about 0\.0 GB for the rooms of .*flat\.las"):
        buildings.split(flat_scan, Path("/proc/flatscan-parts"))


@pytest.mark.parametrize("measured", ["1-wall-[12]|2-wall-3", pytest.param(".*", marks=pytest.mark.nightly)])
def test_walls_of_a_building_as_their_formula_says(measured, tmp_path):
    """Two rooms of four walls, 4 m and 3.2 m by 2.6 m, every one with a belly of 4 mm along (its formula).

    The short version measures some of them: the others are told by work without sums.
    """

    def work(task):
        there = task.kind == "look" or re.search(f"room-({measured})$", task.slug)
        return do(task) if there else quick(task)

    building = Building(across=2, deep=1)
    write_las(tmp_path / "house.las", building, 400_000)
    how = Capturing(file_unit="m", capture_type="scanner")
    captures = with_slugs([Capture(tmp_path / "house.las", "house", settings=Settings(how=how, formats=("json",)))])
    out = tmp_path / "out"
    made = run(captures, out, lambda: InlinePool(work)).document
    assert made["failed"] == []
    assert len(made["walls"]) == 8
    assert sorted({row["title"] for row in made["walls"]})[0] == "house, level 1 room 1, wall 1"
    assert not (out / ".flatscan-site/parts").exists()
    results = sorted((out / "walls").glob("*/site-result.json"))
    assert len(results) == (8 if measured == ".*" else 3)
    for result in results:
        wall = json.loads(result.read_text())
        assert wall["capture"]["file"].endswith("house.las")
        width = wall["wall"]["width_mm"]
        assert min(abs(width - 4000), abs(width - 3200)) < 15
        assert_allclose(wall["wall"]["height_mm"], 2600, atol=15)
        assert_allclose(wall["shape"]["belly_along_mm"], 4.0, atol=0.4)
        assert_allclose(wall["plumb"]["lean_mm_per_m"], 0.0, atol=0.3)
    again = InlinePool(work)
    run(captures, out, lambda: again)
    assert again.done == []
    first = tree(out)
    shutil.rmtree(out / "walls/house-level-1-room-2-wall-3")
    again = InlinePool(work)
    run(captures, out, lambda: again)
    assert again.done == [("look", "house"), ("wall", "house-level-1-room-2-wall-3")]
    assert tree(out) == first


def test_task_names_of_rooms_cannot_clash():
    a, b = with_slugs([Capture(Path("x"), "house"), Capture(Path("y"), "house", room="level 1")])
    assert a.slug != b.slug
    assert replace(a, name="other").slug == a.slug
