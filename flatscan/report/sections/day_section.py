"""The program of the work: its steps as the document has them, and what stands on the sheet for the wall."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from flatscan.core.geometry import Mask
from flatscan.core.notes import Caution, Note, note
from flatscan.core.quantity import Quantity, hours, metres, share
from flatscan.jobs import SetOut, Survey
from flatscan.plan.coats import LOOSE
from flatscan.plan.day import Day, Line, Step
from flatscan.plan.products import Product
from flatscan.plan.takeoff import TakeOff
from flatscan.plan.zones import Zone
from flatscan.report.elevations import Elevation
from flatscan.report.parts import Section
from flatscan.report.say import Said
from flatscan.report.sections.plan_section import litres

# what an amount's key ends in, by its unit
_ENDINGS = {"m": "_mm", "m3": "_l", "m2": "_m2", "kg": "_kg", "h": "_h", "d": "_days"}

# what is not measured and smaller [m2] is not drawn; a share under this is not worth a word
_CRUMB, _NOTHING = 0.02, 5e-4
# so many mixes are told one by one
_MIXES = 4


@dataclass(frozen=True, eq=False)
class DaySheet:
    """What the sheet for the wall is drawn from: the program on the wall's elevation, and the words of its head.

    ``plan`` is the fingerprint of the plan it belongs to, ``hidden`` (rows, cols) what is drawn as not measured and
    ``missing`` what is said of it. ``warned`` are the cautions that stand before each step. ``together`` are the steps
    of all walls planned together, each with its wall, in the order of the clock, ``together_warned`` theirs, and
    ``ordered`` what is ordered for all of them.
    """

    on: Elevation
    day: Day
    thickness: Note
    mean: Note
    volume: Said
    order: Said
    plan: str
    hidden: Mask | None = None
    missing: Note | None = None
    warned: tuple[tuple[Caution, ...], ...] = ()
    together: tuple[tuple[Note, Step], ...] = ()
    together_warned: tuple[tuple[Caution, ...], ...] = ()
    ordered: Said = ""


def warned_of(steps: Iterable[Step], cautions: Sequence[Caution]) -> tuple[tuple[Caution, ...], ...]:
    """The cautions before each step: of what is done there first, each once; with the first those of all work."""
    left, before = list(cautions), []
    for step in steps:
        here = [one for one in left if one.action in step.actions]
        here += [one for one in left if one.action == "all" and here]
        left = [one for one in left if one not in here]
        before.append(tuple(here))
    return tuple(before)


def day_section(result: Survey | SetOut, cautions: Sequence[Caution]) -> Section | None:
    """The steps with their amounts, times and cautions; None where no work was planned."""
    day = result.day
    if day is None:
        return None
    values: dict[str, object] = {} if day.start is None else {"start": clock(day.start)}
    values["zones"] = tuple(_zone(zone) for zone in day.zones)
    warned = warned_of(day.steps, cautions)
    values["steps"] = tuple(_step(*each, day.start) for each in zip(day.steps, warned, strict=True))
    return Section("day", values)


def day_sheet(result: Survey | SetOut, on: Elevation, cautions: Sequence[Caution]) -> DaySheet | None:
    """What is drawn for the wall itself; None where no work was planned."""
    if result.day is None:
        return None
    built, (hidden, missing), together = result.plan.build_up, _hidden(on), together_steps(result)
    least, most, mean = metres(built.least), metres(built.most), metres(built.mean)
    return DaySheet(
        on,
        result.day,
        note("day.thickness", least=least, most=most),
        note("day.on-average", mean=mean),
        _in_bags(result.plan.take_off, litres(built.volume, built.low, built.high, built.order)),
        note("report.list-comma", parts=tuple(_bought(it) for it in result.plan.take_off.products if _laid_on(it))),
        result.job.fingerprint,
        hidden,
        missing,
        warned_of(result.day.steps, cautions),
        together,
        warned_of((step for _, step in together), cautions),
        _ordered_together(result),
    )


def together_steps(result: Survey | SetOut) -> tuple[tuple[Note, Step], ...]:
    """The steps of walls planned together, each with its wall, as one person takes them; empty for a wall alone."""
    joined = result.together if isinstance(result, Survey) else None
    if joined is None:
        return ()
    steps = [
        (day_number, number, step)
        for day_number, (number, day) in enumerate(zip(joined.walls, joined.days, strict=True))
        for step in (() if day is None else day.steps)
    ]
    # of steps that begin at once those of one wall stay together, in their order
    ranked = sorted(steps, key=lambda one: (round(one[2].begins, 6), one[0]))
    return tuple((note("day.wall", number=number), step) for _, number, step in ranked)


def together_section(result: Survey | SetOut, cautions: Sequence[Caution]) -> Section | None:
    """The program of walls planned together, for the document; None for a wall alone."""
    steps = together_steps(result)
    if not steps or result.day is None:
        return None
    warned, start = warned_of((step for _, step in steps), cautions), result.day.start
    rows = tuple(
        {"wall": wall, **_step(step, before, start)} for (wall, step), before in zip(steps, warned, strict=True)
    )
    return Section("day_together", {"steps": rows})


def _ordered_together(result: Survey | SetOut) -> Said:
    joined = result.together if isinstance(result, Survey) else None
    if joined is None:
        return ""
    lines = tuple(
        note("report.order-line", order=share(line.order), unit=line.unit, product=line.product)
        for line in joined.order
    )
    return note("report.list-comma", parts=lines)


def _hidden(on: Elevation) -> tuple[Mask | None, Note]:
    """What was not measured, without crumbs, and what is said of it."""
    relief = on.relief
    if not on.on_cells:
        return None, note("day.stations")
    lost = relief.inside & ~relief.valid
    labels, count = relief.connected(lost)
    shown = np.zeros(lost.shape, dtype=bool)
    for number in range(1, count + 1):
        here = labels == number
        shown |= here if float(relief.area[here].sum()) >= _CRUMB else False
    part = share(1 - relief.covered_share)
    if part.value < _NOTHING:
        return shown, note("day.all-measured")
    return shown, note("day.hatched" if shown.any() else "day.not-hatched", share=part)


def _laid_on(it: Product) -> bool:
    """Whether it is laid on the wall, and no bead, strip or mesh."""
    return isinstance(it.name, str)


def _in_bags(order: TakeOff, volume: Said) -> Said:
    """The volume, with the size of the bags where all have one."""
    units = {it.unit for it in order.products if _laid_on(it) and it.unit != LOOSE}
    return note("day.bags-of", unit=units.pop(), volume=volume) if len(units) == 1 else volume


def _bought(it: Product) -> Note:
    return note("day.bought-loose" if it.unit == LOOSE else "day.bought", count=share(it.count), name=it.name)


def clock(at: float) -> str:
    """A time of day [h] as hours and minutes, to five minutes."""
    minutes = round(at * 12) * 5 % (24 * 60)
    return f"{minutes // 60}:{minutes % 60:02d}"


def moment(at: float) -> Said:
    """A time of day [h from the first day's midnight], from the second day on with its day."""
    day = int(at // 24)
    return clock(at) if day == 0 else note("day.day-time", day=day + 1, time=clock(at))


def use_by(line: Line, start: float | None) -> Note | None:
    """By when each mix must be used, where it is known when work starts; after so many of them how it goes on."""
    if start is None or not line.mixes:
        return None
    told = line.mixes if len(line.mixes) <= _MIXES else line.mixes[: _MIXES - 1]
    # the day is said where it changes: "mixed day 2, 7:30: use by 7:45, 8:25: use by 8:40"
    times = [start + time for mix in told for time in mix]
    before = [0.0, *times]
    said = [clock(at) if at // 24 == last // 24 else moment(at) for last, at in zip(before, times, strict=False)]
    mixes = tuple(note("day.used-by", mixed=at, by=by) for at, by in zip(said[::2], said[1::2], strict=True))
    return note("day.use-by" if len(told) == len(line.mixes) else "day.use-by-more", mixes=mixes)


def _zone(zone: Zone) -> dict[str, object]:
    return {
        "name": zone.name,
        "x_mm": metres(zone.x),
        "y_mm": metres(zone.y),
        "left_mm": metres(zone.left),
        "bottom_mm": metres(zone.bottom),
        "width_mm": metres(zone.width),
        "height_mm": metres(zone.height),
        "area_m2": Quantity(zone.area, None, "m2"),
        "litres": Quantity(zone.volume, None, "m3"),
        "passes": zone.passes,
        "each_mm": metres(zone.each),
    }


def _step(step: Step, warned: tuple[Caution, ...], start: float | None) -> dict[str, object]:
    ends = {} if step.ends is None else {"to_h": hours(step.ends)}
    return {
        "code": step.code,
        "text": step.does,
        "from_h": hours(step.begins),
        **ends,
        "amounts": dict(_amounts(step.does)),
        "said": tuple(_line(line, start) for line in step.lines),
        "before": step.before,
        "cautions": tuple(one.code for one in warned),
    }


def _line(line: Line, start: float | None) -> dict[str, object]:
    sure: dict[str, object] = {"known_from": line.tag} if line.tag else {}
    if line.mixes:
        sure["mixes"] = tuple(_mix(at, by, start) for at, by in line.mixes)
    return {"text": line.said, **sure, "amounts": dict(_amounts(line.said))}


def _mix(at: float, by: float, start: float | None) -> dict[str, object]:
    clocks = {} if start is None else {"at": moment(start + at), "use_by": moment(start + by)}
    return {"at_h": hours(at), "use_by_h": hours(by), **clocks}


def _amounts(said: Note) -> Iterator[tuple[str, object]]:
    """Amounts of a note and of a time in it, each under a key that ends in its unit."""
    for name, value in said.quantities.items():
        if isinstance(value, Quantity):
            yield f"{name}{_ENDINGS.get(value.unit, '')}", value
        elif isinstance(value, Note):
            yield from _amounts(value)
        elif isinstance(value, int):
            yield name, value
