"""From two capture files to the document: stated truth, ties, refusals, damaged input."""

import json
from pathlib import Path

import numpy as np
import pytest
from two_scans import HEIGHT, WIDTH, plastered, raw, scan, strips_left

from flatscan.cli import run
from flatscan.straightedge import sweeping


@pytest.fixture
def compared(tmp_path, monkeypatch, capsys):
    """Run compare on two scans in an empty folder; gives exit code, document (or None) and stderr."""
    monkeypatch.chdir(tmp_path)

    def call(*args, kind="scanner"):
        code = run(["compare", *map(str, args), "--capture-type", kind, "--json"])
        out, err = capsys.readouterr()
        return code, json.loads(out) if out else None, err

    return call


@pytest.fixture
def before(tmp_path):
    return scan(tmp_path / "before.ply", raw, seed=1)


def true_mean(surface):
    x, y = np.meshgrid((np.arange(240) + 0.5) * WIDTH / 240, (np.arange(200) + 0.5) * HEIGHT / 200)
    change = surface(x, y) - raw(x, y)
    return change.mean() * 1000, change.min() * 1000


def test_a_coat_scanned_in_one_coordinate_system(compared, before, tmp_path):
    code, made, _ = compared(before, scan(tmp_path / "after.ply", plastered, seed=2), "--same-frame")
    found, (mean, least) = made["compare"], true_mean(plastered)
    assert code == 0
    assert found["mean_mm"] == pytest.approx(mean, abs=2 * found["u_mm"])
    assert found["mean_mm"] == pytest.approx(mean, abs=0.15)
    # the mean on the wall's 4.8 m2: mm x m2 = litres
    assert found["volume_l"] == pytest.approx(mean * WIDTH * HEIGHT, rel=0.01)
    assert found["least_mm"] == pytest.approx(least, abs=0.5)
    assert found["changed_share"] == pytest.approx(1.0)
    assert found["earlier"]["file"] == "before.ply"
    assert made["capture"]["file"] == "after.ply"
    assert {"wall", "plumb", "shape", "patches"} <= set(made)


def test_one_coordinate_system_is_assumed_aloud(compared, before, tmp_path):
    _, made, _ = compared(before, scan(tmp_path / "after.ply", plastered, seed=2))
    assert any("their coordinates were taken as shared" in text for text in made["capture"]["warnings"])


def test_without_a_tie_the_thickness_is_null_with_its_reason(compared, before, tmp_path):
    code, made, _ = compared(before, scan(tmp_path / "after.ply", plastered, seed=2, yaw=-1.2))
    found = made["compare"]
    assert code == 0
    assert found["mean_mm"] is None
    assert found["volume_l"] is None
    assert found["least_mm"] is None
    assert "out" in found["not_determined"]
    assert any(text.startswith("compare.mean_mm is null:") for text in made["capture"]["warnings"])


def test_two_strips_left_bare_tie_a_file_of_any_coordinates(compared, before, tmp_path):
    after = scan(tmp_path / "after.ply", strips_left, seed=2, yaw=-1.2)
    both_sides = ["--reference", "0,0,0.17m,2m", "--reference", "2.23m,0,2.4m,2m"]
    _, made, _ = compared(before, after, *both_sides)
    found = made["compare"]
    assert found["mean_mm"] == pytest.approx(true_mean(strips_left)[0], abs=0.25)
    assert found["u_mm"] < 0.7
    _, made, _ = compared(before, after, "--reference", "0,0,0.17m,2m")
    assert made["compare"]["mean_mm"] is None
    assert any("too small to fix the turn" in text for text in made["capture"]["warnings"])


def test_fixed_points_tie_a_file_of_any_coordinates(compared, before, tmp_path):
    after = scan(tmp_path / "after.ply", plastered, seed=2, yaw=-1.2, move=(0.8, -0.5, 0.3))
    targets = np.array([[-1.4, 1.9, 0.1], [1.3, 1.8, 2.2], [0.2, -1.0, 1.0], [1.5, 0.3, 0.4]])

    def seen(yaw, move):
        c, s = np.cos(yaw), np.sin(yaw)
        return targets @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]).T + move

    rows = np.hstack([seen(0.4, (0, 0, 0)), seen(-1.2, (0.8, -0.5, 0.3))])
    header = "earlier_x_m,earlier_y_m,earlier_z_m,later_x_m,later_y_m,later_z_m\n"
    table = tmp_path / "targets.csv"
    table.write_text(header + "\n".join(",".join(f"{v:.5f}" for v in row) for row in rows) + "\n")
    _, made, _ = compared(before, after, "--points", table)
    assert made["compare"]["mean_mm"] == pytest.approx(true_mean(plastered)[0], abs=0.15)
    assert "fixed points" in made["compare"]["tied_by"]


def test_another_wall_is_refused_with_sizes(compared, before, tmp_path):
    code, made, err = compared(before, scan(tmp_path / "other.ply", raw, seed=3, width=3.0, yaw=-1.2))
    assert code == 1
    assert made is None
    assert "mm apart in width" in err


def test_same_frame_of_walls_far_apart_is_refused(compared, before, tmp_path):
    code, _, err = compared(before, scan(tmp_path / "far.ply", raw, seed=3, yaw=1.4), "--same-frame")
    assert code == 1
    assert "degrees" in err


def test_different_cells_are_measured_again_and_said(compared, tmp_path):
    dense = scan(tmp_path / "dense.ply", raw, seed=1, n=150_000)
    _, made, _ = compared(dense, scan(tmp_path / "sparse.ply", plastered, seed=2, n=60_000), "--same-frame")
    assert made["compare"]["mean_mm"] == pytest.approx(true_mean(plastered)[0], abs=0.2)
    assert any("measured again on cells of 30 mm" in text for text in made["capture"]["warnings"])


def test_a_later_survey_that_is_thinner_is_said(compared, before, tmp_path):
    cut = scan(tmp_path / "cut.ply", lambda x, y: raw(x, y) - 0.015, seed=2)
    code, made, _ = compared(before, cut, "--same-frame", "--confirm", "order", "--confirm", "even")
    assert code == 0
    assert made["compare"]["mean_mm"] == pytest.approx(-15.0, abs=0.2)
    assert made["compare"]["removed_l"] == pytest.approx(15 * WIDTH * HEIGHT, rel=0.02)
    assert any("hacked off, or the surveys do not lie right" in text for text in made["capture"]["warnings"])


def test_two_parties_agree_and_a_dent_makes_them_differ(compared, before, tmp_path):
    _, made, _ = compared(before, scan(tmp_path / "again.ply", raw, seed=5, yaw=-0.9), "--same-surface")
    assert made["compare"]["agreement"]["agree"] is True
    assert made["compare"]["agreement"]["correlation"] > 0.95

    def dented(x, y):
        return raw(x, y) - 0.006 * ((x - 1.2) ** 2 + (y - 1.0) ** 2 < 0.04)

    _, made, _ = compared(before, scan(tmp_path / "dent.ply", dented, seed=5, yaw=-0.9), "--same-surface")
    agreement = made["compare"]["agreement"]
    assert agreement["agree"] is False
    worst = made["compare"]["places"][0]
    assert np.hypot(worst["x_mm"] - 1200, worst["y_mm"] - 1000) < 220


def test_the_wrong_side_is_suspected(compared, before, tmp_path):
    wrong = scan(tmp_path / "wrong.ply", lambda x, y: -raw(WIDTH - x, y), seed=5)
    code, made, _ = compared(before, wrong, "--same-surface")
    assert code == 4
    assert any("fit seen from behind" in text for text in made["capture"]["warnings"])


def test_laser_readings_before_and_after_through_the_same_marks(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    xs, ys = (0.1, 0.8, 1.6, 2.3), (1.9, 1.0, 0.1)
    for name, surface in (("before.csv", raw), ("after.csv", plastered)):
        rows = [", ".join([f"{y:g}", *(f"{120 - 1000 * surface(x, y):.1f}" for x in xs)]) for y in ys]
        head = ["units, mm", "sense, big = hollow", f"width, {WIDTH} m", f"height, {HEIGHT} m", ""]
        Path(name).write_text("\n".join([*head, ", " + ", ".join(map(str, xs)), *rows]) + "\n")
    # at these stations the coat is as even as the readings tell, and that is asked about
    assert run(["compare", "before.csv", "after.csv", "--same-frame", "--json"]) == 4
    found = json.loads(capsys.readouterr().out)["compare"]
    x, y = np.meshgrid(xs, ys)
    expected = (plastered(x, y) - raw(x, y)) * 1000
    assert found["least_mm"] == pytest.approx(expected.min(), abs=0.11)
    assert expected.min() < found["mean_mm"] < expected.max()
    assert run(["compare", "before.csv", "after.csv", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["compare"]["mean_mm"] is None


def test_background_allowance_and_rates(compared, before, tmp_path):
    rates = tmp_path / "rates.toml"
    rates.write_text(
        'currency = "units"\nbasis = "area"\nday = 0\nm2 = 10\nallowance_mm = 13\nextra_mm_m2 = 2\n'
        "hack = 0\nbag = 5\ncall_out = 50\n"
    )
    after = scan(tmp_path / "after.ply", plastered, seed=2)
    _, made, _ = compared(
        before,
        after,
        "--same-frame",
        "--background-tolerance",
        "uk-plaster-3mm-1.8m",
        "--rates",
        rates,
        "--quoted",
        "60l",
        "--used",
        "80l",
    )
    found = made["compare"]
    assert found["quoted_l"] == 60.0
    assert found["used_l"] == 80.0
    assert found["background"]["tolerance"] == "uk-plaster-3mm-1.8m"
    x, y = np.meshgrid((np.arange(240) + 0.5) * WIDTH / 240, (np.arange(200) + 0.5) * HEIGHT / 200)
    over = np.maximum(plastered(x, y) - raw(x, y) - 0.013, 0).mean() * WIDTH * HEIGHT * 1000
    assert found["variation"]["applied_over_l"] == pytest.approx(over, rel=0.03)
    extra = [line for line in found["variation"]["lines"] if line["unit"] == "m2 mm"]
    assert extra[0]["amount"] == pytest.approx(2 * found["variation"]["planned_over_l"], abs=0.01)
    assert found["variation"]["price"] == pytest.approx(sum(line["amount"] for line in found["variation"]["lines"]))


def test_background_and_allowance_share_one_sweep(compared, before, tmp_path, monkeypatch):
    laid = []

    def counted(relief, rule, **more):
        laid.append((relief, rule, more["method"], more["directions"]))
        return reaching(relief, rule, **more)

    reaching = sweeping.reaching
    monkeypatch.setattr(sweeping, "reaching", counted)
    after = scan(tmp_path / "after.ply", plastered, seed=2)
    asked = ("--background-tolerance", "uk-plaster-3mm-1.8m", "--allowance", "13mm")
    _, made, _ = compared(before, after, "--same-frame", *asked)
    assert {"background", "variation"} <= set(made["compare"])
    # resting and balanced once on the earlier surface and once on the later
    assert len(laid) == 4
    assert len({(id(surface), method) for surface, _, method, _ in laid}) == 4


@pytest.mark.parametrize(
    "options", [("--same-frame", "--points", "x.csv"), ("--quoted", "-3l"), ("--reference", "1,2")], ids=str
)
def test_options_that_make_no_sense(compared, before, options):
    code, made, err = compared(before, before, *options)
    assert code in (1, 2)
    assert made is None
    assert "Traceback" not in err


def test_same_bytes_twice(compared, before, tmp_path):
    after = scan(tmp_path / "after.ply", plastered, seed=2)
    assert compared(before, after) == compared(before, after)


def test_readings_share_no_coordinates_with_a_scan(compared, before):
    grid = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"
    code, _, err = compared(grid, before, "--same-frame")
    assert code == 1
    assert "a scan and a table of readings" in err


def test_the_same_file_twice_is_said(compared, before):
    code, made, _ = compared(before, before)
    assert code == 4
    assert made["compare"]["changed_share"] == 0.0
    assert "both captures are one and the same file" in made["capture"]["warnings"]


def test_a_wall_set_up_a_little_elsewhere_is_not_taken_for_one_coordinate_system(compared, before, tmp_path):
    # the same wall 50 mm along in its file: two set-ups of a scanner, not one
    _, made, _ = compared(before, scan(tmp_path / "after.ply", plastered, seed=2, move=(0.05, 0.02, 0.0)))
    assert made["compare"]["mean_mm"] is None


def test_a_block_on_a_flat_wall_has_the_volume_of_its_prism(compared, tmp_path):
    flat = scan(tmp_path / "flat.ply", lambda x, y: 0 * x, seed=1, n=120_000)
    inside = lambda x, y: (x > 0.8) & (x < 1.4) & (y > 0.7) & (y < 1.2)  # noqa: E731
    block = scan(tmp_path / "block.ply", lambda x, y: 0.010 * inside(x, y), seed=2, n=120_000)
    sides = ("--reference", "0,0,0.7m,2m", "--reference", "1.5m,0,2.4m,2m")
    _, made, _ = compared(flat, block, *sides)
    found = made["compare"]
    # length x width x thickness: 0.6 x 0.5 x 0.010 m
    assert found["added_l"] == pytest.approx(3.0, rel=0.02)
    assert found["volume_l"] == pytest.approx(3.0, abs=2 * found["u_volume_l"])
    assert found["changed_share"] == pytest.approx(0.6 * 0.5 / (WIDTH * HEIGHT), abs=0.003)
    (place,) = found["places"]
    assert place["area_m2"] == pytest.approx(0.30, abs=0.01)
    assert (place["width_mm"], place["height_mm"]) == (pytest.approx(600, abs=40), pytest.approx(500, abs=40))
    # its true size lies in the stated ±, and so does its share of the wall
    for name, true in (("width_mm", 600), ("height_mm", 500)):
        assert abs(place[name] - true) <= 1.96 * place["u_size_mm"] < 150
    assert place["area_low_m2"] <= 0.30 <= place["area_high_m2"] < 0.45
    assert found["changed_low_share"] <= 0.6 * 0.5 / (WIDTH * HEIGHT) <= found["changed_high_share"] < 0.15
    # by the joint ± alone the two surveys disagree there, and nowhere else
    _, made, _ = compared(flat, block, "--same-surface")
    agreement = made["compare"]["agreement"]
    assert agreement["agree"] is False
    assert agreement["differing_share"] == pytest.approx(0.6 * 0.5 / (WIDTH * HEIGHT), abs=0.004)


def test_a_cover_that_nobody_named_is_no_setting(compared, before):
    _, usual, _ = compared(before, before, "--same-frame")
    _, named, _ = compared(before, before, "--same-frame", "--least", "8mm")
    assert "least" not in [one["name"] for one in usual["settings"]]
    assert "least" in [one["name"] for one in named["settings"]]


def test_a_coat_that_ends_at_a_part_left_bare_is_one_wall(compared, tmp_path):
    """The later scan alone shows a step: the wall is compared whole, not as a part of it against all."""
    flat = scan(tmp_path / "flat.ply", lambda x, y: 0 * x, seed=1, n=100_000)
    coat = scan(tmp_path / "coat.ply", lambda x, y: 0.012 * ((x > 0.7) & (x < 1.7)), seed=2, n=100_000)
    code, made, err = compared(flat, coat, "--reference", "0,0,0.65m,2m", "--reference", "1.75m,0,2.4m,2m")
    assert code == 0, err
    assert made["wall"]["width_mm"] == pytest.approx(WIDTH * 1000, abs=5)
    assert made["wall"]["part"] in (None, "")
    # 1 m of 2.4 m at 12 mm
    assert made["compare"]["mean_mm"] == pytest.approx(5.0, abs=max(0.1, 2 * made["compare"]["u_mm"]))
    assert made["compare"]["changed_share"] == pytest.approx(1 / 2.4, abs=0.02)
