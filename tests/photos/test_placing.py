"""Folders of drawn photos placed in space, and folders that cannot be: what is said of each."""

import shutil
import sys

import numpy as np
import pytest
from numpy.testing import assert_allclose
from photo_room_model import save

from flatscan.capture.photos import photo_features
from flatscan.capture.photos.photo_features import features_of
from flatscan.capture.photos.photo_files import photo_file
from flatscan.capture.photos.photo_format import photos_in
from flatscan.capture.photos.photo_placing import place_photos
from flatscan.core.errors import BadTable, ReadError

cv2 = pytest.importorskip("cv2")
pytest.importorskip("pycolmap")


@pytest.fixture(scope="session")
def placed(drawn_folder):
    stages = []
    bundle = place_photos(drawn_folder, lambda stage, part: stages.append((stage, part)))
    return bundle, stages


def textured(rng, high=450, wide=600):
    """Light and dark at several sizes, as a rough coat shows them."""
    picture = np.full((high, wide), 120.0)
    for size in (2, 4, 8, 16):
        rough = rng.normal(0, 18, (high // size + 2, wide // size + 2))
        picture += cv2.resize(rough, (wide, high), interpolation=cv2.INTER_CUBIC)
    return picture


def write(folder, pictures):
    folder.mkdir(exist_ok=True)
    for number, picture in enumerate(pictures):
        cv2.imwrite(str(folder / f"p{number:02d}.png"), np.clip(picture, 0, 255).astype(np.uint8))
    return folder


def codes(bundle):
    return [one.code for one in bundle.notes]


def test_every_photo_is_placed_in_metres_on_the_walls_axes(placed, drawn_room):
    bundle, stages = placed
    assert [one.name for one in bundle.photos] == drawn_room.names
    assert bundle.left_out == ()
    true = np.array([pose.centre for pose in drawn_room.poses])
    found = np.array([one.centre for one in bundle.photos])
    # one shift between the walls' and the points' lower left, and no other freedom
    off = found - true
    assert np.abs(off - off.mean(axis=0)).max() < 0.012
    assert (found[:, 2] > 1.0).all()
    apart = np.linalg.norm(true[0] - true[-1])
    assert abs(np.linalg.norm(found[0] - found[-1]) / apart - 1) < max(4 * bundle.scale_u, 0.003)
    assert bundle.u_reprojection < 0.5
    assert {stage for stage, _ in stages} == {"photos", "pairs", "places", "doubts"}
    assert "placed.places-check" in codes(bundle)
    assert "placed.plumb-unknown" in codes(bundle)


def test_points_lie_on_the_drawn_wall(placed, drawn_room):
    bundle, _ = placed
    true = np.array([pose.centre for pose in drawn_room.poses])
    shift = (true - np.array([one.centre for one in bundle.photos])).mean(axis=0)
    points = bundle.points + shift
    wall = drawn_room.wall
    inside = ((points[:, :2] > 0.1) & (points[:, :2] < [wall.told.width - 0.1, wall.told.height - 0.1])).all(axis=1)
    assert inside.sum() > 500
    off = points[inside, 2] - wall.at(*points[inside, :2].T.astype(np.float32)[:, None])[0]
    plane = np.column_stack([np.ones(len(off)), points[inside, :2]])
    off = off - plane @ np.linalg.lstsq(plane, off, rcond=None)[0]
    assert 1.4826 * np.median(np.abs(off)) < 0.002
    starts, photos = bundle.point_photos
    assert len(starts) == len(bundle.points) + 1
    assert np.diff(starts).min() >= 2
    assert photos.max() < len(bundle.photos)
    # a point is where its photos see it
    seen = bundle.seen_by(0)
    assert np.isfinite(bundle.photos[0].seen(bundle.points[seen])).all()


def test_modes_are_the_same_photos_a_little_off(placed):
    bundle, _ = placed
    assert len(bundle.modes) == len(bundle.mode_names) > 5
    for mode in bundle.modes:
        assert [one.name for one in mode] == [one.name for one in bundle.photos]
        moved = max(np.linalg.norm(one.centre - own.centre) for one, own in zip(mode, bundle.photos, strict=True))
        assert 0 < moved < 0.05


def test_the_same_photos_give_the_same_bytes(placed, drawn_folder):
    bundle, _ = placed
    again = place_photos(drawn_folder)
    assert again.points.tobytes() == bundle.points.tobytes()
    assert [one.centre.tobytes() for one in again.modes[0]] == [one.centre.tobytes() for one in bundle.modes[0]]


def test_features_come_from_the_cache_and_a_damaged_one_is_made_anew(placed, drawn_folder, monkeypatch):
    photo = photo_file(photos_in(drawn_folder)[0])
    first = features_of(photo)
    with monkeypatch.context() as patch:
        patch.setattr(photo_features, "sensor_picture", lambda _: pytest.fail("the photo was opened again"))
        assert_allclose(features_of(photo).at, first.at, atol=0)
    kept = photo_features._kept(photo)
    kept.write_bytes(kept.read_bytes()[:1000])
    assert_allclose(features_of(photo).at, first.at, atol=0)


def test_a_photo_that_does_not_belong_is_left_out_with_its_reason(drawn_room, drawn_folder, tmp_path):
    folder = tmp_path / "mixed"
    shutil.copytree(drawn_folder, folder)
    rng = np.random.default_rng(0)
    names = [one.name for one in photos_in(folder)]
    first = cv2.imread(str(folder / names[0]))
    size = first.shape
    cv2.imwrite(str(folder / "z_flat.jpg"), np.full(size, 190, np.uint8))
    for name, picture in (
        ("z_other.jpg", textured(rng, *size[:2])),
        ("z_small.jpg", cv2.resize(first, None, fx=0.5, fy=0.5)),
    ):
        save(folder / name, np.clip(picture, 0, 255).astype(np.uint8), 93, focal35=drawn_room.lens.focal * 34.6)
    (folder / "z_cut.jpg").write_bytes((folder / names[1]).read_bytes()[:2000])
    bundle = place_photos(folder)
    why = {one.name: one.why.code for one in bundle.left_out}
    assert why.pop("z_cut.jpg") == "photo.unreadable"
    # those written here have no header, and so another camera than the rest
    assert why == {"z_flat.jpg": "photo.no-texture", "z_other.jpg": "photo.no-overlap",
                   "z_small.jpg": "photo.other-lens"}  # fmt: skip
    assert [one.name for one in bundle.photos] == names


def test_scale_by_distances_with_targets_stuck_upright(drawn_room, drawn_folder, placed, tmp_path):
    folder = tmp_path / "other"
    shutil.copytree(drawn_folder, folder)
    bundle, _ = placed
    (folder / "wall.toml").write_text(drawn_room.told_by_hand("distances", 0.0))
    taped = place_photos(folder)
    apart = [np.linalg.norm(one.photos[0].centre - one.photos[-1].centre) for one in (taped, bundle)]
    assert abs(apart[0] / apart[1] - 1) < 0.003
    assert taped.scale_from.code == "placed.scale-distances"
    assert taped.axes_from.code == "placed.axes-stuck"
    assert taped.u_up > bundle.u_up


def test_without_any_length_it_says_so_before_it_works(drawn_room, drawn_folder, tmp_path):
    folder = tmp_path / "other"
    shutil.copytree(drawn_folder, folder)
    (folder / "wall.toml").write_text(drawn_room.told_by_hand("none", 0.0))
    with pytest.raises(ReadError, match="nothing tells how large the wall is"):
        place_photos(folder)


def test_too_few_photos(tmp_path):
    folder = write(tmp_path / "two", [textured(np.random.default_rng(i)) for i in range(2)])
    with pytest.raises(ReadError, match="2 photos in the folder"):
        place_photos(folder, scale_elsewhere=True)


def test_a_depth_picture_beside_is_no_photo(tmp_path):
    folder = write(tmp_path / "two", [textured(np.random.default_rng(i)) for i in range(2)])
    cv2.imwrite(str(folder / "depth.png"), np.full((450, 600), 2000, np.uint16))
    with pytest.raises(ReadError, match="2 photos in the folder"):
        place_photos(folder, scale_elsewhere=True)


def test_a_bare_wall_is_told_from_blurred_photos(tmp_path):
    rng = np.random.default_rng(0)
    bare = write(tmp_path / "bare", [200 + rng.normal(0, 1.0, (450, 600)) for _ in range(5)])
    with pytest.raises(ReadError, match=r"no texture.*chalk marks"):
        place_photos(bare, scale_elsewhere=True)


def test_photos_from_one_place_are_refused(tmp_path):
    """A camera that is turned on the spot sees every plane by a homography that is a turn alone."""
    wall = textured(np.random.default_rng(3), 900, 1200)
    focal = 450.0
    size = np.array([[focal, 0, 299.5], [0, focal, 224.5], [0, 0, 1.0]])
    middle = np.array([[1, 0, 299.5 - 600], [0, 1, 224.5 - 450], [0, 0, 1.0]])
    pictures = []
    for yaw, roll in ((-0.12, 0.0), (-0.04, 0.05), (0.05, -0.04), (0.13, 0.02)):
        turn = cv2.Rodrigues(np.array([0.0, yaw, 0.0]))[0] @ cv2.Rodrigues(np.array([0.0, 0.0, roll]))[0]
        pictures.append(cv2.warpPerspective(wall, size @ turn @ np.linalg.inv(size) @ middle, (600, 450)))
    with pytest.raises(ReadError, match="turned on the spot"):
        place_photos(write(tmp_path / "spot", pictures), scale_elsewhere=True)


def test_photos_of_nothing_in_common_name_the_two_between_which_one_is_missing(tmp_path):
    rng = np.random.default_rng(8)
    folder = write(tmp_path / "apart", [textured(rng) for _ in range(4)])
    with pytest.raises(ReadError, match=r"p00\.png and p01\.png share \d+ points.*one more photo between"):
        place_photos(folder, scale_elsewhere=True)


def test_without_the_library_the_extra_is_named(drawn_folder, monkeypatch):
    monkeypatch.setitem(sys.modules, "pycolmap", None)
    with pytest.raises(ReadError, match=r"flatscan\[photos\]"):
        place_photos(drawn_folder)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[wal]\n", "unknown"),
        ('[wall]\nlength = "3 m"\n', "unknown"),
        ('[targets]\nsize = "100 mm"\nplace = 3\n', "unknown"),
        ('[[distance]]\nbetween = [0, 0]\nis = "2 m"\n', "between"),
        ('[[distance]]\nbetween = [0, 1]\nis = "2 mm"\n', "50 mm to 100 m"),
        ("[targets.at]\n0 = [1, 2]\n", "no size"),
        ('[u]\ntarget_place = "0 mm"\n', "over 0"),
        ('[wall]\nwidth = "long"\n', "a length"),
    ],
)
def test_a_wrong_wall_toml_names_the_entry(tmp_path, text, says):
    (tmp_path / "wall.toml").write_text(text)
    with pytest.raises(BadTable, match=says):
        place_photos(tmp_path)
