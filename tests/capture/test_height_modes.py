"""What a doubt of the cameras does to heights: foretold, and found again in photos matched with such cameras."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from photo_room_model import PhotoRoom, PhotoTold
from placed_photos import HIGH, NEAR, WIDE, bundled, greys, placed, small_wall

from flatscan.capture.photos.dense_heights import SHARES_APART
from flatscan.capture.photos.height_modes import height_modes
from flatscan.capture.photos.photo_points import KIND, photo_points, relieved
from flatscan.core.errors import TooFewPoints


def bent(photos, by):
    """The photos with a lens that bends ``by`` more at its corners, of relative radius 0.8."""
    return tuple(
        replace(one, camera=replace(one.camera, distortion=(one.camera.distortion[0] + by, *one.camera.distortion[1:])))
        for one in photos
    )


def turned(photos, number, by):
    """The photos, one of them turned by a small angle [rad] about its upright."""
    turn = np.array([[np.cos(by), 0, np.sin(by)], [0, 1, 0], [-np.sin(by), 0, np.cos(by)]])
    return tuple(replace(one, rotation=turn @ one.rotation) if k == number else one for k, one in enumerate(photos))


@pytest.fixture(scope="module")
def drawn():
    room = PhotoRoom(small_wall(), NEAR)
    shots = {name: np.dstack([np.uint8(grey)] * 3) for name, grey in zip(room.names, greys(room), strict=True)}

    def read(photo):
        return shots[photo.name]

    return room, read, relieved(bundled(room), read=read)


def in_squares(found, measured):
    """Mean heights (rows, cols) of the squares that modes are told for, and how many points each has."""
    corner = np.array([found.x[0], found.y[0]]) - SHARES_APART / 2
    col, row = np.floor((measured.dense.points[:, :2] - corner) / SHARES_APART).astype(int).T
    total, count = np.zeros((2, *found.fields.shape[1:]))
    np.add.at(total, (row, col), measured.dense.points[:, 2])
    np.add.at(count, (row, col), 1)
    return total / np.maximum(count, 1), count


@pytest.mark.parametrize("doubt", ["lens", "turn"])
def test_modes_are_what_other_cameras_measure(drawn, doubt):
    room, read, true = drawn
    photos = placed(room)
    mode = bent(photos, 0.001) if doubt == "lens" else turned(photos, 1, 0.00015)
    bundle = bundled(room, (mode,))
    found = height_modes(bundle, true.numbers, true.dense, 1e-3)
    assert_allclose(found.widened, 1.0)
    (before, few), (after, many) = (
        in_squares(found, one) for one in (true, relieved(replace(bundle, photos=mode), read=read))
    )
    inner = (few > 60) & (many > 60) & (np.abs(found.x - WIDE / 2) < 0.3) & (np.abs(found.y - HIGH / 2) < 0.2)[:, None]
    assert inner.sum() > 60
    foretold, change = found.fields[0][inner], (after - before)[inner]
    size = np.abs(foretold).max()
    assert size > 0.05e-3
    assert np.median(np.abs(change - foretold)) < 0.1 * size
    assert np.corrcoef(change, foretold)[0, 1] > 0.85
    assert_allclose((change @ foretold) / (foretold @ foretold), 1.0, atol=0.25)


def test_pairs_that_differ_more_than_doubts_foretell_widen_them(drawn):
    room, read, true = drawn
    photos = placed(room)
    doubt = (turned(photos, 1, 0.00005),)
    assert_allclose(height_modes(bundled(room, doubt), true.numbers, true.dense, 0.05e-3).widened, 1.0, atol=0.5)
    # the adjustment thinks its cameras twelve times better than they are
    bundle = replace(bundled(room, (turned(photos, 1, 0.00065),)), photos=turned(photos, 1, 0.0006))
    found = relieved(bundle, read=read)
    assert height_modes(bundle, found.numbers, found.dense, 0.05e-3).widened > 3


def test_where_nothing_was_measured_a_doubt_is_what_it_is_beside_it(drawn):
    room, _, true = drawn
    found = height_modes(bundled(room, (bent(placed(room), 0.02),)), true.numbers, true.dense, 1e-3)
    # shares of very different size run out towards the right, and strays were tried at its end
    shares = true.dense.shares * np.random.default_rng(1).uniform(1e-4, 1e4, true.dense.shares.shape)
    points, edge = true.dense.points, found.x[-5] - SHARES_APART / 2
    shares[:, :, -5:] = 0
    shares[0, :, -1] = 1e3
    less = replace(true.dense, shares=shares.astype(np.float32), points=points[points[:, 0] < edge])
    cut = height_modes(bundled(room, (bent(placed(room), 0.02),)), true.numbers, less, 1e-3).fields[0]
    inner = cut[:, :-6]
    assert cut.min() >= inner.min() - 1e-4
    assert cut.max() <= inner.max() + 1e-4
    assert_allclose(cut[3:-3, -1], cut[3:-3, -6], atol=1e-4)


def test_a_lens_shows_nothing_where_its_terms_fold_over(drawn):
    room, _, _ = drawn
    photo = placed(room)[0]
    off = np.column_stack([np.linspace(0.0, 3.0, 61), np.zeros(61), np.ones(61)])
    shown = photo.seen(photo.centre + off @ photo.rotation)[:, 0]
    seen = np.isfinite(shown)
    # 1 + 3 k1 r2 + 5 k2 r4 is nought at r = 1.28 for k1 = 0.045, k2 = -0.09
    assert_allclose(off[seen, 0].max(), 1.28, atol=0.05)
    assert (np.diff(shown[seen]) > 0).all()
    assert not seen[off[:, 0] > 1.3].any()


def test_points_come_as_a_capture_with_all_it_knows(drawn):
    room, read, _ = drawn
    heard = []
    source = photo_points(bundled(room, (bent(placed(room), 0.002),)), heard.append, read)
    assert source.kind == KIND
    assert source.unit == "m"
    block = next(iter(source.blocks()))
    assert len(block.points) == source.count > 20_000
    assert heard == sorted(heard)
    assert_allclose(heard[-1], 1.0)
    seen = source.photographed
    assert seen.modes.shape == (1, len(seen.y), len(seen.x))
    assert 0 < seen.rest < seen.scatter < 2e-3
    assert source.u_up >= 0.001
    picture = seen.picture
    rows, cols = picture.seen.shape
    x = picture.left + (np.arange(cols) + 0.5) * picture.step
    y = picture.bottom + (np.arange(rows) + 0.5) * picture.step
    inner = np.ix_((y > 0.1) & (y < HIGH - 0.1), (x > 0.1) & (x < WIDE - 0.1))
    assert picture.seen[inner].mean() > 0.99
    across, upward = (part.astype(np.float32) for part in np.meshgrid(x, y))

    def alike(by):
        """How much the picture is like the wall moved to the right by so many metres."""
        true = room.wall.shade(across + np.float32(by), upward)
        return np.corrcoef(picture.colours[..., 1][inner].ravel(), true[inner].ravel())[0, 1]

    assert alike(0.0) > 0.8
    assert alike(0.0) > alike(0.004) + 0.05
    assert alike(0.0) > alike(-0.004) + 0.05


def test_a_bare_coat_is_refused_with_what_helps():
    room = PhotoRoom(small_wall("finish"), PhotoTold(0.1, distance=0.75, seed=3))
    black = np.full((room.told.size[1], room.told.size[0], 3), 120, np.uint8)
    with pytest.raises(TooFewPoints, match="the same texture"):
        photo_points(bundled(room), read=lambda _: black)
