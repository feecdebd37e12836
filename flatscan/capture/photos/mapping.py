"""A first placing of photos by pycolmap, one photo after the other, as ties to be adjusted."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from flatscan.capture.photos.matching import SEED, library
from flatscan.capture.photos.photo_features import Features
from flatscan.capture.photos.ties import LENS, Sights, Ties
from flatscan.core.geometry import Array

_FEWEST_PHOTOS = 3
# where a feature of the least size lies is known about so well [pixels]; sizes tell the rest
_FIRST_SD = 0.5


def mapped(
    database: Path, features: Sequence[Features], lens_of: Sequence[int]
) -> list[tuple[Ties, Sights, list[int]]]:
    """Every part that hangs together, the largest first: ties and sights of the photos whose numbers come with them.

    A lens that none of a part's photos has is as it was guessed.
    """
    pycolmap = library()
    pycolmap.set_random_seed(SEED)
    stop = pycolmap.CancellationToken()
    # in a lane of its own, so that Ctrl-C is heard while the library works
    with ThreadPoolExecutor(1) as lane:
        job = lane.submit(
            pycolmap.incremental_mapping,
            str(database),
            str(database.parent),
            str(database.with_suffix(".models")),
            _options(pycolmap),
            cancellation_token=stop,
        )
        try:
            models = job.result()
        except BaseException:
            stop.cancel()
            raise
    parts = [_part(model, features, np.array(lens_of)) for model in models.values()]
    return sorted(parts, key=lambda part: (-len(part[2]), -len(part[1])))


def _options(pycolmap: ModuleType) -> Any:
    options = pycolmap.IncrementalPipelineOptions()
    options.num_threads, options.random_seed = 1, SEED
    options.extract_colors = False
    options.min_model_size = _FEWEST_PHOTOS
    options.max_num_models = 5
    options.mapper.random_seed = options.triangulation.random_seed = SEED
    options.mapper.num_threads = 1
    return options


def _part(model: Any, features: Sequence[Features], lens_of: Any) -> tuple[Ties, Sights, list[int]]:
    """A model's photos, lenses and points in our terms: centres of pixels at whole numbers."""
    numbers = sorted(image - 1 for image in model.reg_image_ids())
    place = {number: i for i, number in enumerate(numbers)}
    turns, centres = np.empty((len(numbers), 3, 3)), np.empty((len(numbers), 3))
    for number, i in place.items():
        pose = model.images[number + 1].cam_from_world()
        turns[i] = pose.rotation.matrix()
        centres[i] = -turns[i].T @ pose.translation
    used, own = np.unique(lens_of[numbers], return_inverse=True)
    lenses = np.array([_lens(model.cameras[int(lens) + 1].params) for lens in used])
    points, photo, point, which = [], [], [], []
    for j, key in enumerate(sorted(model.points3D)):
        found = model.points3D[key]
        points.append(found.xyz)
        for element in found.track.elements:
            photo.append(place[element.image_id - 1])
            point.append(j)
            which.append(element.point2D_idx)
    photo_of, row = np.array(photo, np.int64), np.array(which, np.int64)
    at = np.array([features[numbers[i]].at[k] for i, k in zip(photo, which, strict=True)]).reshape(-1, 2)
    size = np.array([features[numbers[i]].size[k] for i, k in zip(photo, which, strict=True)])
    sights = Sights(photo_of, np.array(point, np.int64), at, size, np.full(len(row), _FIRST_SD))
    labels = np.full(len(points), -1, np.int64)
    ties = Ties(turns, centres, lenses, own.astype(np.int64), np.array(points).reshape(-1, 3), labels)
    return ties, sights, numbers


def _lens(params: Array) -> Array:
    f, cx, cy, k1, k2 = (float(value) for value in params)
    lens = dict.fromkeys(LENS, 0.0) | {"f": f, "cx": cx - 0.5, "cy": cy - 0.5, "k1": k1, "k2": k2}
    return np.array([lens[name] for name in LENS])
