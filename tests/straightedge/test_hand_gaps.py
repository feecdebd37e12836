"""Straightedge readings by hand, set beside the scan."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadTable, BadValue, ReadError
from flatscan.straightedge import compare_hand, read_hand
from flatscan.straightedge.hand_gaps import gap_near

GOOD = "units, mm\nrule, 1.8 m\nu, 0.4 mm\nwall, hall\n\nx, y, direction, gap\n1.5, 1.2, along, 4.0\n0.6,0.5,up,0\n"


def written(tmp_path, text):
    path = tmp_path / "hand.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_reading(tmp_path):
    hand = read_hand(written(tmp_path, GOOD + "1, 1, 45°, 1.5\n"))
    assert (hand.rule, hand.u) == (1.8, pytest.approx(4e-4))
    assert [(one.x, one.y, one.direction) for one in hand.readings] == [
        (1.5, 1.2, 0.0),
        (0.6, 0.5, 90.0),
        (1.0, 1.0, 45.0),
    ]
    assert [one.gap for one in hand.readings] == pytest.approx([0.004, 0.0, 0.0015])
    assert hand.readings[0].line == 7


def test_inches_and_defaults(tmp_path):
    hand = read_hand(written(tmp_path, "units, in\n\nx, y, direction, gap\n1, 1, vertical, 0.125\n"))
    assert (hand.rule, hand.u) == (None, 5e-4)
    assert hand.readings[0].gap == pytest.approx(0.003175)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("units, mm\n", "", "units, mm"),
        ("units, mm", "units, furlong", "furlong"),
        ("x, y, direction", "x, direction", "header"),
        ("rule, 1.8 m", "rules, 1.8 m", "rules"),
        ("along", "sideways", "line 7"),
        ("1.5, 1.2", "1.5, ?", "line 7"),
        ("4.0", "-4.0", "line 7"),
        ("4.0", "400", "400 mm"),
        ("4.0", "nan", "line 7"),
        ("4.0", "4.0, 5", "line 7"),
        ("1.5, 1.2, along, 4.0\n0.6,0.5,up,0\n", "", "no rows"),
        ("u, 0.4 mm", "u, 0 mm", "u 0"),
    ],
)
def test_broken_files_are_refused_by_line(tmp_path, old, new, said):
    with pytest.raises(BadTable, match=said):
        read_hand(written(tmp_path, GOOD.replace(old, new)))


def test_no_file(tmp_path):
    with pytest.raises(ReadError, match=r"none\.csv"):
        read_hand(tmp_path / "none.csv")


def hollow(x, y):
    return -0.004 * np.exp(-((x - 1.5) ** 2 + (y - 1.2) ** 2) / 0.05)


def test_comparison(grid_relief, tmp_path):
    relief = grid_relief(hollow, u=1e-4)
    text = GOOD.replace("0.6,0.5,up,0", "1.5,1.2,up,9.0\n7.0,1.0,up,1.0")
    agree, differ, off = compare_hand(relief, read_hand(written(tmp_path, text)))
    assert_allclose(agree.scan.value, 0.004, atol=2e-4)
    assert (agree.agrees, differ.agrees, off.agrees) == (True, False, None)
    assert differ.difference == pytest.approx(0.005, abs=3e-4)
    assert differ.note.code == "straightedge.hand-disagrees"
    assert off.note.code == "straightedge.hand-alone"


def test_limit_of_agreement_is_both_uncertainties(grid_relief, tmp_path):
    relief = grid_relief(hollow, u=3e-4)
    scan = gap_near(relief, 1.5, 1.2, 0.0, 1.8)
    room = 1.96 * np.hypot(4e-4, scan.u)
    for factor, agrees in ((0.99, True), (1.01, False)):
        text = GOOD.replace("4.0\n", f"{(scan.value + factor * room) * 1000}\n")
        assert compare_hand(relief, read_hand(written(tmp_path, text)))[0].agrees is agrees


def test_rule_must_be_known_and_u_of_the_scan_may_not_be(grid_relief, tmp_path):
    hand = read_hand(written(tmp_path, GOOD.replace("rule, 1.8 m\n", "")))
    with pytest.raises(BadValue, match="length of the straightedge"):
        compare_hand(grid_relief(hollow), hand)
    (first, _) = compare_hand(grid_relief(hollow, u=np.nan), hand, rule=1.8)
    assert (first.agrees, first.difference) == (None, pytest.approx(0.0, abs=3e-4))


def test_at_a_contact_the_gap_is_nothing(grid_relief):
    crest = gap_near(grid_relief(lambda x, y: -hollow(x, y), u=1e-4), 1.51, 1.21, 0.0, 1.8)
    assert crest.value == pytest.approx(0.0, abs=1e-4)


def test_stations(station_relief, tmp_path):
    table = np.zeros((3, 5))
    table[1, 2] = -0.004
    relief = station_relief(np.arange(5) * 0.5, np.arange(3) * 0.5, table)
    assert gap_near(relief, 1.02, 0.49, 0.0, 1.8).value == pytest.approx(0.004)
    assert gap_near(relief, 1.25, 0.5, 0.0, 1.8) is None
