"""What cells and stations answer to the same questions, and that nobody asks which of the two they are."""

import ast
import re
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

import flatscan
from flatscan.core.errors import BadValue
from flatscan.core.reliefs import Stations
from flatscan.core.warp import CommonError

ROOT = Path(flatscan.__file__).parent
# the rooms that make reliefs and lay straightedges on them, and the module the two bodies stand in
MAKERS = ("relief", "straightedge")
# where the two types are, and where they are offered to who asks for a library; neither asks which one it has
OFFERED = ("core/reliefs.py", "library/__init__.py", "__init__.py")


def cells(z, cell=0.02, **more):
    return grid_of(z, cell, u=0.001, count=1, **more)


def stations(x, y, z, area=1.0):
    z = np.array(z, float)
    return Stations(
        x=np.array(x, float),
        y=np.array(y, float),
        offset=z,
        u=np.full(z.shape, 0.0006),
        count=np.ones(z.shape, int),
        inside=np.isfinite(z),
        area=np.where(np.isfinite(z), area, 0.0),
        common=CommonError(0.0),
    )


def outside_the_makers():
    for path in sorted(ROOT.rglob("*.py")):
        part = path.relative_to(ROOT)
        if part.parts[0] not in MAKERS and str(part) not in OFFERED:
            yield part, path.read_text(encoding="utf-8")


def test_nobody_else_asks_whether_a_relief_is_of_cells_or_of_stations():
    for part, text in outside_the_makers():
        assert not re.search(r"\.(cell|grain)\s+is\s+(not\s+)?None", text), part
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.ImportFrom):
                assert node.module != "flatscan.core.reliefs", f"{part}, line {node.lineno}"
                assert node.module != "flatscan.core" or all(a.name != "reliefs" for a in node.names), part


def test_nobody_else_takes_the_cells_size_from_a_relief():
    for part, text in outside_the_makers():
        assert not re.search(r"\b(relief|earlier|later|base|smooth|source|surface|first|second)\.cell\b", text), part


def test_what_each_can_tell():
    scan, read = cells(np.zeros((4, 5)), window=3), stations([0, 1], [0, 1], np.zeros((2, 2)))
    assert (scan.known_between, scan.step, scan.grain, scan.laser) == (True, 0.02, 0.02, None)
    assert_allclose(scan.smoothed_over, 0.06)
    assert cells(np.zeros((4, 5))).smoothed_over == 0
    assert (read.known_between, read.step, read.grain, read.laser, read.smoothed_over) == (False, 0, None, 0, 0)
    assert (read.window, read.hidden) == (1, 0)


def test_cells_that_touch_at_a_corner_are_connected():
    chosen = np.zeros((9, 9), bool)
    chosen[1, 1] = chosen[2, 2] = chosen[6, 6] = True
    labels, number = cells(np.zeros((9, 9))).connected(chosen)
    assert number == 2
    assert labels[1, 1] == labels[2, 2] != labels[6, 6]


def test_stations_of_a_table_are_connected_as_its_cells_would_be():
    rng = np.random.default_rng(5)
    for _ in range(20):
        chosen = rng.uniform(size=(6, 8)) < 0.3
        table = stations(np.arange(8) * 0.5, np.arange(6) * 0.4, np.zeros((6, 8)))
        assert_allclose(table.connected(chosen)[0], cells(np.zeros((6, 8))).connected(chosen)[0])


def test_a_station_not_read_parts_nothing():
    z = np.zeros((3, 5))
    z[1, 2] = np.nan
    chosen = np.zeros((3, 5), bool)
    chosen[1, 1] = chosen[1, 3] = True
    assert stations(np.arange(5), np.arange(3), z).connected(chosen)[1] == 1
    assert stations(np.arange(5), np.arange(3), np.zeros((3, 5))).connected(chosen)[1] == 2


def test_size_and_ground():
    row, col = np.array([1, 1, 2]), np.array([0, 3, 2])
    scan = cells(np.zeros((4, 5)))
    assert_allclose(scan.size_of(row, col), (0.08, 0.04))
    assert_allclose(scan.ground_of(row, col), (0.08, 0.04))
    read = stations(np.arange(5), np.arange(4), np.zeros((4, 5)), area=0.25)
    assert_allclose(read.size_of(row, col), (3, 1))
    assert_allclose(read.ground_of(row, col), (3.5, 1.5))


def test_value_behind_a_dot():
    z = np.full((20, 20), 0.002)
    z[:10] = np.nan
    scan = cells(z)
    value, u = scan.value_at(0.2, 0.35)
    assert_allclose(value, 0.002)
    near = np.hypot(scan.places[0] - 0.2, scan.places[1] - 0.35) <= 0.05
    assert_allclose(u, 0.001 / np.sqrt(near.sum()))
    # nothing within 50 mm: those within 150 mm are taken, and further off none
    assert scan.value_at(0.2, 0.1) is not None
    assert scan.value_at(0.2, 0.0) is None
    read = stations([0, 1], [0, 1], [[0.001, np.nan], [0.003, 0.004]])
    assert read.value_at(0.0, 1.0) == (0.003, 0.0006)
    assert read.value_at(1.0, 0.0) is None


def test_what_lies_beside_a_place():
    scan = cells(np.zeros((20, 20)))
    assert_allclose(scan.beside(0.2, 0.2, 0.05), np.hypot(scan.places[0] - 0.2, scan.places[1] - 0.2) <= 0.05, atol=0)
    assert not scan.beside(3.0, 0.2, 0.05).any()
    assert_allclose(scan.columns_near(0.05, 0.02), np.abs(scan.x - 0.05) <= 0.02, atol=0)
    assert scan.columns_near(0.055, 0.0).sum() == 1
    read = stations([0, 1, 2], [0, 1], [[0, 0, 0], [0, np.nan, 0]])
    assert np.argwhere(read.beside(1.1, 3.0, 0.1)).tolist() == [[1, 2]]
    assert np.flatnonzero(read.columns_near(1.0, 0.5)).tolist() == [1]
    assert not stations([0], [0], [[np.nan]]).beside(0, 0, 1).any()


def test_slope_is_told_on_cells_only():
    scan = cells(np.zeros((6, 7)))
    tilted = 0.003 * scan.places[0] + 0.004 * scan.places[1]
    assert_allclose(scan.slope_of(tilted), 0.005, rtol=1e-9)
    assert_allclose(cells(np.zeros((2, 7))).slope_of(np.ones((2, 7))), 0, atol=0)
    assert_allclose(stations([0, 1, 2], [0, 1, 2], np.eye(3)).slope_of(np.eye(3)), 0, atol=0)


def test_profiles_are_of_cells_only():
    scan = cells(np.arange(50)[None, :] * np.ones((40, 1)) * 0.001)
    along, wall = scan.profile_along((0.01, 0.2), (0.81, 0.2))
    assert_allclose(along, np.arange(41) * 0.02)
    assert_allclose(wall, along / 0.02 * 0.001, atol=1e-12)
    with pytest.raises(BadValue, match="stations at free places"):
        stations([0, 1], [0, 1], np.zeros((2, 2))).profile_along((0, 0), (1, 1))


def test_stations_named_but_not_read_are_not_covered():
    z = np.zeros((2, 2))
    assert_allclose(stations([0, 1], [0, 1], z).covered_share, 1.0)
    part = Stations(
        x=np.arange(2.0), y=np.arange(2.0), offset=z, u=z, count=np.ones((2, 2), int), inside=np.ones((2, 2), bool),
        area=np.ones((2, 2)), common=CommonError(0.0), missing_share=0.25,
    )  # fmt: skip
    assert_allclose(part.covered_share, 0.75)


def test_a_relief_is_read_at_the_places_of_another():
    scan = cells(np.fromfunction(lambda row, col: 0.001 * col, (30, 40)))
    shift = np.array([0.1, 0.0, 0.005])
    target = cells(np.zeros((30, 40)))
    value, u = scan.laid_on(target, np.eye(3), shift)
    # 0.1 m are five cells: a place reads what lies five cells to its left, 5 mm further out
    assert_allclose(value[:, 5:], scan.offset[:, :-5] + 0.005, atol=1e-12)
    assert np.isnan(value[:, :5]).all()
    assert_allclose(u[:, 5:], 0.001, atol=1e-12)
    read = stations([0.11, 0.51], [0.21, 0.41], [[0.001, 0.002], [0.003, np.nan]])
    value, _ = read.laid_on(stations([0.13, 0.51], [0.21, 0.41], np.zeros((2, 2))), np.eye(3), np.zeros(3))
    assert_allclose(value, [[0.001, 0.002], [0.003, np.nan]])
    # further than 50 mm off is another station
    value, _ = read.laid_on(stations([0.17], [0.21], [[0.0]]), np.eye(3), np.zeros(3))
    assert np.isnan(value).all()
