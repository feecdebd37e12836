"""The summary in words for one screen."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from flatscan.report import words

_WALLS, _ROOMS = 8, 5


def lines(made: dict[str, Any], units: str = "mm") -> Iterator[str]:
    """A site's summary, a sentence a line: stop signs first, then decisions worst first, rooms, and the order."""
    totals = made["totals"]
    counts = ", ".join(
        f"{totals[name]} {name.replace('_', ' ')}"
        for name in ("outside", "undecided", "within", "not_judged")
        if totals[name]
    )
    yield f"{made['site']}: {totals['walls']} walls measured{': ' if counts else ''}{counts}."
    for row in made["failed"]:
        yield f"NOT MEASURED {row['title']}: {row['error']}"
    for row in made["stops"]:
        yield f"{row['title']}: {row['stop']}"
    for row in made["walls"][:_WALLS]:
        yield f"  {_wall(row, units)}"
    if len(made["walls"]) > _WALLS:
        yield f"  and {len(made['walls']) - _WALLS} more in site.csv"
    worst = [row for row in made["rooms"] if row["over_limit"] is not None][:_ROOMS]
    if len(worst) > 1:
        yield (
            "Rooms, worst first: " + "; ".join(f"{_place(r)} ({r['over_limit']:.2f} of the limit)" for r in worst) + "."
        )
    if made["by_system"]:
        yield words.BEFORE_HACKING
        yield words.BEFORE_WORK
    for row in made["by_system"]:
        volume = words.volume((row["volume_l"] or 0.0) / 1000, (row["u_volume_l"] or 0.0) / 1000, units)
        yield f"{row['system'] or 'no system'}: {row['walls']} walls, {volume} before waste."
    for row in made["order"]:
        yield f"Order {row['product']}: {row['order']:g} ({row['unit']}; {row['low']:.1f} to {row['high']:.1f} wanted)."
    yield words.RECORD
    yield f"Not examined: {made['not_examined']}."


def _wall(row: dict[str, Any], units: str) -> str:
    if row["criterion"] is None:
        gap = words.length(None if row["gap_mm"] is None else row["gap_mm"] / 1000, units, decimals=1)
        return f"{row['title']}: largest gap {gap}, {row['decision']}"
    value = None if row["value_mm"] is None else row["value_mm"] / 1000
    limit = words.length(row["limit_mm"] / 1000, units, decimals=1)
    return (
        f"{row['title']}: {row['criterion']} {row['decision']}, {words.length(value, units, decimals=1)}; limit {limit}"
    )


def _place(row: dict[str, Any]) -> str:
    return ", ".join(word for word in (row["floor"], row["room"]) if word) or "the site"
