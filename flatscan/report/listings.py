"""Lists that are not about one wall: the walls of a room, and the published tolerances."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from flatscan.report import words
from flatscan.report.numbers import record
from flatscan.report.say import spoken
from flatscan.standards import Tolerance
from flatscan.wall import Corner, Room

SCHEMA = 1
WIDTH = 96


def wall_list(room: Room) -> dict[str, object]:
    """The walls of a room as the document of ``survey --list --json``."""
    room = spoken(room)
    walls = [
        record({"number": wall.number, "width_mm": wall.width, "height_mm": wall.height, "share": wall.share})
        for wall in room.walls
    ]
    corners = [
        record({
            "left": corner.left, "right": corner.right, "angle_deg": corner.angle,
            "out_of_square_mm": corner.out_of_square, "u_out_of_square_mm": corner.u_out_of_square,
            "leg_mm": corner.leg,
        })
        for corner in room.corners
    ]  # fmt: skip
    return {"schema": SCHEMA, "walls": walls, "corners": corners, "warnings": list(room.notes)}


def wall_list_text(capture: str, room: Room, units: str) -> str:
    """The walls of a room, a line each, and how square they meet."""
    lines = [f"{capture}: {len(room.walls)} wall{'s' if len(room.walls) > 1 else ''}"]
    for wall in room.walls:
        size = f"{words.length(wall.width, units)} x {words.length(wall.height, units)}"
        openings = f", openings: {len(wall.openings)}" if wall.openings else ""
        lines.append(f"  wall {wall.number}: {size}, {wall.share:.0%} of the points{openings}")
    for corner in room.corners:
        lines.append(f"  corner of walls {corner.left} and {corner.right}: {_off_square(corner, units)}")
    return "\n".join(lines)


def _off_square(corner: Corner, units: str) -> str:
    if corner.out_of_square is None:
        return "how square is not known"
    off = words.length(abs(corner.out_of_square), units, decimals=1)
    way = "open" if corner.out_of_square > 0 else "closed"
    return f"{off} {way} over {words.length(corner.leg, units)} from square"


def tolerance_records(entries: Sequence[Tolerance]) -> dict[str, object]:
    """The entries as a document, lengths in mm."""
    rows = []
    for entry in entries:
        plain = ("id", "document", "edition", "clause", "criterion", "applies_to", "method", "interpolation")
        row: dict[str, object] = {name: getattr(entry, name) for name in plain}
        row |= {"lengths_mm": [round(at * 1000, 3) for at in entry.lengths]}
        row |= {"limits_mm": [round(at * 1000, 3) for at in entry.limits]}
        rows.append(row | {"source": entry.source, "checked": entry.checked, "note": entry.note})
    return {"schema": SCHEMA, "tolerances": rows}


def tolerance_text(entries: Sequence[Tolerance], units: str) -> str:
    """The entries for reading: what, how much over how far, by which method, from where, how sure."""
    lines = []
    for entry in entries:
        pairs = [
            f"{words.length(limit, units, decimals=1).replace('.0 mm', ' mm')} in {words.length(length, units)}"
            for length, limit in zip(entry.lengths, entry.limits, strict=True)
        ]
        method = f", {entry.method}" if entry.method else ""
        lines.append(f"{entry.id}")
        body = f"{entry.document}, {entry.edition}; {entry.clause}. {entry.criterion}{method}: {', '.join(pairs)}."
        more = f"For {entry.applies_to}. {entry.note}".strip()
        lines += [*_wrapped(body), *_wrapped(more), *_wrapped(f"Checked: {entry.checked}. {entry.source}.")]
    lines.append("A tolerance from memory gives numbers but no decision.")
    lines.append("The contract's own document and edition govern.")
    return "\n".join(lines)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="    ", subsequent_indent="    ")
