"""Nobody without the secret, no other site, no names as paths, nothing too large, no traces."""

import io
import re

import pytest

from flatscan.desk.letting_in import new_token

HOST = "http://127.0.0.1:8765"
TOKEN = "a-token-for-the-tests"
DEVICES = "let-in"
AXES = b"property float x\nproperty float y\nproperty float z\n"
PLY = b"ply\nformat ascii 1.0\nelement vertex %d\n" + AXES + b"end_header\n0 0 0\n"
GRID = b"units, mm\nsense, big = hollow\nwidth, 2 m\nheight, 2 m\n\n"
GRID += b"x, y, reading\n0.1, 0.1, 80\n1, 1, 81\n1.9, 1.9, 80\n"


def test_a_token_is_long_and_never_the_same():
    made = {new_token() for _ in range(50)}
    assert len(made) == 50
    # 32 bytes in base64 without padding
    assert {len(token) for token in made} == {43}


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/wall/wall-001/",
        "/static/desk.js",
        "/worker.js",
        "/phones",
        "/wall/wall-001/file/survey-sheets.pdf",
        "/none",
    ],
)
def test_nothing_without_the_secret(client, path):
    stranger = client.app.test_client()
    assert stranger.get(path, base_url=HOST).status_code == 401
    assert stranger.get(f"{path}?token=wrong", base_url=HOST).status_code == 401
    assert (
        stranger.get(
            path, base_url=HOST, headers={"Cookie": f"{client.app.extensions['flatscan-desk'].devices.cookie}=a.b"}
        ).status_code
        == 401
    )
    assert stranger.get(f"{path}?token=é", base_url=HOST).status_code == 401


def test_the_secret_leaves_the_address_and_stays_where_scripts_cannot_read_it(client):
    answer = client.app.test_client().get("/?token=a-token-for-the-tests", base_url=HOST)
    assert (answer.status_code, answer.headers["Location"]) == (302, "/")
    cookie = answer.headers["Set-Cookie"]
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(cookie.split("; "))
    # another than the secret of this start, and known after the next one
    assert TOKEN not in cookie
    assert "Max-Age=34560000" in cookie


@pytest.mark.parametrize("host", ["http://attacker.example:8765", "http://127.0.0.1:80", "http://localhost.evil:8765"])
def test_another_name_for_this_machine_is_refused(client, host):
    # as a name rebound to 127.0.0.1 would ask
    assert client.browser.get("/?token=a-token-for-the-tests", base_url=host).status_code == 421


@pytest.mark.parametrize(
    "origin", [None, "null", "http://attacker.example", "https://127.0.0.1:8765", "http://127.0.0.1:80"]
)
def test_another_site_cannot_change_anything(client, origin):
    client.post("/new", {"title": "mine", "kind": "laser"})
    headers = {} if origin is None else {"Origin": origin}
    for path in (
        "/new",
        "/wall/wall-001/purpose",
        "/wall/wall-001/keep",
        "/wall/wall-001/fix",
        "/wall/wall-001/evidence",
    ):
        answer = client.browser.post(path, base_url=HOST, headers=headers, data={"title": "theirs"})
        assert answer.status_code == 403
    crossing = {"Origin": HOST, "Sec-Fetch-Site": "cross-site"}
    assert client.browser.post("/new", base_url=HOST, headers=crossing).status_code == 403
    assert [p.name for p in client.folder.iterdir()] == ["wall-001"]
    assert client.settings()["title"] == "mine"


def test_changes_are_never_made_by_following_a_link(client):
    for path in ("/new", "/wall/wall-001/keep", "/wall/wall-001/fix", "/wall/wall-001/cut", "/wall/wall-001/reading"):
        assert client.get(path).status_code == 405


def test_what_the_browser_is_told_never_to_do(client):
    for path in ("/", "/static/desk.js", "/none"):
        headers = client.get(path).headers
        policy = dict(part.strip().split(" ", 1) for part in headers["Content-Security-Policy"].split(";"))
        assert policy["default-src"] == "'none'"
        assert {policy[key] for key in policy if key.endswith("-src")} <= {"'none'", "'self'"}
        assert (policy["frame-ancestors"], policy["base-uri"], policy["form-action"]) == ("'none'", "'none'", "'self'")
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Cache-Control"] == "no-store"
        assert "Access-Control-Allow-Origin" not in headers


def test_a_file_that_is_too_large(limited):
    answer = limited.post("/new", {"kind": "scan", "capture": (io.BytesIO(b"ply\n" + bytes(30_000)), "a.ply")})
    assert answer.status_code == 413
    assert "larger than this page takes" in answer.text
    assert not list(limited.folder.iterdir())


EVIL = [
    "../../evil.ply",
    "..\\..\\evil.ply",
    "/etc/passwd",
    "a/b.ply",
    ".ply",
    "x.ply\0.csv",
    "CON.ply",
    "é" * 300 + ".ply",
]


@pytest.mark.parametrize("name", EVIL)
def test_a_name_is_never_a_path(client, name, tmp_path):
    content = PLY % 1
    answer = client.post("/new", {"kind": "scan", "capture": (io.BytesIO(content), name)})
    assert answer.status_code in (303, 422)
    made = sorted(str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*") if p.is_file() and p.parent.name != DEVICES)
    assert [p for p in made if "capture" not in p and "settings.json" not in p] == []
    assert all(re.fullmatch(r"walls/wall-001/(capture\.[a-z]+|settings\.json)", p) for p in made)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("wall.ply", b"MZ\x90\0" + bytes(500)),
        ("wall.exe", b"MZ\x90\0" + bytes(500)),
        ("wall.las", b"<script>alert(1)</script>"),
        ("empty.ply", b""),
        ("noend", bytes(100)),
        ("photo.zip", b"PK\x03\x04" + bytes(60)),
    ],
)
def test_what_is_no_scan_is_refused_and_not_kept(client, name, content):
    answer = client.post("/new", {"kind": "scan", "capture": (io.BytesIO(content), name)})
    assert answer.status_code == 422
    assert "Needed" in answer.text
    assert "<script>alert" not in answer.text
    assert not list(client.folder.iterdir())


def test_a_scan_that_is_refused_leaves_the_one_before_it(client):
    good = GRID
    client.post("/new", {"kind": "scan", "capture": (io.BytesIO(good), "readings.csv")})
    before = client.settings()
    answer = client.send("wall-001", "capture", capture=(io.BytesIO(b"nothing"), "x.bin"))
    assert answer.status_code == 422
    assert client.settings() == before
    assert (client.folder / "wall-001" / "capture.csv").read_bytes() == good


@pytest.mark.parametrize(
    "path",
    [
        "/wall/..%2f..%2fetc/",
        "/wall/wall-999/",
        "/wall/wall-001/file/settings.json",
        "/wall/wall-001/file/..%2fsettings.json",
        "/static/..%2fapp.py",
        "/static/app.py",
        "/wall/wall-001/file/capture.ply",
        "//etc/passwd",
        "/wall/wall-001/x",
    ],
)
def test_addresses_that_lead_nowhere(client, path):
    client.post("/new", {"kind": "laser"})
    answer = client.get(path)
    assert answer.status_code in (404, 308)
    assert "schema" not in answer.text
    assert "root:" not in answer.text


def test_a_failure_of_ours_shows_no_trace(client, monkeypatch, caplog):
    client.post("/new", {"kind": "laser"})

    def fails(*_):
        raise RuntimeError("secret detail in /home/someone")

    monkeypatch.setattr("flatscan.desk.screens.where_to_go_on", fails)
    answer = client.get("/wall/wall-001/")
    assert answer.status_code == 500
    assert "What was saved is safe" in answer.text
    for word in ("Traceback", "RuntimeError", "secret detail", "/home", "flatscan/desk"):
        assert word not in answer.text
    assert "secret detail" in caplog.text


def test_a_failure_of_a_file_does_not_tell_where_the_folder_is(client):
    broken = PLY % 9
    client.post("/new", {"kind": "scan", "capture": (io.BytesIO(broken), "cut short.ply")})
    client.wait("wall-001", of="wall")
    answer = client.get("/wall/wall-001/wall")
    assert "capture.ply" in answer.text or "Needed" in answer.text
    assert str(client.folder) not in answer.text


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"[]",
        b"{",
        b'{"revision": 1}',
        b'{"revision": true, "values": {}}',
        b'{"revision": "1-x", "values": []}',
        b'{"revision": "1-x", "values": {"wall": {"a": 1}}}',
        b"\xff\xfe",
    ],
)
def test_requests_no_script_of_ours_sends(client, body):
    client.post("/new", {"kind": "laser"})
    before = client.settings()
    answer = client.post("/wall/wall-001/keep", body, content_type="application/json")
    assert answer.status_code == 422 or answer.status_code == 409
    assert client.settings() == before


def test_a_title_is_text_and_nothing_else(client):
    evil = "<img src=x onerror=alert(1)>\"'{{ 7 * 7 }}"
    client.post("/new", {"title": evil, "kind": "laser"})
    for path in ("/", "/wall/wall-001/size"):
        page = client.get(path).text
        assert "<img" not in page
        assert "&lt;img" in page
        assert "{{ 7 * 7 }}" in page
