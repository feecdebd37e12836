"""Photos and a video of laser lines that come without a set-up: asked for on one page, then a capture as any other."""

import shutil

import cv2
import numpy as np
import pytest
from line_scene import Scene
from numpy.testing import assert_allclose
from sending import send
from sweep_model import SweepScene

from flatscan.capture.lines.line_setup import read_setup
from flatscan.capture.sweeps.sweep_setup import read_sweeps
from flatscan.desk.line_photos import guessed, is_unasked


@pytest.fixture(scope="module")
def shot(tmp_path_factory):
    """A line's two photos and the lens, and what was taped."""
    folder = tmp_path_factory.mktemp("shot")
    scene = Scene(width=1200, height=900, focal=873.6, size=0.25)
    scene.pictures(folder)
    setup = read_setup(scene.setup(folder))
    # the photo without the laser comes first by its name, as it may on a phone
    shutil.move(folder / "off1.png", folder / "a.png")
    shutil.move(folder / "on1.png", folder / "b.png")
    return folder, setup


def taped(setup):
    """The answers that somebody types who taped all of it."""
    places = {f"target-{k}": [str(number), *(f"{value} m" for value in place)]
              for k, (number, place) in enumerate(setup.targets.items())}  # fmt: skip
    rows = {
        f"{row}{part}": text
        for row, three in places.items()
        for part, text in zip(("", "-x", "-y"), three, strict=True)
    }
    pivot = {f"pivot-{i}": f"{value} m" for i, value in enumerate(setup.lines[0].pivot)}
    return {
        "name": "hall",
        "width": "4 m",
        "height": "8ft 2in",
        "size": "250 mm",
        "lens": "camera.json",
        **pivot,
        **rows,
    }


def parts(folder, *names):
    return [(name, (folder / name).read_bytes()) for name in names]


def told(client, given):
    return client.post("/wall/wall-001/lines", {"revision": client.job().revision, **given})


def test_photos_without_a_set_up_are_asked_about_and_read(client, shot):
    folder, setup = shot
    answer = send(client, parts(folder, "a.png", "b.png", "camera.json"))
    assert (answer.status_code, answer.headers["Location"]) == (303, "/wall/wall-001/lines")
    assert client.job().capture is None
    page = client.get("/wall/wall-001/lines").text
    # which one has the laser on is seen, and the one lens file is taken for the lens
    assert "<option selected>b.png</option>" in page.split('name="on-0"')[1].split("</select>")[0]
    assert "<option selected>a.png</option>" in page.split('name="off-0"')[1].split("</select>")[0]
    assert "<option selected>camera.json</option>" in page.split('name="lens"')[1].split("</select>")[0]
    # the steps behind it are not open yet, and going there leads back
    assert client.get("/wall/wall-001/").headers["Location"] == "/wall/wall-001/lines"
    given = taped(setup) | {"on-0": "b.png", "off-0": "a.png", "at-0": f"{setup.lines[0].at} m"}
    answer = told(client, given)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/wall/wall-001/wall"), answer.text
    made = read_setup(client.job().capture)
    assert (made.name, made.width, made.lines[0].at) == ("hall", 4.0, setup.lines[0].at)
    assert made.height == pytest.approx(8.1667 * 0.3048, abs=1e-4)
    assert (made.lines[0].on.name, made.lines[0].off.name) == ("b.png", "a.png")
    assert_allclose(made.lines[0].pivot, setup.lines[0].pivot)
    for number, place in setup.targets.items():
        assert_allclose(made.targets[number], place)
    assert client.settings()["capture"]["others"] == 3
    # what was answered can be corrected afterwards
    assert 'value="8ft 2in"' in client.get("/wall/wall-001/lines").text


def test_what_cannot_be_used_stands_beside_its_field_and_nothing_is_lost(client, shot):
    folder, setup = shot
    send(client, parts(folder, "a.png", "b.png"))
    given = taped(setup) | {
        "on-0": "b.png",
        "off-0": "b.png",
        "at-0": "wide",
        "width": "4",
        "height": "0 m",
        "target-1": "0",
        "lens": "",
    }
    answer = told(client, given)
    assert answer.status_code == 422
    # a bare number is no length: nobody knows whether it is in metres
    wrong = ["'4' is no length", "'wide' is no length", "'0 m' is no size", "Target 0 is told twice."]
    for words in [*wrong, "The same photo cannot show both.", "answers below cannot be used yet"]:
        assert words.replace("'", "&#39;") in answer.text
    # the camera's place is needed where there is no lens
    assert answer.text.split('id="wrong-camera-0"')[1].split("</p>")[0].endswith("This one is needed.")
    again = client.get("/wall/wall-001/lines").text
    assert 'value="wide"' in again
    assert client.job().capture is None
    few = {key: text for key, text in given.items() if not key.startswith("target-") or key[7] in "02"}
    assert "4 are needed, and 2 are told." in told(client, few).text
    # answers of an older page are not taken
    old = client.post("/wall/wall-001/lines", {"revision": "0-00000000", **given})
    assert old.status_code == 409


def test_a_set_up_that_cannot_be_is_said_on_the_page(client, shot):
    folder, setup = shot
    send(client, parts(folder, "a.png", "b.png", "camera.json"))
    given = taped(setup) | {"on-0": "b.png", "off-0": "a.png", "plane": "camera.json"}
    answer = told(client, given)
    assert answer.status_code == 422
    assert '<div class="told" role="alert"><p><strong>camera.json: ' in answer.text
    assert str(client.folder) not in answer.text


def test_a_video_is_asked_for_its_strips_and_lens(client, tmp_path):
    scene = SweepScene(size=(480, 270), focal=405.0, lines=24, scale=0.5, target=0.18)
    scene.video(tmp_path / "sweep.avi")
    setup = read_sweeps(scene.setup(tmp_path))
    answer = send(client, parts(tmp_path, "sweep.avi"))
    assert answer.headers["Location"] == "/wall/wall-001/lines"
    page = client.get("/wall/wall-001/lines").text
    assert "A video of a laser line came without its set-up" in page
    assert client.settings()["capture"]["name"] == "sweep.avi"
    held = {f"target-{k}-{axis}": f"{value} m" for k, place in setup.setup.targets.items()
            for axis, value in zip("xy", place, strict=True)}  # fmt: skip
    held |= {f"target-{k}": str(k) for k in range(8)} | {"size": "90 mm"}
    held |= {f"pivot-{i}": f"{value} m" for i, value in enumerate(setup.sweeps[0].pivot)}
    for strip, one in zip(("foot", "head"), setup.references, strict=True):
        (left, up, off), (right, _, _) = one.places
        typed = {"broad": one.width, "up": up, "off": off, "left": left, "right": right}
        held |= {f"{strip}-{name}": f"{value} m" for name, value in typed.items()}
    answer = told(client, held | {"width": "1.2 m"})
    # a sweep has to know how high the wall is, and its lens
    for name in ("height", "lens"):
        assert answer.text.split(f'id="wrong-{name}"')[1].split("</p>")[0].endswith("This one is needed."), name
    lens = (tmp_path / "camera.json").open("rb")
    sent = held | {"width": "1.2 m", "height": "0.65 m", "lens-file": (lens, "my lens.json")}
    answer = client.post("/wall/wall-001/lines", {"revision": client.job().revision, **sent},
                         content_type="multipart/form-data")  # fmt: skip
    assert (answer.status_code, answer.headers["Location"]) == (303, "/wall/wall-001/wall"), answer.text
    made = read_sweeps(client.job().capture)
    assert made.setup.camera_file.name == "lens.json"
    assert [one.width for one in made.references] == [one.width for one in setup.references]
    assert_allclose(made.references[1].places, setup.references[1].places)
    client.wait("wall-001", "wall")
    assert "1200 mm x 650 mm" in client.get("/wall/wall-001/wall").text


def test_photos_from_many_places_are_not_taken_for_lines(tmp_path):
    rng = np.random.default_rng(2)
    wall = cv2.GaussianBlur(rng.uniform(0, 255, (400, 900)), (0, 0), 12)
    wall = cv2.normalize(wall, None, 20, 235, cv2.NORM_MINMAX).astype(np.uint8)
    files = []
    for number in range(6):
        files.append(tmp_path / f"{number}.jpg")
        cv2.imwrite(str(files[-1]), wall[:, 80 * number : 80 * number + 480])
    assert not is_unasked(files)
    # a camera that stands still, and a line
    still, lit = tmp_path / "still.jpg", tmp_path / "lit.jpg"
    cv2.imwrite(str(still), wall[:, :480])
    added = np.zeros((400, 480, 3), np.uint8)
    cv2.line(added, (240, 0), (250, 399), (20, 20, 120), 5)
    cv2.imwrite(str(lit), cv2.add(cv2.cvtColor(wall[:, :480], cv2.COLOR_GRAY2BGR), added))
    assert is_unasked([lit, still])
    assert guessed([still, lit]) == [("lit.jpg", "still.jpg")]
    assert guessed([lit]) == [("lit.jpg", "")]
    assert not is_unasked([lit, still, tmp_path / "notes.txt"])
    assert not is_unasked([tmp_path / "camera.json"])
