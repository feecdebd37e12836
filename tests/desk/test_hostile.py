"""What somebody else made opens nothing of this machine: set-ups in a zip, links, pipes, devices, folders and plans."""

import json
import os
import stat

import every_capture
import pytest
from sending import parts_of, send, zipped

SECRET = "nobody's business: root:x:0:0"
CLOUD = every_capture.files.ply_bytes(every_capture.points())
ELSEWHERE = ["/etc/passwd", "/dev/zero", "../../../secret.txt", "..\\..\\secret.txt", "file:///etc/passwd", "pipe"]


@pytest.fixture
def guarded(client):
    """The page, beside things that are none of its own."""
    (client.folder.parent / "secret.txt").write_text(SECRET)
    os.mkfifo(client.folder.parent / "pipe")
    return client


def refused(client, answer):
    """What is said of something refused; nothing of the secret is in it, and nothing is left of what was sent."""
    assert answer.status_code == 422
    assert "nobody" not in answer.text
    assert "root:" not in answer.text
    assert not [path for path in client.folder.iterdir() if path.is_dir()]
    return answer.text


@pytest.mark.parametrize("name", ELSEWHERE)
@pytest.mark.parametrize("kind", ["laser line photos", "swept laser lines", "glTF"])
def test_a_capture_that_names_what_lies_elsewhere(guarded, tmp_path, kind, name):
    root = tmp_path / "made"
    root.mkdir()
    capture = every_capture.EVERY[kind][0](root)
    named = {"laser line photos": "shots/on1.png", "swept laser lines": "shots/sweep.avi", "glTF": "mesh%20of%20it.bin"}
    parts = [
        (path, data.replace(named[kind].encode(), json.dumps(name)[1:-1].encode()))
        for path, data in parts_of(capture, root)
    ]
    said = refused(guarded, send(guarded, [("wall.zip", zipped(parts))]))
    assert "which lies elsewhere" in said or "which is not beside it" in said


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFIFO, stat.S_IFCHR, stat.S_IFBLK, stat.S_IFSOCK])
def test_a_zip_with_what_is_no_file(guarded, kind):
    entry = {"create_system": 3, "external_attr": (kind | 0o777) << 16}
    said = refused(guarded, send(guarded, [("s.zip", zipped([("a.ply", b"/etc/passwd"), ("b.ply", CLOUD)], **entry))]))
    assert "link or a device in it" in said


@pytest.mark.parametrize("name", ["/etc/x.ply", "../x.ply", "a/../../x.ply", "C:\\x.ply", "a\\..\\..\\x.ply", "./../x"])
def test_a_zip_whose_names_lead_out(guarded, name):
    assert "not every system can keep" in refused(
        guarded, send(guarded, [("s.zip", zipped([(name, CLOUD), ("y.ply", CLOUD)]))])
    )
    assert not list(guarded.folder.parent.rglob("x.ply"))


def in_place(path, kind):
    """Something else in the place of a file: a link out, a pipe that never ends, a device."""
    path.unlink()
    os.mkfifo(path) if kind == "pipe" else path.symlink_to({"out": "../../secret.txt"}.get(kind, kind))


@pytest.mark.parametrize("kind", ["out", "pipe", "/dev/zero", "/proc/self/environ"])
def test_a_folder_that_somebody_else_made(guarded, kind):
    """A wall's folder copied from another machine, with something else where its scan or its plan stood."""
    guarded.upload(every_capture.EVERY["laser grid"][0](guarded.folder.parent))
    guarded.upload(every_capture.EVERY["laser grid"][0](guarded.folder.parent))
    guarded.send("wall-001", "purpose", purpose="quote")
    in_place(guarded.job().capture, kind)
    for step in ("wall", "answers", "sheets", "evidence"):
        guarded.wait("wall-001", of="wall", seconds=20)
        page = guarded.get(f"/wall/wall-001/{step}", follow_redirects=True)
        assert "nobody" not in page.text
        assert "PATH=" not in page.text
        assert step == "evidence" or "lies outside its folder, or is no plain file" in page.text
    in_place(guarded.folder / "wall-001" / "plan.toml", kind)
    for step in ("plan", "answers"):
        page = guarded.get(f"/wall/wall-001/{step}", follow_redirects=True)
        assert "nobody" not in page.text
        assert "PATH=" not in page.text
    # the other wall knows nothing of it
    guarded.wait("wall-002", of="wall", seconds=30)
    assert guarded.get("/wall/wall-002/purpose").status_code == 200


@pytest.mark.parametrize("kind", ["out", "pipe", "/dev/zero"])
def test_settings_that_are_no_file(guarded, kind):
    guarded.post("/new", {"title": "mine", "kind": "laser"})
    guarded.post("/new", {"title": "theirs", "kind": "laser"})
    in_place(guarded.folder / "wall-002" / "settings.json", kind)
    page = guarded.get("/").text
    assert "mine" in page
    assert "nobody" not in page
    assert "nobody" not in guarded.get("/wall/wall-002/size").text


@pytest.mark.parametrize("key", ["rates", "tie", "repeats", "same_wall"])
@pytest.mark.parametrize("name", [*ELSEWHERE, "../wall-002/plan.toml"])
def test_a_plan_that_names_what_lies_elsewhere(guarded, key, name):
    guarded.upload(every_capture.EVERY["laser grid"][0](guarded.folder.parent))
    value = json.dumps([name] if key in ("repeats", "same_wall") else name)
    answer = guarded.send("wall-001", "plan", text=f"{key} = {value}\n")
    assert answer.status_code == 422
    assert "lies elsewhere" in answer.text or "not beside it" in answer.text
    assert "nobody" not in answer.text
    assert guarded.job().plan.rates is None
