"""Lows that somebody read with a straightedge and wrote down: list and document without a wall."""

from __future__ import annotations

from flatscan.jobs import LowsByHand
from flatscan.plan.lows import what_is_left
from flatscan.report import tables, words
from flatscan.report.numbers import record
from flatscan.report.say import say

SCHEMA = 1
_NO_WALL = "wall, plumb and shape are null: only straightedge readings were given, no capture of the wall."


def hand_lows_document(made: LowsByHand) -> dict[str, object]:
    """The result document of lows read by hand; what only a capture could tell is null."""
    capture: dict[str, object] = {
        "file": made.file, "sha256": made.sha256, "reader": "straightedge readings", "file_unit": None,
        "points": made.readings, "type": None, "u_point_mm": None, "u_common_mm": None,
        "warnings": [_NO_WALL, "each low is taken as a bowl of the size seen", *map(say, made.notes)],
    }  # fmt: skip
    rest: dict[str, object] = {"wall": None, "plumb": None, "shape": None, "patches": []}
    lows = tables.low_table(made.lows).records()
    return {"schema": SCHEMA, "command": "lows", "capture": capture, **rest, **record({"limit_mm": made.limit}),
            "lows": lows, "files": []}  # fmt: skip


def hand_lows_text(made: LowsByHand, units: str) -> str:
    """The order of work for a scaffold: each low with its place, depth and fill, cautions first."""
    lines = [f"{made.file}: {made.readings} readings", words.sentence(words.BEFORE_FILLING)]
    for low in made.lows:
        lines.append(
            f"  L{low.number}: {words.length(low.depth, units, decimals=1)} deep at "
            f"{words.place((low.x, low.y), units)}, {low.volume * 1000:.2f} litres."
        )
    lines += [f"  Mind: {words.sentence(say(doubt, units))}" for doubt in made.notes]
    return "\n".join([*lines, say(what_is_left(made.lows, limit=made.limit), units)])
