"""The scale of photos of a wall from its own taped width or height, where nothing on the photos tells it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array
from flatscan.core.model import Cloud
from flatscan.core.notes import note
from flatscan.core.photographed import Photographed
from flatscan.core.quantity import metres
from flatscan.jobs.settings import Capturing
from flatscan.wall import Room

WIDTH, HEIGHT = "width", "height"
# u of a tape over a wall, and of an edge found in the points [m] (engineering estimates)
_U_TAPE, _U_EDGE = 0.002, 0.004
# a wall is found anew where its scale was off: its outline follows cells of a fixed size
_ROUNDS, _SETTLED = 3, 2e-4


def own_title(cloud: Cloud) -> str:
    """What the capture itself calls its wall."""
    named = cloud.swept or cloud.photographed
    return "" if named is None else named.name


def with_taped_scale(cloud: Cloud, how: Capturing, find_room: Callable[[Cloud, Capturing], Room]) -> Cloud:
    """Points of photos in metres: as they are where the photos tell lengths, else by the wall's taped size.

    The width decides where both are taped; the height then checks it. ``find_room`` finds the walls of a cloud as
    settings say. Raises `ReadError` where no length is known at all.
    """
    seen = cloud.photographed
    if seen is None or seen.scale is not None:
        return cloud
    side, length = _taped(cloud, seen, how)
    found, u = cloud, math.hypot(_U_TAPE, math.sqrt(2) * _U_EDGE) / length
    unsized = replace(how, width=None, height=None)
    for _ in range(_ROUNDS):
        walls = find_room(found, unsized).walls
        wall = next((one for one in walls if one.number == how.wall), walls[0])
        factor = length / (wall.width if side == WIDTH else wall.height)
        found = _longer(found, factor)
        if abs(factor - 1) < _SETTLED:
            break
    said = note("photo.scale-by-outline", side=note(f"wall.{side}"), length=metres(length))
    assert found.photographed is not None
    return replace(
        found,
        origin=replace(found.origin, warnings=(*found.origin.warnings, said)),
        photographed=replace(found.photographed, scale=u, sized_by=side),
    )


def checking_sizes(cloud: Cloud, how: Capturing) -> tuple[float | None, float | None]:
    """Taped width and height [m] that check a scale: without the one that told it."""
    by = "" if cloud.photographed is None else cloud.photographed.sized_by
    return None if by == WIDTH else how.width, None if by == HEIGHT else how.height


def _taped(cloud: Cloud, seen: Photographed, how: Capturing) -> tuple[str, float]:
    """Which side was taped, and its length [m]; what is given wins over what is written beside the photos."""
    for width, height in ((how.width, how.height), (seen.width, seen.height)):
        if width is not None:
            return WIDTH, width
        if height is not None:
            return HEIGHT, height
    raise ReadError(
        cloud.origin.file,
        "photos that show no length: how large the wall is cannot be told",
        needed="one taped length: {set:width}, {set:height}, or targets with places or distances",
        remedy="Tape the wall's width from edge to edge and give it with {set:width}",
    )


def _longer(cloud: Cloud, factor: float) -> Cloud:
    """All lengths of a cloud of photos ``factor`` times as long."""
    seen, chunks = cloud.photographed, cloud.chunks
    assert seen is not None

    def longer() -> Iterator[Array]:
        for points in chunks():
            yield points * factor

    return replace(
        cloud,
        sample=cloud.sample * factor,
        chunks=longer,
        shift=cloud.shift * factor,
        u_step=cloud.u_step * factor,
        stands=None if cloud.stands is None else cloud.stands * factor,
        photographed=seen.made_longer(factor),
    )
