"""Where points mostly repeat each other neither decision is made."""

from dataclasses import replace

import numpy as np
import pytest
from judging import judge

from flatscan.core.independence import Independence
from flatscan.core.quantity import Quantity, slope
from flatscan.relief.tied import TiedError
from flatscan.report.say import spoken
from flatscan.straightedge import sweep
from flatscan.verdict.criteria import OUTSIDE, Criterion
from flatscan.verdict.repeating import without_loose_tie

COPIES = Independence("copies", 80_000.0, 8_000.0, 0.002)


def hollow(depth):
    return lambda x, y: -depth * np.exp(-((x - 1.5) ** 2 + (y - 1.2) ** 2) / 0.08)


def judged(grid_relief, depth, shown, **more):
    surface = hollow(depth)
    plain = grid_relief(surface, u=1e-4)
    relief = replace(grid_relief(surface, u=1e-4, halves=(plain.offset, plain.offset)), independence=shown)
    return judge(gaps=sweep(relief, 1.8), limit=0.003, relief=relief, **more)


@pytest.mark.parametrize(("depth", "decision"), [(0.001, "within"), (0.006, "outside")])
def test_neither_decision_from_copies(grid_relief, depth, decision):
    assert judged(grid_relief, depth, None).decision == decision
    verdict = judged(grid_relief, depth, COPIES)
    assert verdict.decision == "undecided"
    said = spoken(verdict.reasons)
    assert "90 % of their scatter is shared" in said[0]
    assert "On 1 m² they are worth about 8,000 measurements" in said[0]
    assert any("as the instrument recorded it" in one for one in said)
    # the numbers stay
    assert verdict.criteria[0].value == judged(grid_relief, depth, None).criteria[0].value


def test_less_than_half_shared_leaves_the_decision(grid_relief):
    half = Independence("copies", 10_000.0, 5_000.0, 0.002)
    assert judged(grid_relief, 0.001, half).decision == "within"


def test_steps_rest_on_points_and_a_lean_does_not(grid_relief):
    step = Quantity(0.001, 1e-4)
    verdict = judged(
        grid_relief, 0.001, COPIES, step=step, step_limit=0.003, lean=slope(0.001, 1e-4), height=2.4, plumb_limit=0.01
    )
    assert {one.name: one.decision for one in verdict.criteria} == {
        "flatness": "undecided",
        "step": "undecided",
        "plumb": "within",
    }


def test_no_outside_where_a_tie_holds_the_place_more_loosely_than_the_limit(grid_relief):
    """A gap of 40 mm is three times its u of 6.9 mm over a limit of 5 mm: outside, but not from a tie."""
    found = Criterion("flatness", OUTSIDE, 0.040, 0.054, 0.005, (), 0.026, u=0.0069)
    plain = grid_relief(hollow(0.04))
    tied = replace(plain, common=TiedError(0.004, 2.0))
    assert without_loose_tie(found, plain) == found
    assert without_loose_tie(replace(found, u=0.004), tied).decision == OUTSIDE
    assert without_loose_tie(replace(found, decision="within"), tied).decision == "within"
    loose = without_loose_tie(found, tied)
    assert loose.decision == "undecided"
    assert (loose.value, loose.lower, loose.upper) == (found.value, found.lower, found.upper)
    assert "cannot say it is over the limit" in spoken(loose.reasons)[0]
