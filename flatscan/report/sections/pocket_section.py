"""Chases filled first and priced apart, and the answers without readings that are doubted."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import cubic_metres, metres
from flatscan.core.unlikely import Without
from flatscan.jobs import Planned, Survey
from flatscan.report.tables import AT, Column, Table

_UNREAD = Unknown("unknown.pocket-unread")


def pocket_table(plan: Planned) -> Table:
    """Every chase with what fills it flush with the wall around, and what the coats take over it."""
    rows = tuple(
        (
            fill.place.left,
            fill.place.bottom,
            fill.place.width,
            fill.place.height,
            fill.depth,
            fill.area,
            None if fill.fill is None else fill.fill.value,
            None if fill.fill is None else fill.fill.u,
            fill.coat,
            "no" if fill.likely else "yes",
        )
        for fill in plan.pockets
    )
    columns = (
        Column("left_mm", "from left"),
        Column("bottom_mm", "up"),
        Column("width_mm", "width"),
        Column("height_mm", "height"),
        Column("depth_mm", "deep", 0, _UNREAD),
        Column("area_m2", "area", 2),
        Column("litres", "fill first", 1, _UNREAD),
        Column("u_litres", "±", 1, _UNREAD, spread=True),
        Column("coat_litres", "coats over it", 1),
        Column("named", "named"),
    )
    return Table("pocket_fills", "Chases: fill first, priced apart", columns, rows, "no chase")


def pocket_words(plan: Planned) -> Iterator[Note]:
    """What fills the chases, in one sentence each."""
    for fill in plan.pockets:
        at, size = (fill.place.left, fill.place.bottom), {"coat": cubic_metres(fill.coat)}
        if fill.fill is None or fill.depth is None:
            yield note("report.pocket-unread", at, **size)
        else:
            yield note("report.pocket", at, depth=metres(fill.depth), fill=fill.fill, **size)


def without_table(found: Survey) -> Table:
    """The answers without each doubted reading and those before it."""
    rows = tuple(_row(one) for one in found.without)
    columns = (
        *AT,
        Column("reading_mm", "reads", 1),
        Column("meant_mm", "meant?", 1, Unknown("unknown.not-explained")),
        Column("volume_l", "volume without it"),
        Column("order_l", "order", 0, Unknown("unknown.u-volume")),
        Column("price", "price", 2, Unknown("unknown.no-rates")),
    )
    return Table("without", "Without the readings in doubt", columns, rows, "no reading is in doubt")


def _row(one: Without) -> tuple[float | None, ...]:
    reading = one.reading
    return reading.x, reading.y, reading.reading, reading.meant, one.volume.value, one.order, one.price
