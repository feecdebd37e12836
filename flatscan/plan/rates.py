"""The user's own rates, the quote they make of a take-off, and what goes with it; no price comes with the package."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Annotated

import numpy as np

from flatscan.core.choices import AREA_RULES
from flatscan.core.errors import BadValue
from flatscan.core.geometry import Array
from flatscan.core.model import Opening, Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import cubic_metres, days, metres, share, square_metres
from flatscan.core.records import Amount, load_toml, of_table, one_of
from flatscan.core.typed import is_length, pairs, parse_length, read_lines
from flatscan.plan.coats import whole
from flatscan.plan.cutting import Cut
from flatscan.plan.finish import BuildUp
from flatscan.plan.hacking import Hack
from flatscan.plan.labour import WORKDAY
from flatscan.plan.pockets import PocketFill
from flatscan.plan.systems import available, load
from flatscan.plan.takeoff import TakeOff

BASES = ("area", "day")
_NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+")
# an edge this near the outline has no jamb of its own
_AT_EDGE = 0.02
# roll of mesh [m] wide, laid with 100 mm laps (common practice)
_ROLL, _LAP = 1.0, 0.1
TEMPLATE = """\
# Your own rates, in your own money. Fill in what you charge; 0 means: not charged. No price comes with the program.
# Give the file to a command:  --rates FILE
currency = ""          # your word for it, printed on the quote
basis = "area"         # "area": by the m2 and extra thickness; "day": by the hours of work
day = 0                # one person, one day of 8 hours of work; waiting for a coat to dry is never charged
m2 = 0                 # each m2 of wall up to the allowance
allowance_mm = 13      # thickness that the m2 rate holds
extra_mm_m2 = 0        # each mm over the allowance on each m2
hack = 0               # each hump cut (by the day its hours are in the labour already)
bag = 0                # each bag supplied, whatever is in it
call_out = 0           # each visit
# What follows may be left out. Take away the # of the lines you charge.
# sand_m3 = 0          # each m3 of loose sand
# reveal_m = 0         # each metre of reveal
# bead_m = 0           # each metre of corner bead
# mesh_m2 = 0          # each m2 of mesh
# chase_l = 0          # each litre that fills a chase or pocket
# [products]           # a product's own price for each bag (of sand: each m3), instead of the rates above
# "gypsum undercoat" = 0
# "gypsum finish" = 0
"""


@dataclass(frozen=True, slots=True)
class Rates:
    """Rates in the user's currency, thickness ``allowance`` in metres; 0 is not charged.

    ``basis`` says whether wall is charged by area and extra thickness or by the day. ``products`` are prices of single
    products by their names, in place of ``bag`` and ``sand_m3``. ``notes`` are doubts about how the file was read.
    """

    currency: str
    basis: str
    day: float
    m2: float
    allowance: float
    extra_mm_m2: float
    hack: float
    bag: float
    call_out: float
    reveal_m: float = 0.0
    bead_m: float = 0.0
    mesh_m2: float = 0.0
    sand_m3: float = 0.0
    chase_l: float = 0.0
    products: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class _RatesFile:
    """The lines of a file of rates."""

    currency: str
    basis: Annotated[str, one_of(BASES)]
    day: Amount
    m2: Amount
    allowance_mm: Amount
    extra_mm_m2: Amount
    hack: Amount
    bag: Amount
    call_out: Amount
    reveal_m: Amount = 0.0
    bead_m: Amount = 0.0
    mesh_m2: Amount = 0.0
    sand_m3: Amount = 0.0
    chase_l: Amount = 0.0
    products: dict[str, Amount] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Extras:
    """Metres of reveal (two jambs and a head each), of corner bead along them, and of mesh off a 1 m roll.

    ``edges`` are the single lengths the beads are cut for.
    """

    reveals: float
    beads: float
    mesh: float
    mesh_area: float
    edges: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class QuoteLine:
    """One line: what for, quantity in the unit its rate is for, rate and amount."""

    what: Note
    quantity: float
    unit: str
    rate: float
    amount: float


@dataclass(frozen=True, slots=True)
class Quote:
    """Lines that apply and their total; (low, high) where old plaster comes off, else None.

    ``ends`` are the totals at both ends of the volume's 95 % interval, None where that is not known.
    ``allowance`` [m] is the thickness the area rate holds; ``notes`` belong under the lines. ``unpriced`` says what is
    in no line for want of a rate or a reading.
    """

    lines: tuple[QuoteLine, ...]
    total: float
    currency: str
    allowance: float
    days: float | None
    visits: int | None
    span: tuple[float, float] | None = None
    notes: tuple[Note, ...] = ()
    ends: tuple[float, float] | None = None
    unpriced: tuple[Note, ...] = ()


def load_rates(path: str | Path) -> Rates:
    """Rates from the user's TOML file (see `TEMPLATE`), or from a table (.csv, .tsv) with a name and a rate a line.

    Raises `ReadError` for no file, `BadTable` naming every line that is missing, unknown, negative or not a number.
    """
    plain, notes = _lines_of(path) if Path(path).suffix.lower() in (".csv", ".tsv") else _tables(path)
    lines = of_table(_RatesFile, plain, path, "Write each line, with 0 for what you do not charge")
    values = {item.name: getattr(lines, item.name) for item in fields(lines)}
    return Rates(allowance=values.pop("allowance_mm") / 1e3, notes=notes, **values)


def _tables(path: str | Path) -> tuple[dict[str, object], tuple[Note, ...]]:
    return load_toml(path, "lines such as  m2 = 14.5", "Start from the template"), ()


def _lines_of(path: str | Path) -> tuple[dict[str, object], tuple[Note, ...]]:
    """The lines of a table by their names, numbers as numbers, and doubts about how they were read."""
    typed = read_lines(path)
    plain: dict[str, object] = {}
    for word, line in pairs(typed.path, typed.lines).items():
        name, text = re.sub(r"[\s-]+", "_", word), line.cell(1)
        if name == "allowance" and is_length(text, None):
            plain["allowance_mm"] = parse_length(text) * 1e3
        else:
            plain[name] = float(text.replace(",", ".")) if name != "currency" and _NUMBER.fullmatch(text) else text
    return plain, typed.notes


def extra_over(build_up: BuildUp, relief: Relief, allowance: float, *, shift: float = 0.0) -> tuple[float, float]:
    """Volume over the allowance [m3] and the area it is on [m2]; ``shift`` [m] is added to all thickness first."""
    area = relief.area[relief.valid] * (build_up.area / float(relief.area[relief.valid].sum()))
    over: Array = np.maximum(build_up.thickness[relief.valid] + shift - allowance, 0.0)
    return float((over * area).sum()), float(area[over > 0].sum())


def quote(
    take: TakeOff,
    build_up: BuildUp,
    relief: Relief,
    rates: Rates,
    *,
    area: float | None = None,
    hacks: Sequence[Hack | Cut] = (),
    extras: Extras | None = None,
    pockets: Sequence[PocketFill] = (),
) -> Quote:
    """Quote lines of one wall; ``area`` [m2] as measured for the bill (net if None), ``hacks`` those to be cut.

    Each is charged at its rate; by the day its hours are in the labour, and nothing is charged twice. With hacks the
    build-up and take-off given must be those after cutting. Where old plaster comes off, a line stands
    for surveying again, and ``span`` holds the total for the least and most thickness the take-off allows for.
    """
    _check_products(take, rates)

    def at(case: _Case) -> float:
        return sum(line.amount for line in made(case))

    def made(case: _Case) -> list[QuoteLine]:
        return _lines(case, build_up, relief, rates, area, hacks, extras, pockets)

    lines = made(_Case(take))
    total = sum(line.amount for line in lines)
    span: tuple[float, float] | None = None
    ends, notes = _both_ends(take, build_up, at), list(rates.notes)
    if take.volume is not None:
        low, high = ((volume - build_up.volume.value) / build_up.area for volume in take.volume)
        ends = span = (at(_Case(take, low)), at(_Case(take, high)))
        notes.append(note("plan.quote-range"))
    if rates.basis == "area" and rates.day > 0 and take.days is not None:
        amount, currency = share(take.days * rates.day), rates.currency
        notes.append(
            note(
                "plan.quote-by-day" if currency else "plan.quote-by-day-bare",
                time=days(take.days),
                amount=amount,
                currency=currency,
            )
        )
    notes.append(note("plan.quote-allowance", allowance=metres(rates.allowance)))
    unpriced = tuple(_unpriced(pockets, rates))
    return Quote(
        tuple(lines), total, rates.currency, rates.allowance, take.days, take.visits, span, tuple(notes), ends, unpriced
    )


@dataclass(frozen=True, slots=True)
class _Case:
    """What a quote is made for: the take-off, all thickness more by ``shift`` [m], bags and work at an ``end``.

    ``end`` is low or high of their ranges, or what is ordered and the middle.
    """

    take: TakeOff
    shift: float = 0.0
    end: str = "wanted"


def _both_ends(take: TakeOff, build_up: BuildUp, at: Callable[[_Case], float]) -> tuple[float, float] | None:
    """Totals at both ends of the volume's 95 % interval; what moves the volume is taken to move the whole plane."""
    if build_up.low is None or build_up.high is None or build_up.area <= 0:
        return None
    low, high = ((end - build_up.volume.value) / build_up.area for end in (build_up.low, build_up.high))
    return at(_Case(take, low, "low")), at(_Case(take, high, "high"))


def _check_products(take: TakeOff, rates: Rates) -> None:
    """A price for a product that no system has is a slip of the pen."""
    if not rates.products:
        return
    known = {line.product for line in take.order} | {name for system in available() for name in load(system).products}
    wrong = tuple(sorted(set(rates.products) - known))
    if wrong:
        raise BadValue(
            "{set:rates}, [products]",
            "no product is called '{name}'",
            needed="one of {names}",
            remedy="Write the product's name as the order has it",
            name=wrong[0],
            names=", ".join(sorted(known)),
        )


# what for, how much, in which unit, at which rate
_Asked = tuple[Note, float, str, float]


def _lines(
    case: _Case,
    build_up: BuildUp,
    relief: Relief,
    rates: Rates,
    area: float | None,
    hacks: Sequence[Hack | Cut],
    extras: Extras | None,
    pockets: Sequence[PocketFill],
) -> list[QuoteLine]:
    """All lines with a rate and a quantity; of a shift the labour and the bags grow as the volume does."""
    take = case.take
    grown = 1 + case.shift * build_up.area / build_up.volume.value if build_up.volume.value > 0 else 1.0
    if rates.basis == "day":
        work = 0.0 if take.labour is None else take.labour.grown(grown, case.end) / WORKDAY
        asked: list[_Asked] = [(note("plan.quote-labour"), work, "day", rates.day)]
    else:
        asked = _by_area(build_up, relief, rates, area, case.shift)
        asked.append((note("plan.quote-humps"), float(len(hacks)), "hump", rates.hack))
    filled = sum(one.fill.value for one in pockets if one.fill is not None) * 1e3
    asked.append((note("plan.quote-chases"), filled, "litre", rates.chase_l))
    asked += _materials(case, rates, grown if case.end == "wanted" else 1.0)
    asked.append((note("plan.quote-visits"), float(take.visits or 0), "visit", rates.call_out))
    if extras is not None:
        asked += [
            (note("plan.quote-reveals"), extras.reveals, "m", rates.reveal_m),
            (note("plan.quote-beads"), extras.beads, "m", rates.bead_m),
            (note("plan.quote-mesh"), extras.mesh_area, "m2", rates.mesh_m2),
        ]
    lines = [
        QuoteLine(what, quantity, unit, rate, quantity * rate)
        for what, quantity, unit, rate in asked
        if quantity > 0 and rate > 0
    ]
    if take.surface == "comes-off":
        # it stands even where a visit is not charged: the quote does not hold without it
        lines.append(QuoteLine(note("plan.quote-survey-again"), 1.0, "visit", rates.call_out, rates.call_out))
    return lines


def _unpriced(pockets: Sequence[PocketFill], rates: Rates) -> Iterator[Note]:
    """Chases that no line stands for: no rate is given, or nothing was read in them."""
    for one in pockets:
        at = one.place.left, one.place.bottom
        if one.fill is None:
            yield note("plan.chase-unread", at)
        elif rates.chase_l <= 0:
            yield note("plan.chase-unpriced", at, fill=cubic_metres(one.fill.value))


def _materials(case: _Case, rates: Rates, grown: float) -> Iterator[_Asked]:
    """Bags at the rate of any bag in one line, then sand and each product that has a price of its own."""
    order = [(line, whole(getattr(line, case.end) * grown, line.unit)) for line in case.take.order]
    plain = sum(count for line, count in order if line.in_bags and line.product not in rates.products)
    yield note("plan.quote-material"), plain, "bag", rates.bag
    for line, count in order:
        own = rates.products.get(line.product)
        if own is None and line.in_bags:
            continue
        rate = rates.sand_m3 if own is None else own
        yield note("plan.quote-product", product=line.product), count, "bag" if line.in_bags else "m3", rate


def _by_area(build_up: BuildUp, relief: Relief, rates: Rates, area: float | None, shift: float) -> list[_Asked]:
    """The wall at its area rate, and each mm over the allowance that rate holds."""
    over, on = extra_over(build_up, relief, rates.allowance, shift=shift)
    allowance = metres(rates.allowance)
    mean, where = metres(over / on if on > 0 else 0.0), square_metres(on)
    extra = note("plan.quote-extra", allowance=allowance, mean=mean, area=where)
    return [
        (note("plan.quote-wall", allowance=allowance), build_up.area if area is None else area, "m2", rates.m2),
        (extra, over * 1e3, "m2 mm", rates.extra_mm_m2),
    ]


def edges_of(opening: Opening, wall: Wall) -> tuple[float, ...]:
    """Jambs and head of an opening [m], less edges that are the wall's own; a sill is not plastered."""
    left, right = float(wall.outline[:, 0].min()), float(wall.outline[:, 0].max())
    top = float(wall.outline[:, 1].max())
    stand = (opening.left > left + _AT_EDGE, opening.right < right - _AT_EDGE, opening.top < top - _AT_EDGE)
    sizes = (opening.height, opening.height, opening.width)
    return tuple(float(size) for size, there in zip(sizes, stand, strict=True) if there)


def jambs_and_head(opening: Opening, wall: Wall) -> float:
    """Metres of reveal an opening has."""
    return sum(edges_of(opening, wall))


def extras(wall: Wall, relief: Relief, build_up: BuildUp, *, mesh_over: float | None) -> Extras:
    """Reveals, beads and mesh of a wall; mesh where the build-up is over ``mesh_over`` [m], None for none."""
    edges = tuple(edge for hole in wall.openings for edge in edges_of(hole, wall))
    metres = sum(edges)
    area = 0.0
    if mesh_over is not None:
        deep = relief.valid & (build_up.thickness > mesh_over)
        area = float(relief.area[deep].sum())
    return Extras(metres, metres, area / (_ROLL - _LAP), area, edges)


def measured_area(wall: Wall, relief: Relief, rule: str = "net") -> float:
    """Area [m2] by the rule of measurement: net, gross, openings to 2.5 m2 measured over, or by thirds of size.

    Net is less chases, which are priced apart.
    ``over-2.5`` (Germany) deducts openings over 2.5 m2; ``half-0.5-3`` (India) none under 0.5 m2, one face of two,
    so half, from 0.5 to 3, all over 3. Raises `BadValue` for another word.
    """
    if rule not in AREA_RULES:
        raise BadValue(
            "area rule", "'{rule}'", needed=" or ".join(AREA_RULES), remedy="Use one of these words", rule=rule
        )
    if rule == "net":
        return relief.net_area
    deducted = 0.0
    for hole in wall.openings:
        size = hole.width * hole.height
        if rule == "over-2.5":
            deducted += size if size > 2.5 else 0.0
        elif rule == "half-0.5-3":
            deducted += 0.0 if size < 0.5 else size / 2 if size <= 3.0 else size
    skipped = sum(hole.width * hole.height for hole in wall.skips)
    return wall.gross_area - deducted - skipped
