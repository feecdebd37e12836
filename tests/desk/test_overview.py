"""All walls by site and room: names on every sheet, how far each is, a copy, the bin, and what cannot be opened."""

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

GRID = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"
WORDS = {"title": "gable", "place": "attic", "project": "mill lane", "captured": "2026-03-04"}


def listed(client):
    """The rows of the list: the wall's name and how far it is."""
    return re.findall(r"<strong>([^<]+)</strong> <b class=\"state\">([^<]+)</b>", client.get("/").text)


@pytest.fixture
def walls(client):
    client.upload(GRID, **WORDS)
    client.post("/new", {**WORDS, "title": "party wall", "kind": "laser"})
    client.post("/new", {"title": "shed", "kind": "laser"})
    return client


def test_walls_stand_under_their_site_and_room(walls):
    page = walls.get("/").text
    assert page.index("mill lane: attic") < page.index("gable") < page.index("shed")
    assert "measured on 2026-03-04" in page
    assert listed(walls) == [
        ("party wall", "nothing measured yet"),
        ("gable", "scan taken"),
        ("shed", "nothing measured yet"),
    ]
    # the next wall is begun in the same room
    assert re.search(r'name="place"[^>]*value=""', page)
    walls.send("wall-003", "about", wall="shed", place="yard")
    assert re.search(r'name="place"[^>]*value="yard"', walls.get("/").text)


def test_a_wall_read_at_the_wall_is_of_today_and_a_scan_of_no_day(client):
    client.post("/new", {"title": "a", "kind": "laser"})
    client.upload(GRID)
    assert re.fullmatch(r"20\d\d-\d\d-\d\d", client.job("wall-001").plan.job.captured)
    assert client.job("wall-002").plan.job.captured == ""


def test_name_room_site_and_date_are_on_every_sheet(walls):
    walls.send("wall-001", "about", wall="west gable", place="attic", project="mill lane", captured="2026-03-04")
    walls.send("wall-001", "purpose", purpose="quote")
    walls.wait("wall-001")
    assert ("west gable", "ready to measure") in listed(walls)
    walls.send("wall-001", "sheets", paper="a4")
    walls.wait("wall-001", of="sheets")
    assert any(name == "west gable" and state.startswith("sheets made") for name, state in listed(walls))
    folder = walls.folder / "wall-001"
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext on this machine")
    for sheet in ("survey-sheets.pdf", "survey-day.pdf"):
        text = subprocess.run(["pdftotext", "-layout", folder / sheet, "-"], capture_output=True, text=True, check=True)
        pages = [page for page in text.stdout.split("\f") if page.strip()]
        assert all("west gable" in page and "2026-03-04" in page for page in pages), sheet
    record = json.loads((folder / "survey-result.json").read_text())["record"]
    assert (record["wall"], record["place"], record["project"]) == ("west gable", "attic", "mill lane")
    # another name makes sheets of another state, and the list says so
    walls.send("wall-001", "about", wall="east gable")
    assert any(name == "east gable" and state.startswith("sheets of an older plan") for name, state in listed(walls))


def test_a_copy_is_a_wall_of_its_own(walls):
    walls.send("wall-001", "purpose", purpose="quote")
    answer = walls.post("/wall/wall-001/copy")
    assert (answer.status_code, answer.location) == (303, "/wall/wall-004/about")
    one, other = walls.job("wall-001"), walls.job("wall-004")
    assert other.title == "gable, copy"
    assert other.plan == one.plan
    assert other.capture.read_bytes() == one.capture.read_bytes()
    walls.send("wall-004", "questions", least="9 mm")
    assert walls.job("wall-001").plan == one.plan
    walls.wait("wall-004")
    assert "How many bags?" in walls.get("/wall/wall-004/answers").text
    assert sorted(path.name for path in walls.folder.iterdir() if path.is_dir()) == [
        f"wall-{number:03d}" for number in range(1, 5)
    ]


def test_the_bin_gives_back_what_was_put_into_it(walls):
    before = {path.name: path.read_bytes() for path in (walls.folder / "wall-001").iterdir()}
    assert walls.post("/wall/wall-001/away").status_code == 303
    assert walls.get("/wall/wall-001/wall").status_code == 404
    page = walls.get("/").text
    assert "gable" in page.partition("In the bin")[2]
    assert "gable" not in dict(listed(walls))
    # another one that has its number meanwhile keeps it
    shutil.copytree(walls.folder / "wall-002", walls.folder / "wall-001")
    assert walls.post("/back", {"wall": "wall-001"}).location == "/wall/wall-004/"
    assert {path.name: path.read_bytes() for path in (walls.folder / "wall-004").iterdir()} == before
    assert "In the bin" not in walls.get("/").text


@pytest.mark.parametrize("name", ["wall-009", "..", "../wall-002", "wall-001/..", ""])
def test_what_is_no_wall_is_not_moved(walls, name):
    before = sorted(str(path) for path in walls.folder.rglob("*"))
    assert walls.post("/back", {"wall": name}).status_code == 404
    walls.post(f"/wall/{name}/away")
    assert sorted(str(path) for path in walls.folder.rglob("*") if path.name != "bin") == before


def test_what_cannot_be_opened_is_listed_and_said(walls):
    first, second, third = (walls.folder / f"wall-{number:03d}" / "settings.json" for number in (1, 2, 3))
    newer = json.loads(first.read_text()) | {"schema": 7, "what": 1}
    first.write_text(json.dumps(newer))
    second.write_text(second.read_text()[:-30])
    third.unlink()
    page = walls.get("/").text.partition("Walls that cannot be opened")[2]
    assert "written by a newer version (settings 7, this one knows 1)" in page
    assert page.count("cannot be read (") == 1
    assert "the file is not there" in page.lower()
    assert all(f"wall-{number:03d}" in page for number in (1, 2, 3))
    assert str(walls.folder) not in page
    # nothing of it is changed, and it can be put away and brought back like any other
    assert json.loads(first.read_text()) == newer
    walls.post("/wall/wall-001/away")
    walls.post("/back", {"wall": "wall-001"})
    assert json.loads(first.read_text()) == newer


def test_only_its_owner_may_read_a_wall(walls):
    walls.send("wall-001", "purpose", purpose="quote")
    walls.wait("wall-001")
    walls.send("wall-001", "sheets", paper="a4")
    walls.wait("wall-001", of="sheets")
    walls.send("wall-001", "evidence", title="a wall")
    walls.wait("wall-001", of="seal")
    modes = {path.name: path.stat().st_mode & 0o777 for path in (walls.folder / "wall-001").iterdir()}
    assert {"evidence.zip", "survey-sheets.pdf", "capture.csv", "settings.json", "plan.toml"} <= set(modes)
    assert set(modes.values()) == {0o600}
    assert (walls.folder / "wall-001").stat().st_mode & 0o777 == 0o700
