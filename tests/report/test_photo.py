"""Photos made here by a pinhole camera of known place, straightened back; targets printed, photographed and found."""

import dataclasses

import numpy as np
import pytest
from results import drawings, reported, write

from flatscan.capture.calibration.printed_marks import marker_bits
from flatscan.core.errors import BadValue, ReadError
from flatscan.report.figures import style
from flatscan.report.figures.photo import MOST_ERROR, Photo, apply, homography, on_photo, straighten
from flatscan.report.say import say

cv2 = pytest.importorskip("cv2", exc_type=ImportError)

WIDE, HIGH, STEP = 4.0, 2.4, 0.002
SIZE, FOCAL = (1600, 1200), 1300.0
PLACES = {0: (0.25, 0.25), 1: (3.75, 0.25), 2: (3.75, 2.15), 3: (0.25, 2.15)}


def texture():
    """The wall as painted, row 0 at the top: grey, a black cross at (1.0, 2.0) m, and four targets of 150 mm."""
    canvas = np.full((round(HIGH / STEP), round(WIDE / STEP), 3), 170, np.uint8)

    def box(x0, y0, x1, y1, tone):
        canvas[round((HIGH - y1) / STEP) : round((HIGH - y0) / STEP), round(x0 / STEP) : round(x1 / STEP)] = tone

    box(0.99, 1.9, 1.01, 2.1, 0)
    box(0.9, 1.99, 1.1, 2.01, 0)
    for number, (x, y) in PLACES.items():
        box(x - 0.1, y - 0.1, x + 0.1, y + 0.1, 255)
        side = 0.15 / 6
        for row, column in np.argwhere(~marker_bits(number)):
            left, top = x - 0.075 + column * side, y + 0.075 - row * side
            box(left, top - side, left + side, top, 0)
    return canvas


def camera():
    """Homography from wall metres to pixels of a camera 4.6 m off, left of the middle and above it, looking at it."""
    stand, middle = np.array([1.2, -1.7, -4.6]), np.array([2.05, -1.2, 0.0])  # x right, y down, z into the wall
    ahead = (middle - stand) / np.linalg.norm(middle - stand)
    right = np.cross([0.03, 1.0, 0.0], ahead)
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(ahead, right), ahead])
    lens = np.array([[FOCAL, 0, (SIZE[0] - 1) / 2], [0, FOCAL, (SIZE[1] - 1) / 2], [0, 0, 1]])
    plane = np.column_stack([rotation[:, 0], -rotation[:, 1], -rotation @ stand])
    return lens @ plane


@pytest.fixture(scope="module")
def taken(tmp_path_factory):
    """A photo of the wall, and the pixels of its four corners."""
    matrix = camera()
    # pixel centres of the texture in metres, row 0 at the top
    metres = np.array([[STEP, 0, STEP / 2], [0, -STEP, HIGH - STEP / 2], [0, 0, 1]])
    image = cv2.warpPerspective(texture(), matrix @ metres, SIZE, flags=cv2.INTER_AREA, borderValue=(90, 90, 90))
    path = tmp_path_factory.mktemp("photo") / "wall.png"
    cv2.imwrite(str(path), image)
    corners = apply(matrix, np.array([[0, 0], [WIDE, 0], [WIDE, HIGH], [0, HIGH]], float))
    return path, tuple(map(tuple, corners.tolist()))


def cross_in(straight):
    """Where the black cross lies in a straightened photo [m], by the middle of its dark pixels near its place."""
    rows, cols = straight.image.shape[:2]
    step = WIDE / cols
    y, x = np.mgrid[0:rows, 0:cols]
    x, y = (x + 0.5) * step, HIGH - (y + 0.5) * step
    dark = (straight.image.mean(axis=2) < 80) & (np.hypot(x - 1.0, y - 2.0) < 0.15)
    return x[dark].mean(), y[dark].mean()


def test_four_corners_put_a_mark_where_it_is(taken, check):
    path, corners = taken
    straight = straighten(Photo(path, corners=corners), check.wall)
    assert cross_in(straight) == pytest.approx((1.0, 2.0), abs=0.002)
    assert straight.error < 0.0005


def test_printed_targets_put_a_mark_where_it_is(taken, check):
    path, _ = taken
    straight = straighten(Photo(path, targets=PLACES, target_size=0.15), check.wall)
    assert cross_in(straight) == pytest.approx((1.0, 2.0), abs=0.003)
    assert straight.error < 0.003
    assert say(straight.how) == "by targets 0, 1, 2, 3"


def test_a_wrong_target_size_shows_in_the_error(taken, check):
    path, _ = taken
    right = straighten(Photo(path, targets=PLACES, target_size=0.15), check.wall)
    wrong = straighten(Photo(path, targets=PLACES, target_size=0.142), check.wall)
    assert wrong.error > 2 * right.error


def test_picked_points_and_their_scatter(taken, check):
    path, _ = taken
    places = np.array([[0.2, 0.3], [3.8, 0.2], [3.7, 2.2], [0.3, 2.1], [2.0, 1.2], [1.0, 1.9]])
    pixels = apply(camera(), places)
    points = tuple((tuple(p), tuple(q)) for p, q in zip(pixels.tolist(), places.tolist(), strict=True))
    assert straighten(Photo(path, points=points), check.wall).error < 1e-9
    pixels[4] += 12
    points = tuple((tuple(p), tuple(q)) for p, q in zip(pixels.tolist(), places.tolist(), strict=True))
    with pytest.raises(BadValue, match=r"disagree by \d+ mm.*at most 10 mm"):
        straighten(Photo(path, points=points), check.wall)


def test_a_corner_picked_wrongly_is_refused(taken, check):
    path, corners = taken
    moved = [*corners[:2], (corners[2][0] - 60, corners[2][1] + 45), corners[3]]
    with pytest.raises(BadValue, match="disagree"):
        straighten(Photo(path, corners=tuple(moved)), check.wall)


@pytest.mark.parametrize("order", [(0, 2, 1, 3), (1, 0, 3, 2), (3, 2, 1, 0)])
def test_corners_that_cross_or_are_mirrored_are_refused(taken, check, order):
    path, corners = taken
    with pytest.raises(BadValue, match="lower left, lower right, upper right, upper left"):
        straighten(Photo(path, corners=tuple(corners[k] for k in order)), check.wall)


def test_points_that_cannot_do_are_refused(taken, check):
    path, corners = taken
    for photo, words in (
        (Photo(path), "neither corners nor targets"),
        (Photo(path, corners=corners, targets=PLACES), "corners and targets"),
        (Photo(path, corners=corners[:3]), "3 corners"),
        (Photo(path, corners=(*corners[:3], (5000.0, 10.0))), "outside its 1600 x 1200 pixels"),
        (Photo(path, corners=((10, 10), (20, 10), (30, 10), (40, 10))), "on one line"),
        (Photo(path, targets=PLACES), "without the size of their black square"),
        (Photo(path, targets=PLACES, target_size=150.0), "targets of 150 m"),
        (Photo(path, targets={7: (1.0, 1.0), 8: (2.0, 1.0)}, target_size=0.15), r"at least two of \[7, 8\]"),
        (Photo(path, points=(((1, 1), (0, 0)), ((9, 1), (1, 0)), ((9, 9), (1, 1)))), "3 points"),
    ):
        with pytest.raises(BadValue, match=words):
            straighten(photo, check.wall)


def test_files_that_are_no_photo(tmp_path, check, capfd):
    corners = ((0, 9), (9, 9), (9, 0), (0, 0))
    with pytest.raises(ReadError, match="no such picture"):
        straighten(Photo(tmp_path / "none.jpg", corners=corners), check.wall)
    for name, body in (("empty.jpg", b""), ("text.jpg", b"not a photo"), ("cut.png", b"\x89PNG\r\n\x1a\n1234")):
        (tmp_path / name).write_bytes(body)
        with pytest.raises(ReadError, match="cannot be read"):
            straighten(Photo(tmp_path / name, corners=corners), check.wall)
    assert capfd.readouterr().out == ""


def test_homography_is_opencvs():
    rng = np.random.default_rng(2)
    source = rng.uniform(0, 1000, (9, 2))
    target = apply(camera(), source / 300) + rng.normal(0, 0.3, (9, 2))
    ours, theirs = homography(source, target), cv2.findHomography(source, target, 0)[0]
    # both minimise an algebraic error; on points this close they meet to a fraction of the noise
    np.testing.assert_allclose(apply(ours, source), apply(theirs, source), rtol=0, atol=0.1)
    exact = apply(camera(), source / 300)
    np.testing.assert_allclose(apply(homography(source, exact), source), exact, rtol=0, atol=1e-6)


def test_the_drawing_says_how_well_it_fits(taken, check):
    path, corners = taken
    with style.sheet_style():
        figure = on_photo(reported(check), drawings(check)["contour"], Photo(path, corners=corners))
        figure.canvas.draw()
    said = " ".join(text.get_text() for text in figure.texts)
    assert "Photo straightened by its four corners; its points agree to 0." in said
    picture = figure.axes[0].images[0]
    assert picture.get_extent() == [0, 4.0, 0, 2.4]
    marks = {text.get_text() for text in figure.axes[0].texts}
    assert {"H1", "H2", "L1"} <= marks


def test_the_photo_is_one_of_the_sheets(taken, findings_for, stations, tmp_path):
    path, corners = taken
    written = write(
        findings_for("check", cell=0.05), tmp_path / "out", photo=Photo(path, corners=corners), formats=("json",)
    )
    assert [p.name for p in written] == ["check-photo.png", "check-result.json"]
    with pytest.raises(BadValue, match="crop|order|disagree"):
        write(stations, tmp_path / "other", photo=Photo(path, corners=corners[::-1]), formats=("json",))
    assert not (tmp_path / "other").exists()


def test_a_wall_of_another_shape_than_its_photo_is_refused(taken, check):
    path, corners = taken
    wall = dataclasses.replace(check.wall, outline=check.wall.outline * [1.0, 1.3])
    with pytest.raises(BadValue, match="disagree"):
        straighten(Photo(path, corners=corners), wall)


def test_most_error_is_ten_millimetres():
    assert MOST_ERROR == 0.010
