"""A wall that hangs holds up no other, can be stopped, and is begun anew when somebody says so."""

import os
import signal
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from flatscan.desk import crew
from flatscan.desk.bench import Working

GRID = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"


def bench_of(client):
    return client.app.extensions["flatscan-desk"].bench


def process_of(client, name):
    """The id of the process of a wall, once there is one."""
    end = time.monotonic() + 60
    while time.monotonic() < end:
        hand = bench_of(client)._crew._hands.get(name)
        if hand is not None and hand._process is not None:
            return hand._process.pid
        time.sleep(0.01)
    raise AssertionError("no process was begun")


@pytest.fixture
def held(client):
    """Two walls, the first of which hangs: its process is halted by the system, as one that waits for ever."""
    for _ in range(2):
        client.upload(GRID)
    client.wait("wall-001", of="wall")
    pid = process_of(client, "wall-001")
    os.kill(pid, signal.SIGSTOP)
    client.send("wall-001", "purpose", purpose="quote")
    page = client.get("/wall/wall-001/answers").text
    assert "Measuring the wall" in page
    client.pid = pid
    return client


def is_gone(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def test_another_wall_goes_on_beside_one_that_hangs(held):
    held.send("wall-002", "purpose", purpose="quote")
    held.wait("wall-002", seconds=60)
    assert "How many bags?" in held.get("/wall/wall-002/answers").text
    assert not held.get("/wall/wall-001/state").get_json()["done"]
    assert isinstance(bench_of(held).at_work("wall-001"), Working)
    assert bench_of(held).at_work("wall-002") is None


def test_stopping_kills_the_process_and_going_on_begins_another(held):
    answer = held.post("/wall/wall-001/stop", {"to": "answers"})
    assert (answer.status_code, answer.location) == (303, "/wall/wall-001/answers")
    assert is_gone(held.pid)
    # looking does not begin it again
    for _ in range(2):
        assert "was stopped" in held.get("/wall/wall-001/answers").text
    assert held.get("/wall/wall-001/state").get_json()["done"]
    assert bench_of(held).at_work("wall-001") is None
    # other screens of the wall can still be seen and changed
    assert held.get("/wall/wall-001/questions").status_code == 200
    held.post("/wall/wall-001/again", {"to": "answers"})
    held.wait("wall-001", seconds=60)
    assert "How many bags?" in held.get("/wall/wall-001/answers").text


def test_another_plan_is_worked_out_after_a_stop(held):
    held.post("/wall/wall-001/stop", {"to": "answers"})
    held.send("wall-001", "questions", least="9 mm")
    held.wait("wall-001", seconds=60)
    assert "How many bags?" in held.get("/wall/wall-001/answers").text


def test_a_process_that_is_killed_is_said_and_can_be_tried_again(held):
    os.kill(held.pid, signal.SIGKILL)
    held.wait("wall-001", seconds=30)
    page = held.get("/wall/wall-001/answers").text
    assert "the memory was full" in page.partition("Go on with it")[0]
    assert "north wall" in page
    held.post("/wall/wall-001/again", {"to": "answers"})
    held.wait("wall-001", seconds=60)
    assert "How many bags?" in held.get("/wall/wall-001/answers").text


def test_what_takes_longer_than_any_wall_is_ended(client, monkeypatch):
    client.upload(GRID)
    client.wait("wall-001", of="wall")
    pid = process_of(client, "wall-001")
    os.kill(pid, signal.SIGSTOP)
    monkeypatch.setattr(crew, "_LATEST", 0.5)
    client.send("wall-001", "purpose", purpose="quote")
    client.wait("wall-001", seconds=30)
    assert "or it took over" in client.get("/wall/wall-001/answers").text
    assert is_gone(pid)


def test_so_many_work_at_once_and_the_others_wait_and_can_be_stopped(client, monkeypatch):
    for _ in range(crew.AT_ONCE + 1):
        client.upload(GRID)
    names = [f"wall-{number:03d}" for number in range(1, crew.AT_ONCE + 2)]
    for name in names[:-1]:
        client.wait(name, of="wall")
        os.kill(process_of(client, name), signal.SIGSTOP)
        client.send(name, "purpose", purpose="quote")
        client.get(f"/wall/{name}/answers")
    last = names[-1]
    assert not client.get(f"/wall/{last}/state?of=wall").get_json()["done"]
    assert "waiting" in client.get(f"/wall/{last}/state?of=wall").get_json()["words"]
    # who waits for a place can be stopped, and a place that is given back is taken
    client.post(f"/wall/{last}/stop", {"to": ""})
    assert bench_of(client).at_work(last) is None
    client.post(f"/wall/{last}/again", {"to": ""})
    client.post(f"/wall/{names[0]}/stop", {"to": "answers"})
    client.wait(last, of="wall", seconds=60)


def test_processes_without_work_are_let_go(client, monkeypatch):
    monkeypatch.setattr(crew, "_KEPT", 2)
    pids = []
    for number in range(1, 5):
        client.upload(GRID)
        client.wait(f"wall-{number:03d}", of="wall")
        pids.append(process_of(client, f"wall-{number:03d}"))
    assert [is_gone(pid) for pid in pids] == [True, True, False, False]


def test_making_sheets_can_be_stopped_and_those_there_stay(client):
    client.upload(GRID)
    client.send("wall-001", "purpose", purpose="quote")
    client.wait("wall-001")
    client.send("wall-001", "sheets", paper="a4")
    client.wait("wall-001", of="sheets")
    before = {path: path.read_bytes() for path in (client.folder / "wall-001").glob("survey-*")}
    assert len(before) > 5
    os.kill(process_of(client, "wall-001"), signal.SIGSTOP)
    client.send("wall-001", "questions", least="9 mm")
    client.send("wall-001", "sheets", paper="a4")
    assert "Making the sheets" in client.get("/wall/wall-001/sheets").text
    client.post("/wall/wall-001/stop", {"to": "sheets"})
    client.post("/wall/wall-001/again", {"to": "sheets"})
    client.wait("wall-001", of="answers", seconds=60)
    page = client.get("/wall/wall-001/sheets").text
    assert "older plan" in page
    assert {path: path.read_bytes() for path in (client.folder / "wall-001").glob("survey-*")} == before


def test_a_server_that_is_killed_takes_its_processes_along(served):
    def ask(path, data=None, kind=None):
        headers = {"Cookie": cookie, "Origin": served.base.rstrip("/")}
        headers |= {} if kind is None else {"Content-Type": kind}
        with opener.open(urllib.request.Request(served.base + path, data=data, headers=headers)) as answer:
            return answer.read()

    class Stay(urllib.request.HTTPRedirectHandler):
        def redirect_request(self, *_):
            return None

    opener = urllib.request.build_opener(Stay)
    with pytest.raises(urllib.error.HTTPError, match="302") as moved:
        opener.open(served.url)
    cookie = moved.value.headers["Set-Cookie"].partition(";")[0]
    moved.value.close()
    boundary = "x" * 20
    body = f'--{boundary}\r\nContent-Disposition: form-data; name="kind"\r\n\r\nscan\r\n'
    body += (
        f'--{boundary}\r\nContent-Disposition: form-data; name="capture"; filename="a.csv"\r\n\r\n{GRID.read_text()}'
    )
    body += f"\r\n--{boundary}--\r\n"
    with pytest.raises(urllib.error.HTTPError, match="303") as moved:
        ask("new", body.encode(), f"multipart/form-data; boundary={boundary}")
    moved.value.close()
    ask("wall/wall-001/state?of=wall")
    children = _below(served.process.pid)
    assert children
    served.kill()
    end = time.monotonic() + 20
    while not all(is_gone(pid) or _is_dead(pid) for pid in children):
        assert time.monotonic() < end, "a process of the killed server lives on"
        time.sleep(0.05)


def _below(pid):
    """Every process that a process began, or that one of those did."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            number, _, rest = path.read_text().partition(" (")
        except OSError:
            continue
        if int(rest.rpartition(") ")[2].split()[1]) == pid:
            found += [int(number), *_below(int(number))]
    return found


def _is_dead(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2][0] == "Z"
    except OSError:
        return True
