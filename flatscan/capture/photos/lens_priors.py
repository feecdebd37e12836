"""What is known of a lens before photos are adjusted: by its calibration file, by the photo's header, or by custom."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flatscan.capture.calibration.camera_file import fit_size, read_camera
from flatscan.capture.calibration.lens import U_FOCAL
from flatscan.capture.photos.adjustment import Priors
from flatscan.capture.photos.matching import USUAL_FOCAL
from flatscan.capture.photos.photo_files import PhotoFile
from flatscan.capture.photos.photo_setup import PhotoSetup
from flatscan.capture.photos.ties import LENS, lens_of_camera
from flatscan.core.geometry import Array

# relative u of a focal length by a header, which gives whole millimetres of a picture that may be cropped
_BY_HEADER = 0.05
# a lens refocused at the wall is another by so much, and the least that a calibration is believed
_REFOCUSED, _LEAST = 0.003, 0.001
# lenses that nothing is said of: centre by the picture's width, the rest as phones' and cameras' lenses have it, which
# spread over a corner of 0.7 focal lengths is some per cent of the radius (engineering estimates)
_FREE = {"aspect": 3e-4, "k1": 0.3, "k2": 0.4, "p1": 0.003, "p2": 0.003, "k3": 0.4, "k4": 0.0}
_CENTRE = 0.02
# what a calibration leaves of them: the lens is held differently by its stabiliser and its focus
_KNOWN = {"aspect": 1e-4, "k1": 0.01, "k2": 0.03, "p1": 5e-4, "p2": 5e-4, "k3": 0.05, "k4": 0.0}
_KNOWN_CENTRE = 0.004


def first_focal(photo: PhotoFile, setup: PhotoSetup) -> float:
    """The focal length [pixels] to begin with."""
    if setup.camera_file is not None:
        return float(_calibrated(photo, setup)[0][0])
    return photo.focal or USUAL_FOCAL * float(np.hypot(photo.width, photo.height))


def priors_of(photos: Sequence[PhotoFile], setup: PhotoSetup) -> Priors:
    """Most likely lenses (g, 10) and their u, for one photo of each lens; raises what reading the lens file raises."""
    lenses, doubts = [], []
    for photo in photos:
        if setup.camera_file is not None:
            lens, u_focal = _calibrated(photo, setup)
            known, u_centre = _KNOWN, _KNOWN_CENTRE
        else:
            lens = np.zeros(len(LENS))
            lens[0], lens[2], lens[3] = first_focal(photo, setup), (photo.width - 1) / 2, (photo.height - 1) / 2
            known, u_centre = _FREE, _CENTRE
            u_focal = _BY_HEADER if photo.focal else np.inf
        u = known | {"f": u_focal * lens[0], "cx": u_centre * photo.width, "cy": u_centre * photo.width}
        lenses.append(lens)
        doubts.append([u[name] for name in LENS])
    return Priors(np.array(lenses), np.array(doubts))


def _calibrated(photo: PhotoFile, setup: PhotoSetup) -> tuple[Array, float]:
    """The lens of the set-up's file for a photo, and the relative u of its focal length."""
    assert setup.camera_file is not None
    camera = read_camera(setup.camera_file, setup.camera_name)
    camera = fit_size(camera, setup.camera_file, photo.width, photo.height, photo.path)
    own = camera.extra(U_FOCAL)
    stated = setup.doubts.focal
    u = stated if stated is not None else float(np.hypot(_REFOCUSED, max(float(own or 0.0), _LEAST)))
    return lens_of_camera(camera), u
