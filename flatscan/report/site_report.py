"""A site's summary for its readers: a screen of words, one page, and tables; the numbers are those of its document.

The page needs no network: figures in words, tone instead of colour, stop signs first.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres, share, square_metres
from flatscan.plan.stops import WET_CEMENT
from flatscan.report.say import Said, say
from flatscan.report.tables import Cell, Column, Table

_TEMPLATE = "site.html.j2"
_SCREEN_WALLS, _SCREEN_ROOMS = 8, 5
_COUNTS = ("outside", "undecided", "within", "not_judged")
# a spreadsheet takes text that begins with one of these for a formula
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_WALLS = (
    *("floor", "room", "name", "part", "number", "trade", "decision", "criterion", "value_mm", "upper_mm", "limit_mm"),
    *("over_limit", "gap_mm", "u_gap_mm", "area_m2", "covered_share", "system", "mean_mm", "most_mm", "volume_l"),
    *("u_volume_l", "bags_low", "bags_high", "days", "price", "stops", "file", "sheets", "error"),
)
_ORDER = (
    Column("product", "product"),
    Column("unit", "sold as"),
    Column("kg", "kg"),
    Column("low", "wanted from", 1),
    Column("high", "to", 1),
    Column("order", "ORDER", 1),
)
_FLOORS = (
    Column("floor", "floor"),
    Column("product", "product"),
    Column("unit", "sold as"),
    Column("low", "from", 1),
    Column("high", "to", 1),
)


def site_lines(document: dict[str, Any], units: str = "mm") -> Iterator[str]:
    """A site's summary, a sentence a line: stop signs first, then decisions worst first, rooms, and the order."""
    return (say(text, units) for text in _sentences(document))


def _sentences(document: dict[str, Any]) -> Iterator[Said]:
    totals, walls = document["totals"], document["walls"]
    yield _opening(document["site"], totals)
    for row in document["failed"]:
        yield note("site.not-measured", title=row["title"], error=row["error"])
    for row in document["stops"]:
        yield note("site.stop", title=row["title"], stop=row["stop"])
    yield from (_wall(row) for row in walls[:_SCREEN_WALLS])
    if len(walls) > _SCREEN_WALLS:
        yield note("site.more-walls", walls=len(walls) - _SCREEN_WALLS)
    worst = [row for row in document["rooms"] if row["over_limit"] is not None][:_SCREEN_ROOMS]
    if len(worst) > 1:
        yield note("site.rooms", rooms=tuple(_room(row) for row in worst))
    if document["by_system"]:
        yield note("report.before-hacking")
        yield note("report.before-work")
    for row in document["by_system"]:
        system = row["system"] or note("site.no-system")
        yield note("site.system", system=system, walls=row["walls"], volume=_volume(row))
    for row in document["order"]:
        low, high, order = share(row["low"]), share(row["high"]), share(row["order"])
        yield note("site.order", product=row["product"], unit=row["unit"], order=order, low=low, high=high)
    yield note("report.record")
    yield note("site.not-examined", what=document["not_examined"])


def _opening(site: str, totals: dict[str, Any]) -> Note:
    codes = (
        note("site.outside", walls=totals["outside"]),
        note("site.undecided", walls=totals["undecided"]),
        note("site.within", walls=totals["within"]),
        note("site.not-judged", walls=totals["not_judged"]),
    )
    counts = tuple(said for name, said in zip(_COUNTS, codes, strict=True) if totals[name])
    if not counts:
        return note("site.measured", site=site, walls=totals["walls"])
    return note("site.judged", site=site, walls=totals["walls"], counts=counts)


def _wall(row: dict[str, Any]) -> Note:
    title, decision = row["title"], row["decision"]
    if row["criterion"] is None:
        return note("site.wall", title=title, gap=_length(row["gap_mm"]), decision=decision)
    value, limit = _length(row["value_mm"]), _length(row["limit_mm"])
    return note(
        "site.wall-judged", title=title, criterion=row["criterion"], decision=decision, value=value, limit=limit
    )


def _room(row: dict[str, Any]) -> Note:
    words = tuple(word for word in (row["floor"], row["room"]) if word)
    return note("site.room", name=words or note("site.the-site"), ratio=share(row["over_limit"]))


def _length(value: float | None, code: str = "report.length-fine") -> Note:
    """A length of the document [mm] in words."""
    return note("report.unknown") if value is None else note(code, length=metres(value / 1000))


def _volume(row: dict[str, Any]) -> Note:
    """The volume of a row [l] with its expanded uncertainty, as far as both are known."""
    value, u = row["volume_l"] or 0.0, row["u_volume_l"] or 0.0
    return note("report.volume-spread" if u else "report.volume-exact", volume=Quantity(value / 1000, u / 1000, "m3"))


def site_page(document: dict[str, Any], units: str) -> str:
    """The page of a site's summary in ``units`` "mm" or "in"; whatever its users wrote is shown as text, never run."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    place = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    shown: dict[str, Callable[..., str]] = {"said": _said, "litres": _litres, "spread": _spread, "area": _area}
    place.filters |= {name: partial(function, units=units) for name, function in shown.items()}
    place.filters |= {"number": _number, "tone": _tone}
    wet: tuple[Said, ...] = (note("report.before-hacking"), WET_CEMENT) if document["by_system"] else ()
    tables = [
        (say(table.title, units), table.headings(units), table.texts(units), table.empty)
        for table in (_order(document), _order_by_floor(document))
    ]
    return place.get_template(_TEMPLATE).render(
        document=document,
        totals=document["totals"],
        cautions=[say(caution, units) for caution in wet],
        tables=tables,
        record=say(note("report.record"), units),
        not_examined=say(note("site.not-examined", what=document["not_examined"]), units),
    )


def _said(value: float | None, decimals: int = 1, *, units: str) -> str:
    return say(_length(value, "report.length-fine" if decimals else "report.length"), units)


def _litres(value: float | None, *, units: str) -> str:
    if value is None:
        return say(note("report.unknown"), units)
    return say(note("report.volume-exact", volume=Quantity(value / 1000, None, "m3")), units)


def _area(value: float | None, *, units: str) -> str:
    return say(note("report.unknown") if value is None else note("site.area", area=square_metres(value)), units)


def _number(value: float | None, decimals: int = 1) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def _spread(row: dict[str, Any], *, units: str) -> str:
    """A volume with its expanded uncertainty (k = 2)."""
    if row["volume_l"] is None:
        return say(note("report.unknown"), units)
    if row["u_volume_l"] is not None:
        return say(_volume(row), units)
    return say(note("report.volume-spread", volume=Quantity(row["volume_l"] / 1000, None, "m3")), units)


def _tone(over_limit: float | None) -> int:
    """Length of a bar in per cent: the limit at half, twice the limit and more at full."""
    return 0 if over_limit is None else round(min(max(over_limit, 0.0), 2.0) * 50)


def walls_csv(document: dict[str, Any]) -> str:
    """Every wall a line, worst first, then what could not be measured and why."""
    failed = [row | {"decision": "failed"} for row in document["failed"]]
    return _csv(_WALLS, [*document["walls"], *failed])


def order_csv(document: dict[str, Any]) -> str:
    """What to order, a product a line."""
    return _csv(tuple(column.key for column in _ORDER), document["order"])


def _order(document: dict[str, Any]) -> Table:
    """What to order for the whole site."""
    empty = say(note("site.no-order"))
    return _table("order", note("site.order-title"), _ORDER, document["order"], empty)


def _order_by_floor(document: dict[str, Any]) -> Table:
    """Where the order goes."""
    empty = say(note("site.no-floors"))
    return _table("order_by_floor", note("site.floors-title"), _FLOORS, document["order_by_floor"], empty)


def _table(name: str, title: Said, columns: tuple[Column, ...], rows: list[dict[str, Any]], empty: str) -> Table:
    cells: tuple[tuple[Cell, ...], ...] = tuple(tuple(row.get(c.key) for c in columns) for row in rows)
    return Table(name, title, columns, cells, empty)


def _csv(keys: tuple[str, ...], rows: list[dict[str, Any]]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(keys)
    writer.writerows([_safe(row.get(key)) for key in keys] for row in rows)
    return stream.getvalue()


def _safe(value: object) -> object:
    if isinstance(value, str):
        text = " ".join(value.split())
        return f"'{text}" if text.startswith(_FORMULA) else text
    return "" if value is None else value
