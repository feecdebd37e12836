"""Drawn photos as a bundle that knows where each was taken: what is measured in them errs by itself alone."""

from pathlib import Path

import numpy as np
from drawn_wall_model import WallTold
from photo_room_model import PhotoTold

from flatscan.capture.camera import Camera
from flatscan.capture.photos.bundle import Bundle, Placed
from flatscan.core.notes import note

WIDE, HIGH = 0.9, 0.7
# near the wall few pixels are as fine as twelve megapixels are at two metres
NEAR = PhotoTold(0.5, distance=0.75, overlap=0.7, seed=3)


def small_wall(look="blocks", **told):
    """A wall that few pixels show well."""
    return WallTold(WIDE, HIGH, look, warp=(0.5, 0.002), targets=(), fine=0.0008, seed=5, **told)


def placed(room):
    """The photos of a drawn room where they were really taken, through the lens that they were really taken with."""
    (wide, high), lens = room.told.size, room.lens
    middle = [(wide - 1) / 2 + lens.off[0] * wide, (high - 1) / 2 + lens.off[1] * wide]
    k1, k2, k3 = lens.radial
    distortion = (k1, k2, *lens.tangential, k3)
    return tuple(
        Placed(name, Path(name), Camera(wide, high, focal, focal, *middle, distortion), pose.turn, pose.centre)
        for name, pose, focal in zip(room.names, room.poses, room.focal, strict=True)
    )


def bundled(room, modes=(), **given):
    """A bundle of these, whose sparse points are the corners of the wall."""
    told = room.wall.told
    corners = np.array([[0.0, 0.0], [told.width, 0.0], [told.width, told.height], [0.0, told.height]])
    photos = placed(room)
    count = len(photos)
    values = {
        "left_out": (),
        "points": np.column_stack([corners, np.zeros(4)]),
        "point_photos": (np.arange(5) * count, np.tile(np.arange(count), 4)),
        "mode_names": tuple(str(number) for number in range(len(modes))),
        "scale_u": 0.001,
        "scale_from": note("wall.given"),
        "u_reprojection": 0.3,
        "axes_from": note("wall.given"),
        "u_up": 0.001,
    }
    return Bundle(photos=photos, modes=tuple(modes), **(values | given))


def greys(room):
    """The pictures in grey."""
    return [photo @ np.array([0.114, 0.587, 0.299]) for photo in room.photos()]
