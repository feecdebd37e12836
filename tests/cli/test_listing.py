"""What ``survey --list`` shows before anything is used, and that every hint an error gives works."""

import importlib.util
import itertools
import sys

import matplotlib.image
import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.cli.conftest import ROOT, SAMPLES


def load_script(name):
    spec = importlib.util.spec_from_file_location(name, ROOT / "scripts" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def box(length=4.0, width=2.6, height=2.5, count=12_000):
    rng = np.random.default_rng(1)
    points = rng.random((count, 3)) * [length, width, height]
    axis = rng.integers(0, 3, count)
    points[np.arange(count), axis] = rng.integers(0, 2, count) * np.array([length, width, height])[axis]
    return points + rng.normal(0, 0.002, (count, 3)) + 0.3


def test_the_list_says_how_all_is_known_how_sure_and_what_settles_it(flatscan, tmp_path):
    ran = flatscan("survey", SAMPLES / "room.ply", "--list")
    assert ran.code == 0
    assert "  unit m (sure): the file does not say it; this makes the capture 5.16 m" in ran.err
    assert "  up z (sure): floor and ceiling found, square to the file's z" in ran.err
    assert "--up y makes wall 1 about 4.2 m" in " ".join(ran.err.split())
    assert ran.err.count("room side (sure), known from ") == 4
    # an option stands with its value on one line, ready to be copied
    assert ran.err.count("--seen-from ") == 4
    names = {path.name for path in (tmp_path / "room-flatscan").iterdir()}
    assert names == {
        ".flatscan.json",
        "walls-from-above.png",
        *(f"wall-{number}-as-seen.png" for number in range(1, 5)),
    }
    # the list may be asked for again: its pictures are its own
    again = flatscan("survey", SAMPLES / "room.ply", "--list", "--quiet", "--json", "--out", "room-flatscan")
    assert (again.code, again.err) == (0, "")
    assert sorted(again.document["files"]) == sorted(names - {".flatscan.json"})
    image = matplotlib.image.imread(tmp_path / "room-flatscan" / "walls-from-above.png")
    assert (image[..., :3].mean(axis=2) < 0.3).mean() > 0.003


def test_the_list_as_a_document_keeps_its_keys_and_writes_nothing(flatscan, truth, tmp_path):
    document = flatscan("survey", SAMPLES / "room.ply", "--list", "--json").document
    assert list(tmp_path.iterdir()) == []
    assert document["schema"] == 1
    assert [wall["number"] for wall in document["walls"]] == [1, 2, 3, 4]
    first = document["walls"][0]
    assert {"number", "width_mm", "height_mm", "share"} <= set(first)
    made = truth["room.ply"]
    # methods/walls 11: 1 is the largest net area, so not the one with the window, which stands opposite
    widths = [wall["width_mm"] for wall in document["walls"]]
    assert_allclose(widths, [made["width_mm"], made["depth_mm"]] * 2, atol=25)
    assert_allclose(first["width_mm"], 4200, atol=10)
    assert 0.5 < first["seen_share"] <= 1
    assert first["side"]["sure"] == "sure"
    assert document["up"]["value"] == "z"
    assert document["up"]["option"] == "--up z"
    assert {one["option"] for one in document["up"]["alternatives"]} == {"--up x", "--up y", "--up -z"}
    assert document["unit"]["value"] == "m"
    assert document["files"] == []


def test_what_is_not_clear_is_asked_for_and_the_list_shows_every_reading(flatscan, write_ply, tmp_path):
    """A room 2.6 m wide and 2.5 m high with y up: two heights would do, and z is not it."""
    path = write_ply(tmp_path / "room.ply", box()[:, [0, 2, 1]])
    refused = flatscan("check", path, "--limit", "5mm")
    assert refused.code == 1
    assert "--up y or --up z" in refused.err
    ran = flatscan("survey", path, "--list")
    assert ran.code == 0
    assert "  with --up y:" in ran.err
    assert "  with --up z:" in ran.err
    document = flatscan("survey", path, "--list", "--json").document
    assert document["walls"] == []
    assert "--up y or --up z" in document["asked"]
    heights = {way["option"]: way["walls"][0]["height_mm"] for way in document["readings"]}
    assert_allclose([heights["--up y"], heights["--up z"]], [2500, 2600], atol=30)


def test_units_that_are_not_clear_are_listed_both(flatscan, write_ply, plain_wall, tmp_path):
    path = write_ply(tmp_path / "wall.ply", plain_wall(n=6000) * 1.3 / 0.3048)
    assert flatscan("check", path, "--limit", "5mm").code == 1
    document = flatscan("survey", path, "--list", "--json").document
    options = [way["option"] for way in document["readings"]]
    assert options == ["--file-unit m", "--file-unit ft"]
    sizes = [way["walls"][0]["width_mm"] for way in document["readings"]]
    assert_allclose(sizes[0] * 0.3048, sizes[1], rtol=0.02)


def test_a_side_that_nothing_tells_does_not_stop_the_list(flatscan, write_ply, plain_wall, tmp_path):
    path = write_ply(tmp_path / "wall.ply", plain_wall(n=6000) + [300.0, 200.0, 0.0], kind="double")
    refused = flatscan("check", path, "--limit", "5mm")
    assert refused.code == 1
    ran = flatscan("survey", path, "--list")
    assert "nothing tells the room side: say --seen-from " in " ".join(ran.err.split())
    for part in refused.err.split("--seen-from ")[1:]:
        point = part.split(" ")[0].rstrip(".\n")
        assert point in ran.err
        assert flatscan("survey", path, "--list", "--seen-from", point).err.count("(as given)") == 1


def test_a_point_with_a_unit_is_a_malformed_option(flatscan):
    ran = flatscan("survey", SAMPLES / "wall.ply", "--seen-from", "1m,2m,3m")
    assert ran.code == 2
    assert "as they stand in the file" in ran.err
    assert flatscan("survey", SAMPLES / "wall.ply", "--crop", "0,0,0,1,1").code == 2


def test_a_crop_is_carried_and_said(flatscan, truth):
    args = ("check", SAMPLES / "room.ply", "--limit", "9mm", "--rule", "1m", "--json", "--quiet")
    ran = flatscan(*args, "--crop", "-1,-5,-1,5,1,1.5", "--up", "z")
    document = ran.document
    assert ran.code in (0, 3, 4)
    assert any("lie outside of the box -1.00,-5.00,-1.00 to 5.00,1.00,1.50" in said
               for said in document["capture"]["warnings"])  # fmt: skip
    assert document["wall"]["height_mm"] < 1700 < truth["room.ply"]["height_mm"]
    empty = flatscan(*args, "--crop", "100,100,100,101,101,101")
    assert empty.code == 1
    assert empty.err.startswith("flatscan: --crop: 0 of ")
    assert "points of room.ply lie in the box; they fill -" in empty.err


@pytest.mark.parametrize("number", [65, 136, 217])
def test_every_hint_that_an_error_gives_works(number, tmp_path):
    """A sample of ``scripts/prove_hints.py``: captures in other units, axes, hands and at map coordinates."""
    hints = load_script("prove_hints")
    name, points = next(itertools.islice(hints.captures(), number, None))
    path = hints.write(tmp_path / "capture.ply", points)
    ways = list(hints.follow(path))
    assert [(name, *way) for way in ways if way[1]] == []
    # each of these captures leaves something open
    assert all(options for options, _ in ways)
