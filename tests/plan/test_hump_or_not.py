"""What is offered for cutting: humps only, as deep and as many as their work is worth."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.plan.hacking import HackOptions, hacking_plan
from flatscan.plan.hacking_work import MINUTES_A_HUMP, MINUTES_PER_M3, SWELL
from flatscan.plan.stops import SEEN
from flatscan.report.say import say

# 0.2 m3 a day of eight hours (methods/trade 9): 2.4 minutes a litre
PACE = HackOptions(hours_per_m3=8 / 0.2)


def nib(x, y, at, size, high):
    return high * ((np.abs(x - at[0]) < size / 2) & (np.abs(y - at[1]) < size / 2))


def bump(x, y, at, sd, high):
    return high * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * sd**2))


def corner(x, y, width=4.0, height=2.5, over=0.8, high=0.012):
    """The upper right corner leans out, evenly over the last 0.8 m."""
    return high * np.clip(1 - np.hypot(width - x, height - y) / over, 0, None)


@pytest.mark.parametrize("cell", [0.02, 0.05])
def test_a_corner_that_leans_out_is_no_hump(build, cell):
    wall = build.wall(4.0, 2.5)
    plan = hacking_plan(build.cells(4.0, 2.5, corner, cell=cell), wall, options=PACE)
    assert plan.hacks == ()
    assert "leans out toward its edge" in say(plan.ends_because)
    assert_allclose(plan.ends_because.place, (4.0, 2.5), atol=0.1)
    # a nib that stands elsewhere is one all the same, and so is one that stands in a corner that does not lean
    spot = build.cells(4.0, 2.5, lambda x, y: corner(x, y, high=0.005) + nib(x, y, (1.5, 1.3), 0.2, 0.008), cell=cell)
    (hack,) = hacking_plan(spot, wall, options=PACE).hacks
    assert_allclose([hack.x, hack.y], [1.5, 1.3], atol=0.11)
    flat = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (4.0, 2.5), 0.4, 0.008), cell=cell)
    assert len(hacking_plan(flat, wall, options=PACE).hacks) == 1


def test_a_corner_of_stations_is_no_hump(build):
    """Read every 400 mm on 4.4 x 2.6 m: the corner's stations stand 12 and 6 mm proud, and own 0.4 m2."""
    x, y = np.arange(0.1, 4.4, 0.4), np.arange(0.1, 2.6, 0.4)
    table = 1000 * corner(*np.meshgrid(x, y), 4.1, 2.5)
    wall = build.wall(4.4, 2.6)
    assert hacking_plan(build.stations(x, y, table, 4.4, 2.6), wall, options=PACE).hacks == ()
    table = np.zeros((len(y), len(x)))
    table[-1, -1] = 9
    (hack,) = hacking_plan(build.stations(x, y, table, 4.4, 2.6), wall, options=PACE).hacks
    assert_allclose([hack.x, hack.y], [x[-1], y[-1]])


def test_a_narrow_hump_by_hand(build):
    """2 x 1 m flat, one nib 120 mm square and 8 mm proud: 0.1152 l of it come off.

    V0 = 2 x 13 - 0.0144 x 8 = 25.8848 l, V1 = 2 x 5 = 10 l: 15.8848 l saved, 38 minutes of plastering; to cut it takes
    10 + 30 x 0.1152 = 13.456 minutes and leaves 1.5 x 0.1152 l of rubble.
    """
    relief = build.cells(2.0, 1.0, lambda x, y: nib(x, y, (0.9, 0.5), 0.12, 0.008))
    plan = hacking_plan(relief, build.wall(2.0, 1.0), options=PACE)
    (hack,) = plan.hacks
    assert_allclose([hack.cut, hack.area, hack.saves], [0.008, 0.0144, 0.0158848], rtol=1e-9)
    assert_allclose([hack.minutes, hack.rubble], [13.456, 0.0001728], rtol=1e-9)
    assert (MINUTES_A_HUMP, MINUTES_PER_M3, SWELL) == (10, 30e3, 1.5)


def test_what_costs_more_than_it_saves_is_not_called_worth_cutting(build):
    """0.8 x 0.5 m: 0.4 x 8 less 0.1152 l are 7 minutes of plastering, for 13 minutes' work."""
    relief = build.cells(0.8, 0.5, lambda x, y: nib(x, y, (0.4, 0.24), 0.12, 0.008))
    plan = hacking_plan(relief, build.wall(0.8, 0.5), options=PACE)
    assert plan.hacks == ()
    said = say(plan.ends_because)
    assert "not worth cutting" in said
    assert "3.1 litres and 7 minutes" in said
    assert "takes 13 minutes" in said


def test_the_list_ends_where_cutting_on_takes_longer(build):
    """On 4 x 2.5 m each mm of the face is 10 l, 24 minutes: the first nib saves 5 of them, three more one in all.

    V0 = 150 - 0.04 (10 + 3 x 5) = 149.0 l; V1 = 10 x 10 - 0.04 x 20 = 99.2; to the wall at 4.5 mm needs all three.
    """
    spots = [((0.7, 0.7), 0.005), ((2.1, 0.6), 0.005), ((3.3, 1.9), 0.005)]

    def surface(x, y):
        plain = 0.0045 * ((y > 2.1) & (x < 3.0))
        return plain + nib(x, y, (1.5, 1.3), 0.2, 0.010) + sum(nib(x, y, at, 0.2, high) for at, high in spots)

    relief, wall = build.cells(4.0, 2.5, surface), build.wall(4.0, 2.5)
    every = hacking_plan(relief, wall)
    some = hacking_plan(relief, wall, options=PACE)
    assert len(every.hacks) == 4
    assert len(some.hacks) == 1
    assert_allclose(some.hacks[0].saves, every.hacks[0].saves, rtol=1e-9)
    # cut as deep as the face needs with the others left, not as deep as the whole list would
    assert_allclose([some.hacks[0].cut, every.hacks[0].cut], [0.005, 0.0055], atol=1e-6)
    assert "cutting on is not worth it" in say(some.ends_because)
    # the deepest cut is bounded whatever it saves
    (first, *_) = hacking_plan(relief, wall, options=HackOptions(most=0.002)).hacks
    assert_allclose(first.cut, 0.002, atol=1e-9)


def test_two_equal_humps_are_offered_together(build):
    """The first alone saves its refill at most; both save 79.36 l: 190 minutes for 2 x (10 + 30 x 0.32) = 39."""
    relief = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1, 1), 0.2, 0.008) + nib(x, y, (3, 1), 0.2, 0.008))
    first, second = hacking_plan(relief, build.wall(4.0, 2.5), options=PACE).hacks
    assert_allclose(first.saves, 0.0, atol=1e-9)
    assert_allclose(second.saves, 0.12936 - 0.05, rtol=1e-9)
    assert_allclose([first.minutes, second.minutes], [19.6, 19.6], rtol=1e-9)


def test_neither_bulge_nor_half_a_square_metre(build):
    wall = build.wall(4.0, 2.5)
    bulge = hacking_plan(build.cells(4.0, 2.5, lambda x, y: bump(x, y, (2, 1.2), 0.5, 0.012)), wall, options=PACE)
    assert bulge.hacks == ()
    # 0.3 x 1.8 m of proud courses: narrower than a bulge, and 0.54 m2 all the same
    courses = build.cells(4.0, 2.5, lambda x, y: 0.008 * ((np.abs(x - 2) < 0.9) & (np.abs(y - 1.2) < 0.15)))
    plan = hacking_plan(courses, wall, options=PACE)
    assert plan.hacks == ()
    assert "too much for a hump" in say(plan.ends_because)


def test_not_at_an_openings_head_nor_under_a_stop_sign(build):
    window = build.hole(1.0, 1.0, 1.0, 1.0)
    wall = build.wall(4.0, 2.5, openings=(window,))
    head = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1.5, 2.08), 0.12, 0.008), openings=(window,))
    assert "opening's head" in say(hacking_plan(head, wall, options=PACE).ends_because)
    free = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (3.0, 1.2), 0.2, 0.008), openings=(window,))
    plan = hacking_plan(free, wall, options=PACE)
    assert len(plan.hacks) == 1
    assert hacking_plan(free, wall, options=PACE, standing=(SEEN["damp"],)).hacks == ()
