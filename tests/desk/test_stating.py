"""What is stated for a seal: it stands there still after whatever went wrong with sealing."""

import re
from pathlib import Path

import pytest

from flatscan.desk import sealing

GRID = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"
SAID = {
    "title": "north wall, bay 2",
    "present": "owner, plasterer",
    "grounds": "I scanned it myself",
    "note": "wet day",
}


@pytest.fixture
def wall(client):
    client.upload(GRID)
    client.send("wall-001", "purpose", purpose="quote")
    client.wait("wall-001")
    return client


def fields(page):
    found = dict(re.findall(r'<input id="e-(\w+)"[^>]*? value="([^"]*)"', page))
    return {name: found[name] for name in SAID}


def test_a_change_in_another_window_leaves_what_was_typed(wall):
    old = wall.job().revision
    wall.send("wall-001", "questions", least="8 mm")
    answer = wall.post("/wall/wall-001/evidence", {"revision": old, **SAID})
    assert answer.status_code == 409
    assert "changed in another window" in answer.text
    assert fields(answer.text) == SAID
    assert not (wall.folder / "wall-001" / "evidence.zip").exists()
    # sent once more from there it is sealed
    again = re.search(r'<form id="seal".*?name="revision" value="([^"]+)"', answer.text, re.S)[1]
    assert wall.post("/wall/wall-001/evidence", {"revision": again, **SAID}).status_code == 303
    wall.wait("wall-001", of="seal")
    page = wall.get("/wall/wall-001/evidence").text
    assert "Save the sealed file" in page
    assert fields(page) == SAID


def test_a_seal_that_cannot_be_made_leaves_it(wall):
    # nothing can be put where a folder of that name stands
    place = wall.folder / "wall-001" / "evidence.zip"
    place.mkdir()
    (place / "something").touch()
    wall.send("wall-001", "evidence", **SAID)
    wall.wait("wall-001", of="seal")
    page = wall.get("/wall/wall-001/evidence").text
    assert 'role="alert"><p><strong>' in page
    assert fields(page) == SAID


def test_a_plan_that_somebody_broke_leaves_it(wall):
    plan = wall.folder / "wall-001" / "plan.toml"
    good = plan.read_text()
    plan.write_text("least = [")
    answer = wall.send("wall-001", "evidence", **SAID)
    assert answer.status_code == 422
    plan.write_text(good)
    assert fields(wall.get("/wall/wall-001/evidence").text) == SAID


def test_too_much_is_said_at_its_field_and_stays(wall):
    long = "a" * (sealing._MOST_WORDS + 1)
    wall.send("wall-001", "evidence", **SAID | {"note": long})
    page = wall.get("/wall/wall-001/evidence").text
    assert fields(page) == SAID | {"note": long}
    assert re.search(r'id="wrong-note"[^>]*>[^<]*301', page)
