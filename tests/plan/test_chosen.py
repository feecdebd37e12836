"""Humps chosen by hand: the list's own lines, no choice, any order, a choice worked by head, and what is no hump."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue
from flatscan.plan.finish import place
from flatscan.plan.hacking import hacking_plan
from flatscan.plan.other_planes import ChosenHumps
from flatscan.report.say import say

SPOTS = (((0.7, 0.7), 0.006), ((2.1, 1.3), 0.008), ((3.3, 1.9), 0.004))


@pytest.fixture
def humped(build):
    """A flat 4 x 2.5 m wall with nibs of 6, 8 and 4 mm, 200 mm square, its list, and what tries choices."""

    def surface(x, y):
        return sum(h * ((np.abs(x - a) < 0.1) & (np.abs(y - b) < 0.1)) for (a, b), h in SPOTS)

    relief, wall = build.cells(4.0, 2.5, surface), build.wall(4.0, 2.5)
    return hacking_plan(relief, wall).hacks, ChosenHumps(relief, wall, place(relief, wall))


def test_the_lists_own_lines_come_back(humped):
    hacks, chosen = humped
    for k in range(1, len(hacks) + 1):
        made = chosen.with_cut([(h.x, h.y) for h in hacks[:k]])
        assert made.saves == pytest.approx(hacks[k - 1].saves, rel=1e-12)
    assert_allclose(made.cuts, [h.cut for h in hacks], rtol=0, atol=1e-12)


def test_nothing_chosen_is_the_wall_as_it_stands(humped):
    _, chosen = humped
    made = chosen.with_cut([])
    assert made.saves == 0
    assert made.build_up.volume.value == pytest.approx(chosen.uncut.volume.value, rel=1e-12)
    assert made.build_up.plane.at_left_foot == pytest.approx(chosen.uncut.plane.at_left_foot, abs=1e-15)
    assert made.build_up.plane.rule == chosen.uncut.plane.rule


def test_a_lower_hump_alone_saves_nothing_but_costs_its_refill(humped):
    """With only the 4 mm nib cut the 8 mm one still holds the face at 8 + 5 mm: nothing is cut, nothing is saved."""
    hacks, chosen = humped
    lowest = min(hacks, key=lambda h: h.cut)
    made = chosen.with_cut([(lowest.x, lowest.y)])
    assert made.cuts == (0.0,)
    assert made.saves == pytest.approx(0.0, abs=1e-12)


def test_volume_after_all_three_by_head(humped):
    """All cut flush: 10 m2 under 5 mm of cover is 50 litres; what is cut is 0.04 (6 + 8 + 4) = 0.72 litres."""
    hacks, chosen = humped
    made = chosen.with_cut([(h.x, h.y) for h in reversed(hacks)])
    assert made.build_up.volume.value == pytest.approx(0.050, rel=1e-9)
    assert made.removed == pytest.approx(0.00072, rel=1e-9)
    assert say(made.build_up.plane.rule).endswith("3 humps cut")


def test_a_place_without_a_hump(humped):
    with pytest.raises(BadValue, match=r"none 1500 mm from the left, 2200 mm up"):
        humped[1].with_cut([(1.5, 2.2)])
