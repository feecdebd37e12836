"""A site's summary for its readers: a screen of words, one page, and tables; the numbers are those of its document.

Screen and page are made of the summary, whose notes and errors they say in the units asked for, tables of its document.
The page needs no network: figures in words, tone instead of colour, stop signs first.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from flatscan.core.notes import Note, note
from flatscan.core.phrase import command_line
from flatscan.core.quantity import Quantity, share
from flatscan.report.parts import in_short
from flatscan.report.say import Said, finished, say, trouble
from flatscan.report.sections.gap_section import ALL, as_restricted, decided
from flatscan.report.sections.plan_section import litres
from flatscan.report.tables import Cell, Column, Table, factor, unit_of

_TEMPLATE = "site.html.j2"
_SCREEN_WALLS, _SCREEN_ROOMS = 8, 5
_COUNTS = ("outside", "undecided", "within", "not_judged")
# a spreadsheet takes text that begins with one of these for a formula
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_WALLS = (
    *("floor", "room", "name", "part", "number", "trade", "decision", "criterion", "value_mm", "lower_mm", "upper_mm"),
    *("limit_mm", "restricted", "over_limit", "gap_mm", "gap_low_mm", "gap_high_mm", "u_gap_mm", "balanced_end_gap_mm"),
    *("balanced_end_gap_low_mm", "balanced_end_gap_high_mm"),
    *(
        "area_m2",
        "covered_share",
        "system",
        "mean_mm",
        "most_mm",
        "volume_l",
        "volume_low_l",
        "volume_high_l",
        "order_l",
    ),
    *("bags_low", "bags_high", "days", "price", "stops", "file", "sheets", "error"),
)
_ANSWERS = ("file", "setting", "answer", "proposals", "pictures", "why")
_ORDER = (
    Column("product", "product"),
    Column("unit", "sold as"),
    Column("kg", "weight"),
    Column("low", "needed from", 1),
    Column("high", "to", 1),
    Column("order", "ORDER", 1),
)
# what is done with the products of an order
_OF_AN_ORDER = frozenset({"mix", "lift", "all"})
_FLOORS = (
    Column("floor", "floor"),
    Column("product", "product"),
    Column("unit", "sold as"),
    Column("low", "from", 1),
    Column("high", "to", 1),
)


@dataclass(frozen=True, slots=True)
class JudgedBy:
    """A criterion by its ``name``, its ``value`` with its interval, None where it was not measured, and its ``limit``.

    The limit is said with what it is for, in the unit of its document. ``depends`` where it is undecided because two
    methods decide otherwise.
    """

    name: str | Note
    value: Quantity | None
    limit: Note
    depends: bool = False


@dataclass(frozen=True, slots=True)
class WallSaid:
    """What is kept of a wall to be said in anybody's units: its stop signs, and its verdict's criteria in order."""

    stops: tuple[Note, ...] = ()
    criteria: tuple[JudgedBy, ...] = ()


def site_lines(summary: dict[str, Any], units: str = "mm", *, every: bool = False) -> Iterator[str]:
    """A site's summary, a sentence a line: stop signs first, then decisions worst first, rooms, and the order.

    The worst walls, or ``every`` one.
    """
    return (say(text, units) for text in _sentences(summary, every))


def _sentences(summary: dict[str, Any], every: bool) -> Iterator[Said]:
    totals, walls = summary["totals"], summary["walls"]
    shown = len(walls) if every else _SCREEN_WALLS
    yield _opening(summary["site"], totals)
    for row in summary["failed"]:
        yield note("site.not-measured", title=row["title"], error=row["error"])
    waiting = {row["file"] for row in summary["questions"] if not row["answer"]}
    if waiting:
        yield note("site.asks", captures=len(waiting))
    if summary["kept"]:
        yield note("site.kept", walls=len(summary["kept"]), names=tuple(summary["kept"]))
    for row in summary["stops"]:
        yield note("site.stop", title=row["title"], stop=row["stop"])
    yield from (_wall(row) for row in walls[:shown])
    if len(walls) > shown:
        yield note("site.more-walls", walls=len(walls) - shown)
    worst = [row for row in summary["rooms"] if row["over_limit"] is not None][:_SCREEN_ROOMS]
    if len(worst) > 1:
        yield note("site.rooms", rooms=tuple(_room(row) for row in worst))
    yield from in_short(summary["cautions"])
    for row in summary["by_system"]:
        system = row["system"] or note("site.no-system")
        yield note("site.system", system=system, walls=row["walls"], volume=_volume(row))
    for row in summary["order"]:
        low, high, order = share(row["low"]), share(row["high"]), share(row["order"])
        yield note("site.order", product=row["product"], unit=row["unit"], order=order, low=low, high=high)
    yield note("report.record")
    yield note("site.not-examined", what=summary["not_examined"])


def _opening(site: str, totals: dict[str, Any]) -> Note:
    codes = (
        note("site.outside", walls=totals["outside"]),
        note("site.undecided", walls=totals["undecided"]),
        _within(totals),
        note("site.not-judged", walls=totals["not_judged"]),
    )
    counts = tuple(said for name, said in zip(_COUNTS, codes, strict=True) if totals[name])
    if not counts:
        return note("site.measured", site=site, walls=totals["walls"])
    return note("site.judged", site=site, walls=totals["walls"], counts=counts)


def _within(totals: dict[str, Any]) -> Note:
    """How many walls are within, and of how many of them a restricted test says so."""
    if totals["within_restricted"]:
        return note("site.within-restricted", walls=totals["within"], restricted=totals["within_restricted"])
    return note("site.within", walls=totals["within"])


def _wall(row: dict[str, Any]) -> Note:
    title, judged = row["title"], row["judged"]
    decision = _decision(row)
    if judged is not None and row["covered_share"] < ALL:
        decision = note("report.on-measured", decision=decision, measured=share(row["covered_share"]))
    if judged is None:
        return note("site.wall", title=title, gap=_measured(_quantity(row, "gap_mm")), decision=decision)
    value = _measured(judged.value)
    said = note(
        "site.wall-judged", title=title, decision=decision, criterion=judged.name, value=value, limit=judged.limit
    )
    balanced = _quantity(row, "balanced_end_gap_mm")
    if judged.name != "flatness" or balanced is None:
        return said
    return note("report.with-others", said=said, others=(note("report.balanced-gap", gap=balanced),))


def _decision(row: dict[str, Any]) -> Note:
    """A wall's decision in the words every sheet uses, or that nobody asked for one."""
    if row["decision"] == "not judged":
        return note("site.no-limit")
    said = note("report.depends") if row.get("depends_on_method") else decided(row["decision"])
    return as_restricted(said, row["restricted"], short=True)


def _room(row: dict[str, Any]) -> Note:
    words = tuple(word for word in (row["floor"], row["room"]) if word)
    return note("site.room", name=words or note("site.the-site"), ratio=share(row["over_limit"]))


def _quantity(row: dict[str, Any], key: str) -> Quantity | None:
    """The number under a key with the u beside it: the one place where a summary's numbers get their units back."""
    value, u = row[key], row.get(f"u_{key}")
    if value is None:
        return None
    name, _, unit = key.rpartition("_")
    ends = (row.get(f"{name}_{end}_{unit}") for end in ("low", "high"))
    low, high = (None if end is None else end / factor(key) for end in ends)
    return Quantity(value / factor(key), None if u is None else u / factor(key), unit_of(key), low, high)


def _measured(length: Quantity | None) -> Note:
    return note("report.unknown") if length is None else note("report.length-spread", length=length)


def _volume(row: dict[str, Any]) -> Note:
    """The volume of a row with what to order of it, as far as both are known."""
    volume = _quantity(row, "volume_l")
    if volume is None:
        return note("report.unknown")
    ends = (_quantity(row, key) for key in ("volume_low_l", "volume_high_l", "order_l"))
    low, high, order = (None if end is None else end.value for end in ends)
    return litres(volume, low, high, order)


def site_page(summary: dict[str, Any], units: str) -> str:
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
    place.filters |= {name: partial(_shown, words, units=units) for name, words in _WORDS.items()}
    place.filters["said"] = partial(say, manner=units)
    place.filters |= {"number": _number, "tone": _tone}
    tables = [
        (say(table.title, units), table.headings(units), table.texts(units), table.empty)
        for table in (_order(summary), _order_by_floor(summary))
    ]
    return place.get_template(_TEMPLATE).render(
        summary=summary,
        totals=summary["totals"],
        cautions=[finished(line, units) for line in in_short(summary["cautions"])],
        tables=tables,
        asks_title=note("site.asks-title"),
        asks_how=note("site.asks-how"),
        kept=note("site.kept", walls=len(summary["kept"]), names=tuple(summary["kept"])),
        record=note("report.record"),
        spread=note("sheet.spread"),
        not_examined=note("site.not-examined", what=summary["not_examined"]),
    )


def _shown(words: Callable[[dict[str, Any]], Said], row: dict[str, Any], *, units: str) -> str:
    return say(words(row), units)


def _gap(row: dict[str, Any]) -> Said:
    gap, rule = _measured(_quantity(row, "gap_mm")), _quantity(row, "rule_mm")
    return gap if rule is None else note("site.gap", gap=gap, rule=rule)


def _area(row: dict[str, Any]) -> Note:
    area = _quantity(row, "area_m2")
    return note("report.unknown") if area is None else note("site.area", area=area)


def _litres(row: dict[str, Any]) -> Note:
    """The volume of a row that has no ± of its own."""
    volume = _quantity(row, "volume_l")
    return note("report.unknown") if volume is None else note("report.volume-exact", volume=volume)


def _value(row: dict[str, Any]) -> Note:
    return note("report.unknown") if row["judged"] is None else _measured(row["judged"].value)


def _limit(row: dict[str, Any]) -> Note:
    return note("report.unknown") if row["judged"] is None else row["judged"].limit


# what stands in a cell of the page for a row of the summary
_WORDS: dict[str, Callable[[dict[str, Any]], Said]] = {
    "decision": _decision,
    "value": _value,
    "limit": _limit,
    "gap": _gap,
    "area": _area,
    "volume": _volume,
    "litres": _litres,
}


def _number(value: float | None, decimals: int = 1) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def _tone(over_limit: float | None) -> int:
    """Length of a bar in per cent: the limit at half, twice the limit and more at full."""
    return 0 if over_limit is None else round(min(max(over_limit, 0.0), 2.0) * 50)


def walls_csv(document: dict[str, Any]) -> str:
    """Every wall a line, worst first, then what could not be measured and why."""
    failed = [row | {"decision": "failed"} for row in document["failed"]]
    return _csv(_WALLS, [*document["walls"], *failed])


def order_csv(document: dict[str, Any]) -> str:
    """What to order, a product a line, after the cautions of who lifts and mixes it, with the mark !."""
    asked = [one for one in document["cautions"] if one["action"] in _OF_AN_ORDER]
    warned = [{"product": "!", "unit": one["text"]} for one in asked if document["order"]]
    return _csv(tuple(column.key for column in _ORDER), [*warned, *document["order"]])


def answers_csv(summary: dict[str, Any], units: str) -> str:
    """What captures leave open, a setting a line, with an empty cell for the answer; the reasons in ``units``."""
    manner = command_line(units)
    said = [{**row, "why": "" if row["why"] is None else trouble(row["why"], manner)} for row in summary["questions"]]
    return _csv(_ANSWERS, said)


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
    if isinstance(value, list):
        value = "; ".join(filter(None, value))
    if isinstance(value, str):
        text = " ".join(value.split())
        return f"'{text}" if text.startswith(_FORMULA) else text
    return "" if value is None else value
