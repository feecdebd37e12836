"""Work, waiting and pieces, by hand and against a day gone through minute by minute."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.plan.coats import LOOSE, OrderLine
from flatscan.plan.labour import WORKDAY, Hands, days_of, schedule
from flatscan.plan.products import pieces, products_of
from flatscan.report.say import say
from flatscan.report.sections.order_words import bought_one


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
