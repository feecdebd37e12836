"""Lists that are not about one wall: the walls of a room, and the published tolerances."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, share
from flatscan.report.result_document import SCHEMA, plain_values
from flatscan.report.say import say
from flatscan.standards import Tolerance
from flatscan.wall import Corner, Room

WIDTH = 96
_PLAIN = ("id", "document", "edition", "clause", "criterion", "applies_to", "method", "interpolation")


def wall_list(room: Room) -> dict[str, object]:
    """The walls of a room as the document of ``survey --list --json``."""
    walls = [
        {"number": wall.number, "width_mm": wall.width, "height_mm": wall.height, "share": wall.share}
        for wall in room.walls
    ]
    corners = [
        {
            "left": corner.left,
            "right": corner.right,
            "angle_deg": corner.angle,
            "out_of_square_mm": corner.out_of_square,
            "u_out_of_square_mm": corner.u_out_of_square,
            "leg_mm": corner.leg,
        }
        for corner in room.corners
    ]
    return plain_values({"schema": SCHEMA, "walls": walls, "corners": corners, "warnings": list(room.notes)})


def wall_list_text(capture: str, room: Room, units: str) -> str:
    """The walls of a room, a line each, and how square they meet."""
    head = note("list.wall" if len(room.walls) == 1 else "list.walls", file=capture, walls=len(room.walls))
    lines = [say(head, units)]
    for wall in room.walls:
        code = "list.wall-with-openings" if wall.openings else "list.wall-of-room"
        size: dict[str, Any] = {"width": metres(wall.width), "height": metres(wall.height)}
        more: dict[str, Any] = {"openings": len(wall.openings)} if wall.openings else {}
        lines.append(f"  {say(note(code, None, number=wall.number, share=share(wall.share), **size, **more), units)}")
    lines += [f"  {say(_square(corner), units)}" for corner in room.corners]
    return "\n".join(lines)


def _square(corner: Corner) -> Note:
    between: dict[str, Any] = {"left": corner.left, "right": corner.right}
    if corner.out_of_square is None:
        return note("list.corner-not-known", None, **between)
    code = "list.corner-open" if corner.out_of_square > 0 else "list.corner-closed"
    return note(code, None, off=metres(abs(corner.out_of_square)), leg=metres(corner.leg), **between)


def tolerance_records(entries: Sequence[Tolerance]) -> dict[str, object]:
    """The entries as a document, lengths in mm."""
    rows = []
    for entry in entries:
        row: dict[str, object] = {name: getattr(entry, name) for name in _PLAIN}
        row |= {"lengths_mm": list(entry.lengths), "limits_mm": list(entry.limits)}
        rows.append(row | {"source": entry.source, "checked": entry.checked, "note": entry.note})
    return plain_values({"schema": SCHEMA, "tolerances": rows})


def tolerance_text(entries: Sequence[Tolerance], units: str) -> str:
    """The entries for reading: what, how much over how far, by which method, from where, how sure."""
    lines = []
    for entry in entries:
        pairs = tuple(
            note("list.limit-over", limit=metres(limit), length=metres(length))
            for length, limit in zip(entry.lengths, entry.limits, strict=True)
        )
        body = note(
            "list.tolerance-by" if entry.method else "list.tolerance",
            None,
            document=entry.document,
            edition=entry.edition,
            clause=entry.clause,
            criterion=entry.criterion,
            pairs=note("report.list-comma", parts=pairs),
            **({"method": entry.method} if entry.method else {}),
        )
        more = note("list.tolerance-for", applies=entry.applies_to, note=entry.note)
        source = note("list.checked", checked=entry.checked, source=entry.source)
        lines += [entry.id, *(part for text in (body, more, source) for part in _wrapped(say(text, units).strip()))]
    lines += [say(note("list.from-memory"), units), say(note("list.contract-governs"), units)]
    return "\n".join(lines)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="    ", subsequent_indent="    ")
