"""Coats, orders, weight and time by hand, and against printed consumption figures (methods/trade 5)."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue, Infeasible
from flatscan.core.quantity import Quantity
from flatscan.plan.coats import bags_per_m3, bands, combined_order, split, systems_that_reach
from flatscan.plan.finish import PlaneOptions, place
from flatscan.plan.stops import SEEN
from flatscan.plan.systems import load
from flatscan.plan.takeoff import TakeOffOptions, take_off
from flatscan.report.say import say


@pytest.fixture
def flat(build):
    """10 m2 with 12 mm all over: 120 L, ± not counted."""
    relief = build.cells(4.0, 2.5, lambda x, y: 0 * x, cell=0.1)
    return relief, place(relief, build.wall(4.0, 2.5), options=PlaneOptions(least=0.012))


def test_gypsum_by_hand(flat):
    """10 mm undercoat at 0.75: 75 kg + 10 % = 82.5 kg = 3.3 bags; 2 mm finish at 1.145: 22.9 kg, 1.0076 bags.

    Consumption 0.67-0.83 is rectangular: u = 0.08 / 0.75 / sqrt 3 = 6.16 %, so 3.3 (1 +- 1.96 x 6.16 %),
    and 3.3 (1 + 1.282 x 6.16 %) = 3.56 are enough nine times in ten.
    """
    relief, done = flat
    order = take_off(done, relief, load("gypsum-undercoat"))
    under, finish = order.coats
    assert_allclose([under.thickness, under.kg, under.bags], [0.010, 82.5, 3.3], rtol=1e-9)
    assert_allclose([finish.thickness, finish.kg, finish.bags], [0.002, 25.19, 1.0076], rtol=1e-9)
    u, line = 0.08 / 0.75 / np.sqrt(3), order.order[0]
    ends = [3.3 * (1 + k * u) for k in (-1.96, 1.96, 1.282)]
    # the quantile of 95 % is 1.96 to the digits given here
    assert_allclose([line.low, line.high, line.wanted], ends, rtol=1e-5)
    assert order.order[0].order == 4
    assert order.order[1].order == 2
    assert (order.bags, order.bags_range) == (6, (3.8, 4.9))  # low ends 2.97 and 0.92, outward to a tenth
    assert_allclose(order.weight, 100 * 0.83 + 20 * 1.25, rtol=1e-9)
    assert_allclose(order.weight_worst, 10.8, rtol=1e-9)
    assert_allclose(order.weight_wet - order.weight, 83.0 / 25 * 15 + 20 * 1.25 / 25 * 12.5, rtol=1e-9)


def test_the_surveys_doubt_widens_the_range(flat):
    relief, done = flat
    sure = take_off(done, relief, load("one-coat-gypsum")).order[0]
    assert_allclose(sure.low, sure.high, rtol=1e-12)
    less_sure = replace(done, low=0.108, high=0.156, order=0.138)
    doubtful = take_off(less_sure, relief, load("one-coat-gypsum")).order[0]
    assert_allclose(
        [doubtful.low, doubtful.high, doubtful.wanted], [sure.low * part for part in (0.9, 1.3, 1.15)], rtol=1e-9
    )
    unsure = replace(done, volume=Quantity(0.120, None, "m3"), low=None, high=None, order=None)
    unknown = take_off(unsure, relief, load("one-coat-gypsum"))
    assert_allclose(unknown.order[0].high, sure.high, rtol=1e-12)
    assert any("how far the volume may be off, which is not known" in say(note) for note in unknown.notes)


def test_bags_round_up_once(flat):
    relief, done = flat
    one = take_off(done, relief, load("one-coat-gypsum"))
    assert_allclose(one.order[0].high, 120 * 1.1 / 25, rtol=1e-9)  # 5.28 bags
    (both,) = combined_order((one.order, one.order, one.order))
    assert (one.bags, both.order) == (6, 16)  # 15.84, not 3 x 6


def test_coats_of_a_step(build):
    """Half at 12 mm, half at 30: 2 finish, 11 undercoat at most, the rest dubbed out in passes of 16 at most."""
    passes = split(load("gypsum-undercoat"), np.array([0.012, 0.030, 0.035]))
    named = {say(p.name): p.thickness * 1e3 for p in passes}
    assert [say(p.name) for p in passes] == ["dubbing out, pass 2", "dubbing out", "undercoat", "finish"]
    assert_allclose(named["finish"], [2, 2, 2])
    assert_allclose(named["undercoat"], [10, 11, 11])
    assert_allclose(named["dubbing out"], [0, 16, 16])
    assert_allclose(named["dubbing out, pass 2"], [0, 1, 6])


def test_coats_always_add_up():
    thickness = np.random.default_rng(1).uniform(0.001, 0.04, 500)
    for name in ("gypsum-undercoat", "sand-cement-inside", "sand-cement-outside", "lime", "one-coat-gypsum"):
        passes = split(load(name), thickness)
        assert_allclose(sum(p.thickness for p in passes), thickness, rtol=1e-12)
        assert all((p.thickness <= p.coat.most + 1e-12).all() for p in passes if not say(p.name).startswith("dubbing"))


def test_a_system_that_cannot_reach_says_which_can(build):
    relief = build.cells(4.0, 2.5, lambda x, y: -0.03 * (x > 2), cell=0.1)
    done = place(relief, build.wall(4.0, 2.5))
    with pytest.raises(Infeasible, match=r"reaches 35\.0 mm.*at most 25 mm.*gypsum-undercoat.* can"):
        take_off(done, relief, load("one-coat-gypsum"))
    told = take_off(done, relief, load("one-coat-gypsum"), options=TakeOffOptions(strict=False))
    assert told.bags is None
    assert any("reaches 35.0 mm" in say(note) for note in told.notes)
    assert "one-coat-gypsum" not in systems_that_reach(done, relief)


def test_patches_may_go_thicker_in_one_coat(build):
    """0.5 m2 of 10 at 33 mm is 5 %: a patch; 2 m2 is not."""
    for width, reaches in ((0.2, True), (0.8, False)):
        relief = build.cells(4.0, 2.5, lambda x, y, w=width: -0.028 * (x < w), cell=0.1)
        done = place(relief, build.wall(4.0, 2.5))
        assert ("one-coat-gypsum" in systems_that_reach(done, relief)) is reaches


def test_nothing_reaches_sixty(build):
    relief = build.cells(4.0, 2.5, lambda x, y: -0.055 * (x > 2), cell=0.1)
    with pytest.raises(Infeasible, match="no shipped system can: board or rebuild"):
        take_off(place(relief, build.wall(4.0, 2.5)), relief, load("lime"))


def test_sand_and_cement_order(flat):
    """10 mm x 10 m2 at 1:6, 1.33: 0.133 m3 dry, 27.36 kg cement, 0.114 m3 sand, + 17.5 %."""
    relief, done = flat
    order = take_off(done, relief, load("sand-cement-inside"))
    cement, sand, finish = order.order
    assert_allclose(cement.kg, 27.36 * 1.175, rtol=1e-3)
    assert cement.order == 2
    assert_allclose(sand.high, 0.114 * 1.175, rtol=1e-3)
    assert sand.order == 0.2
    assert order.bags == cement.order + finish.order
    assert any("gloves" in say(caution) for caution in order.cautions)


def test_old_plaster_that_comes_off_makes_a_range_and_says_so_first(flat):
    relief, done = flat
    order = take_off(done, relief, load("gypsum-undercoat"), options=TakeOffOptions(surface="comes-off"))
    assert_allclose(order.volume, (0.22, 0.37), rtol=1e-9)
    assert say(order.lead).startswith("Range only: 220 litres to 370 litres")
    assert "survey the bare wall again" in say(order.lead)
    stays = take_off(done, relief, load("gypsum-undercoat"), options=TakeOffOptions(surface="stays"))
    assert stays.volume is None
    assert "stays" in say(stays.lead)


def test_time_follows_the_material(flat):
    """All work is 8 h x (max(10/20, 0.1/0.2) + 10/30) of base (10 mm) and finish; waiting is none of it.

    Gypsum: 4 h, 3 h of waiting, then 2 h 40 min, which do not fit into the 8 h of that day: next morning's.
    Sand and cement: 24 h later it is half past the next day's work, so the finish is done on the third morning.
    """
    relief, done = flat
    gypsum = take_off(done, relief, load("gypsum-undercoat"))
    assert_allclose(gypsum.labour.hours, 8 * (0.5 + 1 / 3), rtol=1e-9)
    assert_allclose([coat.hours for coat in gypsum.labour.coats], [4.0, 8 / 3], rtol=1e-9)
    assert_allclose([gypsum.days, gypsum.labour.elapsed_days], [0.5 + 1 / 3, 1 + 1 / 3], rtol=1e-9)
    assert gypsum.visits == 1
    cement = take_off(done, relief, load("sand-cement-inside"), hacking=0.5)
    assert_allclose(cement.labour.hours, 0.5 + 8 * (0.5 + 1 / 3), rtol=1e-9)
    assert_allclose(cement.labour.elapsed_days, 1 + (4.5 + 8 / 3) / 8, rtol=1e-9)
    assert cement.visits == 2
    lime = take_off(done, relief, load("lime"))
    assert_allclose(lime.labour.hours, 8 * (0.5 + 1 / 3), rtol=1e-9)
    assert lime.labour.elapsed_days > 12
    assert_allclose(take_off(done, relief, load("lime")).dry_days, 12.0, rtol=1e-9)


def test_material_must_not_go_on_everything(flat):
    relief, done = flat
    with pytest.raises(BadValue, match="damp"):
        take_off(done, relief, load("gypsum-undercoat"), options=TakeOffOptions(background="damp"))


def test_stop_signs_stand_in_the_order(flat):
    relief, done = flat
    assert take_off(done, relief, load("gypsum-undercoat")).stops == ()
    stopped = take_off(done, relief, load("gypsum-undercoat"), stops=(SEEN["damp"],))
    assert stopped.stops == (SEEN["damp"],)


def test_too_thin_is_said(build):
    relief = build.cells(4.0, 2.5, lambda x, y: 0 * x, cell=0.1)
    done = place(relief, build.wall(4.0, 2.5))
    notes = take_off(done, relief, load("sand-cement-outside")).notes
    assert any("5.0 mm, is under the 15 mm" in say(note) for note in notes)


def test_bands_cover_the_wall(build):
    relief = build.cells(4.0, 2.5, lambda x, y: -0.03 * x / 4, cell=0.1)
    done = place(relief, build.wall(4.0, 2.5))
    zones = bands(done, relief, load("gypsum-undercoat"))
    assert_allclose(sum(zone.area for zone in zones), 10.0, rtol=1e-9)
    assert_allclose(sum(zone.volume for zone in zones), done.volume.value, rtol=1e-9)
    assert [zone.passes for zone in zones] == [2, 2, 3, 3, 4]
    assert [say(name) for name, _ in zones[-1].coats] == ["dubbing out, pass 2", "dubbing out", "undercoat", "finish"]
    for zone in zones:
        assert_allclose(sum(mean for _, mean in zone.coats) * zone.area, zone.volume, rtol=1e-9)


def test_bags_in_a_cubic_metre():
    assert bags_per_m3(load("one-coat-gypsum")) == pytest.approx(40.0)
    assert bags_per_m3(load("sand-cement-inside")) == pytest.approx(274 / 25, rel=2e-3)


@pytest.mark.parametrize(
    "bad", [{"surface": "wet"}, {"waste": 10}, {"rate": (0.0, 1.0)}, {"old_plaster": (0.02, 0.01)}]
)
def test_options_that_make_no_sense(bad):
    with pytest.raises(BadValue):
        TakeOffOptions(**bad)
