"""The summary as one page that needs no network: figures in words, tone instead of colour, stop signs first."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from flatscan.report import words
from flatscan.site import rows

_TEMPLATE = "page.html.j2"


def html(made: dict[str, Any], units: str) -> str:
    """The page of a site's summary in ``units`` "mm" or "in"; whatever its users wrote is shown as text, never run."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    place = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True,
    )  # fmt: skip
    said: dict[str, Callable[..., str]] = {"said": _length, "litres": _litres, "spread": _spread, "area": _area}
    place.filters |= {name: partial(function, units=units) for name, function in said.items()}
    place.filters |= {"number": _number, "tone": _tone}
    cautions = [words.BEFORE_HACKING, words.BEFORE_FILLING] if made["by_system"] else []
    tables = [(table.title, table.headings(units), table.texts(units), table.empty)
              for table in (rows.order(made), rows.order_by_floor(made))]  # fmt: skip
    return place.get_template(_TEMPLATE).render(
        made=made,
        totals=made["totals"],
        cautions=cautions,
        tables=tables,
        record=words.RECORD,
        decisions=words.DECISIONS,
    )


def _length(value: float | None, decimals: int = 1, *, units: str) -> str:
    return words.length(None if value is None else value / 1000, units, decimals=decimals)


def _litres(value: float | None, *, units: str) -> str:
    return "not known" if value is None else words.volume(value / 1000, 0.0, units)


def _area(value: float | None, *, units: str) -> str:
    return "not known" if value is None else words.area(value, units)


def _number(value: float | None, decimals: int = 1) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def _spread(row: dict[str, Any], *, units: str) -> str:
    """A volume with its expanded uncertainty (k = 2)."""
    if row["volume_l"] is None:
        return "not known"
    u = row["u_volume_l"]
    return words.volume(row["volume_l"] / 1000, None if u is None else u / 1000, units)


def _tone(over_limit: float | None) -> int:
    """Length of a bar in per cent: the limit at half, twice the limit and more at full."""
    return 0 if over_limit is None else round(min(max(over_limit, 0.0), 2.0) * 50)
