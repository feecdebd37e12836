"""Plain words: every reader's half page, no claim the numbers do not carry, risk in the words of JCGM 106."""

import dataclasses

import pytest
from limit_words import in_own_units_alone
from results import explained

from flatscan.verdict import conformance

NEVER = ("complies", "certified", "caused by", "owes", "guarantee", "safe")


def test_three_readers_each_told_what_was_not_tested(anything):
    text = explained(anything)
    parts = text.split("\n\n")
    assert [part.splitlines()[0] for part in parts] == ["FOR THE CLIENT", "FOR THE FOREMAN", "FOR AN ADJUDICATOR"]
    first = "Not examined or tested: key and bond of the plaster"
    for part in parts:
        assert first in " ".join(part.split())
        # half a page: at most 30 lines of 79 letters
        assert len(part.splitlines()) <= 30
        assert max(map(len, part.splitlines())) <= 79
    assert not any(word in text.lower() for word in NEVER)


def test_cautions_stand_before_the_work(survey):
    foreman = explained(survey).split("\n\n")[1]
    assert foreman.index("Hacking: cables and pipes") < foreman.index("sets the face")


def test_an_undecided_wall_is_neither_pass_nor_fail(stations):
    text = " ".join(explained(stations).split())
    assert "neither pass nor fail" in text
    assert "Neither guarded acceptance nor guarded rejection holds" in text


def test_decisions_carry_their_risk(check):
    text = " ".join(explained(check).split())
    assert "Guarded rejection" in text
    assert "at most 5 % of walls just inside the limit are rejected" in text
    assert check.origin.sha256 in text.replace(" ", "")
    (flat, *rest) = check.verdict.criteria
    inside = dataclasses.replace(flat, decision="within", upper=0.0028)
    kept = dataclasses.replace(check.verdict, criteria=(inside, *rest), decision="undecided")
    text = " ".join(explained(dataclasses.replace(check, verdict=kept)).split())
    assert "Guarded acceptance: the upper bound 2.8 mm is not over 3 mm" in text


def test_inches_go_through(check):
    text = explained(check, "in")
    assert " mm" not in in_own_units_alone(text).replace("mm per m", "")


@pytest.mark.parametrize(
    ("value", "u", "limit", "expected"),
    [
        # JCGM 106:2012, 7.2.2: at the limit half of the distribution lies within; table 1: guard bands of 1, 1.65, 2 u
        (3.0, 0.5, 3.0, 0.5),
        (3.0 - 1.645 * 0.5, 0.5, 3.0, 0.95),
        (3.0 - 2 * 0.5, 0.5, 3.0, 0.97725),
        (0.0, 1.0, 1.959964, 0.95),
        (2.0, 0.0, 3.0, 1.0),
        (4.0, 0.0, 3.0, 0.0),
    ],
)
def test_probability_of_conformity(value, u, limit, expected):
    assert conformance(value, u, limit) == pytest.approx(expected, abs=2e-5)
    assert conformance(-value, u, limit) == pytest.approx(expected, abs=2e-5)
