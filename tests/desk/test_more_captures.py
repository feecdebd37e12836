"""A scan tied by readings, held against another one of the same wall, put beside one, and cut to a part."""

import io
import re
import zipfile

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.desk.bench import Working


def scan(seed, left=0.0, right=1.5):
    """The wall of `two_humps`, captured again with its own noise and a little warp, from ``left`` to ``right``."""
    rng = np.random.default_rng(seed)
    n = int(13_000 * (right - left) / 1.5)
    x, y = rng.uniform(left, right, n), rng.uniform(0, 1.2, n)
    z = height(x, y) + rng.normal(0, 0.0005, n) + 0.0004 * np.cos(2 * x + seed)
    points = np.stack([x - 2, 2.5 - z, y - 1], axis=1).astype("<f4")
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {n}\n"
    return head.encode() + b"property float x\nproperty float y\nproperty float z\nend_header\n" + points.tobytes()


def height(x, y):
    z = 0.004 * y
    for a, b in ((0.5, 0.8), (1.1, 0.4)):
        z = z + 0.012 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / (2 * 0.09**2))
    return z


def readings():
    """Readings from a plumb laser 100 mm before the wall's foot, at places off the humps."""
    rows = [
        "units, mm",
        "sense, big = hollow",
        "width, 1.5 m",
        "height, 1.2 m",
        "control, 100, 100",
        "",
        "x, y, reading",
    ]
    rows += [f"{x}, {y}, {100 - 1000 * height(x, y):.1f}" for x in (0.1, 0.75, 1.4) for y in (0.1, 0.6, 1.1)]
    return ("\n".join(rows) + "\n").encode()


@pytest.fixture
def wall(client, two_humps):
    client.upload(two_humps)
    client.send("wall-001", "wall", wall="1", up="z")
    client.send("wall-001", "purpose", purpose="quote")
    client.wait("wall-001")
    return client


def more(client, kind, data, name):
    form = {"revision": client.job().revision, "kind": kind, "capture": (io.BytesIO(data), name)}
    return client.post("/wall/wall-001/more", form)


def measured(client):
    client.wait("wall-001")
    found = client.app.extensions["flatscan-desk"].bench.nearest(client.job(), 60.0)
    assert not isinstance(found, Working)
    return found


def test_readings_tie_the_scan_down_and_can_be_left_out(wall):
    before = measured(wall)
    assert before.seen.tie is None
    assert more(wall, "tie", readings(), "north wall.csv").status_code == 303
    assert wall.job().plan.tie == str(wall.job().folder / "tie-1.csv")
    assert measured(wall).seen.tie is not None
    page = wall.get("/wall/wall-001/more").text
    assert "north wall.csv" in page
    wall.send("wall-001", "more", kind="tie", remove="tie-1.csv")
    assert wall.job().plan.tie is None
    assert measured(wall).seen.tie is None
    wall.send("wall-001", "undo", to="answers")
    assert measured(wall).seen.tie is not None


def test_the_same_wall_captured_again(wall):
    for seed in (11, 12):
        assert more(wall, "repeat", scan(seed), f"again {seed}.ply").status_code == 303
    assert len(wall.job().plan.repeat) == 2
    page = wall.get("/wall/wall-001/more").text
    assert "again 11.ply" in page
    assert measured(wall).seen.how.repeat == wall.job().plan.repeat
    wall.send("wall-001", "more", kind="repeat", remove="repeat-1.ply")
    assert [path.rpartition("/")[2] for path in wall.job().plan.repeat] == ["repeat-2.ply"]


def test_the_same_file_is_no_repeat_and_that_is_said_here(wall, two_humps):
    more(wall, "repeat", two_humps.read_bytes(), "same.ply")
    wall.wait("wall-001")
    assert re.search(r'role="alert"><p><strong>', wall.get("/wall/wall-001/more").text)


@pytest.mark.parametrize(
    ("kind", "data", "name"),
    [
        ("tie", scan(11), "scan.ply"),
        ("tie", b"nothing", "x.bin"),
        ("repeat", b"MZ" + bytes(50), "x.exe"),
        ("repeat", b"", "empty.ply"),
        ("rates", readings(), "x.csv"),
        ("", readings(), "x.csv"),
    ],
)
def test_what_is_of_no_use_is_refused_and_not_kept(wall, kind, data, name):
    before = wall.job()
    answer = more(wall, kind, data, name)
    assert answer.status_code == 422
    assert wall.job().plan == before.plan
    assert not [path.name for path in before.folder.iterdir() if path.name.startswith(("tie", "repeat", "rates"))]


def test_only_a_part_of_the_wall(wall):
    answer = wall.send("wall-001", "more", kind="region", left="100", bottom="100", width="2 stone", height="800")
    assert answer.status_code == 422
    assert re.search(r'id="region-width"[^>]*value="2 stone"[^>]*aria-invalid', answer.text)
    assert re.search(r'id="region-height"[^>]*value="800"', answer.text)
    assert wall.job().plan.region is None
    wall.send("wall-001", "more", kind="region", left="100", bottom="100", width="700", height="800")
    assert_allclose(wall.job().plan.region, [0.1, 0.1, 0.8, 0.9])
    assert_allclose([measured(wall).wall.width, measured(wall).wall.height], [0.7, 0.8], atol=0.05)
    assert "The whole wall again" in wall.get("/wall/wall-001/more").text
    wall.send("wall-001", "more", kind="region", remove="region")
    assert wall.job().plan.region is None


def test_a_wall_put_together_is_sealed_with_all_its_captures(client, tmp_path):
    left = tmp_path / "left.ply"
    left.write_bytes(scan(21, 0.0, 0.9))
    client.upload(left)
    client.send("wall-001", "wall", wall="1", up="z")
    more(client, "same_wall", scan(22, 0.6, 1.5), "right.ply")
    client.send("wall-001", "purpose", purpose="quote")
    found = measured(client)
    assert_allclose(found.wall.width, 1.5, atol=0.05)
    client.send("wall-001", "evidence", title="a wall")
    client.wait("wall-001", of="seal")
    with zipfile.ZipFile(client.folder / "wall-001" / "evidence.zip") as sealed:
        held = {sealed.read(name) for name in sealed.namelist() if name.startswith("captures/")}
    assert held == {left.read_bytes(), scan(22, 0.6, 1.5)}
