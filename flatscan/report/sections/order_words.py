"""What is bought, what it costs, and work and waiting kept apart, for document, tables and sentences."""

from __future__ import annotations

import math

from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import cubic_metres, days, hours, metres, share, square_metres
from flatscan.plan.coats import LOOSE
from flatscan.plan.day import lasting
from flatscan.plan.products import Product
from flatscan.plan.ranges import Figure
from flatscan.plan.takeoff import TakeOff
from flatscan.report.say import Said
from flatscan.report.tables import Cell, Column, Table

_NO_DRYING = Unknown("unknown.no-drying")
# the words for ranges of volume, of area and of time
_VOLUMES = {"fills": "figure.fills", "water": "figure.water", "base-volume": "figure.base-volume"}
_AREAS = {"base-area": "figure.base-area", "finish-area": "figure.finish-area"}
_TIMES = {"wait": "figure.wait", "drying": "figure.drying", "paint": "figure.paint"}
_LABOUR = (
    "labour_hours",
    "labour_low_hours",
    "labour_high_hours",
    "elapsed_days",
    "elapsed_low_days",
    "elapsed_high_days",
    "days",
    "visits",
    "hacking_hours",
    "dry_low_days",
    "dry_high_days",
    "labour",
)


def products(order: TakeOff) -> tuple[dict[str, object], ...]:
    """What is bought, a product each, in the units it is sold in; sand also by the bag."""
    return tuple(
        {"name": it.name, "unit": it.unit, "count": share(it.count)}
        | ({} if it.instead is None else {"or": {"unit": it.instead[0], "count": share(it.instead[1])}})
        for it in order.products
    )


def labour(order: TakeOff) -> dict[str, object]:
    """Hours of work and days with the waits, apart, and both by coat."""
    unknown, work = Unknown("unknown.no-days" if order.either is None else "unknown.doubled"), order.labour
    if work is None:
        return dict.fromkeys(_LABOUR, unknown)
    coats = tuple(
        {
            "name": coat.name,
            "hours": hours(coat.hours),
            "low_hours": hours(coat.span[0]),
            "high_hours": hours(coat.span[1]),
            "wait_low_h": hours(coat.wait[0]),
            "wait_high_h": hours(coat.wait[1]),
        }
        for coat in work.coats
    )
    return {
        "labour_hours": hours(work.hours),
        "labour_low_hours": hours(work.span[0]),
        "labour_high_hours": hours(work.span[1]),
        "elapsed_days": days(work.elapsed_days),
        "elapsed_low_days": days(work.elapsed[0]),
        "elapsed_high_days": days(work.elapsed[1]),
        "days": unknown if order.days is None else days(order.days),
        "visits": work.visits,
        "hacking_hours": hours(work.hacking),
        "dry_low_days": _NO_DRYING if order.dry_days is None else days(order.dry_days[0]),
        "dry_high_days": _NO_DRYING if order.dry_days is None else days(order.dry_days[1]),
        "labour": coats,
    }


def prices(order: TakeOff) -> dict[str, object]:
    """The price and what it is at both ends of the volume's interval; reasons without rates."""
    unpriced = Unknown("unknown.no-rates" if order.coats or order.either else "unknown.no-order")
    low, high = (unpriced, unpriced) if order.price_span is None else (share(end) for end in order.price_span)
    none = unpriced if order.price_span is None else Unknown("unknown.doubled")
    return {"price": none if order.price is None else share(order.price), "price_low": low, "price_high": high}


def beside(order: TakeOff) -> tuple[Product, ...]:
    """What is bought by its length, beside what is mixed: beads, strips and mesh."""
    return tuple(it for it in order.products if isinstance(it.name, Note))


def bought(order: TakeOff) -> Note | None:
    """The order in a few words, a product each: 2 bags of undercoat, 1 of finish."""
    if not order.products:
        return None
    return note("report.list-comma", parts=tuple(bought_one(it) for it in order.products))


def bought_one(it: Product) -> Note:
    """One product: how many of what it is sold by."""
    if it.piece:
        code = "report.bought-piece" if it.count == 1 else "report.bought-pieces"
        return note(code, count=share(it.count), name=it.name, each=it.piece)
    if isinstance(it.name, Note):
        return note("report.bought-off", count=share(it.count), unit=it.unit, name=it.name)
    if it.instead is None:
        return note("report.bought", sold=sold(it.count, it.unit), name=it.name)
    unit, count = it.instead
    return note("report.bought-or", sold=sold(it.count, it.unit), name=it.name, other=sold(count, unit))


def sold(count: float, unit: str) -> Note:
    """So many of what something is sold by: bags of a size, or loose volume."""
    if unit == LOOSE:
        return note("report.sold-loose", count=share(count))
    return note("report.sold-by", count=share(count), unit=unit)


def working_time(order: TakeOff) -> Note | None:
    """Work and waiting, each by its own name."""
    found = order.labour
    if found is None:
        return None
    code = "report.work-one-visit" if found.visits == 1 else "report.work-visits"
    work, fast, slow = (hours(it) for it in (found.hours, *found.span))
    least, most = (days(end) for end in found.elapsed)
    said = note(code, work=work, fast=fast, slow=slow, least=least, most=most, visits=found.visits)
    if order.dry_days is None:
        return said
    low, high = (days(end) for end in order.dry_days)
    return note("report.work-dry", work=said, low=low, high=high)


def price_words(order: TakeOff) -> Note:
    """The price with its range."""
    if order.price_span is None:
        if order.price is None:
            return note("report.no-rates") if order.coats else note("report.no-price")
        return note("report.price", price=share(order.price))
    low, high = order.price_span
    if order.price is None:
        return note("report.price-between", low=share(low), high=share(high))
    return note("report.price-span", price=share(order.price), low=share(low), high=share(high))


def labour_table(order: TakeOff) -> Table:
    """Hours of work by coat, and the wait after each; cutting first where something is cut."""
    columns = (
        Column("name", "coat"),
        Column("hours", "hours of work", 1),
        Column("low", "from", 1),
        Column("high", "to", 1),
        Column("wait", "then wait"),
    )
    work = order.labour
    rows: list[tuple[Cell, ...]] = []
    if work is not None:
        rows += [(note("report.cutting"), work.hacking, None, None, "")] if work.hacking > 0 else []
        rows += [(coat.name, coat.hours, *coat.span, waited(coat.wait)) for coat in work.coats]
    return Table("labour", "Labour and waiting", columns, tuple(rows), "no labour was worked out")


def figures(order: TakeOff) -> tuple[dict[str, object], ...]:
    """The ranges that the take-off is reckoned with, each with its source and how sure that is, for the document."""
    return tuple(
        {"name": it.code, "coat": it.coat, "low": share(it.low), "high": share(it.high), "unit": it.unit}
        | ({} if it.at is None else {"at_mm": metres(it.at)})
        | {"source": it.source, "known_from": it.tag}
        for it in order.figures
    )


def figure_table(order: TakeOff) -> Table:
    """The same ranges for readers: what a bag fills and covers, water, waits, what is done in a day, drying."""
    columns = (Column("coat", "coat"), Column("figure", "figure"), Column("known_from", "known from"))
    told = ((it, _told(it)) for it in order.figures)
    rows = tuple((it.coat or note("figure.all"), said, it.tag) for it, said in told if said is not None)
    return Table("figures", "What these figures rest on", columns, rows, "nothing was worked out")


def _told(it: Figure) -> Note | None:
    """A range in words; None for those that stand elsewhere: consumption as what a bag fills, times on the day."""
    at = None if it.at is None else metres(it.at)
    if it.code == "covers":
        return note("figure.covers", low=square_metres(it.low), high=square_metres(it.high), at=at)
    if it.code in _VOLUMES:
        return note(_VOLUMES[it.code], low=cubic_metres(it.low / 1e3), high=cubic_metres(it.high / 1e3))
    if it.code in _AREAS:
        return note(_AREAS[it.code], low=square_metres(it.low), high=square_metres(it.high))
    if it.code == "dry factor":
        return note("figure.dry-factor", low=share(it.low), high=share(it.high))
    if it.code not in _TIMES:
        return None
    if it.at is None:
        by = 1.0 if it.unit == "h" else 24.0
        return note(_TIMES[it.code], time=waited((it.low * by, it.high * by)))
    low, high = it.low * it.at * 1e3, it.high * it.at * 1e3
    if it.code == "drying":
        # whole days, as `System.drying` counts them
        low, high = (math.ceil(days - 1e-9) for days in (low, high))
    time = waited((low * 24, high * 24))
    return note("figure.wait-at" if it.code == "wait" else "figure.drying", time=time, at=at)


def waited(wait: tuple[float, float]) -> Said:
    """A wait of low to high [h] in words, none for no wait."""
    return lasting(*wait) if wait[1] > 0 else ""
