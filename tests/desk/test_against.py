"""A wall held against an earlier capture: what was put on comes out, with what ties the two in the address."""

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


def compared(client, query):
    where = f"/wall/wall-002/compare{{}}?{query}"
    while not client.get(where.format("/state")).get_json()["done"]:
        pass
    return client.get(where.format("")).text


def test_what_was_put_on_between_two_captures(walls):
    assert "capture 1 (wall-001)" in walls.get("/wall/wall-002/compare").text
    page = compared(walls, "with=wall-001&tie=frame")
    # 10 mm over 900 of 1500 mm
    area = 10 * 0.9 * 1.2
    litres = float(re.search(r"([\d.]+) litres", page)[1])
    assert litres == pytest.approx(area, abs=0.8)
    names = re.findall(r"/compared/([\w.-]+)\"", page)
    assert "compare-sheets.pdf" in names
    with walls.get("/wall/wall-002/compared/compare-sheets.pdf") as sheet:
        assert (sheet.status_code, sheet.data[:5]) == (200, b"%PDF-")
    # the wall's own sheets and settings are none of it
    assert walls.get("/wall/wall-002/compared/settings.json").status_code == 404
    assert walls.get("/wall/wall-002/compared/..%2fsettings.json").status_code == 404
    assert {path.stat().st_mode & 0o777 for path in (walls.folder / "wall-002" / "compared").iterdir()} == {0o600}


def test_parts_that_nobody_worked_on_tie_them(walls):
    left = "left-0=20&bottom-0=20&width-0=230&height-0=1160"
    right = "left-1=1250&bottom-1=20&width-1=230&height-1=1160"
    page = compared(walls, f"with=wall-001&tie=reference&{left}&{right}")
    assert 'id="working"' not in page
    assert float(re.search(r"([\d.]+) litres", page)[1]) == pytest.approx(10.8, abs=1.5)


def test_what_is_wrong_in_a_part_is_said_at_its_field(walls):
    answer = walls.get(
        "/wall/wall-002/compare?with=wall-001&tie=reference&left-0=0&bottom-0=1 stone&width-0=300&height-0=1"
    )
    assert answer.status_code == 422
    assert re.search(r'id="bottom-0"[^>]*value="1 stone"[^>]*aria-invalid', answer.text)
    assert re.search(r'id="width-0"[^>]*value="300"', answer.text)


def test_another_wall_is_said_to_be_another_one(walls, tmp_path):
    path = tmp_path / "grid.csv"
    path.write_text(GRID)
    walls.upload(path, title="a garden wall")
    page = compared(walls, "with=wall-003&tie=frame")
    assert 'role="alert"' in page
    assert "Needed" in page


def test_alone_there_is_nothing_to_compare_with(client):
    client.post("/new", {"title": "a", "kind": "laser"})
    page = client.get("/wall/wall-001/compare?with=wall-001")
    assert page.status_code == 200
    assert "no other wall" in page.text
