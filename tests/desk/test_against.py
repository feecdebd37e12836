"""A wall held against an earlier capture: what was put on comes out; sending begins it, looking does not."""

import io
import json
import re

import numpy as np
import pytest

GRID = (
    "units, mm\nsense, big = hollow\nwidth, 2 m\nheight, 2 m\n\nx, y, reading\n0.1, 0.1, 80\n1, 1, 81\n1.9, 1.9, 80\n"
)


def scan(seed, coat):
    """A wall of 1.5 x 1.2 m, ``coat`` [m] put on between 0.3 and 1.2 m from the left."""
    rng = np.random.default_rng(seed)
    n = 13_000
    x, y = rng.uniform(0, 1.5, n), rng.uniform(0, 1.2, n)
    z = 0.004 * y + 0.003 * np.sin(4 * x) + rng.normal(0, 0.0005, n) + np.where((x > 0.3) & (x < 1.2), coat, 0.0)
    points = np.stack([x - 2, 2.5 - z, y - 1], axis=1).astype("<f4")
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {n}\n"
    return head.encode() + b"property float x\nproperty float y\nproperty float z\nend_header\n" + points.tobytes()


@pytest.fixture
def walls(client, tmp_path):
    for number, (seed, coat) in enumerate(((1, 0.0), (2, 0.010)), 1):
        path = tmp_path / f"scan{number}.ply"
        path.write_bytes(scan(seed, coat))
        client.upload(path, title=f"capture {number}")
        client.send(f"wall-00{number}", "wall", wall="1", up="z")
        client.send(f"wall-00{number}", "purpose", purpose="quote")
        client.send(f"wall-00{number}", "questions", capture_type="scanner")
    return client


def compared(client, **fields):
    """Send what is asked, wait, and give the page."""
    answer = client.post("/wall/wall-002/compare", fields)
    assert answer.status_code == 303, answer.text
    while not client.get("/wall/wall-002/compare/state").get_json()["done"]:
        pass
    return client.get("/wall/wall-002/compare").text


def files_in(folder):
    return {path.relative_to(folder): path.stat().st_mtime_ns for path in folder.rglob("*") if path.is_file()}


def test_what_was_put_on_between_two_captures(walls):
    assert "capture 1 (wall-001)" in walls.get("/wall/wall-002/compare").text
    page = compared(walls, **{"with": "wall-001", "tie": "frame"})
    # 10 mm over 900 of 1500 mm
    area = 10 * 0.9 * 1.2
    litres = float(re.search(r"([\d.]+) litres", page)[1])
    assert litres == pytest.approx(area, abs=0.8)
    names = re.findall(r"/compared/([\w.-]+)\"", page)
    assert "compare-sheets.pdf" in names
    with walls.get("/wall/wall-002/compared/compare-sheets.pdf") as sheet:
        assert (sheet.status_code, sheet.data[:5]) == (200, b"%PDF-")
    # each capture goes by the name it was sent under
    assert "scan1.ply" in page
    told = json.loads((walls.folder / "wall-002" / "compared" / "compare-result.json").read_text())
    assert told["compare"]["earlier"]["file"] == "scan1.ply"
    assert "capture.ply" not in json.dumps(told)
    # the wall's own sheets and settings are none of it
    assert walls.get("/wall/wall-002/compared/settings.json").status_code == 404
    assert walls.get("/wall/wall-002/compared/..%2fsettings.json").status_code == 404
    assert {path.stat().st_mode & 0o777 for path in (walls.folder / "wall-002" / "compared").iterdir()} == {0o600}


def test_parts_that_nobody_worked_on_tie_them(walls):
    left = {"left-0": "20", "bottom-0": "20", "width-0": "230", "height-0": "1160"}
    right = {"left-1": "1250", "bottom-1": "20", "width-1": "230", "height-1": "1160"}
    page = compared(walls, **{"with": "wall-001", "tie": "reference"}, **left, **right)
    assert 'id="working"' not in page
    assert float(re.search(r"([\d.]+) litres", page)[1]) == pytest.approx(10.8, abs=1.5)


def test_what_is_wrong_in_a_part_is_said_at_its_field(walls):
    part = {"left-0": "0", "bottom-0": "1 stone", "width-0": "300", "height-0": "1"}
    answer = walls.post("/wall/wall-002/compare", {"with": "wall-001", "tie": "reference", **part})
    assert answer.status_code == 422
    assert re.search(r'id="bottom-0"[^>]*value="1 stone"[^>]*aria-invalid', answer.text)
    assert re.search(r'id="width-0"[^>]*value="300"', answer.text)


def test_another_wall_is_said_to_be_another_one(walls, tmp_path):
    path = tmp_path / "grid.csv"
    path.write_text(GRID)
    walls.upload(path, title="a garden wall")
    page = compared(walls, **{"with": "wall-003", "tie": "frame"})
    assert 'role="alert"' in page
    assert "Needed" in page


def test_alone_there_is_nothing_to_compare_with(client):
    client.post("/new", {"title": "a", "kind": "laser"})
    page = client.get("/wall/wall-001/compare")
    assert page.status_code == 200
    assert "no other wall" in page.text


def test_looking_begins_and_writes_nothing(walls):
    before = files_in(walls.folder)
    page = walls.get("/wall/wall-002/compare?with=wall-001&tie=frame").text
    assert 'id="working"' not in page
    assert walls.get("/wall/wall-002/compare/state?with=wall-001&tie=frame").get_json() == {"done": True}
    assert files_in(walls.folder) == before
    compared(walls, **{"with": "wall-001", "tie": "frame"})
    before = files_in(walls.folder)
    assert "litres" in walls.get("/wall/wall-002/compare").text
    assert files_in(walls.folder) == before


def test_captures_of_one_name_go_by_their_walls_too(walls, tmp_path):
    path = tmp_path / "scan1.ply"
    path.write_bytes(scan(3, 0.010))
    walls.upload(path, title="the coat")
    walls.send("wall-003", "wall", wall="1", up="z")
    walls.send("wall-003", "purpose", purpose="quote")
    walls.send("wall-003", "questions", capture_type="scanner")
    walls.post("/wall/wall-003/compare", {"with": "wall-001", "tie": "frame"})
    while not walls.get("/wall/wall-003/compare/state").get_json()["done"]:
        pass
    assert "capture 1: scan1.ply" in walls.get("/wall/wall-003/compare").text


def test_fixed_points_tie_them(walls):
    names = ",".join(f"{survey}_{axis}_m" for survey in ("earlier", "later") for axis in "xyz")
    # the coordinates of both scans are the same
    places = [(-2, 2.5, -1), (-0.5, 2.5, -1), (-2, 2.5, 0.2), (-0.5, 2.5, 0.2), (-1.2, 0.5, -1)]
    rows = "\n".join(",".join(map(str, (*place, *place))) for place in places)
    asked = {"with": "wall-001", "tie": "points"}
    page = compared(walls, points=(io.BytesIO(f"{names}\n{rows}\n".encode()), "nails.csv"), **asked)
    assert "The table is nails.csv" in page
    assert float(re.search(r"([\d.]+) litres", page)[1]) == pytest.approx(10.8, abs=0.8)
    # once more, without sending it again
    assert "The table is nails.csv" in compared(walls, **asked)


def test_a_table_that_is_none_is_told(walls):
    asked = {"with": "wall-001", "tie": "points"}
    answer = walls.post("/wall/wall-002/compare", asked)
    assert answer.status_code == 422
    assert 'id="wrong-points"' in answer.text
    page = compared(walls, points=(io.BytesIO(b"a,b\n1,2\n"), "nails.csv"), **asked)
    assert 'role="alert"' in page
    assert "litres" not in page


def test_what_must_be_asked_is_asked_and_answered_there(walls):
    # one file twice
    walls.post("/wall/wall-002/copy", {"revision": walls.job("wall-002").revision})
    asked = {"with": "wall-003", "tie": "frame"}
    page = compared(walls, **asked)
    assert re.search(r'<button name="confirm" value="copy">', page)
    page = compared(walls, confirm="copy", **asked)
    assert '<button name="confirm"' not in page
    assert "On your word: the later capture was made anew" in page
    # an answer about these two is none about others
    compared(walls, confirm="copy", **asked | {"with": "wall-001"})
    assert walls.settings("wall-002")["against"]["confirm"] == ""
    # what was asked of a wall is not asked of its copy
    assert walls.settings("wall-003")["against"] == {}


def test_another_wall_of_the_room_is_named_by_its_number(walls):
    answer = walls.post("/wall/wall-002/compare", {"with": "wall-001", "tie": "walls", "walls": "the other"})
    assert answer.status_code == 422
    assert re.search(r'id="walls"[^>]*value="the other"[^>]*aria-invalid', answer.text)
    page = compared(walls, **{"with": "wall-001", "tie": "walls", "walls": "2"})
    assert 'role="alert"' in page
