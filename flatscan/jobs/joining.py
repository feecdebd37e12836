"""Several captures of one wall as one: do they show it, where do they meet, and how far apart."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

import numpy as np

from flatscan import wall as walls
from flatscan.core.errors import MixedSurveys, TooFewPoints
from flatscan.core.model import Cloud, Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import COVER, degrees, metres, square_metres
from flatscan.relief import Mosaic, grid, lie_together, with_seams
from flatscan.relief.overlaps import LEAST_AREA, Overlap, plane_apart

# captures whose surfaces lie further apart, or turned by more, do not show one wall [m, rad]
APART, TURNED = 0.05, np.radians(2.0)
_SURE_OF_TURN = 0.3
_ONE_SIDED = 0.95
_SLAB = 0.05


def room_of_all(cloud: Cloud, find: Callable[..., walls.Room], *, levels: bool = True) -> walls.Room:
    """The walls of a cloud; of one put together, no levels that are only how two captures differ.

    Two sweeps that lie beside each other and do not meet look like a wall on two levels. Without ``levels`` every wall
    is whole.
    """
    room = find(cloud, levels=levels)
    if levels and cloud.members and any(_by_capture(wall, room, cloud) for wall in room.walls if wall.part == "a"):
        return find(cloud, levels=False)
    return room


def _by_capture(wall: Wall, room: walls.Room, cloud: Cloud) -> bool:
    """Whether each capture lies on one part only of a wall on several levels, and not all on the same."""
    parts = [one for one in room.walls if one.number == wall.number]
    most = []
    for member in cloud.members:
        counts = np.array([walls.points_near(member, part, _SLAB / 4) for part in parts])
        if counts.sum() == 0:
            continue
        if counts.max() < _ONE_SIDED * counts.sum():
            return False
        most.append(int(counts.argmax()))
    return len(set(most)) > 1


def put_together(cloud: Cloud, wall: Wall, relief: Relief, span: float) -> tuple[Relief, Mosaic, tuple[Note, ...]]:
    """A wall's relief with the common error of its captures, how they lie together, and what must be said of it.

    Raises `MixedSurveys` where a capture does not show the wall.
    """
    reliefs = [_own(member, wall, relief) for member in cloud.members]
    files = [member.origin.file for member in cloud.members]
    together = lie_together(files, reliefs, span)
    _refuse_apart(together, reliefs)
    notes = (*_covered_notes(together), *_overlap_notes(together), *_loose_notes(together, relief))
    return with_seams(relief, reliefs, together), together, notes


def _own(member: Cloud, wall: Wall, relief: Relief) -> Relief:
    """One capture's own relief on the cells of all; raises `MixedSurveys` where it has nothing there."""
    own: Relief | None = None
    with suppress(TooFewPoints):
        own, _ = grid(member, wall, relief.common, cell=relief.grain)
    if own is None or float(own.area[own.valid].sum()) < LEAST_AREA:
        raise _stranger(member, wall)
    return own


def _stranger(member: Cloud, wall: Wall) -> MixedSurveys:
    nearest = walls.nearest_surface(member, wall)
    needed = "captures that show one wall, within {most:length} and {turned:angle}"
    remedy = "Choose the wall with {set:wall}, or leave this capture out where it has coordinates of its own"
    values: dict[str, object] = {"wall": wall.name, "most": metres(APART), "turned": degrees(float(np.degrees(TURNED)))}
    values |= {"width": metres(wall.width), "height": metres(wall.height)}
    if nearest is None:
        found = "nothing on wall {wall} of all ({width:length} x {height:length}), and no surface that faces its way"
        return MixedSurveys(member.origin.file, found, needed=needed, remedy=remedy, **values)
    found = (
        "next to nothing on wall {wall} of all ({width:length} x {height:length}); its nearest surface that faces "
        "that way lies {off:length} off, turned by {angle:angle.1}"
    )
    values |= {"off": metres(nearest[0]), "angle": degrees(float(np.degrees(nearest[1])))}
    return MixedSurveys(member.origin.file, found, needed=needed, remedy=remedy, **values)


def _refuse_apart(together: Mosaic, reliefs: list[Relief]) -> None:
    """Refuse captures whose surfaces lie too far apart to be of one wall."""
    for one in together.overlaps:
        if abs(one.mean) > APART:
            raise _apart(together, one.one, one.two, one.mean, float(np.arctan(np.hypot(one.along, one.up))))
    for number in range(1, len(reliefs)):
        if float(reliefs[number].area[reliefs[number].valid].sum()) < _SURE_OF_TURN:
            continue
        off, angle = plane_apart(reliefs[0], reliefs[number])
        loose = number + 1 in together.loose
        if angle > TURNED or (loose and abs(off) > APART):
            raise _apart(together, 1, number + 1, off, angle)


def _apart(together: Mosaic, one: int, two: int, off: float, angle: float) -> MixedSurveys:
    return MixedSurveys(
        together.files[two - 1],
        "its wall lies {off:length.1} off that of {other}, turned by {angle:angle.1}",
        needed="captures that show one wall, within {most:length} and {turned:angle}",
        remedy="Leave it out, or line the captures up again and export them with shared coordinates",
        other=together.files[one - 1],
        off=metres(abs(off)),
        angle=degrees(float(np.degrees(angle))),
        most=metres(APART),
        turned=degrees(float(np.degrees(TURNED))),
    )


def _covered_notes(together: Mosaic) -> list[Note]:
    parts = tuple(
        note(
            "jobs.covers",
            None,
            file=file,
            left=metres(box[0]),
            right=metres(box[2]),
            bottom=metres(box[1]),
            top=metres(box[3]),
        )
        for file, box in ((name, one.box) for name, one in zip(together.files, together.covered, strict=True))
    )
    return [note("jobs.same-wall", captures=len(together.files), parts=parts)]


def _overlap_notes(together: Mosaic) -> list[Note]:
    return [_said_of(together, one) for one in together.overlaps]


def _said_of(together: Mosaic, one: Overlap) -> Note:
    """How two captures meet, at the middle of their overlap."""
    apart = max(abs(one.mean), one.large)
    meets = together.doubled is None or apart < together.doubled * (1 - 1e-9)
    more = {} if meets else {"apart": metres(apart)}
    return note(
        "jobs.meet" if meets else "jobs.do-not-meet",
        one.middle,
        file=together.files[one.one - 1],
        other=together.files[one.two - 1],
        mean=metres(one.mean),
        rms=metres(one.rms),
        area=square_metres(one.area),
        **more,
    )


def _loose_notes(together: Mosaic, relief: Relief) -> list[Note]:
    files = tuple(together.files[number - 1] for number in together.loose)
    if not files:
        return []
    return [note("jobs.nothing-ties", files=files, u=metres(COVER * relief.common.u_offset))]
