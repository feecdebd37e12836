"""The ranges that a take-off is reckoned with, each with where it was read, as a reader or a program is told them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from flatscan.plan.materials import Coat, Range, System, coverage

# whose source a range has where that stands under another name
_GROUPS = {
    "fills": "consumption",
    "covers": "consumption",
    "base-area": "output",
    "base-volume": "output",
    "finish-area": "output",
}


@dataclass(frozen=True, slots=True)
class Figure:
    """A range of a system: its ``code``, the coat it is of or nothing, low and high in a ``unit``, and its source.

    ``tag`` is how sure it is, one of `materials.TAGS`, ``at`` the thickness [m] that it is told for, None where that is
    no matter.
    """

    code: str
    coat: str
    low: float
    high: float
    unit: str
    source: str
    tag: str
    at: float | None = None


# code, coat, range, unit, thickness
_Row = tuple[str, str, Range | None, str, float | None]


def figures(system: System, most: float) -> tuple[Figure, ...]:
    """Every range of a system with its source, coat by coat, then of all of it; ``most`` [m] of build-up dries."""
    rows = [*(row for coat in system.coats for row in _of_coat(coat)), *_of_all(system, most)]
    return tuple(
        Figure(code, coat, *of, unit, *_known(system, code, coat), at)
        for code, coat, of, unit, at in rows
        if of is not None and of[1] > 0
    )


def _known(system: System, code: str, coat: str) -> tuple[str, str]:
    group = _GROUPS.get(code, code)
    if group == "consumption" and code != group and any(it.name == coat and it.mix for it in system.coats):
        # binder and sand go by volume, whatever the mortar weighs
        group = "dry factor"
    return system.source(group, coat), system.tag(group, coat)


def _of_coat(coat: Coat) -> Iterator[_Row]:
    at = coat.most if coat.nominal is None else coat.nominal
    yield "consumption", coat.name, (coat.rate[0] / 1e3, coat.rate[1] / 1e3), "kg per m2 and mm", None
    yield "dry factor", coat.name, None if coat.mix is None else coat.mix.dry_factor, "loose to placed", None
    fills = coat.fills
    yield "fills", coat.name, None if fills is None else (fills[0] * 1e3, fills[1] * 1e3), "l a bag", None
    yield "covers", coat.name, coverage(coat, at), "m2 a bag", at
    yield "water", coat.name, coat.water, "l a bag", None
    yield "use within", coat.name, coat.use_within, "h", None
    yield "key", coat.name, coat.key_after, "h", None
    yield "set", coat.name, coat.set_time, "h", None
    if coat.wait_per_mm is None:
        yield "wait", coat.name, coat.wait, "h", None
    else:
        yield "wait", coat.name, (coat.wait_per_mm[0] / 24, coat.wait_per_mm[1] / 24), "days per mm", at


def _of_all(system: System, most: float) -> Iterator[_Row]:
    output = system.output
    yield "base-area", "", output.base_area, "m2 a day", None
    litres = output.base_volume[0] * 1e3, output.base_volume[1] * 1e3
    yield "base-volume", "", litres, "l a day", None
    if system.last:
        yield "finish-area", "", output.finish_area, "m2 a day", None
    yield "drying", "", system.dry_per_mm, "days per mm", most
    yield "paint", "", system.paint_days, "days", None
