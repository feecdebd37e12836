"""Is this the wall? Its picture, what is on it, and one tap for a scan that is turned."""

import io
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread

from flatscan.desk.recognising import turns
from flatscan.jobs import Capturing, find_room, read

SAMPLES = Path(__file__).parents[2] / "sample_clouds"


def ply(path, points, colours=None):
    """Points (n, 3) as a binary PLY."""
    names = [("x", "<f4"), ("y", "<f4"), ("z", "<f4")]
    names += [] if colours is None else [("red", "u1"), ("green", "u1"), ("blue", "u1")]
    rows = np.zeros(len(points), names)
    for k, axis in enumerate("xyz"):
        rows[axis] = points[:, k]
    for k, tone in enumerate(("red", "green", "blue") if colours is not None else ()):
        rows[tone] = colours[:, k]
    kinds = {"<f4": "float", "u1": "uchar"}
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
    head += "".join(f"property {kinds[kind]} {name}\n" for name, kind in names) + "end_header\n"
    path.write_bytes(head.encode() + rows.tobytes())
    return path


def room(path, colour=False):
    """A wall of 3 x 2.4 m over a strip of floor: a hole like a door left of its middle, its right half red."""
    rng = np.random.default_rng(8)
    x, z = rng.uniform(0, 3, 40_000), rng.uniform(0, 2.4, 40_000)
    here = ~((x > 0.4) & (x < 1.3) & (z < 2.0))
    x, z = x[here], z[here]
    y = -0.015 * np.exp(-((x - 2.3) ** 2 + (z - 1.2) ** 2) / 0.05) + rng.normal(0, 0.0008, len(x))
    floor = np.stack([rng.uniform(0, 3, 4000), rng.uniform(-2, -0.02, 4000), rng.normal(0, 0.001, 4000)], 1)
    points = np.concatenate([np.stack([x, y, z], 1), floor])
    tone = np.where(points[:, :1] > 1.5, [[200, 30, 30]], [[90, 90, 90]]) if colour else None
    return ply(path, points, tone)


def opened(client, path):
    client.upload(path)
    client.send("wall-001", "wall", wall="1", up="z", file_unit="m")
    client.wait("wall-001", "wall")
    return client.get("/wall/wall-001/wall").text


def picture_of(client, page):
    address = page.partition('<image href="')[2].partition('"')[0]
    answer = client.get(address)
    assert answer.mimetype == "image/png"
    return imread(io.BytesIO(answer.data))[..., :3]


def test_a_scan_without_colours_is_shaded_by_relief(client, tmp_path):
    seen = picture_of(client, opened(client, room(tmp_path / "room.ply")))
    high, wide = seen.shape[:2]
    # row 0 is the top: the hump at 2.3 / 1.2 m is lighter than the wall, and nothing is in the doorway
    hump = seen[round(high / 2), round(2.3 / 3 * wide)]
    assert hump.mean() > seen[round(high * 0.1), round(0.2 * wide)].mean() + 0.2
    assert (seen[round(high * 0.6), round(0.85 / 3 * wide)] == 1.0).all()
    # a pixel that no point fell into is no hole
    quiet = seen[: round(high * 0.12)]
    assert (quiet == 1.0).all(axis=2).mean() < 0.005


def test_a_coloured_scan_is_shown_in_its_colours(client, tmp_path):
    seen = picture_of(client, opened(client, room(tmp_path / "room.ply", colour=True)))
    top = seen[: seen.shape[0] // 8]
    assert top[:, -top.shape[1] // 4 :, 0].mean() > 0.7
    assert top[:, : top.shape[1] // 4, 0].mean() < 0.4


def test_readings_have_no_picture(client):
    client.upload(SAMPLES / "laser_grid.csv")
    client.wait("wall-001", "wall")
    page = client.get("/wall/wall-001/wall").text
    assert "<image" not in page
    assert 'name="turn"' not in page
    assert client.get("/wall/wall-001/seen/1.png").status_code == 404
    assert client.get("/wall/wall-001/seen/..%2Fplan.png").status_code == 404


def test_a_scan_is_turned_by_one_tap_and_the_tap_taken_back(client, tmp_path):
    page = opened(client, room(tmp_path / "room.ply"))
    before = picture_of(client, page)
    # a file that is itself mirrored is not mended by the room's other side: the page says so beside the buttons
    assert "what stood proud is hollow" in page
    assert "the file itself is mirrored" in page
    for said, field, turned in (
        ("It is upside down", "up", before[::-1, ::-1]),
        ("It is mirrored", "seen_from", before[:, ::-1]),
        ("It is seen from the other side", "seen_from", before[:, ::-1]),
    ):
        value = page.partition(f">{said}<")[0].rpartition('value="')[2].partition('"')[0]
        assert value.startswith(f"{field}=")
        client.send("wall-001", "wall", turn=value)
        client.wait("wall-001", "wall")
        now = picture_of(client, client.get("/wall/wall-001/wall").text)
        holes = [np.argwhere((seen == 1.0).all(axis=2)).mean(axis=0) / seen.shape[:2] for seen in (now, turned)]
        np.testing.assert_allclose(holes[0], holes[1], atol=0.03)
        client.send("wall-001", "undo", to="wall")
        client.wait("wall-001", "wall")
    np.testing.assert_allclose(picture_of(client, client.get("/wall/wall-001/wall").text), before)


def test_a_hole_becomes_an_opening_by_one_tap(client, tmp_path):
    page = opened(client, room(tmp_path / "room.ply"))
    assert ">door?</text>" in page
    client.send("wall-001", "wall", hole="0")
    ((left, bottom, right, top),) = client.job().plan.opening
    np.testing.assert_allclose([left, bottom, right, top], [0.4, 0.0, 1.3, 2.0], atol=0.05)
    page = client.get("/wall/wall-001/wall").text
    assert ">door</text>" in page
    assert ">door?</text>" not in page
    assert client.send("wall-001", "wall", hole="7").status_code == 422
    assert client.send("wall-001", "wall", turn="least=3").status_code == 422


def test_turns_are_those_the_capture_allows(tmp_path):
    how = Capturing(up="z")
    found = find_room(read(room(tmp_path / "room.ply"), how), how)
    made = {turn.said: (turn.setting, turn.value) for turn in turns(found, found.walls[0])}
    assert made["It is upside down"] == ("up", "-z")
    assert made["It lies on its side"][1] in ("x", "-x")
    assert made["It is mirrored"] == made["It is seen from the other side"]
    side = np.array([float(part) for part in made["It is mirrored"][1].split(",")])
    # the wall is seen from y < 0, so its other side is y > 0
    assert side[1] > 0.3


@pytest.mark.parametrize("sent", ["", "up", "seen_from=", "up=q"])
def test_what_is_no_turn_changes_nothing(client, tmp_path, sent):
    opened(client, room(tmp_path / "room.ply"))
    before = client.job().text
    client.send("wall-001", "wall", turn=sent)
    assert client.job().plan.up == "z"
    assert client.job().plan.seen_from is None or client.job().text == before
