"""Readings by hand settle their places only."""

import numpy as np
import pytest
from judging import judge, judge_by

from flatscan.report.say import spoken
from flatscan.standards import load
from flatscan.straightedge import compare_hand, read_hand, sweep
from flatscan.verdict import with_hand


def hollow(x, y):
    return -0.0031 * np.exp(-((x - 1.5) ** 2 + (y - 1.2) ** 2) / 0.05)


def settled(relief, tmp_path, *lines, rule="1.8 m", **more):
    path = tmp_path / "hand.csv"
    path.write_text(f"units, mm\nrule, {rule}\nu, 0.3 mm\n\nx, y, direction, gap\n" + "\n".join(lines))
    verdict = judge(gaps=sweep(relief, 1.8), limit=0.003, relief=relief)
    return verdict, with_hand(verdict, compare_hand(relief, read_hand(path)), **more)


def test_a_reading_over_the_limit_shows_the_wall_outside(grid_relief, tmp_path):
    before, after = settled(grid_relief(hollow, u=2e-4), tmp_path, "1.5, 1.2, along, 4.5")
    assert (before.decision, after.decision) == ("undecided", "outside")
    assert "over the limit" in spoken(after.reasons)[0]


def test_a_reading_within_settles_its_place_and_nothing_else(grid_relief, tmp_path):
    before, after = settled(grid_relief(hollow, u=2e-4), tmp_path, "1.5, 1.2, along, 2.0")
    assert (before.decision, after.decision) == ("undecided", "undecided")
    assert len(before.check_by_hand) == len(after.check_by_hand) + 1
    assert "within the limit" in spoken(after.reasons)[0]


def test_a_reading_near_the_limit_settles_nothing(grid_relief, tmp_path):
    before, after = settled(grid_relief(hollow, u=2e-4), tmp_path, "1.5, 1.2, along, 3.2")
    assert after.check_by_hand == before.check_by_hand
    assert "does not settle" in spoken(after.reasons)[0]


def test_scan_and_hand_that_contradict_each_other_are_undecided(grid_relief, tmp_path):
    before, after = settled(grid_relief(lambda x, y: 0 * x, u=1e-4), tmp_path, "1.5, 1.2, along, 6")
    assert (before.decision, after.decision) == ("within", "undecided")
    assert "DISAGREE" in spoken(after.reasons)[0]


def test_more_readings_share_the_error_probability(grid_relief, tmp_path):
    # 3.65 mm is over 3 mm by 2.17 u: enough for one reading (1.96), not for five (2.58)
    relief = grid_relief(hollow, u=2e-4)
    line = "1.5, 1.2, along, 3.65"
    assert settled(relief, tmp_path, line)[1].decision == "outside"
    assert settled(relief, tmp_path, line, *["0.5, 0.5, up, 0"] * 4)[1].decision == "undecided"


def test_a_limit_from_memory_stays_without_decision(grid_relief, tmp_path):
    _, after = settled(grid_relief(hollow, u=2e-4), tmp_path, "1.5, 1.2, along, 9", decides=False)
    assert after.decision == "undecided"


def test_nothing_to_settle(grid_relief):
    verdict = judge(step_limit=0.004)
    assert with_hand(verdict, ()) is verdict
    assert with_hand(verdict, ()).decision == pytest.approx("undecided")


def test_a_shorter_straightedge_can_pass_the_limit_but_not_keep_it(grid_relief, tmp_path):
    relief = grid_relief(hollow, u=2e-4)
    assert settled(relief, tmp_path, "1.5, 1.2, along, 4.5", rule="1.2 m")[1].decision == "outside"
    before, after = settled(relief, tmp_path, "1.5, 1.2, along, 1.0", rule="1.2 m")
    assert after.check_by_hand == before.check_by_hand


def test_a_longer_straightedge_can_keep_the_limit_but_not_pass_it(grid_relief, tmp_path):
    relief = grid_relief(hollow, u=2e-4)
    assert settled(relief, tmp_path, "1.5, 1.2, along, 4.5", rule="2.4 m")[1].decision == "undecided"
    before, after = settled(relief, tmp_path, "1.5, 1.2, along, 1.0", rule="2.4 m")
    assert len(after.check_by_hand) == len(before.check_by_hand) - 1


def test_limit_that_follows_the_contacts(grid_relief, tmp_path):
    relief = grid_relief(hollow, u=2e-4)
    verdict = judge_by(load("din-18202-2019-row-7"), relief, directions=[0, 90]).verdict
    path = tmp_path / "hand.csv"
    # up to 1.8 m apart the limit is 2 to 4 mm: 3.5 mm may be allowed, 5.5 mm is not
    for gap, decision in ((3.5, verdict.decision), (5.5, "outside")):
        path.write_text(f"units, mm\nrule, 1.8 m\nu, 0.3 mm\n\nx, y, direction, gap\n1.5, 1.2, along, {gap}\n")
        assert with_hand(verdict, compare_hand(relief, read_hand(path))).decision == decision
    assert verdict.decision == "undecided"


def test_readings_at_rest_settle_nothing_on_blocks(grid_relief, tmp_path):
    relief = grid_relief(hollow, u=2e-4)
    verdict = judge_by(load("uk-warranty-a-2020-flatness"), relief).verdict
    path = tmp_path / "hand.csv"
    path.write_text("units, mm\nrule, 2 m\nu, 0.3 mm\n\nx, y, direction, gap\n1.5, 1.2, along, 9\n")
    assert with_hand(verdict, compare_hand(relief, read_hand(path))).decision == verdict.decision
