"""Work, waiting and pieces, by hand and against a day gone through minute by minute."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.plan.coats import LOOSE, OrderLine
from flatscan.plan.finish import PlaneOptions, place
from flatscan.plan.labour import WORKDAY, Hands, days_of, schedule
from flatscan.plan.products import pieces, products_of
from flatscan.plan.systems import load
from flatscan.plan.takeoff import take_off
from flatscan.report.say import say
from flatscan.report.sections.order_words import bought_one, figure_table, figures, labour, working_time


def minute_by_minute(jobs):
    """The same rules told by a clock: a job begins at the first minute at which it may, and goes on while it is day."""
    now, spans = 0, []
    for work, wait in jobs:
        while now % 1440 >= 480 or (work <= 480 and now % 1440 + work > 480):
            now += 1
        begins, left = now, work
        while left > 0:
            if now % 1440 < 480:
                left -= 1
            now += 1
        spans.append((begins, now))
        now += wait
    return spans


@pytest.mark.parametrize("seed", range(20))
def test_a_schedule_is_that_of_the_clock(seed):
    rng = np.random.default_rng(seed)
    jobs = [
        (int(work), int(wait))
        for work, wait in zip(rng.integers(1, 1200, 5), rng.choice([0, 120, 1440], 5), strict=True)
    ]
    found = schedule([(work / 60, wait / 60) for work, wait in jobs])
    assert_allclose(np.array(found) * 60, minute_by_minute(jobs), atol=1e-6)


def test_days_by_hand():
    """3 h, a wait of 2 h, 3 h: one day of 8. With 4 h the second goes to the next morning."""
    assert_allclose(schedule([(3, 2), (3, 0)]), [(0, 3), (5, 8)])
    assert_allclose(schedule([(3, 2), (4, 0)]), [(0, 3), (24, 28)])
    assert_allclose([days_of(at) for at in (3, 8, 28)], [3 / WORKDAY, 1, 1.5])


@pytest.mark.parametrize(
    ("needed", "count"),
    [((), 0), ((3.0,), 1), ((3.1,), 2), ((2.0, 2.0, 1.0, 1.0), 2), ((2.1, 2.1, 0.9, 0.9), 2), ((7.0, 2.0), 3)],
)
def test_pieces_of_three_metres_by_hand(needed, count):
    assert pieces(needed, 3.0) == count


def test_pieces_are_never_fewer_than_the_metres_ask_for_nor_many_more():
    rng = np.random.default_rng(5)
    for _ in range(200):
        needed = rng.uniform(0.2, 3.0, rng.integers(1, 12))
        least = int(np.ceil(needed.sum() / 3.0 - 1e-9))
        assert least <= pieces(needed, 3.0) <= max(2 * least, 1)


def test_products_in_whole_units():
    """0.134 m3 of sand weighs 214 kg: two tenths of a m3, or 9 bags; a window of 1.2 x 1.0 takes beads of 1, 1, 1.2."""
    sand = OrderLine("sand", LOOSE, None, 0.12, 0.15, 0.134, 0.2)
    found = products_of((sand,), edges=(1.0, 1.0, 1.2), strips=(2.5, 2.5), mesh=3.2)
    assert [(say(it.name), it.unit, it.count) for it in found] == [
        ("sand", "m3 loose", 0.2),
        ("corner bead", "3 m length", 2.0),
        ("screed strip", "2.4 m length", 3.0),
        ("mesh", "m off a 1 m roll", 4.0),
    ]
    assert found[0].instead == ("25 kg bag", 9.0)
    assert [say(bought_one(it)) for it in found[1:]] == [
        "2 corner beads of 3 m",
        "3 screed strips of 2.4 m",
        "4 m off a 1 m roll of mesh",
    ]


def test_one_person_works_on_one_wall_at_a_time():
    """By head: 3 h from 0, 2 h of another wall that could begin at 1 go after it, what is held stays free."""
    hands = Hands()
    assert hands.work(0.0, 3.0) == (0.0, 3.0)
    assert hands.work(1.0, 2.0) == (3.0, 5.0)
    hands.hold(6.0, 7.0)
    # an hour fits before what is held, an hour and a half goes on the next morning: 7 to 8.5 is over a day of 8 h
    assert hands.work(5.0, 1.0) == (5.0, 6.0)
    assert hands.work(5.0, 1.5) == (24.0, 25.5)


@pytest.fixture
def taken(build):
    """10 m2 with 12 mm all over of gypsum: 10 of undercoat, 2 of finish."""
    relief = build.cells(4.0, 2.5, lambda x, y: 0 * x, cell=0.1)
    done = place(relief, build.wall(4.0, 2.5), options=PlaneOptions(least=0.012))
    return take_off(done, relief, load("gypsum-undercoat"))


def test_the_ranges_of_the_material_stand_on_the_list_and_in_the_document_alike(taken):
    """A bag of gypsum undercoat fills 25 / 0.83 to 25 / 0.67 litres and covers an 11th of that at 11 mm."""
    told = figure_table(taken)
    rows = {(coat, said): known for coat, said, known in told.texts("mm")}
    assert rows["undercoat", "a bag fills 30 to 37 litres"] == "printed"
    assert rows["undercoat", "a bag covers 2.7 to 3.4 m² at 11 mm"] == "printed"
    assert rows["undercoat", "water 14.0 to 15.0 litres a bag"] == "common practice"
    assert rows["finish", "a bag covers 10.0 to 12.0 m² at 2 mm"] == "printed"
    assert rows["all of it", "dries in 12 to 17 days at the thickest, 12 mm"] == "printed"
    assert not any(" mm" in said or "litre" in said for _, said, _ in told.texts("in"))
    # a measured thickness is told to a tenth, not as it was computed
    thick = tuple(replace(one, at=0.0215064) for one in taken.figures if one.code == "drying")
    (odd,) = figure_table(replace(taken, figures=thick)).texts("mm")
    # 21.5 and 30.1 days, in whole days as the plan has them
    assert odd[1] == "dries in 22 to 31 days at the thickest, 21.5 mm"
    listed = {(one["coat"], one["name"]): one for one in figures(taken)}
    under = [listed["undercoat", name] for name in ("consumption", "fills")]
    assert_allclose(
        [[one[end].value for end in ("low", "high")] for one in under], [[0.67, 0.83], [30.12, 37.31]], atol=5e-3
    )
    assert all(one["source"].startswith(one["known_from"]) for one in listed.values())


def test_work_and_days_have_the_same_ends_on_paper_and_in_the_document(taken):
    made, said = labour(taken), say(working_time(taken))
    value = {key: made[key].value for key in made if key.endswith(("hours", "days"))}
    assert value["labour_low_hours"] < value["labour_hours"] < value["labour_high_hours"]
    work = [value[f"labour_{end}hours"] for end in ("", "low_", "high_")]
    assert said.startswith("{:.1f} h of work for one person ({:.1f} to {:.1f} h)".format(*work))
    assert "{elapsed_low_days:.1f} to {elapsed_high_days:.1f} days with the waits".format(**value) in said
    assert said.endswith("then {dry_low_days:g} to {dry_high_days:g} days to dry before paint".format(**value))
