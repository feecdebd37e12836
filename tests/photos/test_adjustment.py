"""Adjustment of photos without pictures: slopes by differences, what is found, and how far it is off."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.capture.camera import Camera
from flatscan.capture.photos.adjustment import Adjusted, Priors, adjust, settled
from flatscan.capture.photos.doubt_modes import modes_of, other_lens
from flatscan.capture.photos.photo_files import PhotoFile, upright
from flatscan.capture.photos.same_lens import odd_photos, own_focal
from flatscan.capture.photos.ties import LENS, Sights, Ties, camera_of, seen_by, turned_by

TRUE_LENS = np.array([1200.0, 0.0, 805.0, 590.0, 0.05, -0.1, 4e-4, -3e-4, 0.02, 0.0])
FIRST = np.array([[1180.0, 0.0, 799.5, 599.5, 0, 0, 0, 0, 0, 0]])
FREE = np.array([[60.0, 3e-4, 20.0, 20.0, 0.3, 0.4, 0.003, 0.003, 0.4, 0.0]])


def scene(seed=0, points=260):
    """Eight photos of a nearly flat wall, some from aside and some turned by quarters."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 3.2, points), rng.uniform(0, 2.2, points)
    places = np.column_stack([x, y, 0.006 * np.sin(2 * x) * np.cos(y) + rng.normal(0, 0.003, points)])
    down = np.diag([1.0, -1.0, -1.0])
    turns, centres = [], []
    for i in range(8):
        at = np.array([0.5 + 0.32 * i, 0.8 + 0.6 * (i % 2), 2.0])
        yaw = (-0.35, 0.35, 0.0, 0.0)[i % 4]
        at[0] -= 2.0 * np.tan(yaw)
        roll = (0.0, 0.0, np.pi / 2, -np.pi / 2)[i % 4]
        turns.append(turned_by(np.array([[0.03, yaw, 0.0]]))[0].T @ turned_by(np.array([[0.0, 0.0, 0.0]]))[0] @ down)
        turns[-1] = turned_by(np.array([[0.0, 0.0, roll]]))[0] @ turns[-1]
        centres.append(at)
    ties = Ties(np.array(turns), np.array(centres), TRUE_LENS[None], np.zeros(8, np.int64), places,
                np.full(points, -1, np.int64))  # fmt: skip
    photo, point = (one.ravel() for one in np.meshgrid(np.arange(8), np.arange(points), indexing="ij"))
    every = Sights(photo, point, np.zeros((len(photo), 2)), rng.uniform(2, 20, len(photo)), np.full(len(photo), 0.2))
    seen = seen_by(ties, every)
    inside = seen.before & (seen.pixels > 0).all(axis=1) & (seen.pixels < [1599, 1199]).all(axis=1)
    many = np.bincount(point[inside], minlength=points)
    kept = inside & (many[point] > 1)
    left, point = np.unique(point[kept], return_inverse=True)
    ties = Ties(ties.turns, ties.centres, ties.lenses, ties.lens_of, places[left], ties.labels[left])
    pixels = seen.pixels[kept]
    sights = Sights(photo[kept], point, pixels, every.size[kept], every.sd[kept])
    return ties, sights


def noisy(sights, rng, sd=0.2):
    pixels = sights.pixels + rng.normal(0, sd, sights.pixels.shape)
    return Sights(sights.photo, sights.point, pixels, sights.size, sights.sd)


def levelled(points, z):
    plane = np.column_stack([np.ones(len(points)), points[:, :2]])
    return z - plane @ np.linalg.lstsq(plane, z, rcond=None)[0]


def test_slopes_are_those_of_differences():
    ties, sights = scene(points=40)
    ties = Ties(ties.turns, ties.centres, ties.lenses + np.array([0, 1e-3, 0, 0, 0, 0, 0, 0, 0, 0.02]), ties.lens_of,
                ties.points, ties.labels)  # fmt: skip
    slopes = seen_by(ties, sights)
    steps = np.array([1e-6] * 6 * 8 + [1e-2, 1e-6, 1e-3, 1e-3, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6])
    first = {i: np.flatnonzero(sights.photo == i) for i in range(8)}
    for column, step in enumerate(steps):
        change = np.zeros(len(steps))
        change[column] = step
        difference = (seen_by(ties.moved(change), sights).pixels - slopes.pixels) / step
        rows = first[column // 6] if column < 48 else np.arange(len(sights))
        own = slopes.pose[rows, :, column % 6] if column < 48 else slopes.lens[rows, :, column - 48]
        assert_allclose(difference[rows], own, rtol=2e-4, atol=2e-3 * np.abs(own).max() + 1e-6)


def test_pixels_are_opencvs():
    cv2 = pytest.importorskip("cv2")
    ties, sights = scene(points=60)
    first = sights.only(sights.photo == 0)
    camera = camera_of(ties.lenses[0], 1600, 1200)
    there = (ties.points[first.point] - ties.centres[0]) @ ties.turns[0].T
    zero = np.zeros(3)
    found = cv2.projectPoints(there, zero, zero, camera.matrix, np.array(camera.distortion))[0].reshape(-1, 2)
    assert_allclose(seen_by(ties, first).pixels, found, atol=1e-9)


def test_lens_and_places_are_found_from_a_poor_start_with_strays_among_the_sights():
    ties, sights = scene()
    rng = np.random.default_rng(5)
    sights = noisy(sights, rng)
    wild = rng.choice(len(sights), 40, replace=False)
    sights.pixels[wild] += rng.normal(0, 60, (40, 2))
    change = rng.normal(0, 0.01, ties.unknowns)
    start = ties.moved(change, rng.normal(0, 0.01, ties.points.shape))
    start = Ties(start.turns, start.centres, FIRST, ties.lens_of, start.points, ties.labels)
    found = adjust(start, sights, Priors(FIRST, FREE), rounds=20)
    assert abs(found.ties.lenses[0, 0] - 1200) < 6
    assert 0.15 < found.residual < 0.25
    assert 30 <= found.dropped <= 80
    # a stray's pixels are none of those kept
    assert not np.isin(sights.pixels[wild], found.sights.pixels).any()


def test_modes_tell_how_far_heights_are_off():
    """Thirty draws of sights' errors: what a fit's heights have in common is as large as its modes say."""
    ties, sights = scene()
    priors = Priors(FIRST, FREE)
    rng = np.random.default_rng(2)
    told = modes_of(Adjusted(ties, sights, 0, 0.2), priors, np.ones(len(ties.points), bool))
    predicted = np.sqrt((told.heights**2).sum()) / told.alike
    carried = []
    for _ in range(30):
        found = settled(ties, noisy(sights, rng), priors, rounds=6)
        # what the photos' places and the lens do to points, without the points' own errors: exact sights, these photos
        again = settled_points(found, sights)
        carried.append(np.sqrt((levelled(again, again[:, 2] - similar_heights(again, ties.points)) ** 2).mean()))
    assert 0.7 < np.sqrt(np.mean(np.square(carried))) / predicted < 1.4


def settled_points(ties, sights):
    """Points (p, 3) that fit sights best with photos held, by Gauss and Newton."""
    points = ties.points.copy()
    for _ in range(4):
        held = Ties(ties.turns, ties.centres, ties.lenses, ties.lens_of, points, ties.labels)
        slopes = seen_by(held, sights)
        off = sights.pixels - slopes.pixels
        normal, right = np.zeros((len(points), 3, 3)), np.zeros((len(points), 3))
        np.add.at(normal, sights.point, np.einsum("nki,nkj->nij", slopes.point, slopes.point))
        np.add.at(right, sights.point, np.einsum("nki,nk->ni", slopes.point, off))
        points = points + np.linalg.solve(normal, right[..., None])[..., 0]
    return points


def similar_heights(found, true):
    """Heights of true points laid on found ones by shift, turn and scale (Umeyama 1991)."""
    a, b = true - true.mean(axis=0), found - found.mean(axis=0)
    first, sizes, second = np.linalg.svd(b.T @ a)
    turn = first @ second
    return (sizes.sum() / (a**2).sum() * a @ turn.T + found.mean(axis=0))[:, 2]


def test_sights_that_err_alike_in_parts_of_a_picture_make_modes_larger():
    ties, sights = scene()
    priors, used = Priors(FIRST, FREE), np.ones(len(ties.points), bool)
    plain = modes_of(Adjusted(ties, noisy(sights, np.random.default_rng(1)), 0, 0.2), priors, used)
    bent = noisy(sights, np.random.default_rng(1))
    # a shutter that reads row by row while the camera turns
    bent.pixels[:, 0] += 1.5 * np.sin(bent.pixels[:, 1] / 300 + bent.photo)
    alike = modes_of(Adjusted(ties, bent, 0, 0.2), priors, used)
    assert 1.9 < plain.alike < 3.0
    assert alike.alike > 2 * plain.alike


def test_a_term_that_the_lens_lacks_is_tried_and_changes_little_where_there_is_none():
    ties, sights = scene()
    fitted = Adjusted(settled(ties, sights, Priors(FIRST, FREE)), sights, 0, 0.0)
    change = other_lens(fitted, Priors(FIRST, FREE), "k4", 0.3)
    lens = change[-10:]
    assert abs(lens[LENS.index("f")]) < 1.0
    assert np.isfinite(change).all()


def test_a_photo_with_another_focal_length_is_told():
    ties, sights = scene()
    sights = noisy(sights, np.random.default_rng(4))
    zoomed = sights.photo == 0
    sights.pixels[zoomed] = (sights.pixels[zoomed] - TRUE_LENS[2:4]) * 1.03 + TRUE_LENS[2:4]
    change, u = own_focal(Adjusted(ties, sights, 0, 0.2), 0)
    assert abs(change - 0.03) < 4 * u
    still, u = own_focal(Adjusted(ties, sights, 0, 0.2), 3)
    assert abs(still) < 4 * u


def test_a_photo_that_misses_the_others_is_named():
    ties, sights = scene()
    sights = noisy(sights, np.random.default_rng(4))
    rng = np.random.default_rng(9)
    moved = sights.photo == 5
    sights.pixels[moved] += rng.normal(0, 2.0, (int(moved.sum()), 2))

    class Looks:
        sharp = 0.8

    found = odd_photos(Adjusted(ties, sights, 0, 0.2), [Looks()] * 8)
    assert list(found) == [5]
    assert found[5].code == "photo.misses"


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_turned_sensor_and_its_upright_picture_show_the_same(orientation, tmp_path):
    """A point's pixel in the sensor's picture, turned with the picture, is where the upright camera shows it."""
    camera = Camera(1600, 1200, 1200.0, 1203.0, 805.0, 590.0, (0.05, -0.1, 4e-4, -3e-4, 0.02))
    photo = PhotoFile(tmp_path / "a.jpg", "0", 1600, 1200, orientation, None, ())
    turned, turn = upright(photo, camera)
    cv2 = pytest.importorskip("cv2")
    rng = np.random.default_rng(0)
    points = np.column_stack([rng.uniform(-0.5, 0.5, (30, 2)), np.ones(30)])
    zero = np.zeros(3)
    on_sensor = cv2.projectPoints(points, zero, zero, camera.matrix, np.array(camera.distortion))[0].reshape(-1, 2)
    shown = cv2.projectPoints(points @ turn.T, zero, zero, turned.matrix, np.array(turned.distortion))[0].reshape(-1, 2)
    x, y = on_sensor.T
    expected = {1: (x, y), 3: (1599 - x, 1199 - y), 6: (1199 - y, x), 8: (y, 1599 - x)}[orientation]
    assert (turned.width, turned.height) == ((1600, 1200) if orientation in (1, 3) else (1200, 1600))
    assert_allclose(shown, np.column_stack(expected), atol=1e-9)
