"""Which slip of the hand makes one reading of another: a digit dropped, doubled, swapped or mistyped, a wrong unit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from flatscan.core.notes import Note, note
from flatscan.core.units import METRES_PER

# how far what was meant may lie off what is expected: so many deviations, and at least this [m] [setting]
_WITHIN, _AT_LEAST = 3.0, 0.003
# what a slip costs beside how well it fits, in half squared deviations, about the log of how many such slips there
# are: a nought or a unit wrong, the same key twice or the one beside it, two digits swapped, one too many, one
# dropped or any other key struck [setting]
_NOUGHT, _NEAR_KEY, _SWAP, _ONE_MORE, _ANY = 0.5, 0.5, 0.9, 1.1, 3.4
# another reading is named beside the likeliest where it costs so much more at most [setting]
_AS_WELL = 1.5
_TEN, _DROPPED, _EXTRA = note("grid.factor-ten"), note("grid.digit-dropped"), note("grid.digit-extra")
_SWAPPED, _WRONG = note("grid.digits-swapped"), note("grid.digit-wrong")
# a reading typed in another unit than the table's comes back by this
_UNITS = {
    "mm": (("cm", 10.0), ("in", 25.4)),
    "cm": (("mm", 0.1), ("in", 2.54)),
    "in": (("mm", 1 / 25.4), ("cm", 1 / 2.54)),
    "m": (("mm", 1e-3), ("cm", 1e-2)),
    "ft": (("mm", 1 / 304.8), ("in", 1 / 12)),
}


@dataclass(frozen=True, slots=True)
class Meant:
    """A reading [m] that may have been meant, the slip that made another of it, and what that slip costs.

    ``also`` [m] is another reading that was meant nearly as likely, None without one.
    """

    reading: float
    slip: Note
    cost: float
    also: float | None = None


def meant_by(reading: float, unit: str, expected: float, sd: float) -> Meant | None:
    """What was most likely meant by a ``reading`` [m] typed in ``unit``, where ``expected`` with ``sd`` [m] stands.

    None where no single slip leads to within three deviations of it.
    """
    near = max(_WITHIN * sd, _AT_LEAST)
    wide = max(sd, _AT_LEAST / _WITHIN)
    found: dict[float, Meant] = {}
    for one in _slips(reading, unit):
        if abs(one.reading - expected) > near:
            continue
        cost = one.cost + ((one.reading - expected) / wide) ** 2 / 2
        value = round(one.reading, 7)
        if value not in found or cost < found[value].cost:
            found[value] = replace(one, cost=cost)
    order = sorted(found.values(), key=lambda one: (one.cost, one.reading))
    if not order:
        return None
    as_well = len(order) > 1 and order[1].cost - order[0].cost < _AS_WELL
    return replace(order[0], also=order[1].reading if as_well else None)


def _slips(reading: float, unit: str) -> Iterator[Meant]:
    scale, sign = METRES_PER[unit], -1.0 if reading < 0 else 1.0
    typed = round(abs(reading) / scale, 4)
    for value, slip, cost in (*_factors(typed, unit), *_digits(typed)):
        if value != typed:
            yield Meant(sign * value * scale, slip, cost)


def _factors(typed: float, unit: str) -> Iterator[tuple[float, Note, float]]:
    yield typed * 10, _TEN, _NOUGHT
    yield typed / 10, _TEN, _NOUGHT
    for other, factor in _UNITS[unit]:
        said = note("grid.typed-in-inches") if other == "in" else note("grid.typed-in", unit=other)
        yield typed * factor, said, _NOUGHT


def _digits(typed: float) -> Iterator[tuple[float, Note, float]]:
    """What other whole numbers one slip of a finger makes of this one; what stands behind the point stays."""
    whole, part = int(typed), typed - int(typed)
    digits = str(whole)
    for at in range(len(digits) + 1):
        for new in "0123456789":
            yield int(digits[:at] + new + digits[at:]) + part, _DROPPED, _ANY
    for at, old in enumerate(digits):
        if len(digits) > 1:
            yield int(digits[:at] + digits[at + 1 :]) + part, _EXTRA, _ONE_MORE
        if at:
            yield int(digits[: at - 1] + old + digits[at - 1] + digits[at + 1 :]) + part, _SWAPPED, _SWAP
        # the same key struck twice in place of the next one
        twice = old in (digits[at - 1 : at], digits[at + 1 : at + 2])
        for new in "0123456789":
            near = twice or abs(int(new) - int(old)) == 1
            yield int(digits[:at] + new + digits[at + 1 :]) + part, _WRONG, _NEAR_KEY if near else _ANY
