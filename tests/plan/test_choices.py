"""The price list of choices by hand."""

import numpy as np
from numpy.testing import assert_allclose

from flatscan.plan.finish import FixedPoint, PlaneOptions
from flatscan.plan.other_planes import choices, worth_more
from flatscan.plan.systems import load
from flatscan.report.say import say


def test_leaning_and_skew_wall(build):
    """4 x 2 m, 4 mm per m out at the top and 2 mm per m at the right: z = 2x + 4y mm, 16 at the corner, mean 8.

    Plumb: 5 + 16 - 8 = 13 mm mean (cells: 0.1 m, so the last centres are 0.05 in). Lean of 3 saves 3 x 1, turn of
    2 saves all its 4, following leaves 5 mm all over: 8 L a mm.
    """
    relief = build.cells(4.0, 2.0, lambda x, y: 0.002 * x + 0.004 * y, cell=0.1)
    plumb, lean, turn, follow = choices(
        relief, build.wall(4.0, 2.0), build.shape(relief, 2.0), system=load("gypsum-undercoat")
    )
    assert_allclose(plumb.build_up.mean, 0.005 + 0.0039 + 0.0038, rtol=1e-9)
    assert_allclose([lean.out_of_plumb, lean.out_of_square], [0.006, 0.0], atol=1e-8)
    assert_allclose(lean.saves, 8 * 0.003 * 0.95, rtol=1e-6)
    assert_allclose([turn.out_of_plumb, turn.out_of_square], [0.0, 0.008], atol=1e-7)
    assert_allclose(turn.saves, 8 * 0.002 * 1.95, rtol=1e-6)
    assert_allclose([follow.out_of_plumb, follow.out_of_square, follow.build_up.mean], [0.008, 0.008, 0.005], rtol=1e-4)
    assert plumb.saves == 0.0
    assert plumb.take_off.bags > follow.take_off.bags


def test_only_a_choice_that_saves_a_fiftieth_is_worth_more(build):
    """Leaning 0.2 mm per m over 2 m, following saves 0.2 mm of some 5.2 mm: over a fiftieth; 0.1 mm per m: under."""
    for lean, worth in ((0.0002, True), (0.0001, False)):
        relief = build.cells(4.0, 2.0, lambda x, y, lean=lean: lean * y, cell=0.1)
        listed = choices(relief, build.wall(4.0, 2.0), build.shape(relief, 2.0))
        best = worth_more(listed)
        assert (best is not None) == worth, [choice.saves for choice in listed]
        if worth:
            assert best.saves == max(choice.saves for choice in listed)


def test_a_choice_that_cannot_be_done_keeps_its_reason(build):
    relief = build.cells(4.0, 2.0, lambda x, y: 0.004 * y, cell=0.1)
    options = PlaneOptions(fixed=(FixedPoint(0.0, 0.0, 0.008),))
    listed = choices(relief, build.wall(4.0, 2.0), build.shape(relief, 2.0), options=options)
    assert listed[0].build_up is None
    assert "too little cover" in say(listed[0].reason)
    assert "least cover 3/16 in" in say(listed[3].build_up.plane.rule, "in")
    assert listed[3].build_up is not None
    assert all(choice.saves is None for choice in listed)
    assert worth_more(listed) is None


def test_turn_is_counted_from_the_line_wanted(build):
    relief = build.cells(4.0, 2.0, lambda x, y: 0 * x, cell=0.1)
    listed = choices(relief, build.wall(4.0, 2.0), build.shape(relief, 2.0), options=PlaneOptions(turn=0.005))
    assert_allclose([listed[0].build_up.plane.turn, listed[0].out_of_square], [0.005, 0.0], atol=1e-12)
    assert np.isfinite(listed[2].saves)
