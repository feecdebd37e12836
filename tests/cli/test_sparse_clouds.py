"""However few points: an answer, or one message of four parts; never a traceback and never a bound out of nothing."""

import math

import numpy as np
import pytest

LOOKED = ("--up", "z", "--seen-from", "1.5,1,1.2", "--file-unit", "m")
WIDE, HIGH = 3.0, 2.5


def in_rows(step, noise):
    x, z = np.meshgrid(np.arange(step / 2, WIDE, step), np.arange(step / 2, HIGH, step))
    return np.stack([x.ravel(), 5 + np.random.default_rng(1).normal(0, noise, x.size), z.ravel()], axis=1)


def at_random(density, seed):
    rng = np.random.default_rng(seed)
    n = max(int(density * WIDE * HIGH), 3)
    return np.stack([rng.uniform(0, WIDE, n), 5 + rng.normal(0, 0.001, n), rng.uniform(0, HIGH, n)], axis=1)


def clumps():
    rng = np.random.default_rng(2)
    at = np.where(rng.random(400) < 0.5, 0, 1)
    return np.stack(
        [
            np.array([0.4, 2.6])[at] + rng.normal(0, 0.05, 400),
            5 + rng.normal(0, 0.001, 400),
            np.array([0.5, 2.0])[at] + rng.normal(0, 0.05, 400),
        ],
        axis=1,
    )


def one_row():
    rng = np.random.default_rng(3)
    return np.stack([rng.uniform(0, WIDE, 300), 5 + rng.normal(0, 0.001, 300), 1.2 + rng.normal(0, 0.08, 300)], axis=1)


CLOUDS = {
    "rows of 50 mm": in_rows(0.05, 0.001),
    "rows of 60 mm, drawn": in_rows(0.06, 0.0),
    "rows of 100 mm": in_rows(0.1, 0.001),
    "rows of 150 mm": in_rows(0.15, 0.001),
    **{f"{density} a m2": at_random(density, density) for density in (14, 20, 30, 300)},
    "two clumps": clumps(),
    "one row": one_row(),
}


@pytest.mark.parametrize("name", CLOUDS)
def test_every_command_answers_or_says_in_four_parts_why_not(flatscan, tmp_path, name):
    path = tmp_path / "cloud.xyz"
    np.savetxt(path, CLOUDS[name], fmt="%.5f")
    for command in (("check", "--limit", "3mm"), ("survey",), ("lows",), ("setout",)):
        ran = flatscan(command[0], path, *command[1:], *LOOKED, "--json")
        if ran.code == 1:
            assert ran.err.count("needed: ") == 1
            continue
        assert ran.code == (4 if command[0] == "check" else 0)
        document = ran.document
        assert document["wall"]["cell_mm"] % 5 == 0
        assert 10 <= document["wall"]["cell_mm"] <= 200
        if command[0] != "check":
            continue
        flatness, verdict = document["flatness"], document["verdict"]
        assert verdict["decision"] == "undecided"
        assert verdict["reasons"]
        assert flatness["smallest_feature_mm"] >= 4.2 * document["wall"]["cell_mm"] - 1
        assert (flatness["gap_mm"] is None) == (flatness["u_gap_mm"] is None)
        assert flatness["u_gap_mm"] is None or flatness["u_gap_mm"] > 0


@pytest.mark.parametrize("command", [("check", "--limit", "3mm"), ("survey",)])
def test_a_wall_of_single_points_makes_its_sheets(flatscan, tmp_path, command):
    path = tmp_path / "cloud.xyz"
    np.savetxt(path, at_random(20, 20), fmt="%.5f")
    ran = flatscan(command[0], path, *command[1:], *LOOKED, "--out", tmp_path / "sheets")
    assert ran.code == (4 if command[0] == "check" else 0)
    assert len(list((tmp_path / "sheets").iterdir())) > 3


def test_a_straightedge_shorter_than_three_cells_is_an_answer_with_what_would_do(flatscan, tmp_path):
    path = tmp_path / "cloud.xyz"
    np.savetxt(path, at_random(100, 5), fmt="%.5f")
    ran = flatscan("check", path, "--rule", "300mm", "--limit", "3mm", *LOOKED, "--json")
    assert ran.code == 4
    assert ran.document["flatness"]["gap_mm"] is None
    reasons = " ".join(ran.document["verdict"]["reasons"])
    assert "too sparse for a straightedge of 0.3 m" in reasons
    assert "would do" in reasons


def test_a_wall_swept_twice_is_never_quoted_by_one_number(flatscan, tmp_path, write_ply, plain_wall):
    """Half of the points 15 mm behind the other half: a range, no order, exit 4; and no decision."""
    points = plain_wall(lambda x, _: 0.004 * np.sin(2 * x), n=30_000, noise=0.003)
    out = np.array([np.sin(0.4), -np.cos(0.4), 0])
    points[::2] -= 0.015 * out
    write_ply(tmp_path / "twice.ply", points)
    given = ("--up", "z", "--system", "gypsum-undercoat", "--capture-type", "scanner")
    ran = flatscan("survey", "twice.ply", "--json", *given)
    assert ran.code == 4
    assert ran.document["wall"]["doubled_mm"] == pytest.approx(15, abs=1)
    found = ran.document["material"]
    assert [found[key] for key in ("volume_l", "mean_mm", "order_l", "bags", "price_low")] == [None] * 5
    assert {row["volume_l"] for row in ran.document["choices"]} == {None}
    low, high = found["bags_range"]
    assert 0 < low < high
    # at rates of one's own a price from and to, each the wall's and the bags' at that end, and none between
    (tmp_path / "rates.toml").write_text('currency = ""\nbasis = "area"\nday = 0\nm2 = 10\nallowance_mm = 900\n'
                                         "extra_mm_m2 = 0\nhack = 0\nbag = 7\ncall_out = 0\n")  # fmt: skip
    priced = flatscan("survey", "twice.ply", "--rates", "rates.toml", "--json", *given).document
    assert priced["material"]["price"] is None
    assert "quote" not in priced
    area, bags = 10 * priced["wall"]["area_m2"], [math.floor(low), math.ceil(high) + 1]
    assert (
        area + 7 * bags[0] <= priced["material"]["price_low"] < priced["material"]["price_high"] <= area + 7 * bags[1]
    )
    # the plane and the rest of the wall may each be off by the distance: net area 4.8 m2
    assert found["volume_high_l"] - found["volume_low_l"] > 4.8 * 15
    checked = flatscan("check", "twice.ply", "--rule", "1.8m", "--limit", "3mm", "--json", *given[:2], *given[4:])
    assert checked.code == 4
    assert any("two surfaces" in reason for reason in checked.document["verdict"]["reasons"])
    # nothing on screen either is one number, and nothing is to be cut or bought yet
    said = flatscan("survey", "twice.ply", "--more", *given).err
    assert "as either surface is the wall" in " ".join(said.split())
    assert not any(word in said for word in ("on average", "H1 ", " bags "))
