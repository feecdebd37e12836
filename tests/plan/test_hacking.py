"""Hacking lists by hand: what each cut saves, refill included, and what must not be cut."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue
from flatscan.plan.cutting import as_cut
from flatscan.plan.finish import PlaneOptions, place
from flatscan.plan.hacking import HackOptions, hacking_plan, hacks
from flatscan.plan.humps import find_humps, under_humps
from flatscan.plan.stops import SEEN
from flatscan.report.say import say


def nib(x, y, at, size, high):
    """A flat-topped square nib."""
    return high * ((np.abs(x - at[0]) < size / 2) & (np.abs(y - at[1]) < size / 2))


def test_one_nib_by_hand(build):
    """4 x 2.5 m flat, one 0.2 x 0.2 m nib 8 mm proud, least 5 mm.

    V0 = 10 x 13 - 0.04 x 8 = 129.68 L; cut flush, V1 = 10 x 5 = 50 L: saves 79.68 L and 7.968 mm of mean coat.
    """
    relief = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1.5, 1.3), 0.2, 0.008))
    (hack,) = hacks(relief, build.wall(4.0, 2.5), options=HackOptions(bags_per_m3=30.0))
    assert_allclose([hack.cut, hack.area, hack.saves], [0.008, 0.04, 0.07968], rtol=1e-9)
    assert_allclose([hack.mean_saved, hack.saves_bags], [0.007968, 0.07968 * 30], rtol=1e-9)
    assert_allclose([hack.x, hack.y], [1.5, 1.3], atol=0.1)
    assert_allclose([hack.width, hack.height], [0.2, 0.2], atol=1e-9)


def test_three_nibs_govern_in_turn(build):
    """8, 6 and 4 mm: the face drops to 6, 4, 0 (+5); V = 10 f - sum of what stands in it.

    V0 = 130 - 0.04 (8+6+4) = 129.28; V1 = 110 - 0.04 (6+6+4) = 109.36; V2 = 90 - 0.04 x 12 = 89.52; V3 = 50 L.
    """
    spots = [((0.7, 0.7), 0.006), ((2.1, 1.3), 0.008), ((3.3, 1.9), 0.004)]
    relief = build.cells(4.0, 2.5, lambda x, y: sum(nib(x, y, at, 0.2, high) for at, high in spots))
    plan = hacking_plan(relief, build.wall(4.0, 2.5))
    assert_allclose([h.saves for h in plan.hacks], [0.01992, 0.03976, 0.07928], rtol=1e-9)
    assert_allclose([h.adds for h in plan.hacks], [0.01992, 0.01984, 0.03952], rtol=1e-9)
    assert_allclose([h.cut_so_far for h in plan.hacks], [0.002, 0.002, 0.004], atol=1e-12)
    assert_allclose([h.cut for h in plan.hacks], [0.008, 0.006, 0.004], atol=1e-12)
    assert plan.enough == 3
    assert "once these humps are cut, the wall itself sets the face" in say(plan.ends_because)


def test_never_deeper_than_allowed(build):
    """A 14 mm nib cut by at most 10 leaves 4: V0 = 190 - 0.56, V1 = 90 - 0.04 x 4 (what is left of it)."""
    relief = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1.5, 1.3), 0.2, 0.014))
    plan = hacking_plan(relief, build.wall(4.0, 2.5))
    (hack,) = plan.hacks
    assert_allclose([hack.cut, hack.saves], [0.010, 0.18944 - 0.08984], rtol=1e-9)
    assert "cut as deep as allowed (10 mm)" in say(plan.ends_because)


def test_equal_humps_save_nothing_until_both_are_cut(build):
    relief = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1, 1), 0.2, 0.008) + nib(x, y, (3, 1), 0.2, 0.008))
    first, second = hacks(relief, build.wall(4.0, 2.5))
    assert first.adds == pytest.approx(0.0, abs=1e-12)
    assert_allclose(second.saves, 0.12936 - 0.05, rtol=1e-9)


def test_a_broad_bulge_is_not_cut_but_the_nib_on_it_is(build):
    def bulge(x, y):
        return 0.012 * np.exp(-((x - 2) ** 2 + (y - 1.2) ** 2) / (2 * 0.6**2))

    wall = build.wall(4.0, 2.5)
    assert hacks(build.cells(4.0, 2.5, bulge), wall) == ()
    both = build.cells(4.0, 2.5, lambda x, y: bulge(x, y) + nib(x, y, (2.2, 1.2), 0.2, 0.006))
    (hack,) = hacks(both, wall)
    assert_allclose([hack.x, hack.y], [2.2, 1.2], atol=0.11)
    assert hack.cut == pytest.approx(0.006, abs=0.001)


def test_a_rounded_hump_is_cut_down_to_its_foot(build):
    """A Gaussian hump 9 mm high, 60 mm wide (sd): only its last millimetre may stay."""
    relief = build.cells(
        4.0, 2.5, lambda x, y: 0.009 * np.exp(-((x - 2) ** 2 + (y - 1.2) ** 2) / (2 * 0.06**2)), cell=0.01
    )
    (hack,) = hacks(relief, build.wall(4.0, 2.5))
    assert 0.0785 < hack.saves < 0.0800  # 10 m2 x 8 mm less the refill
    assert hack.cut == pytest.approx(0.008, abs=0.0003)


def test_steps_bellies_and_leans_are_no_humps(build):
    wall = build.wall(4.0, 2.5)
    for shape in (
        lambda x, y: 0.008 * (x > 1.5),
        lambda x, y: 0.010 * y,
        lambda x, y: -0.005 * (x - 2) ** 2,
        lambda x, y: 0.005 * (x - 2) ** 2,
        lambda x, y: 0.0 * x,
    ):
        assert hacks(build.cells(4.0, 2.5, shape), wall) == ()


def test_a_ridge_along_a_course_is_narrow_and_may_be_cut(build):
    """A ridge 60 mm high over 3 m long, 5 mm proud: V0 = 100 - 0.18 x 5 = 99.1, V1 = 50."""
    relief = build.cells(4.0, 2.5, lambda x, y: 0.005 * ((np.abs(y - 1.31) < 0.03) & (np.abs(x - 2) < 1.5)))
    (hack,) = hacks(relief, build.wall(4.0, 2.5))
    assert_allclose(hack.saves, 0.0491, rtol=1e-6)


def test_near_an_openings_head_nothing_is_cut(build):
    window = build.hole(1.0, 1.0, 1.0, 1.0)
    wall = build.wall(4.0, 2.5, openings=(window,))
    near = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1.5, 2.08), 0.12, 0.008), openings=(window,))
    plan = hacking_plan(near, wall)
    assert plan.hacks == ()
    assert "within 150 mm of an opening's head" in say(plan.ends_because)
    assert "within 5 7/8 in of" in say(plan.ends_because, "in")
    assert_allclose(plan.ends_because.place, (1.5, 2.08), atol=0.07)
    below = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1.5, 0.8), 0.12, 0.008), openings=(window,))
    assert len(hacks(below, wall)) == 1


def test_patches_too_small_to_work_are_left_or_joined(build):
    wall = build.wall(4.0, 2.5)
    lone = hacking_plan(build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1.51, 1.31), 0.06, 0.008)), wall)
    assert lone.hacks == ()
    assert "too small a patch to work" in say(lone.ends_because)
    spots = [((1.51, 1.31), 0.008), ((1.63, 1.31), 0.007)]
    pair = build.cells(4.0, 2.5, lambda x, y: sum(nib(x, y, at, 0.06, high) for at, high in spots))
    (hack,) = hacks(pair, wall)
    assert hack.saves == pytest.approx(10 * 0.013 - 0.0036 * 0.015 - 0.05, rel=1e-9)


def test_a_nib_at_the_walls_corner_counts(build):
    relief = build.cells(4.0, 2.5, lambda x, y: 0.008 * ((x < 0.2) & (y < 0.2)))
    (hack,) = hacks(relief, build.wall(4.0, 2.5))
    assert hack.saves == pytest.approx(0.07968, rel=1e-9)


def test_nothing_while_a_stop_sign_stands(build):
    relief = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1.5, 1.3), 0.2, 0.008))
    plan = hacking_plan(relief, build.wall(4.0, 2.5), standing=(SEEN["damp"],))
    assert plan.hacks == ()
    assert "stop sign" in say(plan.ends_because)
    assert say(SEEN["damp"]) in say(plan.ends_because)


def test_noise_makes_no_humps_and_thickens_nothing(build):
    relief = build.cells(4.0, 2.5, lambda x, y: 0 * x, u=0.0004, seed=1)
    assert find_humps(relief, build.wall(4.0, 2.5)).label.max() == 0


def test_what_pays_at_given_costs(build):
    """The 8 mm nib saves 79.68 L for 0.32 L of masonry cut: pays at 1 a litre until the cut costs 249 a litre."""
    relief = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1.5, 1.3), 0.2, 0.008))
    for cost, pays in ((248.0, True), (250.0, False)):
        options = HackOptions(cost_fill=1e3, cost_cut=cost * 1e3)
        assert hacks(relief, build.wall(4.0, 2.5), options=options)[0].pays is pays


def test_where_more_cutting_stops_paying(build):
    """Fill 1 a litre, nothing for the cut, 30 a hump: 19.92, 19.84 and 39.52 L net -10, -20 and -10.7: cut none;
    at 25 a hump 79.28 - 75: cut all three."""
    spots = [((0.7, 0.7), 0.006), ((2.1, 1.3), 0.008), ((3.3, 1.9), 0.004)]
    relief = build.cells(4.0, 2.5, lambda x, y: sum(nib(x, y, at, 0.2, high) for at, high in spots))
    for cost, enough in ((30.0, 0), (25.0, 3)):
        options = HackOptions(cost_fill=1e3, cost_cut=0.0, cost_hump=cost)
        plan = hacking_plan(relief, build.wall(4.0, 2.5), options=options)
        assert plan.enough == enough
    assert [hack.pays for hack in plan.hacks] == [False, False, True]


def test_savings_are_differences_of_the_same_volume(build):
    """0.4 mm of noise on a wall with two nibs: V0 is the build-up's own volume, V1 and V2 those of the wall as cut."""
    relief = build.cells(
        4.0,
        2.5,
        lambda x, y: nib(x, y, (1.5, 1.3), 0.2, 0.008) + nib(x, y, (3.0, 0.8), 0.2, 0.005),
        u=0.0004,
        seed=8,
    )
    wall = build.wall(4.0, 2.5)
    uncut, listed = place(relief, wall), hacks(relief, wall)
    for count, hack in enumerate(listed, 1):
        cut = place(as_cut(relief, wall, listed[:count]).relief, wall)
        assert_allclose(uncut.volume.value - cut.volume.value, hack.saves, rtol=1e-6)
    # the flat wall takes 50 litres, and the first nib makes it 130
    assert_allclose(listed[-1].saves, 0.080, rtol=0.06)
    assert_allclose(listed[0].cut, 0.008, atol=0.0013)


def test_one_station_stands_out(build):
    """4 x 3 stations on 4 x 2.4 m, one 6 mm proud owning 0.8 m2: V0 = 9.6 x 11 - 4.8 = 100.8, V1 = 48 L."""
    table = np.zeros((3, 4))
    table[1, 2] = 6
    relief = build.stations([0.5, 1.5, 2.5, 3.5], [0.4, 1.2, 2.0], table, 4.0, 2.4)
    plan = hacking_plan(relief, build.wall(4.0, 2.4))
    assert_allclose([plan.hacks[0].x, plan.hacks[0].y, plan.hacks[0].saves], [2.5, 1.2, 0.0528], rtol=1e-9)
    assert "straightedge before cutting" in say(plan.notes[0])
    assert plan.hacks[0].read_once
    # two readings beside each other show a hump of a size
    table[1, 1] = 6
    wider = hacking_plan(build.stations([0.5, 1.5, 2.5, 3.5], [0.4, 1.2, 2.0], table, 4.0, 2.4), build.wall(4.0, 2.4))
    assert not any(hack.read_once for hack in wider.hacks)
    assert wider.notes == ()


def test_cutting_for_a_turned_plane_never_costs(build):
    relief = build.cells(4.0, 2.5, lambda x, y: 0.002 * x + nib(x, y, (1.5, 1.3), 0.2, 0.008))
    plane = PlaneOptions(turn_up_to=0.005)
    listed = hacks(relief, build.wall(4.0, 2.5), plane=plane)
    saved = [h.saves for h in listed]
    assert saved == sorted(saved)
    assert saved[-1] == pytest.approx(place(relief, build.wall(4.0, 2.5), options=plane).volume.value - 0.05, rel=0.01)


def test_costs_and_depths_that_make_no_sense():
    for bad in ({"most": -0.01}, {"cost_fill": -1.0, "cost_cut": 1.0}, {"cost_cut": float("nan")}):
        with pytest.raises(BadValue):
            HackOptions(**bad)


def test_the_wall_under_a_hump_is_harmonic():
    """A plane is harmonic, so a masked patch of it comes back; x^2 - y^2 too, at the stencil's own exactness."""
    y, x = np.mgrid[0:30, 0:40] * 0.05
    mask = np.zeros(x.shape, bool)
    mask[5:12, 8:20] = True
    for surface in (0.3 * x - 0.2 * y + 0.1, x**2 - y**2):
        assert_allclose(under_humps(np.where(mask, 9.0, surface), mask), surface, atol=1e-7)
