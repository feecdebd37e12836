"""Flatness where no method was named: the resting gap and the balanced end gap against one limit (decision 11)."""

import itertools

import numpy as np
import pytest
from judging import judge_by
from relief_builders import grid_of

from flatscan.core.choices import BOTH, METHODS
from flatscan.core.notes import note
from flatscan.jobs import Requirement
from flatscan.report.say import spoken
from flatscan.standards import Tolerance, available
from flatscan.straightedge.hand_gaps import HandCheck, HandReading
from flatscan.verdict import OUTSIDE, UNDECIDED, WITHIN, Criterion, with_hand
from flatscan.verdict.flatness import by_both

LIMIT, CELL = 0.003, 0.02
X, Y = np.meshgrid((np.arange(150) + 0.5) * CELL, (np.arange(120) + 0.5) * CELL)
# outward over the whole width; at its ends 20 mm behind its middle
BOW = -0.020 * ((X - 1.5) / 1.5) ** 2
HOLLOW = -0.006 * np.exp(-((X - 1.5) ** 2 + (Y - 1.2) ** 2) / 0.08)


def scanned(surface, noise=0.0002, seed=5):
    random = np.random.default_rng(seed)
    halves = [surface + random.normal(size=surface.shape) * noise * np.sqrt(2) for _ in range(2)]
    return grid_of(sum(halves) / 2, CELL, u=noise, half_a=halves[0], half_b=halves[1])


def judged(relief, method=BOTH, **more):
    return judge_by(Tolerance.entered("flatness", LIMIT, 1.8, method), relief, **more).verdict


def test_a_bow_depends_on_the_method():
    relief = scanned(BOW)
    verdict = judged(relief)
    flat = verdict.criteria[0]
    assert (verdict.decision, flat.alone, flat.other.decision) == (UNDECIDED, WITHIN, OUTSIDE)
    # a parabola's sagitta under 1.8 m, and nothing under a resting one, but for what the largest of noise adds
    most = 6 * np.sqrt(1.5) * 0.0002
    assert 0 <= flat.other.value - 0.020 * (0.9 / 1.5) ** 2 <= most
    assert flat.value <= most
    said = spoken(verdict.reasons)
    assert all(word in said[0] for word in ("it depends on the method", "resting", "balanced"))
    assert "--method" in said[1]
    assert verdict.check_by_hand
    assert judged(relief, METHODS[0]).decision == WITHIN
    assert judged(relief, METHODS[2]).decision == OUTSIDE


def test_a_flat_wall_is_within_by_both_and_a_hollow_outside():
    flat = judged(scanned(0.0 * X)).criteria[0]
    assert (flat.decision, flat.alone, flat.other.decision) == (WITHIN, WITHIN, WITHIN)
    assert max(flat.upper, flat.other.upper) <= LIMIT
    deep = judged(scanned(HOLLOW)).criteria[0]
    assert (deep.decision, deep.alone) == (OUTSIDE, OUTSIDE)


@pytest.mark.parametrize(("resting", "balanced"), list(itertools.product((WITHIN, UNDECIDED, OUTSIDE), repeat=2)))
def test_every_pair_of_decisions(resting, balanced):
    one = Criterion("flatness", resting, 0.001, 0.002, LIMIT, (note("verdict.no-upper"),), 0.0, ((1.0, 1.0),))
    two = Criterion("flatness", balanced, 0.004, 0.005, LIMIT, (note("verdict.no-upper"),), 0.003, ((2.0, 1.0),))
    found = by_both(one, two)
    meant = {(WITHIN, WITHIN): WITHIN, (OUTSIDE, balanced): OUTSIDE}
    assert found.decision == meant.get((resting, balanced), UNDECIDED)
    depends = any(reason.code == "verdict.depends" for reason in found.reasons)
    assert depends == found.depends == (resting == WITHIN and balanced != WITHIN)
    assert (found.value, found.other, found.alone) == (one.value, two, resting)


def test_a_limit_without_a_method_asks_for_both_and_a_named_one_for_its_own():
    assert [entry.method for entry in Requirement.by(limit="3 mm").entries] == [BOTH]
    assert [entry.method for entry in Requirement.by(limit="3 mm", method="equal offsets").entries] == ["equal offsets"]
    for entry in available():
        assert Requirement.by(tolerance=entry.id, rule=None).entries == (entry,)


def test_readings_by_hand_show_a_resting_gap_and_settle_no_balanced_one():
    verdict = judged(scanned(BOW))
    at = verdict.check_by_hand[0]
    small = HandCheck(HandReading(*at, 0.0, 0.0005, 3), None, 0.0003, None, None, note("report.none"), 1.8)
    assert with_hand(verdict, [small]).check_by_hand == verdict.check_by_hand


@pytest.mark.parametrize("kind", ["normal", "heavy tails", "drift", "steps"])
def test_a_bow_just_over_the_limit_is_next_to_never_within(kind):
    """Errors of the stated size that are normal, or of other kinds: at most 5 % of walls pass, none is outside."""
    random = np.random.default_rng(sum(map(ord, kind)))
    over = BOW * (1.001 * LIMIT / (0.020 * (0.9 / 1.5) ** 2))
    noise, walls, passed = 0.0003, 10, 0
    for _ in range(walls):
        error = random.normal(size=over.shape)
        if kind == "heavy tails":
            error = random.standard_t(3, over.shape) / np.sqrt(3)
        if kind == "drift":
            error = (error + np.sin(2 * np.pi * (X / 0.9 + random.random()))) / np.sqrt(1.5)
        if kind == "steps":
            error = (error + np.sign(X - random.uniform(0.5, 2.5))) / np.sqrt(2)
        z = over + noise * error
        relief = grid_of(z, CELL, u=noise, half_a=z, half_b=z)
        found = judged(relief, directions=(0.0, 90.0))
        passed += found.decision == WITHIN
    assert passed <= 0.05 * walls
