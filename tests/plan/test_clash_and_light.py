"""What the face buries or leaves proud, and what shows in raking light.

By hand and against the table of methods/trade 12.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadTable, BadValue
from flatscan.plan.face import Item, clashes, height_that_shows, read_items, shows
from flatscan.plan.finish import PlaneOptions, place
from flatscan.report.say import say


def test_boxes_linings_and_skirting(build):
    """12 mm of build-up: a 10 mm box is buried by 2, a 20 mm lining stands 8 proud of 5 wanted, so 3 too far out."""
    relief = build.cells(4.0, 2.5, lambda x, y: np.where(x > 3, np.nan, 0.0), cell=0.1)
    done = place(relief, build.wall(4.0, 2.5), options=PlaneOptions(least=0.012))
    box, lining, sill, blind = clashes(
        (
            Item("box", 1, 0.4, 0.010),
            Item("lining", 2, 1, 0.020, 0.005),
            Item("sill", 2, 1, 0.0125),
            Item("skirting", 3.8, 0.1, 0.02),
        ),
        done,
        relief,
    )
    assert (box.verdict, lining.verdict, sill.verdict, blind.verdict) == ("buried", "proud", "flush", "not measured")
    assert_allclose([box.stands, box.move, lining.stands, lining.move], [-0.002, 0.002, 0.008, -0.003], atol=1e-12)
    assert blind.build_up is None


def test_stations_take_the_nearest_and_say_how_far(build):
    relief = build.stations([0.5, 1.5], [0.5], [[0, -3]], 2.0, 1.0)
    done = place(relief, build.wall(2.0, 1.0))
    (clash,) = clashes((Item("box", 1.4, 0.5, 0.005),), done, relief)
    assert_allclose([clash.build_up, clash.stands, clash.distance], [0.008, -0.003, 0.1], atol=1e-9)


def test_items_from_a_file(tmp_path):
    path = tmp_path / "items.csv"
    path.write_text(
        "# boxes and linings\nname,x_m,y_m,depth_mm,proud_mm\nsocket box,1.0,0.45,-2,\nlining,2.0,1.0,20,6\n"
    )
    (box, lining), _ = read_items(path)
    assert (box.name, box.depth, box.proud) == ("socket box", -0.002, 0.0)
    assert_allclose([lining.x, lining.depth, lining.proud], [2.0, 0.020, 0.006])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name,x_m,y_m\na,1,1\n", "no column for depth"),
        ("name,x_m,y_m,depth_mm\n,1,1,1\n", "line 2: no name"),
        ("name,x_m,y_m,depth_mm\na,1,one,1\n", "line 2, column y_m.*'one'"),
        ("name,x,y,depth\na,1,1,1\n", "no column"),
        ("name,x_m,y_m,depth_mm\na,1,1,inf\n", "'inf' is not a number"),
    ],
)
def test_items_that_are_not_right(tmp_path, text, says):
    path = tmp_path / "bad.csv"
    path.write_text(text)
    with pytest.raises(BadTable, match=says):
        read_items(path)


def test_height_that_just_shows():
    """methods/trade 12 (derived): over 1.8 m and 0.3 m at 45, 30, 15, 10 and 5 degrees, in mm to a tenth."""
    table = {1.8: [11.5, 6.6, 3.1, 2.0, 1.0], 0.3: [1.9, 1.1, 0.5, 0.3, 0.2]}
    for length, heights in table.items():
        got = [height_that_shows(length, np.radians(angle)) * 1e3 for angle in (45, 30, 15, 10, 5)]
        assert_allclose(got, heights, atol=0.051)


@pytest.mark.parametrize("along", [True, False])
def test_a_swell_shows_from_its_own_height_on(build, along):
    """A swell 1.8 m long of the height that shows at 10 degrees shows at 8 and not at 12."""
    high = height_that_shows(1.8, np.radians(10))

    def swell(x, y):
        return high / 2 * (1 - np.cos(2 * np.pi * (x if along else y) / 1.8))

    relief = build.cells(3.6, 3.6, swell)
    assert shows(relief, np.radians(12), along=along, base=0.06).share == 0
    seen = shows(relief, np.radians(8), along=along, base=0.06)
    assert 0 < seen.share < 1
    assert shows(relief, np.radians(8), along=not along).share == 0
    assert "not a standard" in say(seen.said)


def test_noise_and_lean_do_not_show(build):
    relief = build.cells(4.0, 2.5, lambda x, y: 0.02 * x, u=0.0004, seed=2)
    assert shows(relief, np.radians(15)).share < 0.001


def test_light_on_stations_and_nonsense(build):
    relief = build.stations([0.5, 1.5], [0.5], [[0, -3]], 2.0, 1.0)
    assert shows(relief, 0.3).x is None
    for length, angle in ((0.0, 0.3), (1.8, 0.0), (1.8, np.pi / 2), (float("nan"), 0.3)):
        with pytest.raises(BadValue):
            height_that_shows(length, angle)
    bare = build.cells(1.0, 1.0, lambda x, y: np.nan * x, cell=0.1)
    assert shows(bare, 0.3).share == 0
    assert shows(build.cells(0.2, 0.2, lambda x, y: 0 * x, cell=0.1), 0.3).share == 0
