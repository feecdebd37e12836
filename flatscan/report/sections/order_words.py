"""What is bought, what it costs, and work and waiting kept apart, for document, tables and sentences."""

from __future__ import annotations

from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import days, hours, share
from flatscan.plan.products import Product
from flatscan.plan.takeoff import TakeOff
from flatscan.report.say import Said
from flatscan.report.tables import Cell, Column, Table

# waits from here on [h] are said in days
_IN_DAYS = 48.0


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
        return dict.fromkeys(("labour_hours", "elapsed_days", "days", "visits", "hacking_hours", "labour"), unknown)
    coats = tuple(
        {
            "name": coat.name,
            "hours": hours(coat.hours),
            "wait_low_h": hours(coat.wait[0]),
            "wait_high_h": hours(coat.wait[1]),
        }
        for coat in work.coats
    )
    return {
        "labour_hours": hours(work.hours),
        "elapsed_days": days(work.elapsed_days),
        "days": unknown if order.days is None else days(order.days),
        "visits": work.visits,
        "hacking_hours": hours(work.hacking),
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
        return note("report.bought", count=share(it.count), unit=it.unit, name=it.name)
    unit, count = it.instead
    return note("report.bought-or", count=share(it.count), unit=it.unit, name=it.name, other=unit, many=share(count))


def working_time(order: TakeOff) -> Note | None:
    """Work and waiting, each by its own name."""
    found = order.labour
    if found is None:
        return None
    code = "report.work-one-visit" if found.visits == 1 else "report.work-visits"
    return note(code, work=hours(found.hours), whole=days(found.elapsed_days), visits=found.visits)


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
        Column("wait", "then wait"),
    )
    work = order.labour
    rows: list[tuple[Cell, ...]] = []
    if work is not None:
        rows += [(note("report.cutting"), work.hacking, "")] if work.hacking > 0 else []
        rows += [(coat.name, coat.hours, waited(coat.wait)) for coat in work.coats]
    return Table("labour", "Labour and waiting", columns, tuple(rows), "no labour was worked out")


def waited(wait: tuple[float, float]) -> Said:
    """A wait of low to high [h], in days where it is two or more."""
    low, high = wait
    if high <= 0:
        return ""
    if low >= _IN_DAYS:
        return note("report.day-wait" if low == high else "report.day-span", low=days(low / 24), high=days(high / 24))
    return note("report.hour-wait" if low == high else "report.hour-span", low=hours(low), high=hours(high))
