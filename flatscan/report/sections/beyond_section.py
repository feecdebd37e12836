"""What a wall takes beyond an allowance: sentences, values, and the tables of the variation record."""

from __future__ import annotations

from collections.abc import Iterator

from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import cubic_metres, metres, share, square_metres
from flatscan.jobs import Change
from flatscan.jobs.results import Variation
from flatscan.report.say import Said
from flatscan.report.sections.extra_section import extra_hours, extra_of, litres_over
from flatscan.report.tables import Column, Table

_UNTIED, _NO_VISITS = Unknown("unknown.untied"), Unknown("unknown.no-visits")


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
