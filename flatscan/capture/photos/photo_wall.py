"""A folder of plain photos as points on its wall: placed in space, measured by parallax, checked like any capture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from flatscan.capture.checks import checked_cloud
from flatscan.capture.depth_photo import OneBlock
from flatscan.capture.photos.bundle import Bundle, Placed
from flatscan.capture.photos.photo_format import digest_of_photos
from flatscan.capture.photos.photo_placing import DOUBTING, LOOKING, PAIRING, PLACING, place_photos
from flatscan.capture.photos.photo_points import photo_points
from flatscan.capture.photos.photo_setup import photo_setup
from flatscan.capture.photos.wall_edges import within_edges
from flatscan.capture.source import PointSource
from flatscan.core.model import Cloud
from flatscan.core.notes import note

# where nothing tells a length, photos are taken to be this far off at first [m] (common practice: 1.5 to 2.5 m)
FIRST_DISTANCE = 2.0
# of all the work, placing takes about so much; where each of its stages begins and how long it is
_PLACING = 0.5
_STAGES = {LOOKING: (0.0, 0.4), PAIRING: (0.4, 0.4), PLACING: (0.8, 0.15), DOUBTING: (0.95, 0.05)}
Told = Callable[[float], None]


def open_photos(folder: Path, told: Told | None = None, *, sized: bool = False) -> PointSource:
    """Points on the wall that a folder of photos shows, x along it, y up and z toward the room [m].

    Lengths are metres unless ``photographed.scale`` is None: then ``sized`` says that the wall's size, given elsewhere,
    will tell them, and the photos are taken to be `FIRST_DISTANCE` off. Raises what placing and measuring raise.
    """
    tell = told or (lambda _: None)
    setup = photo_setup(folder)
    taped = setup.width is not None or setup.height is not None

    def placing(stage: str, part: float) -> None:
        start, size = _STAGES.get(stage, (0.0, 1.0))
        tell(_PLACING * (start + size * part))

    bundle = place_photos(folder, placing, scale_elsewhere=sized or taped)
    if not bundle.scale_known:
        distance = float(np.median([one.centre[2] for one in bundle.photos]))
        bundle = made_longer(bundle, FIRST_DISTANCE / distance)
    source = photo_points(bundle, lambda part: tell(_PLACING + (1 - _PLACING) * part))
    assert source.photographed is not None
    seen = replace(source.photographed, name=setup.name, width=setup.width, height=setup.height)
    points = np.concatenate([block.points for block in source.blocks()])
    points = points[within_edges(points)]
    # where few photos see it points thin out, and what is cut off there is in no share of what was measured
    said = (*source.warnings, note("placed.edges"))
    return replace(source, count=len(points), blocks=OneBlock(points), photographed=seen, warnings=said)


def read_photos(
    folder: Path,
    *,
    max_points: int | None = None,
    crop: tuple[float, ...] | None = None,
    told: Told | None = None,
    sized: bool = False,
) -> Cloud:
    """The folder as a checked cloud; raises what `open_photos` and `checked_cloud` raise."""
    digest = digest_of_photos(folder)
    source = open_photos(folder, told, sized=sized)
    cloud = checked_cloud(folder, source, lambda: digest, max_points=max_points, crop=crop)
    return replace(cloud, origin=replace(cloud.origin, file=folder.resolve().name))


def made_longer(bundle: Bundle, factor: float) -> Bundle:
    """The same photos with all lengths ``factor`` times as long, about the origin."""

    def longer(photos: tuple[Placed, ...]) -> tuple[Placed, ...]:
        return tuple(replace(one, centre=one.centre * factor) for one in photos)

    return replace(
        bundle,
        photos=longer(bundle.photos),
        points=bundle.points * factor,
        targets=bundle.targets * factor,
        modes=tuple(longer(mode) for mode in bundle.modes),
    )
