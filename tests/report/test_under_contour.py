"""A wall's own photo as a shade over its contour."""

import base64
import io

import numpy as np
from numpy.testing import assert_allclose
from PIL import Image

from flatscan.core.geometry import Frame
from flatscan.core.model import Plumb, Wall
from flatscan.core.notes import note
from flatscan.core.photographed import FlatPicture, Photographed
from flatscan.jobs.straight_on import picture_on
from flatscan.report.under_contour import DARKEST, shade_as_jpeg, shade_of


def picture(step=0.01):
    """Dark below and light above, a strip at the right that no photo shows."""
    colours = np.full((100, 200, 3), 200, np.uint8)
    colours[:40] = 50
    seen = np.ones((100, 200), bool)
    seen[:, 180:] = False
    return FlatPicture(-0.5, 0.0, step, colours, seen)


def test_dark_stone_takes_light_and_what_was_not_seen_none():
    shade = shade_of(picture(), 1000)
    assert_allclose(shade[:40, :180], DARKEST)
    assert_allclose(shade[40:], 0.0)
    assert_allclose(shade[:, 180:], 0.0)


def test_large_pictures_are_drawn_in_fewer_pixels():
    shade = shade_of(picture(), 50)
    assert shade.shape == (25, 50)
    assert_allclose(shade[0, 0], DARKEST)
    # pixels that are seen in part are not shaded
    assert_allclose(shade[:, 45:], 0.0)


def test_the_pages_picture_has_its_top_on_top_and_its_place():
    packed = shade_as_jpeg(picture(), 200)
    assert (packed["left"], packed["bottom"]) == (-0.5, 0.0)
    assert_allclose([packed["width"], packed["height"]], [2.0, 1.0])
    light = np.asarray(Image.open(io.BytesIO(base64.b64decode(packed["jpeg"]))), float)
    assert light.shape == (100, 200)
    assert_allclose(light[10, 50], 255, atol=4)
    assert_allclose(light[90, 50], 255 * (1 - DARKEST), atol=4)


class Taken:
    """A capture with a picture, its coordinates moved."""

    shift = np.array([10.0, 0.0, 0.0])
    photographed = Photographed(
        np.zeros(2), np.zeros(2), np.zeros((0, 2, 2)), 0.0, 0.0, 0.0, note("wall.given"), picture()
    )


def wall(out=(0.0, 0.0, 1.0)):
    outline = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 0.8], [0.0, 0.8]])
    up = np.array([0.0, 1.0, 0.0])
    frame = Frame(np.array([-10.2, 0.1, 0.0]), np.cross(up, out), up, np.array(out))
    return Wall(1, frame, outline, (), 1.0, note("wall.given"), note("wall.given"), Plumb(note("wall.given"), 0.001))


def test_a_picture_is_laid_on_the_walls_outline():
    found = picture_on(Taken(), wall())
    assert found.seen.shape == (80, 100)
    assert (found.left, found.bottom) == (0.0, 0.0)
    # the wall's foot stands 0.1 m up in the picture, dark up to 0.4 m
    assert_allclose(found.colours[:29, 50], 50)
    assert_allclose(found.colours[31:, 50], 200)
    assert found.seen.all()


def test_a_wall_that_its_photos_do_not_face_has_no_picture():
    assert picture_on(Taken(), wall(out=(1.0, 0.0, 0.0))) is None
