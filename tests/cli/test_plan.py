"""One plan through the commands: found in the job's folder, overridden by options, written back, said everywhere."""

import json
import shutil
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

# figures and plans are looked at here, no drawing
pytestmark = pytest.mark.usefixtures("few_sheets")
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
    flatscan = in_folder('least = "12 mm"\nstrip = "6 mm"\nlimit = "4 mm"\nrule = "1.5 m"\n')
    ran = [flatscan(command, GRID, "--json") for command in ("survey", "setout", "lows", "check")]
    plans = [one.document["plan"] for one in ran]
    assert all(plan["strip_mm"] == 6.0 for plan in plans)
    assert len({plan["fingerprint"] for plan in plans}) == 1
    assert all(settings(one)["plan"] == "plan.toml" for one in ran)
    assert_allclose(ran[0].document["material"]["least_mm"], 12.0, atol=1e-6)
    assert_allclose(ran[1].document["setout"]["rule_mm"], 1500.0)
    assert_allclose(ran[3].document["verdict"]["limit_mm"], 4.0)


def test_lows_without_a_limit_name_none_that_somebody_set(in_folder):
    """They said "limit 3 mm, usual 2 mm" of a limit that nobody gave, and listed lows from 2 mm on."""
    flatscan = in_folder('limit = "4 mm"\n')
    assert settings(flatscan("lows", GRID, "--json"))["limit"] == "4 mm"
    (FOLDER / "plan.toml").write_text("")
    assert "limit" not in settings(flatscan("lows", GRID, "--json"))


def test_what_is_given_by_hand_wins_for_one_run(in_folder):
    flatscan = in_folder('least = "8 mm"\ntolerance = "uk-plaster-3mm-1.8m"\n')
    by_plan, by_hand = flatscan("survey", GRID, "--json"), flatscan("survey", GRID, "--least", "6mm", "--json")
    assert_allclose(by_hand.document["material"]["least_mm"], 6.0, atol=1e-6)
    assert by_plan.document["plan"]["fingerprint"] != by_hand.document["plan"]["fingerprint"]
    assert (FOLDER / "plan.toml").read_text() == 'least = "8 mm"\ntolerance = "uk-plaster-3mm-1.8m"\n'
    # a limit by hand stands in place of the plan's published one
    judged = flatscan("check", GRID, "--limit", "5mm", "--json").document["verdict"]
    assert (judged["tolerance"], judged["limit_mm"]) == (None, 5.0)


def test_a_tolerance_that_nobody_knows_is_an_error_long_before_the_hand_over(in_folder):
    flatscan = in_folder('least = "8 mm"\ntolerance = ["uk-plaster-3mm-1.8m", "uk-plaster-3mm-1.9m"]\n')
    ran = flatscan("survey", GRID, "--json")
    assert ran.code == 1
    assert "plan.toml, line 2: tolerance = " in ran.err
    assert "flatscan tolerances" in ran.err


def test_kept_settings_are_those_of_the_next_run(flatscan):
    first = flatscan("survey", GRID, "--least", "7mm", "--fix", "0.1m,0.1m,30mm", "--keep", "--json")
    again = flatscan("setout", GRID, "--json")
    assert first.code == again.code == 0
    assert settings(first)["fix"] == "(100 mm, 100 mm, 30 mm)"
    assert sorted(path.name for path in FOLDER.iterdir()) == [".flatscan.json", "plan.toml"]
    assert settings(again)["least"] == "7 mm"
    assert "fix" in settings(again)
    assert again.document["plan"]["fingerprint"] == first.document["plan"]["fingerprint"]


def test_a_named_plan_stands_before_those_of_the_folders(in_folder, tmp_path):
    flatscan = in_folder('least = "8 mm"\n')
    in_folder('least = "9 mm"\n', Path("sheets"))
    Path("other.toml").write_text('least = "11 mm"\n')

    def least(*options):
        return flatscan("survey", GRID, "--json", *options).document["material"]["least_mm"]

    wanted = [
        least(),
        least("--out", "sheets"),
        least("--out", "sheets2", "--plan", "other.toml"),
        # sheets elsewhere are of the same job
        least("--out", "sheets3"),
    ]
    assert_allclose(wanted, [8.0, 9.0, 11.0, 8.0], atol=1e-6)


def test_a_plan_that_cannot_be_read_ends_the_run(in_folder):
    flatscan = in_folder("least = 8\n")
    ran = flatscan("survey", GRID)
    assert ran.code == 1
    assert "least = 8" in ran.err
    missing = flatscan("survey", GRID, "--plan", "nowhere.toml")
    assert missing.code == 1
    assert "nowhere.toml" in missing.err


def test_captures_of_one_wall_may_stand_in_the_plan(in_folder):
    flatscan = in_folder('same_wall = ["../again/wall.ply"]\n', Path("wall-flatscan"))
    Path("again").mkdir()
    shutil.copy(SAMPLES / "wall.ply", "again")
    ran = flatscan("lows", SAMPLES / "wall.ply", "--capture-type", "scanner", "--json")
    # the plan's capture was read beside the one that was named, and is no other one
    assert ran.code == 1
    assert "the same points as wall.ply" in ran.err


def test_sealed_files_sites_and_comparisons_work_by_the_plan(in_folder, tmp_path):
    flatscan = in_folder('least = "8 mm"\nstart = "7:30"\n[job]\nclient = "the client"\n')
    alone = flatscan("survey", GRID, "--json").document
    sealed = flatscan("evidence", GRID, "--out", "sealed.zip", "--plan", FOLDER / "plan.toml", "--json")
    assert sealed.code == 0
    plan = sealed.document["jobs"][0]["settings"]["plan"]
    assert plan["file"] == "plan.toml"
    assert_allclose(plan["said"]["least"], 0.008)
    assert flatscan("recheck", "sealed.zip").code == 0
    scans = tmp_path / "scans"
    scans.mkdir()
    (scans / GRID.name).write_bytes(GRID.read_bytes())
    options = ("--plan", FOLDER / "plan.toml", "--jobs", "1", "--formats", "json", "--out", "site")
    assert flatscan("site", scans, *options, "--quiet").code == 0
    (result,) = Path("site").rglob("*result.json")
    on_site = json.loads(result.read_text())
    assert on_site["plan"]["fingerprint"] == alone["plan"]["fingerprint"]
    assert_allclose(on_site["material"]["least_mm"], 8.0, atol=1e-6)
    change = flatscan("compare", GRID, GRID, "--same-surface", "--plan", FOLDER / "plan.toml", "--json").document
    assert change["plan"]["fingerprint"] == alone["plan"]["fingerprint"]


def test_a_sites_plan_gives_way_to_what_a_row_says(flatscan, tmp_path):
    (tmp_path / GRID.name).write_bytes(GRID.read_bytes())
    Path("site.csv").write_text(f"wall,file,options\nhall,{GRID.name},--least 9mm\nloft,{GRID.name},\n")
    Path("plan.toml").write_text('least = "8 mm"\n')
    options = ("--plan", "plan.toml", "--jobs", "1", "--formats", "json", "--out", "site", "--quiet")
    assert flatscan("site", "site.csv", *options).code == 0
    found = {path.parent.name: json.loads(path.read_text()) for path in Path("site").rglob("*result.json")}
    least = {name: result["material"]["least_mm"] for name, result in found.items()}
    assert sorted(round(value, 3) for value in least.values()) == [8.0, 9.0]
    assert len({result["plan"]["fingerprint"] for result in found.values()}) == 2


def test_a_plan_in_the_folder_of_another_capture_is_not_used_nor_overwritten(flatscan, tmp_path):
    mine = tmp_path / "hall.csv"
    mine.write_bytes(GRID.read_bytes())
    assert flatscan("survey", mine, "--keep", "--least", "9mm", "--json").code == 0
    kept = (tmp_path / "hall-flatscan" / "plan.toml").read_text()
    other = SAMPLES / "laser_grid_after.csv"
    there = flatscan("survey", other, "--out", "hall-flatscan", "--json", "--keep", "--least", "4mm")
    # another wall stands in the same file
    mine.write_bytes(other.read_bytes())
    again = flatscan("survey", mine, "--json", "--keep", "--least", "4mm")
    for ran in (there, again):
        assert (ran.code, ran.out) == (1, "")
        assert "--overwrite" in ran.err
    assert (tmp_path / "hall-flatscan" / "plan.toml").read_text() == kept


def test_parties_may_differ_on_a_wall_whose_plan_cuts_a_hump_that_is_gone(flatscan, few_sheets):
    """No hump stands at 0.9 m, 1.8 m of the wall as finished; the plan's rates price no work of a dispute either."""
    rates = 'currency = ""\nbasis = "area"\nday = 0\nm2 = 10\nallowance_mm = 13\nextra_mm_m2 = 2\nhack = 0\n'
    Path("rates.toml").write_text(rates + "bag = 5\ncall_out = 0\n")
    Path("plan.toml").write_text('rates = "rates.toml"\n[[cut]]\nx = "0.9 m"\ny = "1.8 m"\ndepth = "4 mm"\n')
    after = SAMPLES / "laser_grid_after.csv"
    lines = after.read_text().splitlines()
    rows = [k for k, line in enumerate(lines) if line[:1].isdigit()]
    lines[rows[0]] = ", ".join([*lines[rows[0]].split(", ")[:-1], "104"])
    Path("theirs.csv").write_text("\n".join(lines) + "\n")
    shown = [
        flatscan(
            "compare", after, "theirs.csv", "--plan", "plan.toml", "--limit", "3mm", "--confirm", "copy", "--json", *how
        )
        for how in (("--stage", "dispute"), ("--same-frame",))
    ]
    assert [one.code for one in shown] == [0, 0], [one.err for one in shown]
    assert shown[0].document["compare"]["agreement"] is not None
    assert "variation" not in shown[0].document["compare"]
    assert shown[1].document["compare"]["variation"]["lines"]


def test_a_scan_is_called_as_its_plan_calls_the_wall(flatscan, tmp_path):
    (tmp_path / "p.toml").write_text('[job]\nwall = "hall, north side"\n')
    first = flatscan("survey", SAMPLES / "wall.ply", "--capture-type", "scanner", "--plan", "p.toml").err.splitlines()[
        0
    ]
    assert first.startswith("hall, north side ")
