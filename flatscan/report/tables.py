"""Rows: every number of every sheet, once. JSON, CSV, figures, paper and page are all made from these tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flatscan.core.notes import Note, Unknown
from flatscan.core.quantity import Quantity
from flatscan.plan.lows import Low
from flatscan.report import numbers, words
from flatscan.report.say import Said, say
from flatscan.report.spots import Spot
from flatscan.report.view import Findings

# decimals of a number that is shown as it was worked out, such as whole bags
AS_IS = -1
Cell = float | int | Said | None
# a key's ending names its unit, and the unit of the quantity under it
_UNITS = (("mm_per_m", "m/m"), ("_mm", "m"), ("_m2", "m2"), ("_m", "m"), ("litres", "m3"), ("_l", "m3"), ("_kg", "kg"))


@dataclass(frozen=True, slots=True)
class Column:
    """One column: ``key`` as in JSON and CSV (its ending is the unit), ``heading`` and ``decimals`` on paper.

    ``why`` is the reason a number of it can be missing for.
    """

    key: str
    heading: str
    decimals: int = 0
    why: Unknown | None = None


AT = (Column("x_mm", "from left"), Column("y_mm", "up"))


@dataclass(frozen=True, slots=True)
class Table:
    """Rows in SI units under ``columns``; ``caution`` stands before them, ``empty`` instead of them.

    ``rows_in_inches`` stand in their place on a sheet in inches, where round steps of the units make the rows.
    """

    name: str
    title: Said
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    empty: str
    caution: Said = ""
    rows_in_inches: tuple[tuple[Cell, ...], ...] | None = None

    def rows_as_values(self) -> tuple[dict[str, object], ...]:
        """Rows as the values of a section: quantities, words, and reasons where a number is not there."""
        return tuple(
            {column.key: _value(column, cell) for column, cell in zip(self.columns, row, strict=True)}
            for row in self.rows
        )

    def records(self) -> list[dict[str, object]]:
        """Rows as the JSON contract has them."""
        keys = [column.key for column in self.columns]
        return [numbers.record(dict(zip(keys, map(_plain, row), strict=True))) for row in self.rows]

    def headings(self, system: str) -> list[str]:
        """Column heads on paper, with the unit where the cells do not carry it."""
        return [_heading(column, system) for column in self.columns]

    def texts(self, system: str) -> list[list[str]]:
        """Rows as they stand on paper."""
        rows = self.rows if system != "in" or self.rows_in_inches is None else self.rows_in_inches
        return [[_text(c, v, system) for c, v in zip(self.columns, row, strict=True)] for row in rows]


def unit_of(key: str) -> str:
    """The unit of the quantity that stands under a key; "1" where its ending names none."""
    return "m" if key in numbers.PLACES else next((unit for ending, unit in _UNITS if key.endswith(ending)), "1")


def _value(column: Column, cell: Cell) -> object:
    if cell is None:
        return Unknown("unknown.not-known") if column.why is None else column.why
    if isinstance(cell, bool) or not isinstance(cell, (int, float, np.number)):
        return cell
    unit = unit_of(column.key)
    return cell if isinstance(cell, int) and unit == "1" else Quantity(float(cell), None, unit)


def _plain(cell: Cell) -> object:
    return cell if cell is None or isinstance(cell, (int, float, np.number)) else say(cell)


def _is_length(key: str) -> bool:
    return key.endswith("_mm")


def _heading(column: Column, system: str) -> str:
    unit = {"_mm": "mm", "_m2": "m²", "_l": "litres", "_kg": "kg"}
    if _is_length(column.key) and system == "in":
        return column.heading
    return column.heading + next((f", {name}" for end, name in unit.items() if column.key.endswith(end)), "")


def _text(column: Column, value: Cell, system: str) -> str:
    if value is None:
        return "-"
    if not isinstance(value, (int, float, np.number)):
        return say(value, system)
    if _is_length(column.key):
        return words.bare(value, system, decimals=column.decimals)
    shown = value * numbers.factor(column.key) + 0.0
    return f"{shown:g}" if column.decimals == AS_IS else f"{shown:.{column.decimals}f}"


_AT = AT


def patches(findings: Findings) -> Table:
    """Humps and hollows off the best-fit plane, in the order they were found."""
    rows = tuple((p.kind, p.x, p.y, p.width, p.height, p.deviation, p.area) for p in findings.patches)
    columns = (
        Column("kind", "what"),
        *_AT,
        Column("width_mm", "width"),
        Column("height_mm", "height"),
        Column("deviation_mm", "off the plane", 1),
        Column("area_m2", "area", 2),
    )
    return Table("patches", "Humps and hollows", columns, rows, "no hump or hollow stands out")


def openings(findings: Findings) -> Table:
    """Openings as rectangles from the wall's left edge and foot."""
    rows = tuple((o.left, o.bottom, o.width, o.height) for o in findings.wall.openings)
    columns = (
        Column("left_mm", "from left"),
        Column("bottom_mm", "up"),
        Column("width_mm", "width"),
        Column("height_mm", "height"),
    )
    return Table("openings", "Openings", columns, rows, "no opening")


def criteria(findings: Findings) -> Table:
    """Each criterion judged, with the bound its decision stands on."""
    judged = () if findings.verdict is None else findings.verdict.criteria
    rows = tuple((c.name, c.decision, c.value, c.upper, c.limit) for c in judged)
    columns = (
        Column("name", "criterion"),
        Column("decision", "decision"),
        Column("value_mm", "measured", 1),
        Column("upper_mm", "upper bound", 1),
        Column("limit_mm", "limit", 1),
    )
    return Table("criteria", "Criteria", columns, rows, "nothing was judged")


def check_by_hand(findings: Findings) -> Table:
    """Places where a straightedge laid by hand would settle what the data cannot."""
    places = () if findings.verdict is None else findings.verdict.check_by_hand
    return Table("check_by_hand", "Check by hand", _AT, tuple((x, y) for x, y in places), "no place to check by hand")


def coats(findings: Findings) -> Table:
    """Coats in the order they go on."""
    layers = () if findings.take_off is None else findings.take_off.coats
    columns = (
        Column("name", "coat"),
        Column("thickness_mm", "mean thickness", 1),
        Column("kg", "kg before waste", 1),
        Column("bags", "bags", 1),
    )
    rows = tuple((say(layer.name), layer.thickness, layer.kg, layer.bags) for layer in layers)
    return Table("coats", "Coats", columns, rows, "no coat was worked out", words.BEFORE_FILLING)


def order(findings: Findings) -> Table:
    """What to order, one product a line: wanted from low to high with consumption and survey ±, and the order."""
    lines = () if findings.take_off is None else findings.take_off.order
    columns = (
        Column("product", "product"),
        Column("unit", "sold as"),
        Column("kg", "kg after waste"),
        Column("low", "wanted from", 1),
        Column("high", "to", 1),
        Column("order", "ORDER", AS_IS),
    )
    rows = tuple((line.product, line.unit, line.kg, line.low, line.high, line.order) for line in lines)
    return Table("order", "Order", columns, rows, "nothing to order was worked out", words.BEFORE_FILLING)


def hacking(findings: Findings) -> Table:
    """Humps in the order of worth; what they save adds up from the first row down, refill included, before waste."""
    rows = tuple((h.x, h.y, h.cut, h.area, h.saves, h.saves_bags) for h in findings.hacks or ())
    columns = (
        *_AT,
        Column("cut_mm", "cut", 1),
        Column("area_m2", "area", 2),
        Column("saves_l", "saves so far", 1),
        Column("saves_bags", "bags saved so far", 1),
    )
    return Table("hacking", "Hacking", columns, rows, "no hump is worth cutting", words.BEFORE_HACKING)


def dots(findings: Findings) -> Table:
    """Every dot of every screed, one a row, screeds numbered from the left."""
    screeds = () if findings.set_out is None else findings.set_out.screeds
    rows = tuple(
        (number, screed.x, dot.y, dot.packing, dot.u, _dot_note(screed.note, dot.start_here, dot.packing))
        for number, screed in enumerate(screeds, 1)
        for dot in screed.dots
    )
    columns = (
        Column("screed", "screed"),
        *_AT,
        Column("packing_mm", "packing"),
        Column("u_mm", "u", 1),
        Column("note", "note"),
    )
    return Table("dots", "Screeds and dots", columns, rows, "no screed was set out")


def _dot_note(note: Note | None, start: bool, packing: float | None) -> str:
    parts = ["START HERE" if start else "", "plumb on site from the foot" if packing is None else ""]
    parts += [] if note is None else [say(note)]
    return "; ".join(part for part in parts if part)


def lows(findings: Findings) -> Table:
    """Lows after ruling off, deepest place of each."""
    return low_table(findings.lows or ())


def low_table(lows: Sequence[Low]) -> Table:
    """Rows of lows, wherever they were found."""
    rows = tuple((low.number, low.x, low.y, low.depth, low.area, low.volume) for low in lows)
    columns = (
        Column("number", "no."),
        *_AT,
        Column("depth_mm", "depth", 1),
        Column("area_m2", "area", 2),
        Column("litres", "litres", 2),
    )
    return Table("lows", "Low spots", columns, rows, "no low spot over the limit", words.BEFORE_FILLING)


def ridges(findings: Findings) -> Table:
    """High ridges to shave after ruling off, before anything is filled."""
    rows = tuple((ridge.number, ridge.x, ridge.y, ridge.depth, ridge.area) for ridge in findings.ridges)
    columns = (Column("number", "no."), *_AT, Column("height_mm", "height", 1), Column("area_m2", "area", 2))
    return Table("ridges", "Ridges to shave", columns, rows, "no ridge to shave")


# spots of one kind nearer to each other than this are one spot to somebody with a trowel
_APART = 0.3


def spots(findings: Findings, *, most: int = 6) -> tuple[Spot, ...]:
    """High (H) and low (L) spots, each kind numbered by weight, at most ``most`` of a kind and never two together.

    Where hacking was worked out its humps are the H, in their order; else where the finish plane rests; else the
    patches by their deviation. The L of a survey are where the build-up is thickest, of a list of lows its lows.
    """
    return (*_highs(findings, most), *_lows(findings, most))


def _highs(findings: Findings, most: int) -> list[Spot]:
    if findings.lows is not None:
        return [Spot(f"H{ridge.number}", ridge.x, ridge.y, ridge.depth, "shave") for ridge in findings.ridges[:most]]
    if findings.hacks:
        return [Spot(f"H{n}", h.x, h.y, h.cut, "cut", h.saves) for n, h in enumerate(findings.hacks[:most], 1)]
    built = findings.build_up
    if built is not None and resting(findings):
        places = _spread_out(list(resting(findings)), 2)
        return [Spot(f"H{n}", x, y, built.least, "sets it, cover") for n, (x, y) in enumerate(places, 1)]
    return _patch_spots(findings, "hump", "H", "proud", most)


def _lows(findings: Findings, most: int) -> list[Spot]:
    built, relief = findings.build_up, findings.relief
    if findings.lows is not None:
        return [Spot(f"L{low.number}", low.x, low.y, low.depth, "low") for low in findings.lows[:most]]
    if built is None:
        return _patch_spots(findings, "hollow", "L", "hollow", most)
    left = np.where(relief.valid, built.thickness, -np.inf)
    across, up = relief.places
    found: list[Spot] = []
    while len(found) < min(most, 3) and np.isfinite(left.max()):
        k = int(left.argmax())
        x, y = float(across.flat[k]), float(up.flat[k])
        found.append(Spot(f"L{len(found) + 1}", x, y, float(left.flat[k]), "build-up"))
        left[np.hypot(across - x, up - y) <= 2 * _APART] = -np.inf
    return found


def _patch_spots(findings: Findings, kind: str, letter: str, what: str, most: int) -> list[Spot]:
    ranked = sorted((p for p in findings.patches if p.kind == kind), key=lambda p: (-abs(p.deviation), p.x, p.y))
    places = _spread_out([(p.x, p.y) for p in ranked], most)
    heights = {(p.x, p.y): abs(p.deviation) for p in reversed(ranked)}
    return [Spot(f"{letter}{n}", *at, heights[at], what) for n, at in enumerate(places, 1)]


def _spread_out(places: list[tuple[float, float]], most: int) -> list[tuple[float, float]]:
    """The places that are not beside a weightier one, in their order."""
    kept: list[tuple[float, float]] = []
    for x, y in places:
        if len(kept) < most and all(np.hypot(x - a, y - b) > _APART for a, b in kept):
            kept.append((x, y))
    return kept


def resting(findings: Findings) -> tuple[tuple[float, float], ...]:
    """Where the finish plane rests on the wall, the place that decides most first."""
    contacts = () if findings.build_up is None else findings.build_up.contacts
    ranked = sorted((c for c in contacts if c.kind == "hump"), key=lambda c: -abs(c.weight))
    return tuple((c.x, c.y) for c in ranked)


def gap_spots(findings: Findings) -> tuple[Spot, ...]:
    """Places where the gap is largest, numbered from the deepest, as the sweep set them apart."""
    gaps = findings.gaps
    places = () if gaps is None else (gaps.worst_places or ((gaps.worst,) if gaps.worst is not None else ()))
    judged = () if findings.verdict is None else findings.verdict.criteria
    # what is well under the limit needs no number
    floor = 0.5 * next((c.limit for c in judged if c.name == "flatness"), 0.0)
    kept = [gap for number, gap in enumerate(places) if number == 0 or abs(gap.value) > floor]
    return tuple(Spot(f"G{n}", *gap.at, abs(gap.value), "gap") for n, gap in enumerate(kept, 1))


def gap_table(findings: Findings) -> Table:
    """The places of the largest gaps, numbered as on the gap map."""
    rows = tuple((spot.mark, spot.x, spot.y, spot.value) for spot in gap_spots(findings))
    columns = (Column("mark", "no."), *_AT, Column("gap_mm", "gap", 1))
    return Table("gaps", "Where the gap is largest", columns, rows, "no gap could be evaluated")


def spot_table(findings: Findings) -> Table:
    """The numbered spots of the contour."""
    rows = tuple((s.mark, s.x, s.y, s.value, s.what) for s in spots(findings))
    columns = (Column("mark", "no."), *_AT, Column("value_mm", "by", 1), Column("what", "what"))
    caution = words.BEFORE_HACKING if findings.hacks else ""
    return Table("spots", "Numbered spots", columns, rows, "no spot stands out", caution)


def every(findings: Findings) -> tuple[Table, ...]:
    """All tables these findings have something to say in, in reading order."""
    made = [patches(findings), openings(findings)]
    made += [] if findings.verdict is None else [criteria(findings), check_by_hand(findings)]
    made += [] if findings.take_off is None else [coats(findings), order(findings)]
    made += [] if findings.hacks is None else [hacking(findings)]
    made += [] if findings.set_out is None else [dots(findings)]
    made += [] if findings.lows is None else [ridges(findings), lows(findings)]
    return tuple(made)
