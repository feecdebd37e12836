"""Decisions on flatness by rule and limit (methods/decision 1)."""

from dataclasses import replace

import numpy as np
import pytest
from judging import in_words, judge

from flatscan.core.errors import BadValue
from flatscan.report.say import say, spoken
from flatscan.straightedge import sweep
from flatscan.verdict import cannot_be_within


def hollow(depth):
    """A surface with one hollow of so many metres under a 1.8 m rule at its middle."""
    return lambda x, y: -depth * np.exp(-((x - 1.5) ** 2 + (y - 1.2) ** 2) / 0.08)


def scanned(grid_relief, surface, noise, **more):
    random = np.random.default_rng(5)
    truth = grid_relief(surface).offset
    halves = [truth + random.normal(size=truth.shape) * noise * np.sqrt(2) for _ in range(2)]
    return grid_relief((halves[0] + halves[1]) / 2, u=noise, halves=halves, **more)


def judged(relief, rule=1.8, limit=0.003, **more):
    return judge(gaps=sweep(relief, rule), limit=limit, relief=relief, **more)


def test_flat_wall_is_within(grid_relief):
    verdict = judged(scanned(grid_relief, hollow(0.001), 0.0001))
    assert verdict.decision == "within"
    assert verdict.criteria[0].upper <= 0.003
    assert in_words(verdict) == "flatness within; plumb not judged; step not judged; corner not judged"
    assert verdict.check_by_hand == ()


def test_deep_hollow_is_outside(grid_relief):
    verdict = judged(scanned(grid_relief, hollow(0.006), 0.0001))
    assert verdict.decision == "outside"
    assert verdict.criteria[0].lower > 0.003


def test_hollow_near_the_limit_is_undecided_and_says_where(grid_relief):
    verdict = judged(scanned(grid_relief, hollow(0.003), 0.0002))
    assert verdict.decision == "undecided"
    assert 1 <= len(verdict.check_by_hand) <= 5
    assert verdict.check_by_hand[0] == pytest.approx((1.5, 1.2), abs=0.1)
    assert any("points" in reason for reason in spoken(verdict.reasons))


def test_hidden_cells_or_wide_smoothing_or_poor_coverage_stop_within(grid_relief):
    for more, word in (({"hidden": 3}, "hide"), ({"window": 13}, "smoothed over 260 mm")):
        verdict = judged(scanned(grid_relief, hollow(0.001), 0.0001, **more))
        assert verdict.decision == "undecided"
        assert any(word in reason for reason in spoken(verdict.reasons))
    relief = scanned(grid_relief, hollow(0.001), 0.0001)
    holed = np.where(relief.places[0] > 2.6, np.nan, relief.offset)
    relief = grid_relief(holed, u=0.0001, halves=(holed, holed))
    verdict = judged(relief)
    assert verdict.decision == "undecided"
    assert any("was measured under whole straightedges" in reason for reason in spoken(verdict.reasons))


def test_capture_that_cannot_show_it_says_so_first_and_may_still_be_outside(grid_relief):
    relief = grid_relief(hollow(0.001), sd=0.005, u=0.0001)
    assert "a quarter of the limit" in say(cannot_be_within(relief, 1.8, 0.003))
    verdict = judged(relief)
    assert verdict.decision == "undecided"
    assert "a quarter of the limit" in spoken(verdict.reasons)[0]
    assert judged(scanned(grid_relief, hollow(0.060), 0.0001, sd=0.005)).decision == "outside"


def test_exact_limit(grid_relief):
    # the boundary belongs to within, and on the other side to undecided
    relief = grid_relief(hollow(0.002), u=1e-5)
    gaps = sweep(relief, 1.8)
    for upper, lower, decision in (
        (0.003, 0.001, "within"),
        (0.003 + 1e-9, 0.001, "undecided"),
        (0.004, 0.003, "undecided"),
        (0.004, 0.003 + 1e-9, "outside"),
    ):
        judged_so = judge(gaps=replace(gaps, upper=upper, lower=lower), limit=0.003, relief=relief)
        assert judged_so.decision == decision
        assert (judged_so.criteria[0].lower, judged_so.criteria[0].upper) == (lower, upper)


def test_what_is_printed_is_the_interval_that_decides(grid_relief):
    relief = scanned(grid_relief, hollow(0.003), 0.0002)
    gaps = sweep(relief, 1.8)
    criterion = judge(gaps=gaps, limit=0.003, relief=relief).criteria[0]
    shown = criterion.measured
    assert (shown.low, shown.value, shown.high) == (gaps.low, gaps.gap, gaps.high)
    assert (criterion.lower, criterion.value, criterion.upper) == (gaps.low, gaps.gap, gaps.high)
    # noise has lifted the largest gap: the interval reaches further down from what was found than up
    assert gaps.deepest.max() - gaps.low > 1.5 * (gaps.high - gaps.deepest.max())


def test_stations_are_never_within(station_relief):
    x, y = np.arange(5) * 0.6 + 0.3, np.arange(4) * 0.6 + 0.3
    flat = judged(station_relief(x, y, np.zeros((4, 5)), u=1e-5))
    assert flat.decision == "undecided"
    assert any("nothing over the limit at the stations read" in reason for reason in spoken(flat.reasons))
    table = np.zeros((4, 5))
    table[1, 2] = -0.009
    assert judged(station_relief(x, y, table)).decision == "outside"
    table[1, 2] = -0.004
    assert judged(station_relief(x, y, table)).decision == "undecided"


def test_no_three_stations_on_a_line(station_relief):
    relief = station_relief([0.0, 1.0], [0.0, 1.0], [[0.0, 0.001], [0.0, 0.0]])
    gaps = sweep(relief, 1.8)
    assert gaps.worst is None
    verdict = judge(gaps=gaps, limit=0.003, relief=relief)
    assert verdict.criteria[0].value is None
    assert "no three stations" in spoken(verdict.reasons)[0]


@pytest.mark.parametrize("limit", [0.0, -0.003, float("nan"), float("inf")])
def test_limit_must_be_over_zero(grid_relief, limit):
    relief = grid_relief(hollow(0.001))
    with pytest.raises(BadValue, match="limit"):
        judged(relief, limit=limit)


@pytest.mark.parametrize("confidence", [0.0, 0.5, 1.0, 95.0])
def test_confidence_must_be_a_probability(grid_relief, confidence):
    gaps = sweep(grid_relief(hollow(0.001)), 1.8)
    with pytest.raises(BadValue, match="confidence"):
        judge(gaps=gaps, limit=0.003, confidence=confidence)


def test_confidence_and_sweep_must_agree(grid_relief):
    gaps = sweep(grid_relief(hollow(0.001)), 1.8)
    with pytest.raises(BadValue, match="k = 1.645"):
        judge(gaps=gaps, limit=0.003, confidence=0.99)
