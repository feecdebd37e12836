"""What a wall takes beyond the thickness of the contract, line by line, for the record of a variation."""

from __future__ import annotations

from flatscan.core.notes import Unknown, note
from flatscan.core.quantity import COVER, Quantity, hours, metres, share, square_metres
from flatscan.jobs.compared import Extra
from flatscan.jobs.results import Variation
from flatscan.report.parts import Section
from flatscan.report.tables import Cell, Column, Table

_NO_VISITS = Unknown("unknown.no-visits")


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
