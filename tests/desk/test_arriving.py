"""A capture of several files as the page takes it: dropped together or as a zip, found, and never led elsewhere."""

import json
import zipfile

import cv2
import every_capture
import numpy as np
from sending import parts_of, send, zipped

from flatscan.capture import files_of
from flatscan.cli import run

SEVERAL = ("glTF", "depth photo", "laser line photos", "swept laser lines", "depth frames")


def test_every_capture_of_several_files_comes_in_a_zip(client, tmp_path):
    # with what systems put beside files, a file that nothing asks for, and a folder around all of it
    for number, name in enumerate(SEVERAL, 1):
        root = tmp_path / f"it{number}"
        root.mkdir()
        capture = every_capture.EVERY[name][0](root)
        parts = parts_of(capture, root)
        extra = [("__MACOSX/._x", b"x"), ("job/.DS_Store", b"x"), ("notes.txt", b"spring line 1 and 2")]
        files = [*extra[:2], *((f"job/{key}", data) for key, data in [*parts, *extra[2:]])]
        answer = send(client, [("wall.zip", zipped(files))])
        assert answer.status_code == 303, answer.text
        job = client.job(f"wall-{number:03d}")
        kept = files_of(job.capture)
        assert sorted(path.read_bytes() for path in kept) == sorted(data for _, data in parts)
        told = job.settings["capture"]
        assert (told["others"], told["unused"]) == (len(parts) - (capture.is_file()), ["notes.txt"])
        page = client.get(f"/wall/{job.name}/capture").text
        assert "notes.txt" in page
        assert f"with {told['others']} more file" in page


def test_files_dropped_together_are_one_capture(client, tmp_path):
    capture = every_capture.EVERY["glTF"][0](tmp_path)
    assert send(client, parts_of(capture, tmp_path)).status_code == 303
    job = client.job()
    assert job.settings["capture"]["name"] == "wall.gltf"
    assert job.capture.parent.name == "capture-1"
    # another in its place: what stood there goes, once the new one is whole
    before = job.capture
    answer = send(client, [("a.zip", b"PK\x05\x06 cut")], "/wall/wall-001/capture", revision=job.revision)
    assert answer.status_code == 422
    assert client.job().capture == before
    answer = send(
        client,
        [("grid.csv", b", 0.1, 1.1\n0.1, 80, 81\n1.1, 80, 82\n")],
        "/wall/wall-001/capture",
        revision=job.revision,
    )
    assert answer.status_code == 303, answer.text
    assert client.job().capture.name == "capture.csv"
    assert not before.parent.exists()


def test_a_folder_of_frames_is_told_by_its_own_name(client, tmp_path):
    room = every_capture.EVERY["depth frames"][0](tmp_path)
    assert send(client, [("x.zip", zipped(parts_of(room, tmp_path)))]).status_code == 303
    told = client.job().settings["capture"]
    assert (told["name"], told["holds"], told["file"]) == ("room", "points", "capture-1")


def test_what_is_refused_leaves_no_wall_behind(client, tmp_path):
    capture = every_capture.EVERY["laser line photos"][0](tmp_path)
    parts = parts_of(capture, tmp_path)
    setup = parts[0]
    cloud = every_capture.files.ply_bytes(every_capture.points())
    link = {"external_attr": 0o120777 << 16}
    for sent, said in (
        ([("s.zip", zipped([setup, *parts[2:]]))], "is not beside it"),
        ([("a.ply", cloud), ("b.ply", cloud)], "2 files that may each be the capture: a.ply, b.ply"),
        ([("wall.ply", cloud), ("WALL.ply", cloud)], "two files called"),
        ([("a.doc", b"x"), ("b.doc", b"y")], "none of a.doc, b.doc is a capture"),
        ([("s.zip", zipped([("../x.ply", cloud), ("y.ply", cloud)]))], "not every system can keep"),
        ([("s.zip", zipped([("x.ply", b"/etc/passwd"), ("y.ply", cloud)], **link))], "a link or a device"),
        ([("s.zip", zipped([]))], "no file in it"),
        ([("s.zip", zipped([("a.ply", cloud)])[:-30])], "unknown kind of file"),
        ([(f"{n}.doc", b"x") for n in range(400)], "none of "),
        ([("s.zip", zipped([(f"{n}.txt", b"x") for n in range(2001)]))], "2001 files"),
    ):
        answer = send(client, sent)
        assert answer.status_code == 422, said
        assert said.lower() in answer.text.lower(), answer.text
        # the way back is a page, not the address that the form was sent to
        assert 'href="/new"' not in answer.text
    assert not [path for path in client.folder.iterdir() if path.is_dir()]


def test_a_zip_that_swells_is_refused_before_it_is_unpacked(limited):
    swelling = zipped([("a.ply", bytes(15_000_000)), ("b.json", b"{}")])
    assert len(swelling) < 20_000
    answer = send(limited, [("s.zip", swelling)])
    assert answer.status_code == 422
    assert "once unpacked" in answer.text
    assert not [path for path in limited.folder.iterdir() if path.is_dir()]


def test_it_is_sealed_with_all_its_files_and_read_as_on_the_command_line(client, tmp_path, capsys, few_sheets):
    capture = every_capture.EVERY["glTF"][0](tmp_path)
    parts = parts_of(capture, tmp_path)
    send(client, [("wall.zip", zipped(parts))])
    job = client.job()
    client.send("wall-001", "wall", seen_from="1, 0.8, 0")
    assert client.send("wall-001", "purpose", purpose="quote").status_code == 303
    client.wait("wall-001")
    assert client.get("/wall/wall-001/answers").status_code == 200
    assert client.send("wall-001", "evidence", title="a wall").status_code == 303
    client.wait("wall-001", of="seal")
    with zipfile.ZipFile(client.folder / "wall-001" / "evidence.zip") as sealed:
        held = {sealed.read(name) for name in sealed.namelist() if name.startswith("captures/")}
        made = json.loads(next(sealed.read(name) for name in sealed.namelist() if name.endswith("result.json")))
    assert held == {data for _, data in parts}
    assert run(["survey", str(capture), "--plan", str(job.folder / "plan.toml"), "--json"]) == 0
    theirs = json.loads(capsys.readouterr().out)
    assert (made["wall"], made["material"]) == (theirs["wall"], theirs["material"])


def test_a_zip_of_plain_photos_is_one_capture_of_its_folder(client, tmp_path):
    for number in range(3):
        (tmp_path / "north wall").mkdir(exist_ok=True)
        assert cv2.imwrite(str(tmp_path / "north wall" / f"IMG_{number}.jpg"), np.full((6, 8), 40 * number, np.uint8))
    (tmp_path / "north wall" / "wall.toml").write_text('[wall]\nname = "north"\n')
    parts = parts_of(tmp_path / "north wall", tmp_path)
    assert send(client, [("x.zip", zipped(parts))]).status_code == 303
    told = client.job().settings["capture"]
    assert (told["name"], told["holds"], told["file"], told["others"]) == ("north wall", "points", "capture-1", 4)
