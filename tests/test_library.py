"""The library: quick to import, documented, the command line's numbers, results that show themselves."""

import doctest
import inspect
import json
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from typing import get_type_hints

import numpy as np
import pytest
from line_scene import Scene
from numpy.testing import assert_allclose

import flatscan as fs
from flatscan.cli import run
from flatscan.core.errors import BadValue, ReadError
from flatscan.library.captures import How

ROOT = Path(__file__).parents[1]
GRID, WALL = str(ROOT / "sample_clouds" / "laser_grid.csv"), str(ROOT / "sample_clouds" / "wall.ply")
FUNCTIONS = sorted(name for name in fs.__all__ if inspect.isfunction(getattr(fs, name)))
HEAVY = ("numpy", "scipy", "numba", "open3d", "cv2", "matplotlib", "contourpy", "jinja2", "rich", "click", "cattrs")
SETTINGS = (*How.__annotations__,)


@pytest.fixture(scope="module")
def points():
    """A wall of 2 m by 2.4 m, square to y, with a hump 8 mm proud and 0.2 mm of noise, seen from y < 0."""
    rng = np.random.default_rng(3)
    x, z = rng.uniform(0, 2.0, 30_000), rng.uniform(0, 2.4, 30_000)
    hump = 0.008 * np.exp(-((x - 1.2) ** 2 + (z - 1.0) ** 2) / (2 * 0.15**2))
    return np.stack([x, 2.0 - hump + rng.normal(0, 2e-4, len(x)), z], axis=1)


@pytest.fixture(scope="module")
def seen(points):
    return fs.relief(points, capture_type="scanner", up="z", cell="4 cm")


@pytest.fixture(scope="module")
def checked():
    return fs.check(GRID, rule="1.8 m", limit=0.003)


# ---------------------------------------------------------------- importing


def test_importing_loads_nothing_heavy_and_warns_of_nothing():
    words = f"import sys, flatscan; print([name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-W", "error", "-c", words], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.strip(), done.stderr) == (0, "[]", "")


def test_a_function_keeps_its_name_beside_the_room_of_that_name():
    """Whatever is imported first: `flatscan.relief` and `flatscan.compare` are rooms as well."""
    words = (
        "import flatscan.relief.grid, flatscan.compare, flatscan as fs; from flatscan.compare import together; "
        "assert callable(fs.relief) and callable(fs.compare) and fs.relief is flatscan.library.relief"
    )
    subprocess.run([sys.executable, "-W", "error", "-c", words], check=True)


def test_names():
    assert 20 <= len(fs.__all__) <= 30
    assert list(fs.__all__) == sorted(fs.__all__)
    assert set(fs.__all__) <= set(dir(fs))
    assert set(fs.__all__) <= set(vars(import_module("flatscan.library")))
    for name in fs.__all__:
        assert getattr(fs, name).__doc__, name
    with pytest.raises(AttributeError, match="no attribute 'surveys'"):
        fs.surveys  # noqa: B018


# ---------------------------------------------------------------- documentation


@pytest.mark.parametrize("room", ["captures", "questions", "outputs"])
def test_examples_run_as_printed(room, monkeypatch):
    monkeypatch.chdir(ROOT)
    done = doctest.testmod(import_module(f"flatscan.library.{room}"), optionflags=doctest.ELLIPSIS)
    assert done.attempted > 0
    assert done.failed == 0


def sections(function):
    """Parts of a numpydoc docstring by their title, the summary under none."""
    parts = re.split(r"^(\w[\w ]*)\n-{3,}\n", inspect.getdoc(function), flags=re.MULTILINE)
    return {"": parts[0]} | dict(zip(parts[1::2], parts[2::2], strict=True))


@pytest.mark.parametrize("name", FUNCTIONS)
def test_docstrings_are_whole(name):
    function = getattr(fs, name)
    parts = sections(function)
    assert parts[""].splitlines()[0].endswith(".")
    assert {"Parameters", "Returns", "Examples"} <= set(parts)
    described = re.findall(r"^(\*{0,2}[a-z][\w, ]*)", parts["Parameters"], flags=re.MULTILINE)
    named = [word.lstrip("*") for line in described for word in re.split(r",\s*", line.strip())]
    assert named == list(inspect.signature(function).parameters)
    assert not re.search(r"--\w", inspect.getdoc(function)), "an option of the command line"
    assert f"fs.{name}(" in parts["Examples"]


def test_every_function_that_measures_says_what_it_raises_and_where_its_rule_stands():
    for name in set(FUNCTIONS) - {"say", "document", "read", "write"}:
        parts = sections(getattr(fs, name))
        assert "FlatscanError" in parts["Raises"], name
        assert re.search(r"methods/[a-z-]+ \d", parts["Source"]), name


def test_settings_of_a_capture_are_described_and_exist():
    described = sections(fs.relief)["Parameters"]
    known = get_type_hints(import_module("flatscan.jobs").Capturing)
    for name in SETTINGS:
        assert f"`{name}`" in described, name
        assert name in known, name


# ---------------------------------------------------------------- the same numbers as the command line


def command(capsys, *words):
    run([*words, "--json", "--quiet"])
    return json.loads(capsys.readouterr().out)


def test_check_gives_what_the_command_gives(checked, capsys):
    told = command(capsys, "check", GRID, "--rule", "1.8m", "--limit", "3mm")
    assert fs.document(checked) == told
    assert_allclose(checked.gaps.worst.value * 1000, told["flatness"]["gap_mm"], atol=1e-3)
    assert checked.verdict.decision == told["verdict"]["decision"]


def test_survey_gives_what_the_command_gives(capsys):
    plan = fs.Plan.by(least="6 mm", lean_up_to=0.002, fix=[("0.8 m", 1.0, "-0.1 m", "5mm")], hack_most="8 mm")
    words = "--least 6mm --lean-up-to 2 --fix 0.8m,1m,-0.1m,5mm --hack-most 8mm"
    assert fs.document(fs.survey(GRID, plan=plan)) == command(capsys, "survey", GRID, *words.split())


def test_set_out_lows_and_compare_give_what_the_commands_give(capsys):
    out = fs.set_out(GRID, rule="1.5 m", strip="8 mm")
    assert fs.document(out) == command(capsys, "setout", GRID, "--rule", "1.5m", "--strip", "8mm")
    assert fs.document(fs.lows(GRID, limit="1 mm")) == command(capsys, "lows", GRID, "--limit", "1mm")
    same = fs.compare(GRID, GRID, same_surface=True)
    assert fs.document(same) == command(capsys, "compare", GRID, GRID, "--same-surface")


# ---------------------------------------------------------------- captures


def test_points_in_memory_are_a_capture(points, seen):
    room = fs.find_walls(points, up="z")
    assert len(room.walls) == 1
    assert_allclose((room.walls[0].width, room.walls[0].height), (2.0, 2.4), atol=0.02)
    assert isinstance(seen.relief, fs.Grid)
    found = fs.check(seen, rule="1.8 m", limit="3 mm", directions=[0, 90])
    assert found.verdict.decision == "outside"
    assert found.seen is seen
    assert found.patches[0].kind == "hump"
    assert_allclose((found.patches[0].x, found.patches[0].y), (1.2, 1.0), atol=0.06)


def test_points_in_memory_are_copied_and_hashed(points):
    mine = points.copy()
    first = fs.read(mine)
    mine[:] = 0
    again = fs.read(points * 1000, file_unit="mm")
    assert first.origin.sha256 != again.origin.sha256
    assert_allclose(next(again.chunks()), next(first.chunks()), atol=1e-9)


@pytest.mark.parametrize("shape", [(300, 2), (300,), (3, 300)])
def test_an_array_of_another_shape_is_refused(shape):
    with pytest.raises(ReadError, match=r"array: an array of shape .*; needed: numbers in the shape \(n, 3\)"):
        fs.read(np.zeros(shape))


def test_what_was_read_once_is_not_read_again(seen, monkeypatch):
    capture = fs.read(GRID)
    monkeypatch.setattr("flatscan.capture.read", None)
    assert fs.lows(capture).seen.origin is capture.origin
    assert isinstance(fs.relief(capture).relief, fs.Stations)


def test_a_wall_already_seen_takes_no_settings_of_a_capture(seen):
    with pytest.raises(BadValue, match="wall: given with a wall of array already seen"):
        fs.survey(seen, wall=2)


def test_walls_already_seen_are_not_compared(seen):
    with pytest.raises(BadValue, match="before and after: a wall already seen"):
        fs.compare(seen, seen)


def test_a_setting_that_is_none_is_a_type_error():
    with pytest.raises(TypeError, match="walls"):
        fs.relief(GRID, walls=2)


def test_a_check_asks_for_a_limit():
    with pytest.raises(BadValue, match="limit: neither a limit nor a tolerance"):
        fs.check(GRID)


def test_a_length_without_its_unit_is_refused():
    with pytest.raises(BadValue, match="rule: '1.8' is not a length"):
        fs.check(GRID, rule="1.8", limit="3 mm")


def test_tolerances():
    assert len(fs.tolerances()) > len(fs.tolerances("plaster", "plumb")) > 0
    entry = next(entry for entry in fs.tolerances() if entry.criterion == "flatness" and entry.decides)
    assert fs.check(GRID, tolerance=entry.id).tolerance is entry
    with pytest.raises(BadValue, match="no entry holds all of 'no-such-word'"):
        fs.tolerances("no-such-word")


# ---------------------------------------------------------------- showing


def test_a_result_stands_in_one_line(checked):
    line = repr(checked)
    assert line.startswith("Check: Wall 1: drying room north wall")
    assert "2400 mm x 2500 mm" in line
    assert "Flatness undecided" in line
    assert "\n" not in line
    assert repr(checked.seen).startswith("Seen: Wall 1: ")
    assert repr(fs.find_walls(GRID)).splitlines()[1] == "  wall 1: 2400 mm x 2500 mm, 100 % of the points"


def test_a_result_shows_itself_in_a_notebook(checked):
    page = checked._repr_html_()
    assert page.count("<img ") == 1
    assert "data:image/png;base64,iVBORw0KGgo" in page
    assert f"{fs.document(checked)['flatness']['gap_mm']:.1f} mm" in page
    assert page.index("Not examined") > page.index("Flatness undecided")
    assert "<script" not in page
    assert page == checked._repr_html_()


@pytest.mark.parametrize("ask", [fs.set_out, fs.lows, lambda wall: fs.compare(wall, wall, same_surface=True)])
def test_every_job_shows_itself(ask):
    found = ask(GRID)
    assert repr(found).startswith(f"{type(found).__name__}: Wall 1: ")
    page = found._repr_html_()
    assert page.count("<img ") == 1
    assert "ot examined" in page


def test_cautions_stand_before_what_they_warn_of():
    page = fs.survey(GRID)._repr_html_()
    assert 0 < page.index("platform") < page.index("Build-up (")


def test_names_out_of_a_file_are_escaped(tmp_path):
    named = (ROOT / "sample_clouds" / "laser_grid.csv").read_text().replace("drying room", "<b>drying</b> room")
    (tmp_path / "grid.csv").write_text(named)
    page = fs.lows(tmp_path / "grid.csv")._repr_html_()
    assert "<b>" not in page
    assert "&lt;b&gt;drying" in page


def test_results_and_notes_are_said_in_the_units_asked_for(checked):
    assert "2.7 mm" in fs.say(checked)
    # a limit is said in its document's own unit, with the reader's beside it
    assert " mm" not in fs.say(checked, units="in").replace("3 mm (0.12 in)", "")
    assert fs.say(fs.Unknown("unknown.scatter"))
    assert "--" not in fs.say(fs.relief(GRID).notes[0])


@pytest.mark.parametrize("points", [[[0, 0, 0], [1, 0, 0, 0]], None, [[0.0, 1.0]]], ids=["ragged", "none", "two"])
def test_what_is_neither_file_nor_points_is_refused(points):
    with pytest.raises(fs.FlatscanError, match=r"needed: numbers in the shape \(n, 3\)"):
        fs.read(points)


def test_points_may_be_a_list_of_rows():
    across, up = np.meshgrid(np.arange(0, 2, 0.02), np.arange(0, 2, 0.02))
    rows = np.column_stack([across.ravel(), np.zeros(across.size), up.ravel()])
    assert fs.read(rows.tolist()).origin == fs.read(rows).origin


@pytest.mark.parametrize(("setting", "given"), [("region", (1, 2)), ("warp", (0.002,))])
def test_settings_of_several_numbers_are_counted(setting, given):
    with pytest.raises(fs.FlatscanError, match=rf"^{setting}: {len(given)} numbers; needed: [234]\."):
        fs.relief(GRID, **{setting: given})


@pytest.mark.parametrize(("setting", "count"), [("seen_from", 3), ("crop", 6)])
def test_places_in_a_file_are_bare_numbers(setting, count):
    for given in ((1.0, 2.0), ("1 m",) * count, (float("nan"),) * count, "here"):
        with pytest.raises(
            fs.FlatscanError, match=rf"^{setting}: '.*'; needed: {count} numbers as they stand in the file"
        ):
            fs.relief(WALL, **{setting: given})


def test_a_part_of_a_capture_is_read_by_its_own_numbers():
    points = np.random.default_rng(1).uniform((0, -0.001, 0), (2.0, 0.001, 2.4), (20_000, 3))
    part = fs.read(points * 1000, file_unit="mm", crop=(500, -10, 0, 1500, 10, 2400))
    assert part.count == ((points[:, 0] >= 0.5) & (points[:, 0] <= 1.5)).sum()
    with pytest.raises(fs.FlatscanError, match="a box without any space in it"):
        fs.read(points, crop=(0, 0, 0, 1, 0, 1))


def test_lines_are_said_and_kept_as_a_document(tmp_path):
    scene = Scene(width=1200, height=900, focal=873.6, size=0.25)
    scene.pictures(tmp_path)
    found = fs.lines(scene.setup(tmp_path))
    assert "50 stations" in fs.say(found)
    assert " mm" not in fs.say(found, units="in")
    assert fs.document(found)["lines"][0]["picture"] == "on1.png"
