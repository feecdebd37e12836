"""The program of a wall: zones against areas and volumes by hand, the order of steps, and their times."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue
from flatscan.plan.cautions import cautions_of
from flatscan.plan.cutting import Cut
from flatscan.plan.day import Line, program, start_of
from flatscan.plan.finish import PlaneOptions, place
from flatscan.plan.systems import load, with_mix
from flatscan.plan.takeoff import take_off
from flatscan.plan.zones import zones_of
from flatscan.report.say import say
from flatscan.report.sections.day_section import clock, moment, use_by, warned_of


@pytest.fixture
def pitted(build):
    """10 m2 at 12 mm with a pit of 0.4 x 0.5 m and 40 mm, one of 0.3 x 0.3 m and 21 mm, and a speck."""

    def surface(x, y):
        deep = np.where((x > 1) & (x < 1.4) & (y > 1) & (y < 1.5), -0.028, 0.0)
        deep = np.where((x > 3) & (x < 3.3) & (y > 0.5) & (y < 0.8), -0.009, deep)
        return np.where((x > 2) & (x < 2.1) & (y > 2) & (y < 2.1), -0.009, deep)

    relief = build.cells(4.0, 2.5, surface, cell=0.1)
    return relief, place(relief, build.wall(4.0, 2.5), options=PlaneOptions(least=0.012))


def test_zones_by_hand(pitted):
    """2 mm of finish and 11 of undercoat: 27 mm of 0.2 m2 in three passes of 11 at most, 8 mm of 0.09 m2 in one."""
    relief, built = pitted
    zone_of, (deep, shallow) = zones_of(load("gypsum-undercoat"), built, relief)
    assert [(zone.name, zone.passes) for zone in (deep, shallow)] == [("A", 3), ("B", 1)]
    assert_allclose([deep.area, deep.each, deep.volume], [0.2, 0.009, 0.2 * 0.027], rtol=1e-6)
    assert_allclose([shallow.area, shallow.each, shallow.volume], [0.09, 0.008, 0.09 * 0.008], rtol=1e-6)
    assert_allclose([deep.left, deep.bottom, deep.width, deep.height], [1.0, 1.0, 0.4, 0.5], atol=0.051)
    # the speck of 0.01 m2 is laid on with the coat
    assert (zone_of == 1).sum() == 20
    assert (zone_of == 2).sum() == 9
    assert zone_of.max() == 2


def test_a_pass_that_most_of_the_wall_takes_is_no_zone(build):
    """Undercoat of 11 at most: 18 mm over 3 m of 4 takes its first pass everywhere, over 1 m of 4 in a zone."""
    for wide, zones in ((3.0, 0), (1.0, 1)):
        relief = build.cells(4.0, 2.5, lambda x, y, w=wide: -0.006 * (x < w), cell=0.1)
        built = place(relief, build.wall(4.0, 2.5), options=PlaneOptions(least=0.012))
        assert len(zones_of(load("gypsum-undercoat"), built, relief)[1]) == zones


def steps_of(relief, built, name, **more):
    system = load(name) if isinstance(name, str) else name
    cuts = more.get("cuts", ())
    taken = take_off(built, relief, system, hacking=0.5 if cuts else 0.0)
    return program(system, built, relief, taken, **more)


def test_gypsum_in_the_order_of_work(pitted):
    relief, built = pitted
    day = steps_of(relief, built, "gypsum-undercoat", cuts=(Cut(0.5, 0.5, 0.004),))
    codes = [step.code for step in day.steps]
    assert codes == ["cut", "fill", "mix", "lay", "lows", "key", "window", "mix", "finish", "trowel", "paint"]
    by = dict(zip(codes, day.steps, strict=True))
    assert_allclose([by["cut"].begins, by["cut"].ends], [0.0, 0.5])
    # the coat waits 2.5 h, the middle of 2 to 3, after the last pass of the zones, so does the finish after the coat
    assert by["lay"].begins >= by["fill"].ends + 2.5 - 1e-9
    assert_allclose(by["key"].begins - by["lay"].begins, 0.75)
    # 45 min after the last bay is keyed, and from 2 h to 3 h after it the finish is due, or the next morning
    assert_allclose(by["key"].ends - by["lay"].ends, 0.75)
    assert by["finish"].begins >= by["lay"].ends + 2.5 - 1e-9
    # 40 mm of build-up dry 1 to 1.4 days for each mm: the day of the paint is the slow end
    assert_allclose(by["paint"].begins, by["finish"].ends + 56 * 24)
    assert [say(line.said) for line in by["paint"].lines][-1] == "drying takes 40 to 56 days, 40.0 mm at the thickest"
    # work on the wall begins with the cut, for the zones bags are emptied first, and dubbing is what makes it thick
    assert set(by["cut"].actions) == {"hack", "height", "strip", "cover"}
    assert set(by["fill"].actions) == {"mix", "lift", "load", "height", "strip", "cover"}
    assert by["window"].actions == by["paint"].actions == ()
    warned = warned_of(day.steps, cautions_of(("hack", "mix", "lift", "load", "height"), ("gypsum", "bags")))
    assert [[one.code.partition(".")[2] for one in here] for here in warned[:3]] == [
        ["hacking-services", "hacking-coatings", "hacking-dust", "hacking-cracks", "height", "local-rules"],
        ["thick", "gypsum", "bags"],
        [],
    ]
    assert not any(warned[3:])
    tags = {line.said.code: line.tag for step in day.steps[:7] for line in step.lines}
    assert tags["day.use"] == "printed"
    assert tags["day.water"] == tags["day.wait-between"] == tags["day.key-after"] == "common practice"


def test_every_mix_is_used_up_while_it_is_good(pitted):
    """15 min, the shortest time printed for gypsum undercoat: by head, each bag of the coat, evenly over its work."""
    relief, built = pitted
    day = steps_of(relief, built, "gypsum-undercoat")
    mix, lay = (next(step for step in day.steps if step.code == code) for code in ("mix", "lay"))
    (use,) = (line for line in mix.lines if line.said.code == "day.use")
    bags = mix.does.quantities["bags"].value
    assert len(use.mixes) == int(np.ceil(bags - 0.05))
    assert_allclose([by - at for at, by in use.mixes], 0.25)
    assert_allclose(use.mixes[0][0], lay.begins)
    assert all(lay.begins - 1e-9 <= at < lay.ends for at, _ in use.mixes)
    # from 7:30, as it is printed; nothing without a start
    said = say(use_by(use, 7.5))
    assert said.startswith(f"mixed {say(moment(7.5 + lay.begins))}: use by {clock(7.75 + lay.begins)}")
    assert use_by(use, None) is None
    many = Line(use.said, "", tuple((k / 2, k / 2 + 0.25) for k in range(20)))
    assert say(use_by(many, 7.5)) == ("mixed 7:30: use by 7:45, 8:00: use by 8:15, 8:30: use by 8:45, and so on")
    # of the second day the day is said once
    late = Line(use.said, "", ((24.0, 24.25), (24.5, 24.75)))
    assert say(use_by(late, 7.5)) == "mixed day 2, 7:30: use by 7:45, 8:00: use by 8:15"


def test_steps_of_every_system_follow_each_other(build):
    for name, least in (
        ("lime", 0.014),
        ("sand-cement-inside", 0.01),
        ("sand-cement-outside", 0.016),
        ("one-coat-gypsum", 0.012),
    ):
        relief = build.cells(2.0, 2.0, lambda x, y: -0.002 * x, cell=0.1)
        built = place(relief, build.wall(2.0, 2.0), options=PlaneOptions(least=least))
        day = steps_of(relief, built, name)
        laid = [step for step in day.steps if step.code in ("lay", "finish")]
        assert all(a.ends <= b.begins + 1e-9 for a, b in zip(laid, laid[1:], strict=False))
        assert day.steps[-1].code == "paint"
        assert all(step.ends is None or step.ends >= step.begins - 1e-9 for step in day.steps)


def test_a_site_mix_is_measured_by_the_box(build):
    """25 kg of cement fill a box of 17.4 litres, to which go 4 of sand at 1:4."""
    relief = build.cells(2.0, 2.0, lambda x, y: 0 * x, cell=0.1)
    built = place(relief, build.wall(2.0, 2.0), options=PlaneOptions(least=0.010))
    day = steps_of(relief, built, with_mix(load("sand-cement-inside"), "1:4"))
    mix = next(step for step in day.steps if step.code == "mix")
    assert mix.does.quantities["parts"].value == 4
    box = next(line.said for line in mix.lines if line.said.code == "day.box")
    assert_allclose(box.quantities["box"].value, 0.01736, rtol=1e-3)
    assert set(mix.actions) == {"mix", "lift"}


@pytest.mark.parametrize(("text", "at"), [("7:30", 7.5), (" 07.15", 7.25), ("23:59", 23 + 59 / 60), (None, None)])
def test_a_start(text, at):
    assert start_of(text) == at


@pytest.mark.parametrize("text", ["soon", "25:00", "7:60", "7"])
def test_a_start_that_is_no_time(text):
    with pytest.raises(BadValue, match="time of day such as 7:30"):
        start_of(text)


def test_a_hump_of_one_station_warns_before_it_is_cut(pitted):
    relief, built = pitted
    first = [
        steps_of(relief, built, "gypsum-undercoat", cuts=(Cut(0.5, 0.5, 0.004),), unsized=unsized).steps[0]
        for unsized in (True, False)
    ]
    warned = ["day.unsized" in [said.code for said in step.before] for step in first]
    assert warned == [True, False]
