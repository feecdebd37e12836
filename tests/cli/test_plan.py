"""One plan through the commands: found in the job's folder, overridden by options, written back, said everywhere."""

from pathlib import Path

import pytest
from numpy.testing import assert_allclose

SAMPLES = Path(__file__).parents[2] / "sample_clouds"
GRID = SAMPLES / "laser_grid.csv"
FOLDER = Path("laser_grid-flatscan")


@pytest.fixture
def in_folder(flatscan):
    """A plan in the folder of the grid's job; gives what runs a command line there."""

    def write(text, folder=FOLDER):
        folder.mkdir(exist_ok=True)
        (folder / "plan.toml").write_text(text)
        return flatscan

    return write


def settings(ran):
    return {one["name"]: one["value"] for one in ran.document["settings"]}


def test_every_command_works_by_the_plan_in_the_jobs_folder(in_folder):
    flatscan = in_folder('least = "8 mm"\nstrip = "6 mm"\nlimit = "4 mm"\nrule = "1.5 m"\n')
    ran = [flatscan(command, GRID, "--json") for command in ("survey", "setout", "lows", "check")]
    plans = [one.document["plan"] for one in ran]
    assert all(plan["strip_mm"] == 6.0 for plan in plans)
    assert len({plan["fingerprint"] for plan in plans}) == 1
    assert all(settings(one)["plan"] == "plan.toml" for one in ran)
    assert_allclose(ran[0].document["material"]["least_mm"], 8.0, atol=1e-6)
    assert_allclose(ran[1].document["setout"]["rule_mm"], 1500.0)
    assert_allclose(ran[3].document["verdict"]["limit_mm"], 4.0)


def test_what_is_given_by_hand_wins_for_one_run(in_folder):
    flatscan = in_folder('least = "8 mm"\ntolerance = "uk-plaster-3mm-1.8m"\n')
    by_plan, by_hand = flatscan("survey", GRID, "--json"), flatscan("survey", GRID, "--least", "6mm", "--json")
    assert_allclose(by_hand.document["material"]["least_mm"], 6.0, atol=1e-6)
    assert by_plan.document["plan"]["fingerprint"] != by_hand.document["plan"]["fingerprint"]
    assert (FOLDER / "plan.toml").read_text() == 'least = "8 mm"\ntolerance = "uk-plaster-3mm-1.8m"\n'
    # a limit by hand stands in place of the plan's published one
    judged = flatscan("check", GRID, "--limit", "5mm", "--json").document["verdict"]
    assert (judged["tolerance"], judged["limit_mm"]) == (None, 5.0)


def test_kept_settings_are_those_of_the_next_run(flatscan):
    first = flatscan("survey", GRID, "--least", "7mm", "--fix", "0.1m,0.1m,30mm", "--keep", "--json")
    again = flatscan("setout", GRID, "--json")
    assert first.code == again.code == 0
    assert sorted(path.name for path in FOLDER.iterdir()) == ["plan.toml"]
    assert settings(again)["least"] == "7 mm"
    assert "fix" in settings(again)
    assert again.document["plan"]["fingerprint"] == first.document["plan"]["fingerprint"]


def test_a_named_plan_stands_before_those_of_the_folders(in_folder, tmp_path):
    flatscan = in_folder('least = "8 mm"\n')
    in_folder('least = "9 mm"\n', Path("sheets"))
    Path("other.toml").write_text('least = "11 mm"\n')

    def least(*options):
        return flatscan("survey", GRID, "--json", *options).document["material"]["least_mm"]

    wanted = [least(), least("--out", "sheets"), least("--out", "sheets2", "--plan", "other.toml")]
    assert_allclose(wanted, [8.0, 9.0, 11.0], atol=1e-6)


def test_a_plan_that_cannot_be_read_ends_the_run(in_folder):
    flatscan = in_folder("least = 8\n")
    ran = flatscan("survey", GRID)
    assert ran.code == 1
    assert "least = 8" in ran.err
    missing = flatscan("survey", GRID, "--plan", "nowhere.toml")
    assert missing.code == 1
    assert "nowhere.toml" in missing.err


def test_captures_of_one_wall_may_stand_in_the_plan(in_folder):
    flatscan = in_folder(f'same_wall = ["{SAMPLES / "wall.ply"}"]\n', Path("wall-flatscan"))
    ran = flatscan("lows", SAMPLES / "wall.ply", "--capture-type", "scanner", "--json")
    # the plan's capture was read beside the one that was named, and is no other one
    assert ran.code == 1
    assert "the same points as wall.ply" in ran.err
