"""What a wall takes beyond the thickness its price holds: sentences, values, and the record of a variation."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import COVER, Quantity, cubic_metres, hours, metres, share, square_metres
from flatscan.jobs import Change
from flatscan.jobs.compared import Extra
from flatscan.jobs.results import Variation
from flatscan.report.parts import Section
from flatscan.report.say import Said
from flatscan.report.tables import Cell, Column, Table

_UNTIED, _NO_VISITS = Unknown("unknown.untied"), Unknown("unknown.no-visits")


def extra_section(found: Variation) -> Section:
    """The section of a survey's own variation: for paper and page."""
    return Section("extra", tables=(extra_table(found),), in_document=False)


def extra_table(found: Variation | None) -> Table:
    """What the wall takes beyond the thickness of the contract, worked out for the variation record."""
    columns = (Column("what", "beyond the contract"), Column("amount", "extra"))
    rows: list[tuple[Cell, ...]] = []
    if found is not None:
        allowance = metres(found.allowance)
        thickness = note("report.extra-thickness", thickness=metres(found.thickness), allowance=allowance)
        rows.append((note("report.extra-mean"), thickness))
        rows.append((note("report.extra-area"), note("report.area", area=square_metres(found.planned.area))))
        rows.append((note("report.extra-volume"), note("report.volume-spread", volume=litres_over(found.planned))))
        bought = [(name, unit, count) for name, unit, count in found.products if count]
        rows += [(name, note("report.extra-product", count=share(count), unit=unit)) for name, unit, count in bought]
        work, visits = extra_hours(found), extra_of(found.visits)
        rows += [] if work is None else [(note("report.extra-work"), note("report.hours-more", work=work))]
        rows += [(note("report.extra-visits"), f"{visits:+d}")] if isinstance(visits, int) else []
        rows += _paid(found)
    return Table("extra", note("report.extra-title"), columns, tuple(rows), "no allowance was given")


def litres_over(found: Extra) -> Quantity:
    """What lies over the allowance [m3], which is never less than nothing."""
    value, u = found.volume.value, found.volume.u
    if u is None:
        return Quantity(value, None, "m3")
    return Quantity(value, u, "m3", max(value - COVER * u, 0.0), value + COVER * u)


def _paid(found: Variation) -> list[tuple[Cell, ...]]:
    """The price with what it is at both ends of the volume likely; nothing without rates."""
    if found.amount is None:
        return []
    values = {"amount": share(found.amount), "currency": found.currency}
    paid = note("report.at-rates-bare", None, **values)
    if found.ends is not None:
        low, high = sorted(found.ends)
        paid = note("report.at-rates-span", None, **values, low=share(low), high=share(high))
    return [(note("report.extra-price"), paid)]


def extra_hours(found: Variation) -> Quantity | None:
    """Hours of work beyond the allowance, None where they were not worked out."""
    before, now = found.hours
    return None if before is None or now is None else hours(now - before)


def extra_of(pair: tuple[int | None, int | None]) -> int | Unknown:
    """How many more there are now than before."""
    return _NO_VISITS if pair[0] is None or pair[1] is None else pair[1] - pair[0]


def variation_notes(found: Variation) -> Iterator[Note]:
    """What the wall takes beyond the allowance."""
    planned = found.planned
    volume, area = litres_over(planned), square_metres(planned.area)
    yield note("report.beyond", allowance=metres(found.allowance), volume=volume, area=area)
    if found.applied is not None:
        area = square_metres(found.applied.area)
        yield note("report.in-place-beyond", volume=litres_over(found.applied), area=area)
    before, now = found.visits
    visits = "" if before is None or now is None else note("report.visits-against", now=now, before=before)
    money: Said = ""
    if found.amount is not None:
        money = note("report.at-rates", amount=share(found.amount), currency=found.currency)
    first, last = found.passes
    yield note("report.coats-against", now=last, before=first, system=found.system, visits=visits, money=money)


def variation_values(found: Change) -> dict[str, object]:
    """The values of the document's ``variation``."""
    v = found.variation
    assert v is not None
    applied = v.applied
    return {
        "allowance_mm": metres(v.allowance),
        "planned_over_l": cubic_metres(v.planned.volume.value),
        "u_planned_over_l": _UNTIED if v.planned.volume.u is None else cubic_metres(v.planned.volume.u),
        "planned_area_m2": square_metres(v.planned.area),
        "applied_over_l": _UNTIED if applied is None else cubic_metres(applied.volume.value),
        "u_applied_over_l": _UNTIED if applied is None or applied.volume.u is None else cubic_metres(applied.volume.u),
        "applied_area_m2": _UNTIED if applied is None else square_metres(applied.area),
        "extra_coats": v.passes[1] - v.passes[0],
        "extra_visits": extra_of(v.visits),
        "extra_bags": extra_of(v.bags),
        "extra_thickness_mm": metres(v.thickness),
        "extra_labour_hours": extra_hours(v) or _NO_VISITS,
        "extra_products": tuple(
            {"name": name, "unit": unit, "count": share(count)} for name, unit, count in v.products
        ),
        "price": Unknown("unknown.no-rates") if v.amount is None else share(v.amount),
        "system": v.system,
        "currency": v.currency,
        "lines": variation_table(found).rows_as_values(),
    }


def variation_table(found: Change) -> Table:
    """Lines of the quote at the measured thickness less those at the allowance."""
    lines = () if found.variation is None else found.variation.lines
    columns = (
        Column("what", "what"),
        Column("quantity", "more by", 2),
        Column("unit", "unit"),
        Column("rate", "rate", 2),
        Column("amount", "amount", 2),
    )
    rows = tuple((line.what, line.quantity, line.unit, line.rate, line.amount) for line in lines)
    empty = "no rates were given: flatscan ships no prices"
    return Table("variation", "Lines of the quote that differ", columns, rows, empty)
