"""The user's word on region, openings and strips."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue
from flatscan.core.geometry import Frame
from flatscan.core.holes import GIVEN
from flatscan.core.model import Opening, Plumb, Wall
from flatscan.core.notes import note
from flatscan.report.say import say
from flatscan.wall import adjust
from flatscan.wall.outline import rectangle

SEEN = note("wall.seen-through")


@pytest.fixture
def wall():
    full = rectangle(np.array([0.0, 0, 4, 2.5]))
    return Wall(
        number=1, frame=Frame(np.zeros(3), *np.eye(3)), outline=rectangle(np.array([0.05, 0.05, 3.95, 2.45])),
        openings=(Opening(0.5, 0.0, 0.9, 2.0, SEEN), Opening(2.0, 1.0, 1.0, 1.0, SEEN)), share=1.0,
        up_from=note("wall.laser"), facing_from=note("wall.laser"), plumb=Plumb(None, None), full=full,
    )  # fmt: skip


def test_region_cuts_outline_and_openings_and_keeps_the_coordinates(wall):
    part = adjust(wall, region=(1.0, 0.5, 2.5, 1.5))
    assert_allclose(part.outline.min(axis=0), [1.0, 0.5])
    assert_allclose(part.outline.max(axis=0), [2.5, 1.5])
    assert part.gross_area == pytest.approx(1.5)
    assert [(o.left, o.bottom, o.width, o.height) for o in part.openings] == [
        pytest.approx((1.0, 0.5, 0.4, 1.0)), pytest.approx((2.0, 1.0, 0.5, 0.5)),
    ]  # fmt: skip
    assert_allclose(part.frame.at, wall.frame.at)
    assert "x 1000 mm to 2500 mm, y 500 mm to 1500 mm" in say(part.notes[-1])


def test_a_region_that_reaches_over_the_edge_ends_at_the_strips(wall):
    part = adjust(wall, region=(3.0, -1.0, 9.0, 9.0))
    assert_allclose(part.outline.max(axis=0), [3.95, 2.45])


@pytest.mark.parametrize(
    "region",
    [(2, 0, 1, 1), (0, 0, 0, 1), (5, 0, 6, 1), (0, 0, 0.051, 2), (np.nan, 0, 1, 1), (-3, -3, -1, -1)],
)
def test_a_region_without_wall_is_refused(wall, region):
    with pytest.raises(BadValue, match="region"):
        adjust(wall, region=region)


def test_openings_are_added_and_removed(wall):
    more = adjust(wall, add_openings=[(3.2, 0.2, 3.5, 0.5)], remove_openings=[1])
    assert [o.evidence for o in more.openings] == [SEEN, GIVEN]
    assert [o.left for o in more.openings] == pytest.approx([2.0, 3.2])
    assert more.notes[0] == note("wall.opening-undone", number=1)


def test_an_opening_given_replaces_the_one_found_there(wall):
    more = adjust(wall, add_openings=[Opening(1.9, 0.9, 1.2, 1.2)])
    assert [(o.left, o.evidence) for o in more.openings] == [(0.5, SEEN), (1.9, GIVEN)]
    assert more.notes == (note("wall.opening-replaced", (2.0, 1.0)),)


@pytest.mark.parametrize("number", [0, 3, -1])
def test_an_opening_that_does_not_exist_cannot_be_removed(wall, number):
    with pytest.raises(BadValue, match=r"no_opening.*1 to 2"):
        adjust(wall, remove_openings=[number])


@pytest.mark.parametrize("opening", [(1, 1, 1, 2), (6, 1, 7, 2), (2, 2, 1, 1)])
def test_an_opening_off_the_wall_is_refused(wall, opening):
    with pytest.raises(BadValue, match="opening"):
        adjust(wall, add_openings=[opening])


def test_strips_can_be_changed_and_taken_back(wall):
    assert_allclose(adjust(wall, trim=0.1).outline.min(axis=0), [0.1, 0.1])
    plain = adjust(wall, trim=0.0)
    assert plain.full is None
    assert plain.gross_area == pytest.approx(10.0)
    for wrong in (-0.01, 0.7):
        with pytest.raises(BadValue, match="trim"):
            adjust(wall, trim=wrong)


def test_nothing_asked_changes_nothing(wall):
    same = adjust(wall)
    assert same.outline.tobytes() == wall.outline.tobytes()
    assert same.openings == wall.openings
    assert same.notes == wall.notes
