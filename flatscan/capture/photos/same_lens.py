"""Photos that do not fit the others once all are adjusted: another focus or zoom, shaken, or of something else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from flatscan.capture.photos.adjustment import Adjusted
from flatscan.capture.photos.photo_features import Features
from flatscan.capture.photos.photo_refusals import blurred, is_blurred
from flatscan.capture.photos.ties import Sights, Ties, seen_by
from flatscan.core.notes import Note, note
from flatscan.core.quantity import pixels, share

# a photo whose points miss by so many times what is usual does not belong to the rest
_MOST_TIMES = 3.0
# a focal length of its own that is off by so many u and by so much is another focus or zoom
_SURE, _REFOCUSED = 5.0, 0.004


def odd_photos(fitted: Adjusted, features: Sequence[Features]) -> dict[int, Note]:
    """Photos that do not fit, by number, and why."""
    off = fitted.sights.pixels - seen_by(fitted.ties, fitted.sights).pixels
    miss = np.hypot(*off.T)
    many = len(fitted.ties.turns)
    each = np.array([np.median(miss[fitted.sights.photo == i]) if (fitted.sights.photo == i).any() else np.inf
                     for i in range(many)])  # fmt: skip
    usual = float(np.median(each))
    found = dict[int, Note]()
    for i in range(many):
        change, u = own_focal(fitted, i)
        if abs(change) > max(_SURE * u, _REFOCUSED):
            found[i] = note("photo.refocused", off=share(change))
        elif each[i] > _MOST_TIMES * usual:
            if is_blurred(features[i], features):
                found[i] = blurred(features[i], float(np.median([one.sharp for one in features])))
            elif np.isfinite(each[i]):
                found[i] = note("photo.misses", off=pixels(float(each[i])), usual=pixels(usual))
            else:
                found[i] = note("photo.does-not-fit", count=0)
    # where many do not fit, it is the rest that is in doubt: nothing is taken away
    return found if len(found) <= many / 3 else {}


def own_focal(fitted: Adjusted, photo: int) -> tuple[float, float]:
    """By what share a photo's own focal length differs from its lens's, with u; its pose is free, points are held."""
    sights = fitted.sights.only(fitted.sights.photo == photo)
    if len(sights) < 20:
        return 0.0, np.inf
    slopes = seen_by(fitted.ties, sights)
    focal = fitted.ties.lenses[fitted.ties.lens_of[photo], 0]
    design = np.concatenate([slopes.pose, slopes.lens[:, :, :1] * focal], axis=2)
    design = (design / sights.sd[:, None, None]).reshape(-1, 7)
    rest = ((sights.pixels - slopes.pixels) / sights.sd[:, None]).ravel()
    normal = design.T @ design
    scale = np.sqrt(np.diag(normal))
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-10) / np.outer(scale, scale)
    # what misses by more than the others' u says no more about the lens
    scatter = max(1.0, float(np.sqrt((rest**2).mean())))
    return float((inverse @ (design.T @ rest))[6]), scatter * float(np.sqrt(inverse[6, 6]))


def without(fitted: Adjusted, photos: Sequence[int]) -> tuple[Ties, Sights]:
    """Ties and sights without some photos, and without points that are left to one."""
    ties, sights = fitted.ties, fitted.sights
    sights = sights.only(~np.isin(sights.photo, list(photos)))
    many = np.bincount(sights.point, minlength=len(ties.points))
    sights = sights.only(many[sights.point] > 1)
    kept = np.setdiff1d(np.arange(len(ties.turns)), list(photos))
    points, point = np.unique(sights.point, return_inverse=True)
    ties = Ties(ties.turns[kept], ties.centres[kept], ties.lenses, ties.lens_of[kept], ties.points[points],
                ties.labels[points])  # fmt: skip
    photo = np.searchsorted(kept, sights.photo)
    return ties, replace(sights, photo=photo.astype(np.int64), point=point.astype(np.int64))
