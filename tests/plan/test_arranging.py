"""Plans that cannot be, the nearest that can, and what strips cost, each by hand on flat walls with one nib."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import Infeasible
from flatscan.plan.arranging import Work, arrange, worth_with_screeds
from flatscan.plan.cutting import Cut
from flatscan.plan.dots import SetOutOptions
from flatscan.plan.finish import FixedPoint, PlaneOptions
from flatscan.plan.hacking import hacking_plan
from flatscan.plan.highest import errors_of
from flatscan.plan.screeds import set_out
from flatscan.report.say import say

# readings of a hall, row by row from the floor, big = hollow
HALL = """
140 141 142 141 140 139 138 137 136 136
141 137 143 142 141 139 139 137 137 137
142 143 142 142 141 140 140 139 131 139
142 142 142 143 143 143 140 140 140 139
143 143 133 142 143 143 141 141 141 141
144 143 142 142 143 143 143 142 142 143
144 143 142 143 143 143 143 137 143 143
145 144 143 143 143 144 145 144 145 144
"""


def wall_with_nib(build, at=(2.0, 1.3), high=0.008):
    """4 x 2.5 m flat with a nib of 0.2 x 0.2 m, and its outline."""

    def surface(x, y):
        return high * ((np.abs(x - at[0]) < 0.1) & (np.abs(y - at[1]) < 0.1))

    return build.cells(4.0, 2.5, surface, cell=0.05), build.wall(4.0, 2.5)


def test_a_fixed_point_too_deep(build):
    """Nib 8 mm, cover 5: the face needs 13 and the fixed point says 10. The nearest passes it 3 mm further out.

    10 x 13 - 0.04 x 8 = 129.68 L, 3 mm x 10 m2 = 30 L more than the plan asked for would take.
    """
    relief, wall = wall_with_nib(build)
    found = arrange(relief, wall, Work(PlaneOptions(fixed=(FixedPoint(0.5, 1.0, 0.010),))))
    assert_allclose(found.build_up.volume.value, 0.12968, rtol=1e-4)
    said = say(found.cannot)
    assert "the hump" in said
    assert "3.0 mm too little cover" in said
    assert "stands 3.0 mm further out than the fixed points: 130 litres in all, 30 litres more" in said
    # with the nib cut the same plan can be, and a cut that is asked for is planned
    assert arrange(relief, wall, Work(found.plane)).cannot is None
    by_three = (Cut(2.0, 1.3, 0.003),)
    cut = arrange(relief, wall, Work(PlaneOptions(fixed=(FixedPoint(0.5, 1.0, 0.010),)), cut=by_three))
    assert cut.cannot is None
    assert_allclose(cut.build_up.plane.offset, 0.010, atol=1e-6)


def test_fixed_points_that_contradict_each_other(build):
    """Points at 12 and 16 mm and a plane that may not turn: the nearest misses each by 2 mm, at 14."""
    relief, wall = wall_with_nib(build)
    fixed = FixedPoint(0.5, 1.0, 0.012), FixedPoint(3.5, 1.0, 0.016)
    found = arrange(relief, wall, Work(PlaneOptions(fixed=fixed)))
    assert_allclose(found.build_up.plane.offset, 0.014, atol=1e-6)
    assert "misses the fixed points by 2.0 mm" in say(found.cannot)
    # and where the cover asks for more than that as well, both give way
    deep = arrange(relief, wall, Work(PlaneOptions(least=0.008, fixed=fixed)))
    assert_allclose(deep.build_up.plane.offset, 0.016, atol=1e-6)
    assert "misses the fixed points by 2.0 mm and stands 2.0 mm further out" in say(deep.cannot)


def test_the_most_under_what_the_least_asks_for(build):
    """Nib 8, cover 5, most 10: the flat wall would take 13. Nearest: 13 at most, 30 L more than a face held to 10."""
    relief, wall = wall_with_nib(build)
    found = arrange(relief, wall, Work(PlaneOptions(most=0.010)))
    assert_allclose(found.build_up.most, 0.013, atol=1e-6)
    assert "takes 13.0 mm at most: 130 litres in all, 30 litres more" in say(found.cannot)
    assert arrange(relief, wall, Work(PlaneOptions(most=0.010), cut=("H1",))).cannot is None


def test_what_cannot_be_helped_is_an_error_still(build):
    """An error that names nothing that gives way is not swallowed: here none arises, and the plan stays as asked."""
    relief, wall = wall_with_nib(build)
    assert arrange(relief, wall, Work(PlaneOptions())).cannot is None
    with pytest.raises(Infeasible, match="further out"):
        raise arrange(relief, wall, Work(PlaneOptions(fixed=(FixedPoint(0.5, 1.0, 0.010),)))).cannot


def test_strips_move_the_plane_out_and_say_what_that_costs(build):
    """Flat wall, cover 5: a strip of 8 with bed 2 and finish 2 needs 12, so 7 mm more: 10 x 12 = 120 L for 50."""
    relief, wall = build.cells(4.0, 2.5, lambda x, y: 0 * x), build.wall(4.0, 2.5)
    strips = SetOutOptions(1.8, strip=0.008, finish=0.002)
    found = arrange(relief, wall, Work(PlaneOptions(), screeds=strips))
    assert_allclose([found.out, found.build_up.volume.value], [0.007, 0.120], rtol=1e-9)
    assert "So the face stands 7.0 mm further out, which costs 70.0 litres" in say(found.notes[0])
    assert "moved out 7.0 mm for the screeds" in say(found.build_up.plane.rule)
    laid = set_out(relief, wall, found.build_up.plane, options=strips)
    assert_allclose([dot.packing for screed in laid.screeds for dot in screed.dots], 0.002, atol=1e-9)
    assert (laid.face, laid.packing_to) == ("undercoat", "strip")
    # a cover of 12 has room for them as it is
    assert arrange(relief, wall, Work(PlaneOptions(least=0.012), screeds=strips)).notes == ()


@pytest.mark.parametrize("strip", [0.002, 0.006, 0.008, 0.012, 0.020])
def test_no_packing_is_ever_under_nothing(build, strip):
    """Nibs, noise of 0.5 mm and a lean: whatever the strip, each is bedded, and each moves the plane by its own."""
    relief = build.cells(
        4.0, 2.5, lambda x, y: 0.002 * y + 0.006 * ((np.abs(x - 1.45) < 0.4) & (y > 1.5)), u=0.0005, seed=3
    )
    wall, options = build.wall(4.0, 2.5), SetOutOptions(1.8, strip=strip, finish=0.002)
    found = arrange(relief, wall, Work(PlaneOptions(), screeds=options))
    laid = set_out(relief, wall, found.build_up.plane, options=options, lowered=found.build_up.lowered)
    packings = [dot.packing for screed in laid.screeds for dot in screed.dots]
    assert min(packings) >= 0
    assert not any("hits the wall" in say(note) for note in laid.notes)


def test_a_plane_that_is_held_has_no_room_for_strips(build):
    """Flat wall: strips of 8 need 12. Held at 10 by a point, 2 mm too little; at most 11, 1 mm: 110 or 120 L."""
    relief, wall = build.cells(4.0, 2.5, lambda x, y: 0 * x), build.wall(4.0, 2.5)
    strips = SetOutOptions(1.8, strip=0.008, finish=0.002)
    by_point = arrange(relief, wall, Work(PlaneOptions(fixed=(FixedPoint(2.0, 1.0, 0.010),)), screeds=strips))
    said = say(by_point.cannot)
    assert "2.0 mm too little room" in said
    assert "a strip of 6.0 mm or less" in said
    assert "stands 2.0 mm further out: 120 litres in all, 20 litres more" in said
    at_most = arrange(relief, wall, Work(PlaneOptions(most=0.011), screeds=strips))
    assert "the most of 11.0 mm holds it" in say(at_most.cannot)
    assert_allclose(at_most.build_up.volume.value, 0.120, rtol=1e-9)


def test_what_a_cut_saves_where_strips_hold_the_plane_out(build):
    """Nib 8 mm between the screeds: the face stands at 13 and strips need 12, so they hold it at 12 once that is cut.

    (10 x 13 - 0.04 x 8) - 10 x 12 = 9.68 L, since the nib is cut flush. With strips of 15 they always do: nothing.
    """
    relief, wall = wall_with_nib(build, at=(2.0, 1.3))
    work = Work(PlaneOptions(), screeds=SetOutOptions(1.8, strip=0.008, finish=0.002))
    errors = errors_of(relief, wall)
    found = arrange(relief, wall, work, errors)
    listed = hacking_plan(relief, wall, errors=errors).hacks
    assert_allclose([hack.saves for hack in listed], [0.07968], rtol=1e-9)
    (hack,) = worth_with_screeds(listed, found, wall, work, errors)
    assert_allclose([hack.saves, hack.adds], [0.00968, 0.00968], rtol=1e-6)
    thick = Work(PlaneOptions(), screeds=SetOutOptions(1.8, strip=0.015, finish=0.002))
    assert len(worth_with_screeds(listed, arrange(relief, wall, thick, errors), wall, thick, errors)) == 0
    # 9.68 L save 23 minutes at 0.2 m3 a day; cutting takes 10, and 30 for each of 0.32 L: worth it, and not at a fifth
    assert len(worth_with_screeds(listed, found, wall, work, errors, hours_per_m3=8 / 0.2)) == 1
    assert len(worth_with_screeds(listed, found, wall, work, errors, hours_per_m3=8 / 1.0)) == 0


def test_no_cut_moves_the_face_out_because_a_screed_stands_elsewhere(build):
    """Ten stations a row; a screed on a foot 4 mm proud moves aside before cutting, and after it is not worth moving.

    Uncut the face has to clear the hump, so moving the screed aside gains 2 mm; cut, the screed would gain under 1 mm
    by moving and so stay, which needs more room than the wall uncut. What a cut saves is never under the refill.
    """
    reads = np.array([float(line) for line in HALL.split()]).reshape(8, 10)
    across, upward = [0.1, 0.55, 1.0, 1.45, 1.9, 2.35, 2.8, 3.25, 3.7, 4.1], [0.1, 0.45, 0.8, 1.15, 1.5, 1.85, 2.2, 2.5]
    relief, wall = build.stations(across, upward, (140 - reads), 4.2, 2.6), build.wall(4.2, 2.6)
    work = Work(PlaneOptions(), screeds=SetOutOptions(1.8, strip=0.008, finish=0.002))
    before = arrange(relief, wall, work)
    for names in (("H1",), ("H1", "H2")):
        after = arrange(relief, wall, replace(work, cut=names))
        assert after.build_up.plane.offset <= before.build_up.plane.offset + 1e-9
