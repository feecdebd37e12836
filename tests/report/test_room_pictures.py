"""A wall as it is seen from the room: what is on the left is drawn on the left, in the file's colours or by relief."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.geometry import plumb_frame
from flatscan.core.model import Plumb, Wall
from flatscan.core.notes import note
from flatscan.jobs.listing import Seeing
from flatscan.report.room_pictures import as_seen

WIDTH, HEIGHT = 4.0, 2.5


def wall(out):
    """The wall y = 0 from x 0 to 4, seen from the side that ``out`` points to."""
    known = note("wall.up-file")
    outline = np.array([[0, 0], [WIDTH, 0], [WIDTH, HEIGHT], [0, HEIGHT]])
    foot = np.array([0.0 if out < 0 else WIDTH, 0.0, 0.0])
    frame = plumb_frame(foot, np.array([0.0, out, 0.0]), np.array([0.0, 0, 1]))
    return Wall(1, frame, outline, (), 1.0, known, known, Plumb(None, None))


@pytest.fixture
def points():
    rng = np.random.default_rng(1)
    return np.column_stack([rng.uniform(0, WIDTH, 40_000), np.zeros(40_000), rng.uniform(0, HEIGHT, 40_000)])


def test_colours_stand_where_somebody_in_the_room_sees_them(points):
    """Red at small x: left for who looks along +y, right from the other side; blue is above."""
    colours = np.zeros((len(points), 3), np.uint8)
    colours[points[:, 0] < 1.0, 0] = 255
    colours[points[:, 2] > 2.0, 2] = 255
    seeing = Seeing(points, colours)
    front, back = as_seen(wall(-1.0), seeing), as_seen(wall(1.0), seeing)
    assert front.coloured
    middle = front.image.shape[0] // 2
    quarter = int(1.0 / front.step) - 1
    assert np.nanmin(front.image[middle, :quarter, 0]) == 1.0
    assert np.nanmax(front.image[middle, quarter + 3 :, 0]) == 0.0
    assert np.nanmin(back.image[middle, -quarter:, 0]) == 1.0
    assert np.nanmin(front.image[int(2.1 / front.step) :, :, 2]) == 1.0
    assert np.nanmax(front.image[: int(1.9 / front.step), :, 2]) == 0.0
    # three points or so in a pixel, whose number follows the wall
    assert_allclose(front.step, np.sqrt(3 * WIDTH * HEIGHT / 40_000), rtol=1e-6)
    assert np.isnan(front.image[..., 0]).mean() < 0.1


def test_without_colours_a_hump_is_light_and_a_hollow_dark_from_the_side_of_the_room(points):
    hump = np.exp(-((points[:, 0] - 1.0) ** 2 + (points[:, 2] - 1.2) ** 2) / (2 * 0.15**2))
    points[:, 1] = -0.012 * hump
    for out, light in ((-1.0, True), (1.0, False)):
        shown = as_seen(wall(out), Seeing(points))
        assert not shown.coloured
        x = 1.0 if out < 0 else WIDTH - 1.0
        at_hump = shown.image[int(1.2 / shown.step), int(x / shown.step), 0]
        around = np.nanmedian(shown.image[..., 0])
        assert (at_hump > around + 0.3) == light
        assert (at_hump < around - 0.3) == (not light)


def test_what_was_not_captured_is_left_open_and_what_is_far_off_is_not_drawn(points):
    behind = points[points[:, 0] < 2.0] + [0.0, 3.0, 0.0]
    shown = as_seen(wall(-1.0), Seeing(np.concatenate([points[points[:, 0] > 2.0], behind])))
    half = int(2.0 / shown.step)
    assert np.isnan(shown.image[:, : half - 1]).all()
    assert np.isfinite(shown.image[:, half + 1 :]).mean() > 0.8


def test_a_wall_without_a_point_is_drawn_empty(points):
    shown = as_seen(wall(-1.0), Seeing(points + [0.0, 5.0, 0.0]))
    assert np.isnan(shown.image).all()
