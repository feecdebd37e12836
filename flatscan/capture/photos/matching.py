"""Which features of two photos are the same point of the wall: found for every pair that may overlap, then tested.

The pairs' geometry is tested by pycolmap (Schönberger and Frahm, Structure-from-Motion Revisited, CVPR 2016).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from flatscan.capture.photos.photo_features import Features
from flatscan.capture.photos.photo_files import PhotoFile
from flatscan.capture.registry import need
from flatscan.core.geometry import Array

Told = Callable[[float], None]
SEED = 0
# a first look at the strongest features tells which pairs may overlap; with few photos all pairs are matched
_LOOKED_AT, _ALIKE, _FEWEST, _ALL_UP_TO = 600, 0.8, 5, 8
# phones' main cameras are near 26 mm (common practice); it is where a search begins that nothing is told of
USUAL_FOCAL = 26.0 / float(np.hypot(36.0, 24.0))
_AT_ONCE = 12


@dataclass(frozen=True, eq=False)
class Matches:
    """How many tested matches each pair of photos has: ``pairs`` (n, 2) of photos, ``many`` (n,), ``flat`` (n,).

    ``turned`` (n,) tells pairs that a turn of the camera alone explains.
    """

    pairs: Array
    many: Array
    turned: Array

    def of(self, photo: int) -> int:
        """The most matches that a photo has with any other."""
        own = (self.pairs == photo).any(axis=1)
        return int(self.many[own].max(initial=0))


def library() -> ModuleType:
    """pycolmap, quiet; raises `ReadError` that names the extra where it is not installed."""
    pycolmap = need("pycolmap", "photos", "a folder of photos")
    # 0 tells all, 3 dies only: what goes wrong comes back as an exception
    pycolmap.logging.minloglevel = 3
    return pycolmap


def match(
    database: Path, photos: Sequence[PhotoFile], features: Sequence[Features], lens_of: Sequence[int],
    focals: Sequence[float], told: Told,
) -> Matches:  # fmt: skip
    """Write features and tested matches of all photos into a new ``database``; photo i has the number i + 1 there."""
    pycolmap = library()
    _write(pycolmap, database, photos, features, lens_of, focals)
    wanted = _overlapping(features)
    listed = database.with_suffix(".txt")
    for start in range(0, len(wanted), _AT_ONCE):
        some = wanted[start : start + _AT_ONCE]
        listed.write_text("".join(f"{_name(a)} {_name(b)}\n" for a, b in some), encoding="utf-8")
        pairing = pycolmap.ImportedPairingOptions()
        pairing.match_list_path = str(listed)
        pycolmap.match_image_pairs(
            str(database), _matching(pycolmap), pairing, _testing(pycolmap), device=pycolmap.Device.cpu
        )
        told((start + len(some)) / len(wanted))
    return _tested(pycolmap, database)


def _name(photo: int) -> str:
    return f"{photo:05d}"


def _matching(pycolmap: ModuleType) -> Any:
    options = pycolmap.FeatureMatchingOptions()
    options.use_gpu = False
    options.num_threads = 2
    return options


def _testing(pycolmap: ModuleType) -> Any:
    options = pycolmap.TwoViewGeometryOptions()
    options.ransac.random_seed = SEED
    options.detect_watermark = False
    return options


def _write(
    pycolmap: ModuleType, database: Path, photos: Sequence[PhotoFile], features: Sequence[Features],
    lens_of: Sequence[int], focals: Sequence[float],
) -> None:  # fmt: skip
    store = pycolmap.Database.open(str(database))
    try:
        rigs, cameras = [], []
        for lens, focal in enumerate(focals):
            photo = photos[lens_of.index(lens)]
            wide, high = photo.width, photo.height
            # centres of pixels are at halves there
            camera = pycolmap.Camera(model="RADIAL", width=wide, height=high, params=[focal, wide / 2, high / 2, 0, 0])
            camera.has_prior_focal_length = True
            cameras.append(store.write_camera(camera))
            rig = pycolmap.Rig()
            rig.add_ref_sensor(store.read_camera(cameras[-1]).sensor_id)
            rigs.append(store.write_rig(rig))
        for number, found in enumerate(features):
            image = pycolmap.Image(name=_name(number), camera_id=cameras[lens_of[number]])
            image = store.read_image(store.write_image(image))
            frame = pycolmap.Frame()
            frame.rig_id = rigs[lens_of[number]]
            frame.add_data_id(image.data_id)
            store.write_frame(frame)
            store.write_keypoints(image.image_id, (found.at + 0.5).astype(np.float32))
            kind = pycolmap.FeatureExtractorType.SIFT
            store.write_descriptors(image.image_id, pycolmap.FeatureDescriptors(kind, found.described))
    finally:
        store.close()


def _overlapping(features: Sequence[Features]) -> list[tuple[int, int]]:
    """Pairs of photos that may overlap, by how many of their strongest features are alike both ways."""
    every = list(combinations(range(len(features)), 2))
    if len(features) <= _ALL_UP_TO:
        return every
    looks = [_strongest(one) for one in features]
    return [(a, b) for a, b in every if _alike(looks[a], looks[b]) >= _FEWEST]


def _strongest(found: Features) -> Array:
    order = np.argsort(-found.size, kind="stable")[:_LOOKED_AT]
    described = found.described[order].astype(np.float32)
    strongest: Array = described / np.maximum(np.linalg.norm(described, axis=1, keepdims=True), 1e-9)
    return strongest


def _alike(one: Array, other: Array) -> int:
    """How many features have each other for their clearly nearest."""
    if min(len(one), len(other)) < 2:
        return 0
    distance = np.sqrt(np.maximum(2 - 2 * one @ other.T, 0))
    best = distance.argmin(axis=1)
    back = distance.argmin(axis=0)
    two = np.partition(distance, 1, axis=1)[:, :2]
    rows = np.arange(len(one))
    return int(((back[best] == rows) & (two[:, 0] < _ALIKE * two[:, 1])).sum())


def _tested(pycolmap: ModuleType, database: Path) -> Matches:
    store = pycolmap.Database.open(str(database))
    try:
        pairs, many, turned = [], [], []
        numbers, found = store.read_two_view_geometries()
        for number, geometry in zip(numbers, found, strict=True):
            first, second = pycolmap.pair_id_to_image_pair(number)
            pairs.append((first - 1, second - 1))
            many.append(len(geometry.inlier_matches))
            panoramic = pycolmap.TwoViewGeometryConfiguration.PANORAMIC
            turned.append(geometry.config == panoramic)
    finally:
        store.close()
    return Matches(np.array(pairs).reshape(-1, 2), np.array(many, np.int64), np.array(turned, bool))
