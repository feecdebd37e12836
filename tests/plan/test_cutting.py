"""Humps that are cut by hand: how deep, what that saves, and that a list keeps what it promised."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue
from flatscan.plan.arranging import Work, arrange, numbered
from flatscan.plan.cutting import Cut, as_cut
from flatscan.plan.finish import PlaneOptions, place
from flatscan.plan.hacking import AT_STATION, HackOptions, hacks
from flatscan.plan.surface import as_measured
from flatscan.report.say import say

SPOTS = [((0.7, 0.7), 0.006), ((2.1, 1.3), 0.008), ((3.3, 1.9), 0.004)]


def nib(x, y, at, size, high):
    return high * ((np.abs(x - at[0]) < size / 2) & (np.abs(y - at[1]) < size / 2))


def three_nibs(x, y):
    return sum(nib(x, y, at, 0.2, high) for at, high in SPOTS)


def noisy(build):
    """Two rounded humps on noise of 0.4 mm."""

    def humps(x, y):
        away = ((2.1 - x) ** 2 + (1.3 - y) ** 2, (0.8 - x) ** 2 + (0.7 - y) ** 2)
        return 0.009 * np.exp(-away[0] / (2 * 0.07**2)) + 0.006 * np.exp(-away[1] / (2 * 0.09**2))

    return build.cells(4.0, 2.5, humps, u=0.0004, seed=8, cell=0.04)


def test_a_nib_is_cut_level_and_nothing_around_it(build):
    """8 mm cut by 3 stands 5 mm proud: V = 10 x 10 - 0.04 x 5 = 99.8 L, where it was 10 x 13 - 0.04 x 8 = 129.68."""
    relief, wall = (
        build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1.5, 1.3), 0.2, 0.008), cell=0.05),
        build.wall(4.0, 2.5),
    )
    cut = as_cut(relief, wall, [Cut(1.5, 1.3, 0.003)])
    assert_allclose(cut.relief.offset, 0.005 * (relief.offset > 0), atol=1e-12)
    assert_allclose(place(cut.relief, wall).volume.value, 0.0998, rtol=1e-9)
    assert cut.cuts == (Cut(1.5, 1.3, pytest.approx(0.003)),)
    assert_allclose(np.isfinite(cut.relief.uncut), relief.offset > 0)
    assert_allclose(as_measured(cut.relief), relief.offset, atol=0)


def test_nothing_is_cut_below_the_surface_around_it(build):
    """A nib of 8 mm on a wall that rises 2 mm per m along: 20 mm asked for leaves the wall's own ramp under it."""
    ramp = build.cells(4.0, 2.5, lambda x, y: 0.002 * x + nib(x, y, (1.5, 1.3), 0.2, 0.008), cell=0.05)
    cut = as_cut(ramp, build.wall(4.0, 2.5), [Cut(1.5, 1.3, 0.020)])
    assert_allclose(cut.relief.offset, 0.002 * ramp.places[0], atol=1e-4)
    assert_allclose(cut.cuts[0].depth, 0.008, atol=2e-4)


def test_less_cut_than_was_asked_for_is_said_with_what_keeps_it(build):
    """A nib of 8 mm: 30 mm asked for takes 8, or 3 where no cut may be deeper; 8 asked for is no less than asked."""
    relief = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1.5, 1.3), 0.2, 0.008), cell=0.05)

    def cut(depth, most=0.010):
        return as_cut(relief, build.wall(4.0, 2.5), [depth], options=HackOptions(most=most))

    small = cut(Cut(1.5, 1.3, 0.030))
    assert_allclose(small.cuts[0].depth, 0.008, rtol=1e-9)
    assert "30.0 mm asked for" in say(small.notes[0])
    assert "8.0 mm taken: that is all it stands" in say(small.notes[0])
    barred = cut(Cut(1.5, 1.3, 0.005), most=0.003)
    assert_allclose(barred.cuts[0].depth, 0.003, rtol=1e-9)
    assert say(barred.notes[0]).endswith("3.0 mm taken: --hack-most is 3 mm")
    by_number = cut("H1", most=0.003)
    assert_allclose(by_number.cuts[0].depth, 0.003, rtol=1e-9)
    assert "by 3 mm and no more: that is --hack-most" in say(by_number.notes[0])
    assert cut(Cut(1.5, 1.3, 0.008)).notes == ()


def test_numbers_are_those_of_the_plan_without_cuts(build):
    """8, 6 and 4 mm as H1, H2, H3. H1 alone is in the way by 2 mm, H1 and H2 by 4 and 2, all three by their height."""
    relief, wall = build.cells(4.0, 2.5, three_nibs, cell=0.05), build.wall(4.0, 2.5)
    for names, depths in ((["H1"], [2]), (["H1", "h2"], [4, 2]), (["H3", "H1", "H2"], [4, 8, 6])):
        cut = as_cut(relief, wall, names)
        assert_allclose([one.depth for one in cut.cuts], np.array(depths) / 1e3, atol=1e-9)
    # one that does not bear on the plane while others do is cut as the whole list has it, and that is said
    alone = as_cut(relief, wall, ["H3"])
    assert_allclose(alone.cuts[0].depth, 0.004, atol=1e-9)
    assert "Cut alone it saves nothing" in say(alone.notes[0])


def test_what_is_left_of_a_list_keeps_its_numbers(build):
    """With H1 cut to the height of H2, both stand in the way of the next plane: H1 again, and H2."""
    relief, wall = build.cells(4.0, 2.5, three_nibs, cell=0.05), build.wall(4.0, 2.5)
    cut = as_cut(relief, wall, ["H1"])
    left = numbered(hacks(cut.relief, wall), cut.listed)
    assert sorted(hack.number for hack in left) == [1, 2, 3]
    assert [hack.number for hack in numbered(hacks(relief, wall), ())] == [1, 2, 3]
    by_number = {hack.number: (round(hack.x, 1), round(hack.y, 1)) for hack in left}
    assert [abs(by_number[k][0] - x) < 0.15 for k, x in ((1, 2.1), (2, 0.7), (3, 3.3))] == [True] * 3


@pytest.mark.parametrize("turn", [0.0, 0.003])
def test_a_cut_wall_takes_what_the_list_promised(build, turn):
    """Round humps and noise: V0 less the volume of the wall planned anew with H1..k cut is what line k says."""
    relief, wall = noisy(build), build.wall(4.0, 2.5)
    plane = PlaneOptions(turn_up_to=turn)
    listed = hacks(relief, wall, plane=plane)
    assert len(listed) == 2
    start = arrange(relief, wall, Work(plane)).build_up.volume.value
    for count, hack in enumerate(listed, 1):
        found = arrange(relief, wall, Work(plane, cut=tuple(f"H{k}" for k in range(1, count + 1))))
        # a slope that is free moves by a hair between the plane the list cuts to and the one laid on the cut wall
        assert_allclose(start - found.build_up.volume.value, hack.saves, atol=1e-9 if not turn else 0.002 * start)
        assert f"{1e3 * (start - found.build_up.volume.value):.1f} litres" in say(found.notes[0])
        # kept as places and depths, the same cuts are the same plan
        again = arrange(relief, wall, Work(plane, cut=found.as_cut.cuts))
        assert_allclose(again.build_up.volume.value, found.build_up.volume.value, rtol=1e-9 if not turn else 1e-3)


def test_a_hump_read_at_one_station(build):
    """4 x 3 stations, one 6 mm proud owning 0.8 m2: V0 = 9.6 x 11 - 4.8 = 100.8 L.

    Cut flush 48, by 2 mm 9.6 x 9 - 3.2.
    """
    table = np.zeros((3, 4))
    table[1, 2] = 6
    relief, wall = build.stations([0.5, 1.5, 2.5, 3.5], [0.4, 1.2, 2.0], table, 4.0, 2.4), build.wall(4.0, 2.4)
    for cut, litres in ((("H1",), 48.0), ((Cut(2.45, 1.15, 0.002),), 83.2), ((Cut(2.5, 1.2, 0.010),), 48.0)):
        found = arrange(relief, wall, Work(PlaneOptions(), cut=cut))
        assert_allclose(found.build_up.volume.value, litres / 1e3, rtol=1e-9)
    assert_allclose(found.as_cut.cuts[0].depth, 0.006, rtol=1e-9)


def test_cuts_that_match_no_hump_say_which_there_are(build):
    relief, wall = build.cells(4.0, 2.5, three_nibs, cell=0.05), build.wall(4.0, 2.5)
    with pytest.raises(BadValue, match=r"no hump is called H4.*H1 .*, H2 .*, H3 "):
        as_cut(relief, wall, ["H4"])
    with pytest.raises(BadValue, match="no hump stands 1500 mm from the left"):
        as_cut(relief, wall, [Cut(1.5, 0.4, 0.003)])
    with pytest.raises(BadValue, match="a depth over 0"):
        as_cut(relief, wall, [Cut(2.1, 1.3, 0.0)])
    flat = build.cells(4.0, 2.5, lambda x, y: 0 * x, cell=0.05)
    with pytest.raises(BadValue, match=r"it lists none \(an H on its sheets is the wall itself\)"):
        as_cut(flat, wall, ["H1"])
    window = build.hole(1.0, 1.0, 1.0, 1.0)
    over = build.cells(4.0, 2.5, lambda x, y: nib(x, y, (1.5, 2.08), 0.12, 0.008), openings=(window,))
    with pytest.raises(BadValue, match="at an opening's head"):
        as_cut(over, build.wall(4.0, 2.5, openings=(window,)), [Cut(1.5, 2.08, 0.005)])


@pytest.mark.parametrize(("wide", "said"), [(1, True), (2, False)])
def test_a_cut_hump_of_one_station_keeps_its_warning(build, wide, said):
    """One station 8 mm proud owns an area nobody measured; two beside each other show how wide their hump is."""
    table = np.zeros((5, 7))
    table[2, 3 : 3 + wide] = 8.0
    x, y = np.linspace(0.2, 3.8, 7), np.linspace(0.2, 2.2, 5)
    relief = build.stations(list(x), list(y), table, 4.0, 2.4)
    cut = as_cut(relief, build.wall(4.0, 2.4), [Cut(float(x[3]), float(y[2]), 0.003)])
    assert (AT_STATION in cut.notes) is said
