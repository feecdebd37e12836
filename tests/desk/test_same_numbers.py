"""The page says what the commands say: one way of computing, reached by hand and eye."""

import json
import re
import time
from pathlib import Path

import numpy as np
import pytest

from flatscan.cli import run
from flatscan.plan.stops import HACKING, HEIGHT, WET_CEMENT
from flatscan.report.say import say

SAMPLES = Path(__file__).parents[2] / "sample_clouds"


@pytest.fixture(scope="module")
def asked(new_client):
    """The sample scan on the page, priced with what its user knows; what was measured stays in the page's memory."""
    client = new_client()
    client.upload(SAMPLES / "wall.ply")
    client.wait("wall-001", of="wall")
    client.send("wall-001", "wall", wall="1", width="2.4 m")
    client.send("wall-001", "purpose", purpose="quote")
    client.send("wall-001", "questions", capture_type="scanner", least="6 mm", surface="bare")
    client.wait("wall-001")
    return client


@pytest.fixture
def priced(asked):
    """That page; afterwards its settings are again what they were."""
    settings = asked.folder / "wall-001" / "settings.json"
    before = settings.read_bytes()
    yield asked
    settings.write_bytes(before)


def test_the_sheets_hold_the_numbers_of_the_command(priced, capsys):
    assert priced.send("wall-001", "sheets", paper="a4").status_code == 303
    made = json.loads((priced.folder / "wall-001" / "results" / "survey-result.json").read_text())
    capture = str(priced.folder / "wall-001" / "capture.ply")
    command = ["survey", capture, "--capture-type", "scanner", "--width", "2.4m", "--least", "6mm", "--json", "--quiet"]
    capsys.readouterr()
    assert run(command) == 0
    own = json.loads(capsys.readouterr().out)
    made.pop("files")
    own.pop("files")
    assert made == own
    with priced.get("/wall/wall-001/file/survey-sheets.pdf") as pdf:
        assert (pdf.status_code, pdf.mimetype, pdf.data[:5]) == (200, "application/pdf", b"%PDF-")
    with priced.get("/wall/wall-001/file/survey-wall.html") as page:
        assert page.headers["Content-Security-Policy"] == "sandbox allow-scripts"
    # another purpose leaves none of these sheets behind
    priced.send("wall-001", "purpose", purpose="hand-over")
    assert "Something was changed since these sheets" in _sheets(priced)


def _sheets(client):
    client.wait("wall-001")
    return client.get("/wall/wall-001/sheets").text


def test_every_caution_stands_open_before_the_answers(priced):
    page = priced.get("/wall/wall-001/answers").text
    before = page.partition('<dl class="answers">')[0]
    for caution in (*HACKING, WET_CEMENT, HEIGHT):
        assert say(caution) in before
    assert "<details" not in before
    # a sign seen on site stops the job, and is said before everything else
    priced.send("wall-001", "questions", capture_type="scanner", seen="moving crack")
    priced.wait("wall-001")
    page = priced.get("/wall/wall-001/answers").text
    assert page.index("STOP: a moving crack") < page.index(say(WET_CEMENT)) < page.index("How many bags?")
    assert 'id="humps"' not in page


def test_ticks_save_what_the_list_says_and_are_kept(priced):
    page = priced.get("/wall/wall-001/answers").text
    keys = re.findall(r'type="checkbox" value="([^"]+)"', page)
    said = re.findall(r"with those before it saves ([\d.]+) litres", page)
    assert len(keys) == len(said) >= 2
    for count in range(len(keys) + 1):
        sent = {"revision": priced.settings()["revision"], "cut": keys[:count]}
        lines = dict(priced.post("/wall/wall-001/cut", json=sent).get_json()["lines"])
        assert lines["Saves"] == f"{said[count - 1] if count else '0.0'} litres"
    assert len(priced.settings()["cut"]) == len(keys)
    assert priced.get("/wall/wall-001/answers").text.count(" checked> <span><strong>H") == len(keys)
    stranger = priced.post("/wall/wall-001/cut", json={"revision": priced.settings()["revision"], "cut": ["9,9"]})
    assert dict(stranger.get_json()["lines"])["Saves"] == "0.0 litres"


def test_a_fixed_point_moves_the_face_through_it(priced):
    before = priced.get("/wall/wall-001/answers").text
    priced.send("wall-001", "fix", x="400", y="1 m", proud="25")
    priced.wait("wall-001")
    page = priced.get("/wall/wall-001/answers").text
    assert "400 mm from the left, 1000 mm up: 25.0 mm proud" in page
    assert re.search(r"mean ([\d.]+) mm", page)[1] != re.search(r"mean ([\d.]+) mm", before)[1]
    priced.send("wall-001", "fix", remove="0")
    priced.wait("wall-001")
    assert (
        re.search(r"mean ([\d.]+) mm", priced.get("/wall/wall-001/answers").text)[1]
        == (re.search(r"mean ([\d.]+) mm", before)[1])
    )


def test_a_fixed_point_no_face_can_reach_is_said_in_words(priced):
    priced.send("wall-001", "fix", x="400", y="1000", proud="-40")
    priced.wait("wall-001")
    answer = priced.get("/wall/wall-001/answers")
    # the nearest plan that can be stands there, led by why the one asked for cannot
    assert answer.status_code == 200
    assert "THIS PLAN CANNOT BE BUILT" in answer.text
    assert "fixed point" in answer.text.lower()


def _large(path):
    """A 4 x 2.4 m wall with four narrow humps, 14 points in each cell of 10 mm."""
    rng = np.random.default_rng(4)
    n = 14 * 400 * 240
    x, y = rng.uniform(0, 4, n), rng.uniform(0, 2.4, n)
    z = 0.004 * y + rng.normal(0, 0.0005, n)
    for a, b, high in ((1, 1, 0.02), (3, 1.8, 0.015), (2, 0.5, 0.018), (0.6, 2, 0.012)):
        z += high * np.exp(-((x - a) ** 2 + (y - b) ** 2) / (2 * 0.08**2))
    points = np.stack([x - 2, 2.5 - z, y - 1], axis=1).astype("<f4")
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {n}\n"
    head += "".join(f"property float {axis}\n" for axis in "xyz") + "end_header\n"
    path.write_bytes(head.encode() + points.tobytes())
    return path


def test_a_tick_takes_under_200_ms_on_a_4_by_2_4_m_wall_at_10_mm(client, tmp_path):
    client.upload(_large(tmp_path / "large.ply"))
    client.wait("wall-001", of="wall")
    # two of the file's axes lie in the wall: which is up is asked for on the page, and answered
    assert "The scan does not say enough" in client.get("/wall/wall-001/wall").text
    client.send("wall-001", "wall", up="z")
    client.wait("wall-001", of="wall")
    client.send("wall-001", "purpose", purpose="quote")
    client.send("wall-001", "questions", capture_type="scanner")
    client.wait("wall-001")
    page = client.get("/wall/wall-001/answers").text
    assert "cells of 10 mm" in page
    keys = re.findall(r'type="checkbox" value="([^"]+)"', page)
    assert len(keys) >= 3
    taken = []
    # the first finds the humps, as the page itself does when it is opened
    for count in (0, 1, 2, 3, 1, 2, 0):
        sent = {"revision": client.settings()["revision"], "cut": keys[:count]}
        start = time.perf_counter()
        assert client.post("/wall/wall-001/cut", json=sent).status_code == 200
        taken.append(time.perf_counter() - start)
    # the machine may be shared: what a tick takes is what the quickest of them took
    assert min(taken[1:]) < 0.2
