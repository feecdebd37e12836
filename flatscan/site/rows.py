"""The summary as tables: columns for CSV and for the page, each made once."""

from __future__ import annotations

import csv
import io
from typing import Any

from flatscan.report.tables import Cell, Column, Table

_WALLS = (
    Column("floor", "floor"), Column("room", "room"), Column("name", "capture"), Column("part", "part"),
    Column("number", "wall"), Column("trade", "trade"), Column("decision", "decision"),
    Column("criterion", "criterion"), Column("value_mm", "measured", 1), Column("upper_mm", "upper bound", 1),
    Column("limit_mm", "limit", 1), Column("over_limit", "upper bound over limit", 2), Column("gap_mm", "gap", 1),
    Column("u_gap_mm", "u of the gap", 1), Column("area_m2", "area", 1), Column("covered_share", "measured share", 2),
    Column("system", "system"), Column("mean_mm", "mean", 1), Column("most_mm", "most", 1),
    Column("volume_l", "volume"), Column("u_volume_l", "u of it"), Column("bags_low", "bags from", 1),
    Column("bags_high", "to", 1), Column("days", "days", 1), Column("price", "price", 2),
    Column("stops", "stop signs"), Column("file", "file"), Column("sheets", "sheets"),
    Column("error", "why not measured"),
)  # fmt: skip
_ORDER = (
    Column("product", "product"), Column("unit", "sold as"), Column("kg", "kg"), Column("low", "wanted from", 1),
    Column("high", "to", 1), Column("order", "ORDER", 1),
)  # fmt: skip
_FLOORS = (
    Column("floor", "floor"), Column("product", "product"), Column("unit", "sold as"), Column("low", "from", 1),
    Column("high", "to", 1),
)  # fmt: skip
# a spreadsheet takes text that begins with one of these for a formula
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def walls_csv(made: dict[str, Any]) -> str:
    """Every wall a line, worst first, then what could not be measured and why."""
    failed = [row | {"decision": "failed"} for row in made["failed"]]
    return _csv([column.key for column in _WALLS], [*made["walls"], *failed])


def order_csv(made: dict[str, Any]) -> str:
    """What to order, a product a line."""
    return _csv([column.key for column in _ORDER], made["order"])


def order(made: dict[str, Any]) -> Table:
    """What to order for the whole site."""
    return _table("order", "Order for the whole site", _ORDER, made["order"], "nothing to order was worked out")


def order_by_floor(made: dict[str, Any]) -> Table:
    """Where the order goes."""
    rows = made["order_by_floor"]
    return _table("order_by_floor", "Where it goes, in fractions of bags", _FLOORS, rows, "nothing was worked out")


def _table(name: str, title: str, columns: tuple[Column, ...], rows: list[dict[str, Any]], empty: str) -> Table:
    cells: tuple[tuple[Cell, ...], ...] = tuple(tuple(row.get(c.key) for c in columns) for row in rows)
    return Table(name, title, columns, cells, empty)


def _csv(keys: list[str], rows: list[dict[str, Any]]) -> str:
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
