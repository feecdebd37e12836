"""Swept laser lines: a drawn video of known truth, the common error it states, and sweeps that make no wall."""

import cv2
import numpy as np
import prove_sweep
import pytest
from numpy.testing import assert_allclose
from sweep_model import SweepScene

from flatscan import capture
from flatscan.capture.sweeps import sweep_frames, sweep_lines, swept
from flatscan.capture.sweeps.sweep_agreement import spacing
from flatscan.capture.sweeps.sweep_setup import read_sweeps
from flatscan.core.errors import BadTable, BadValue, ReadError
from flatscan.core.resolution import BETWEEN_LINES
from flatscan.jobs import Capturing, see
from flatscan.report.say import say

# a wall of 1.2 m x 0.65 m, 3 mm a pixel as a large one has on a real video
SMALL = {"size": (480, 270), "focal": 405.0, "lines": 24, "scale": 0.5, "target": 0.18}


def relief(x, y):
    """A wall that waves, with a hump 9 mm high."""
    hump = np.exp(-(((x - 0.75) / 0.15) ** 2) - ((y - 0.3) / 0.15) ** 2)
    return 0.003 * np.sin(4.0 * x + 0.5) * np.cos(3 * y) + 0.009 * hump


@pytest.fixture(scope="session")
def shot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sweep")
    scene = SweepScene(relief=relief, bow=lambda y: 3e-4 * (1 - ((y - 0.32) / 0.6) ** 2), **SMALL)
    frames = list(scene.frames())
    scene.frames = lambda: iter(frames)
    scene.video(folder / "sweep.avi")
    return scene, folder, frames


@pytest.fixture(scope="session")
def film(shot):
    """The video as read, and what was heard meanwhile."""
    scene, folder, _ = shot
    heard = []
    return capture.read(scene.setup(folder), told=heard.append), heard


def written(scene, frames, folder, change=None, codec="MJPG", name="sweep.avi", **words):
    """A set-up in a folder of its own with the frames changed: each, or all of them."""
    made = list(frames) if change is None else change([frame.copy() for frame in frames])
    scene = type("Changed", (), {})() if scene is None else scene
    size = made[0].shape[1], made[0].shape[0]
    writer = cv2.VideoWriter(str(folder / name), cv2.VideoWriter_fourcc(*codec), 30.0, size)
    for frame in made:
        writer.write(frame)
    writer.release()
    return scene.setup(folder, video=name, **words)


def cells(cloud):
    """Medians in cells of 50 mm: places and heights."""
    points = next(iter(cloud.chunks()))
    col, row = np.floor(points[:, :2] / 0.05).astype(int).T
    at = np.unique(np.column_stack([col, row]), axis=0)
    held = [points[(col == c) & (row == r)] for c, r in at]
    held = [part for part in held if len(part) > 10]
    return np.array([np.median(part, axis=0) for part in held])


def test_a_swept_wall_is_a_cloud_in_the_walls_own_coordinates(film):
    cloud, heard = film
    assert cloud.origin.reader == "swept laser lines"
    assert cloud.origin.kind == "laser-sweep"
    assert cloud.swept.name == "hall"
    assert (cloud.swept.width, cloud.swept.height) == (1.2, 0.65)
    assert heard == sorted(heard)
    assert heard[-1] == pytest.approx(1.0, abs=0.05)
    x, y, z = cells(cloud).T
    off = z - relief(x, y)
    assert np.ptp(x) > 0.9
    # a pixel is 3 mm on this wall, and 1 to 2 mm as a height
    assert np.sqrt(np.mean((off - np.median(off)) ** 2)) < 0.8e-3
    assert abs(np.median(off)) < 3 * cloud.swept.common.u_offset


@pytest.mark.parametrize(
    "stands",
    [
        lambda x, y: 0.02 + 0 * (x + y),
        lambda x, y: -0.03 * y / 0.65 + 0 * x,
        lambda x, y: 0.012 * np.sin(9 * x) * np.cos(9 * y),
    ],
    ids=["proud", "leans", "waves"],
)
def test_a_wall_that_stands_far_off_its_targets_loses_no_lines(tmp_path, stands):
    """Strips stand 10 mm off the targets' plane; the wall 20 mm, 0 to 30 mm behind it, or out by 24 mm."""
    scene = SweepScene(relief=stands, **SMALL)
    scene.video(tmp_path / "sweep.avi")
    cloud = capture.read(scene.setup(tmp_path))
    x, y, z = cells(cloud).T
    off = z - stands(x, y)
    assert np.sqrt(np.mean((off - np.median(off)) ** 2)) < 0.8e-3
    assert abs(np.median(off)) < 3 * cloud.swept.common.u_offset
    # of 24 lines all but those beyond the wall's ends, or at one place
    lines = next(words for words in map(say, cloud.origin.warnings) if "a line in" in words)
    assert int(lines.split("a line in ")[1].split()[0]) >= 20


def test_a_packed_video_and_photos_show_the_same_wall(shot, film, tmp_path):
    scene, _, frames = shot
    packed = capture.read(written(scene, frames, tmp_path, codec="mp4v", name="sweep.mp4"))
    x, y, z = cells(packed).T
    off = z - relief(x, y)
    assert np.sqrt(np.mean((off - np.median(off)) ** 2)) < 1.2e-3
    names = scene.photos(tmp_path)
    photos = capture.read(scene.setup(tmp_path, photos=names))
    assert photos.count == pytest.approx(film[0].count, rel=0.2)
    assert photos.swept.apart == pytest.approx(film[0].swept.apart, rel=0.4)


def test_the_same_points_on_one_lane_and_on_two(shot, film, monkeypatch):
    scene, folder, _ = shot
    monkeypatch.setattr(swept, "_LANES", 1)
    again = capture.read(scene.setup(folder))
    assert next(iter(again.chunks())).tobytes() == next(iter(film[0].chunks())).tobytes()


def test_a_few_frames_are_in_memory_at_a_time(shot, monkeypatch):
    scene, folder, _ = shot
    given = read_sweeps(scene.setup(folder))
    reel, drawn, most, done = sweep_frames.reel_of(given.sweeps[0]), [0], [0], 0
    frames = reel.frames

    class Counted:
        count = reel.count
        name_of = staticmethod(reel.name_of)

        @staticmethod
        def frames():
            for pair in frames():
                drawn[0] += 1
                yield pair

    monkeypatch.setattr(swept, "line_in", lambda *_: "no line")
    for _ in swept._in_order(None, Counted, None):
        most[0] = max(most[0], drawn[0] - done)
        done += 1
    assert done == reel.count == SMALL["lines"]
    assert most[0] <= swept._AHEAD


def test_one_strip_and_the_lasers_own_axis_do_for_a_slow_sweep(shot, film):
    scene, folder, _ = shot
    cloud = capture.read(scene.setup(folder, axis="plumb", strips=scene.strips[:1]))
    x, y, z = cells(cloud).T
    off = z - relief(x, y)
    slopes = np.column_stack([np.ones_like(x), x, y])
    off = off - slopes @ np.linalg.lstsq(slopes, off, rcond=None)[0]
    # the shutter reads the far end of each line when it has gone on by 30 mm, a third more or less: only two strips
    # tell how far
    assert np.sqrt(np.mean(off**2)) < 2.5e-3
    assert cloud.swept.scatter > film[0].swept.scatter
    assert any("laser's own axis" in say(one) for one in cloud.origin.warnings)
    # so plumb as the targets hang by the tape: 2 mm per m, as the light's slant shows it
    assert 0.0004 < cloud.swept.u_lean < 0.0015


def test_plumb_is_known_only_where_somebody_says_so(shot, film):
    scene, folder, _ = shot
    assert film[0].swept.u_lean is None
    assert any("lean is not known" in say(one) for one in film[0].origin.warnings)
    assert capture.read(scene.setup(folder, extra="[u]\nupright = 0.001\n")).swept.u_lean == 0.001


def test_targets_on_the_wall_itself_are_said(film, tmp_path):
    # six at their usual places, all on the wall
    assert any("6 targets hang on the wall itself" in say(one) for one in film[0].origin.warnings)
    for away, count in ((0.13, 0), (0.05, 6)):
        beside = [(x, y) for x in (-away, 2.4 + away) for y in (0.1, 0.6, 1.2)]
        scene = SweepScene(lines=12, target=0.1, places=beside)
        given = read_sweeps(scene.setup(tmp_path, photos=["camera.json"] * 12))
        assert sweep_lines.targets_on_wall(given) == count


def test_lines_lie_as_far_apart_as_nearly_all_of_the_way_has_it():
    # nineteen gaps of 10 mm and one of 10: 95 % of the way; then one of 200 that is half of all
    assert spacing(np.arange(21) * 0.01) == pytest.approx(0.01)
    assert spacing(np.append(np.arange(21) * 0.01, 0.4)) == pytest.approx(0.2)
    # exp(-4 ln 2 (s / 2 w)^2) = 0.95 for a ridge half way between two lines
    assert np.exp(-4 * np.log(2) * (0.5 / BETWEEN_LINES) ** 2) == pytest.approx(0.95)


def dark(frames):
    return [frames[0] if number % 3 else frame for number, frame in enumerate(frames)]


def still(frames):
    return [frames[9]] * len(frames)


def twice(frames):
    made = []
    for frame in frames:
        added = np.roll(cv2.subtract(frame[..., 2], frame[..., 0]), 90, axis=1)
        made.append(np.dstack([frame[..., :2], cv2.add(frame[..., 2], added)]))
    return made


def nudged(frames):
    half = len(frames) // 2
    return frames[:half] + [np.roll(frame, 3, axis=1) for frame in frames[half:]]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda f: [np.where(np.arange(480)[:, None] >= 0, f[0], 0)] * 2 + f[:1] * 22, "no laser line|not turned"),
        (lambda f: [one if n % 3 == 0 else np.minimum(one, f[n - 6]) for n, one in enumerate(f)], "no laser line"),
        (still, "not turned"),
        (twice, "two lines"),
        (nudged, "the camera moved during the sweep: targets shift by 3"),
        (lambda f: f[:8], "8 frames"),
        (lambda f: [one[:200] for one in f], "480 x 200 pixels"),
        (lambda f: [np.where((np.arange(270) > 235)[:, None, None], 60, one).astype(np.uint8) for one in f],
         "does not cross every strip"),
    ],
    ids=["blank", "few", "still", "twice", "nudged", "short", "size", "strip"],
)  # fmt: skip
def test_sweeps_that_make_no_wall(shot, tmp_path, change, words):
    scene, _, frames = shot
    with pytest.raises(ReadError, match=words):
        capture.read(written(scene, frames, tmp_path, change))


def test_files_that_are_no_whole_video(shot, tmp_path, monkeypatch):
    scene, folder, _ = shot
    whole = (folder / "sweep.avi").read_bytes()
    path = scene.setup(tmp_path)
    for data, words in (
        (whole[: len(whole) // 2], "cut off|no video"),
        (whole[:100], "no video that can be read"),
        (b"#EXTM3U\n#EXTINF:1,\n/etc/passwd\n", "this is no video; it begins with '#EXTM3U"),
    ):
        (tmp_path / "sweep.avi").write_bytes(data)
        with pytest.raises(ReadError, match=words):
            capture.read(path)
    monkeypatch.setattr(sweep_frames, "MOST_LIGHT", 1_000_000)
    with pytest.raises(ReadError, match="24 frames of 480 x 270 pixels by its header"):
        capture.read(scene.setup(folder))


@pytest.mark.parametrize(
    ("words", "error"),
    [
        ({"strips": ()}, "where each line stands is not known"),
        ({"strips": ((0.1, 0.01),)}, "where each line stands is not known"),
        ({"axis": "down"}, "axis 'down'"),
        ({"size": False}, "no width or no height"),
        ({"extra": '[[line]]\non = "a.png"\noff = "b.png"\n'}, "beside"),
        ({"extra": '[[sweep]]\nvideo = "sweep.avi"\nphotos = ["camera.json"]\n'}, "either video or photos"),
        ({"extra": '[[reference]]\nat = [["0 m", "1 m", "0 mm"]]\nwidth = "40 mm"\n'}, "2 places or more"),
        ({"extra": '[[reference]]\nat = [["0 m", "1 m", "0 mm"], ["1 m", "1 m", "0 mm"]]\n'}, "its breadth"),
    ],
)
def test_set_ups_that_say_too_little(shot, tmp_path, words, error):
    scene, folder, _ = shot
    (tmp_path / "sweep.avi").write_bytes((folder / "sweep.avi").read_bytes())
    for name in ("a.png", "b.png"):
        (tmp_path / name).write_bytes(b"-")
    with pytest.raises((BadTable, BadValue), match=error):
        capture.read(scene.setup(tmp_path, **words))


def test_cells_without_lines_are_not_measured_and_wide_gaps_are_said(film):
    seen = see(film[0], Capturing(cell=0.01))
    assert seen.title == "hall"
    assert seen.capture_type == "laser-sweep"
    assert_allclose([seen.wall.width, seen.wall.height], [1.2, 0.65])
    # lines some 40 mm apart in cells of 10 mm: most cells hold none, and nothing narrower than four gaps is seen
    assert 0.1 < seen.relief.covered_share < 0.6
    assert seen.relief.smallest_feature >= BETWEEN_LINES * seen.relief.apart > 0.1
    points = next(iter(film[0].chunks()))
    held = {(int(row), int(col)) for col, row in np.floor(points[:, :2] / 0.01)}
    assert {(int(row), int(col)) for row, col in np.argwhere(seen.relief.valid)} <= held
    with pytest.raises(BadValue, match="whose targets say it"):
        see(film[0], Capturing(up="z"))


@pytest.mark.parametrize(("kind", "decision"), [("flat", "within"), ("hollow", "outside")])
def test_a_flat_swept_wall_is_within_and_a_hollow_one_outside(kind, decision):
    """A small, seeded part of scripts/prove_sweep.py: errors of models that are not the budget's."""
    strips = {"broad": 0.10, "strips": ((-0.07, 0.010), (1.37, 0.010))}
    near = {"centre": (1.5, 0.66, 2.6), "focal": 390.0, "target": 0.14, "thick": 0.016, "lines": 64, "jitter": 0.1}
    found = prove_sweep.shown(kind, 4, 1.0, **(SMALL | strips | near))
    assert found.decision == decision
    assert found.gap_held
