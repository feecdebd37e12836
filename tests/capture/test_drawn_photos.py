"""The drawn photographs that other tests and proofs trust: do they show the wall that their truth states?"""

import numpy as np
import pytest
from drawn_wall_model import LOOKS, WallTold
from numpy.testing import assert_allclose, assert_array_equal
from photo_room_model import ODD, PhotoRoom, PhotoTold, furnished

from flatscan.capture.calibration.printed_marks import corners_on_wall, find_targets

SMALL = WallTold(2.4, 1.8, target=0.16, targets=((0.4, 0.4), (2.0, 0.4), (2.0, 1.4), (0.4, 1.4)))


def shown(room, number, points):
    """Pixels (n, 2) where a photo shows points (n, 3) of the wall, rolling shutter aside."""
    pose, lens = room.poses[number], room.lens
    seen = (points - pose.centre) @ pose.turn.T
    bent = lens.bent(*(seen[:, :2] / seen[:, 2:]).T)
    wide, high = room.told.size
    middle = [(wide - 1) / 2 + lens.off[0] * wide, (high - 1) / 2 + lens.off[1] * wide]
    return np.column_stack(bent) * room.focal[number] + middle


@pytest.mark.parametrize("odd", [(), ("lens",), ("breathing", "student", "gloss", "sharpened")])
def test_printed_targets_are_seen_where_truth_says(odd):
    room = PhotoRoom(SMALL, PhotoTold(0.5, odd=odd, seed=5))
    off = []
    for number in range(len(room.poses)):
        for target, corners in find_targets(room.photo(number)).items():
            flat = corners_on_wall(SMALL.targets[target], SMALL.target)
            high = room.wall.at(flat[None, :, 0], flat[None, :, 1])[0]
            off.append((shown(room, number, np.column_stack([flat, high])) - corners).mean(axis=0))
    assert len(off) >= 10
    assert_allclose(np.mean(off, axis=0), 0.0, atol=0.1)
    assert np.abs(off).max() < 0.35


def test_targets_are_as_large_as_printed_where_the_tone_curve_is_undone():
    room = PhotoRoom(SMALL, PhotoTold(0.5, seed=5))
    shares = {False: [], True: []}
    for number in range(len(room.poses)):
        for light, found in shares.items():
            for target, corners in find_targets(room.photo(number), light=light).items():
                flat = corners_on_wall(SMALL.targets[target], SMALL.target)
                true = shown(room, number, np.column_stack([flat, room.wall.at(flat[None, :, 0], flat[None, :, 1])[0]]))
                around = [np.hypot(*(square - np.roll(square, 1, axis=0)).T).sum() for square in (corners, true)]
                found.append(around[0] / around[1] - 1)
    assert abs(np.mean(shares[True])) < 0.003
    assert np.mean(shares[False]) < -0.008


def test_rays_end_on_the_height_field():
    room = PhotoRoom(WallTold(2.4, 1.8, "roughcast", humps=((1.2, 0.9, 0.02, 0.15),)), PhotoTold(0.3, seed=2))
    high = room.told.size[1]
    u, v = room.lens.rays(room.told.size, room.focal[1], slice(0, high))
    start, ray = room._cast(1, u, v, slice(0, high))
    x, y, z = room.met(start, ray)
    rest = np.abs(z - room.wall.at(x, y))
    # steep edges of grain that an oblique ray grazes are the few that have not settled
    assert np.quantile(rest, 0.99) < 2e-5


def test_a_hump_moves_the_picture_of_the_wall_behind_it():
    plain, humped = (
        PhotoRoom(WallTold(2.4, 1.8, humps=humps, seed=4), PhotoTold(0.3, noise=0.0, seed=4))
        for humps in ((), ((1.2, 0.9, 0.03, 0.2),))
    )
    apart = np.abs(plain.photo(1).astype(float) - humped.photo(1)).mean(axis=2)
    middle = shown(plain, 1, np.array([[1.2, 0.9, 0.0]]))[0].round().astype(int)
    near = apart[middle[1] - 40 : middle[1] + 40, middle[0] - 40 : middle[0] + 40].mean()
    assert near > 4 * apart[:60, :60].mean() + 1


def test_one_seed_draws_the_same_photo_and_another_does_not():
    one, same, other = (PhotoRoom(SMALL, PhotoTold(0.2, seed=seed)).photo(0) for seed in (3, 3, 4))
    assert_array_equal(one, same)
    assert (one != other).mean() > 0.5


@pytest.mark.parametrize("odd", ODD)
def test_each_odd_model_changes_the_photos(odd):
    plain, changed = (PhotoRoom(SMALL, PhotoTold(0.1, noise=0.004, odd=what, seed=7)) for what in ((), (odd,)))
    assert np.abs(plain.photo(2).astype(float) - changed.photo(2)).mean() > 0.3


@pytest.mark.parametrize("look", LOOKS)
def test_truth_in_cells_leaves_openings_out(look):
    wall = furnished(WallTold(3.2, 2.2, look, fine=0.002))
    cells = PhotoRoom(wall, PhotoTold(0.1)).truth()["cells"]
    assert cells.shape == (220, 320)
    taken = sum(wide * high for _, _, _, wide, high, _ in wall.openings)
    assert_allclose(np.isnan(cells).mean(), taken / (3.2 * 2.2), atol=0.01)


def test_a_folder_holds_photos_wall_and_truth(tmp_path):
    from PIL import Image

    PhotoRoom(SMALL, PhotoTold(0.1)).write(tmp_path / "photos", scale="distances", taped=0.001)
    names = sorted(path.name for path in (tmp_path / "photos").iterdir())
    truth = np.load(tmp_path / "photos" / "truth.npz")
    assert names == sorted([*truth["names"], "truth.npz", "wall.toml"])
    with Image.open(tmp_path / "photos" / names[0]) as photo:
        assert photo.getexif().get_ifd(0x8769)[0xA405] == 26
    assert "between = [0, 1]" in (tmp_path / "photos" / "wall.toml").read_text()
