"""A sealed file dropped on the page: same, altered, no sealed file, another seal; and nothing of it is kept."""

import io
import json
import re
import tempfile
import time
import zipfile
from pathlib import Path

import pytest
from sending import send

GRID = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"


@pytest.fixture(scope="module")
def sealed(new_client):
    """The bytes of a wall's sealed file, and its seal."""
    client = new_client()
    client.upload(GRID)
    client.send("wall-001", "purpose", purpose="quote")
    client.wait("wall-001")
    client.send("wall-001", "evidence", title="a wall")
    client.wait("wall-001", of="seal")
    return (client.folder / "wall-001" / "evidence.zip").read_bytes(), client.settings()["seal"][0]


def drop(client, data, **fields):
    """Drop a file and wait for what is said of it."""
    answer = send(client, [("theirs.zip", data)], "/recheck", **fields)
    if answer.status_code != 303:
        return answer
    where, _, query = answer.location.partition("?")
    while not client.get(f"{where}/state?{query}").get_json()["done"]:
        pass
    return client.get(answer.location)


def test_one_that_nobody_changed_is_the_same(client, sealed):
    data, seal = sealed
    page = drop(client, data, seal=seal)
    assert "<h1>Same: nothing was changed" in page.text
    # what was sent is not kept, and it is no wall of the list
    assert not list(client.folder.rglob("*.zip"))
    assert "Walls so far" not in client.get("/").text


def test_one_of_another_seal_is_altered(client, sealed):
    page = drop(client, sealed[0], seal="0" * 64)
    assert "<h1>ALTERED" in page.text


def test_a_changed_byte_is_found(client, sealed):
    data = bytearray(sealed[0])
    at = data.index(b"118")
    data[at + 2] = ord("9")
    page = drop(client, bytes(data))
    assert "<h1>ALTERED" in page.text


def test_a_zip_cut_short_is_altered(client, sealed):
    assert "<h1>ALTERED" in drop(client, sealed[0][:-40]).text


@pytest.mark.parametrize("data", [b"no zip at all", b""])
def test_what_is_no_sealed_file_is_said(client, data):
    page = drop(client, data)
    assert page.status_code == 422
    assert re.search(r"Needed: [a-z]", page.text)


def test_a_seal_that_is_none_is_refused_before_any_work(client, sealed):
    answer = send(client, [("theirs.zip", sealed[0])], "/recheck", seal="12ab")
    assert answer.status_code == 422
    assert "64 hex digits" in answer.text


@pytest.mark.parametrize("name", ["recheck-0123456789abcdef", "..", "recheck-..", "wall-001"])
def test_a_check_that_nobody_asked_for(client, name):
    assert client.get(f"/recheck/{name}").status_code in (404, 422)


@pytest.mark.parametrize(("purpose", "command"), [("set-out", "setout"), ("after-ruling", "lows")])
def test_what_is_shown_is_what_is_sealed_and_it_recomputes_the_same(client, purpose, command):
    client.upload(GRID)
    client.send("wall-001", "purpose", purpose=purpose)
    client.send("wall-001", "questions", rule="1.8 m", least="6", low_limit="2.5")
    client.wait("wall-001")
    assert client.get("/wall/wall-001/answers").status_code == 200
    client.send("wall-001", "evidence", title="a wall")
    client.wait("wall-001", of="seal")
    data = (client.folder / "wall-001" / "evidence.zip").read_bytes()
    with zipfile.ZipFile(io.BytesIO(data)) as sealed:
        made = [name for name in sealed.namelist() if name.endswith("result.json")]
        document = json.loads(sealed.read(made[0]))
    assert [name.rpartition("/")[2] for name in made] == [f"{command}-result.json"]
    client.send("wall-001", "sheets", paper="a4")
    client.wait("wall-001", of="sheets")
    shown = json.loads((client.folder / "wall-001" / f"{command}-result.json").read_text())
    assert document[command] == shown[command]
    assert document["plan"]["fingerprint"] == shown["plan"]["fingerprint"]
    assert "<h1>Same: nothing was changed" in drop(client, data, seal=client.settings()["seal"][0]).text


def test_a_check_that_is_stopped_leaves_nothing(client, sealed, tmp_path, monkeypatch):
    room = tmp_path / "room"
    room.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(room))
    answer = send(client, [("theirs.zip", sealed[0])], "/recheck")
    end = time.monotonic() + 60
    # it is at work once what is sealed lies unpacked
    while not list(room.rglob("sealed")):
        assert time.monotonic() < end, "it did not begin"
        time.sleep(0.005)
    client.post(answer.location.partition("?")[0] + "/stop")
    assert [path.name for path in room.iterdir() if path.name.startswith("flatscan-")] == []
    assert list((client.folder / ".rechecks").iterdir()) == []
    assert "Check a sealed file" in client.get("/recheck").text
