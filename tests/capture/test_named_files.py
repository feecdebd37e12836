"""Whatever a capture, a set-up or a plan names is refused by its name where it lies elsewhere, and never opened."""

import json
import os

import pytest
from every_capture import EVERY

from flatscan import capture
from flatscan.core.errors import FlatscanError
from flatscan.jobs.plan_file import load_plan

SECRET = "nobody's business: root:x:0:0"
DEEP = "[" * 100_000


@pytest.fixture
def outside(tmp_path):
    """A folder for a capture, beside things that are none of its own."""
    (tmp_path / "secret.txt").write_text(SECRET)
    os.mkfifo(tmp_path / "pipe")
    inside = tmp_path / "inside"
    inside.mkdir()
    return inside


def refused(path):
    """What is said of a capture; it must be an error with four parts that shows nothing of the secret, at once."""
    said = []
    for read in (capture.read, capture.files_of):
        with pytest.raises(FlatscanError) as error:
            read(path)
        said.append(str(error.value))
    assert all("nobody's" not in words and "root:" not in words and len(words) < 1000 for words in said)
    return said[0]


def into(path, target):
    """A link, or a pipe that never ends, in the place of a file."""
    path.unlink(missing_ok=True)
    os.mkfifo(path) if target is None else path.symlink_to(target)


TARGETS = ["../../secret.txt", None, "/dev/zero", "/proc/self/environ", "../../pipe", "/etc", "nowhere"]


@pytest.mark.parametrize("target", TARGETS, ids=str)
@pytest.mark.parametrize("name", ["wall.json", "../confidence/wall.png"])
def test_beside_a_depth_photo(outside, name, target):
    path = EVERY["depth photo"][0](outside)
    into(path.parent / name, target)
    assert "no plain file" in refused(path)


@pytest.mark.parametrize("target", TARGETS, ids=str)
@pytest.mark.parametrize("name", ["intrinsic.json", "poses.json", "depth/0001.png", "depth/9999.png"])
def test_in_a_folder_of_frames(outside, name, target):
    room = EVERY["depth frames"][0](outside)
    into(room / name, target)
    # a trajectory that cannot even be found leaves the folder without one: then it is no capture at all
    assert any(words in refused(room) for words in ("no plain file", "is a folder"))


def test_a_folder_of_frames_that_lies_elsewhere(outside, tmp_path):
    room = EVERY["depth frames"][0](outside)
    (room / "depth").rename(tmp_path / "elsewhere")
    (room / "depth").symlink_to(tmp_path / "elsewhere")
    assert "no plain file" in refused(room)


@pytest.mark.parametrize(
    "name", ["../secret.txt", "/etc/passwd", "/dev/zero", "link", "pipe", "file:///etc/passwd", "a" * 3000, ["x"], 7]
)
@pytest.mark.parametrize("key", ["on", "off", "file", "plane"])
def test_in_a_set_up_of_lines(outside, name, key):
    (outside / "link").symlink_to("../secret.txt")
    os.mkfifo(outside / "pipe")
    named = {"on": "on.png", "off": "off.png", "file": "camera.json"} | {key: name}
    for plain in ("on.png", "off.png", "camera.json"):
        (outside / plain).write_bytes(b"x")
    laser = f"plane = {json.dumps(name)}" if key == "plane" else 'pivot = ["1 m", "1 m", "1 m"]'
    text = f"[camera]\nfile = {json.dumps(named['file'])}\n[laser]\n{laser}\n[targets]\n"
    text += f"[[line]]\non = {json.dumps(named['on'])}\noff = {json.dumps(named['off'])}\n"
    (outside / "setup.toml").write_text(text)
    refused(outside / "setup.toml")


@pytest.mark.parametrize(
    "name", ["../secret.txt", "/etc/passwd", "/dev/zero", "link.avi", "pipe.avi", "file:///etc/passwd", "a" * 3000, 7]
)
@pytest.mark.parametrize("key", ["video", "photos", "off", "file"])
def test_in_a_set_up_of_sweeps(outside, name, key):
    path = EVERY["swept laser lines"][0](outside)
    (outside / "link.avi").symlink_to("../secret.txt")
    os.mkfifo(outside / "pipe.avi")
    text = path.read_text()
    video = next(line for line in text.splitlines() if line.startswith("video"))
    lens = next(line for line in text.splitlines() if line.startswith("file"))
    evil = json.dumps(name)
    lines = {"video": f"video = {evil}", "photos": f"photos = [{evil}]", "off": f"{video}\noff = {evil}"}
    path.write_text(text.replace(lens, f"file = {evil}") if key == "file" else text.replace(video, lines[key]))
    said = refused(path)
    assert "which" in said or "needed: either video or photos" in said


@pytest.mark.parametrize(
    "uri", ["../secret.txt", "/etc/passwd", "%2e%2e/secret.txt", "link", "pipe", "a" * 3000, 7, None]
)
def test_in_a_mesh(outside, uri):
    (outside / "link").symlink_to("../secret.txt")
    os.mkfifo(outside / "pipe")
    path = EVERY["glTF"][0](outside)
    document = json.loads(path.read_text())
    document["buffers"][0]["uri"] = uri
    path.write_text(json.dumps(document))
    with pytest.raises(FlatscanError) as error:
        capture.read(path)
    assert "nobody's" not in str(error.value)


@pytest.mark.parametrize(
    "text", [DEEP, '{"width": Infinity}', "[]", "7", '{"intrinsic_matrix": ' + DEEP, "\xff"], ids=range(6)
)
@pytest.mark.parametrize("name", ["intrinsic.json", "poses.json"])
def test_without_an_end(outside, name, text):
    room = EVERY["depth frames"][0](outside)
    (room / name).write_text(text)
    refused(room)


@pytest.mark.parametrize("key", ["rates", "tie", "repeats", "same_wall"])
@pytest.mark.parametrize(
    "name", ["../../secret.txt", "/etc/passwd", "/dev/zero", "link", "pipe", "file:///etc/passwd", "a" * 3000]
)
def test_in_a_plan(outside, key, name):
    job = outside / "wall-flatscan"
    job.mkdir()
    (job / "link").symlink_to("../../secret.txt")
    os.mkfifo(job / "pipe")
    (job / "plan.toml").write_text(f"{key} = {json.dumps(name)}\n")
    with pytest.raises(FlatscanError, match="lies elsewhere or is no plain file") as error:
        load_plan(job / "plan.toml")
    assert "nobody's" not in str(error.value)
    assert len(str(error.value)) < 600
