"""Photos of real facades whose cameras were surveyed, read from the folder that FLATSCAN_PHOTO_SETS names.

The folder holds sets of the multi-view camera calibration benchmark of Strecha and others (CVPR 2008): each with
``images/`` and ``gt_dense_cameras/NAME.camera``. Nothing of them is in the project.
"""

import os
from pathlib import Path

import numpy as np
import pytest

from flatscan.capture.photos.photo_placing import place_photos

FOLDER = os.environ.get("FLATSCAN_PHOTO_SETS", "")
# root mean square of centres [m] with pycolmap 4.2.1's default pipeline, one camera for all photos (methods/photos 8)
BY_DEFAULT = {"fountain-P11": 0.0063}

pytestmark = pytest.mark.skipif(not FOLDER, reason="FLATSCAN_PHOTO_SETS names no folder of surveyed photos")


def surveyed(folder):
    """Centres (3,) [m] by the photos' names: the eighth line of each file of a camera."""
    files = sorted((folder / "gt_dense_cameras").glob("*.camera"))
    return {path.stem: np.array(path.read_text().split("\n")[7].split(), float) for path in files}


def laid_on(found, true):
    """How far (n,) [m] each centre is off once all are moved, turned and stretched onto the true ones."""
    a, b = found - found.mean(axis=0), true - true.mean(axis=0)
    left, sizes, right = np.linalg.svd(b.T @ a)
    signs = np.array([1.0, 1.0, np.sign(np.linalg.det(left @ right))])
    scale = (sizes * signs).sum() / (a**2).sum()
    return np.linalg.norm(scale * a @ (left * signs @ right).T - b, axis=1)


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("name", BY_DEFAULT)
def test_centres_of_surveyed_cameras(name):
    folder = Path(FOLDER) / name
    if not folder.is_dir():
        pytest.skip(f"{name} is not in the folder")
    true = surveyed(folder)
    bundle = place_photos(folder / "images", scale_elsewhere=True)
    assert {one.name for one in bundle.photos} == set(true)
    off = laid_on(np.stack([one.centre for one in bundle.photos]), np.stack([true[one.name] for one in bundle.photos]))
    assert np.sqrt((off**2).mean()) < 1.5 * BY_DEFAULT[name]
