"""What to order for a build-up: coats, kilograms, products, labour and waiting."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flatscan.core.choices import SURFACES
from flatscan.core.errors import BadValue, Infeasible
from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import cubic_metres, metres, share
from flatscan.plan.coats import CoatLayer, OrderLine, Pass, bags_of, cannot_reach, layer_of, order_of
from flatscan.plan.finish import BuildUp
from flatscan.plan.labour import WORKDAY, Labour, labour_of
from flatscan.plan.materials import Range, System
from flatscan.plan.products import Product, products_of
from flatscan.plan.ranges import Figure, figures
from flatscan.plan.zones import passes_of


@dataclass(frozen=True, slots=True)
class TakeOff:
    """The order for one wall; ``bags`` is rounded up once, after waste; ``stops`` are the stop signs that fire.

    ``bags_range`` is the 95 % range of the bags wanted, the sum of the products' own in tenths; the order covers nine
    in ten. ``lead`` is what stands first. Where the coats do not reach, the ``notes`` hold the error that says why.
    ``weight`` [kg] and ``weight_worst`` [kg/m2] are added to the wall once set; ``weight_wet`` before. ``volume`` is
    (low, high) [m3] where old plaster comes off, else None.
    ``visits`` counts trips, ``passes`` coats. ``days`` are one person's working days, without waiting; ``labour`` has
    both apart, ``dry_days`` (low, high) are those from the last coat to the paint. ``products`` are what is bought in
    whole units. ``price`` is in the user's currency, ``price_span`` what it is at both ends of the volume's 95 %
    interval, of the bags and of the hours of work. ``either`` is the take-off of both surfaces as one where two lie
    in the scan: nobody orders by it, but the ends of bags and price come from it. ``figures`` are the ranges that it is
    reckoned with, each with its source, ``harms`` the codes of what the system's materials can do to people.
    """

    system: str
    coats: tuple[CoatLayer, ...]
    bags: int | None
    bags_range: tuple[float, float] | None
    waste_share: float
    days: float | None
    price: float | None
    stops: tuple[Note, ...]
    notes: tuple[Note | Infeasible, ...] = ()
    lead: Note | None = None
    order: tuple[OrderLine, ...] = ()
    weight: float | None = None
    weight_worst: float | None = None
    weight_wet: float | None = None
    surface: str = "bare"
    volume: tuple[float, float] | None = None
    visits: int | None = None
    passes: int = 0
    mesh_area: float = 0.0
    dry_days: Range | None = None
    labour: Labour | None = None
    products: tuple[Product, ...] = ()
    price_span: tuple[float, float] | None = None
    harms: tuple[str, ...] = ()
    either: TakeOff | None = None
    figures: tuple[Figure, ...] = ()


@dataclass(frozen=True, slots=True)
class TakeOffOptions:
    """``surface`` is what was surveyed: bare masonry, old plaster that stays, or old plaster that comes off.

    ``old_plaster`` is the thickness (low, high) [m] of what comes off; the default, 10 to 25 mm, is common practice.
    ``waste`` and ``rate`` (low, high) [kg per m3] override the system's; the bag's own figure is better than a range.
    ``background`` is what the coats go on, in a word. ``strict`` raises where the coats cannot reach the thickness;
    otherwise nothing is ordered and a note says why.
    """

    surface: str = "bare"
    old_plaster: tuple[float, float] = (0.010, 0.025)
    waste: float | None = None
    rate: tuple[float, float] | None = None
    background: str = ""
    strict: bool = True

    def __post_init__(self) -> None:
        if self.surface not in SURFACES:
            raise BadValue(
                "{set:surface}",
                "'{surface}'",
                needed=" or ".join(SURFACES),
                remedy="Use one of these words",
                surface=self.surface,
            )
        low, high = self.old_plaster
        if not 0 <= low <= high:
            raise BadValue(
                "old plaster",
                "{low:length.g} to {high:length.g}",
                needed="low first, none under 0",
                remedy="Give the least and the most thickness of what comes off",
                low=metres(low),
                high=metres(high),
            )
        if self.waste is not None and not 0 <= self.waste < 1:
            raise BadValue(
                "waste",
                "{waste:number}",
                needed="a share from 0 to under 1, such as 0.1",
                remedy="Give a tenth as 0.1",
                waste=share(self.waste),
            )
        if self.rate is not None and not 0 < self.rate[0] <= self.rate[1]:
            raise BadValue(
                "consumption",
                "{rate:number}",
                needed="low first, over 0",
                remedy="Read it off the bag",
                rate=tuple(share(end) for end in self.rate),
            )


def take_off(
    build_up: BuildUp,
    relief: Relief,
    system: System,
    *,
    options: TakeOffOptions | None = None,
    stops: tuple[Note, ...] = (),
    hacking: float = 0.0,
) -> TakeOff:
    """Coats, order, weight and labour of one wall's build-up in one material system, after ``hacking`` hours.

    Raises `Infeasible` where the coats cannot reach the thickness (unless not strict) and `BadValue` where the
    material must not go on the background.
    """
    options = options or TakeOffOptions()
    _check_background(system, options)
    unreachable = cannot_reach(system, build_up, relief)
    if unreachable is not None and options.strict:
        raise unreachable
    plain = TakeOff(
        system=system.name,
        coats=(),
        bags=None,
        bags_range=None,
        waste_share=system.waste if options.waste is None else options.waste,
        days=None,
        price=None,
        stops=stops,
        lead=_lead(build_up, options),
        surface=options.surface,
        volume=_range(build_up, options),
        harms=system.cautions,
        figures=figures(system, build_up.most),
    )
    if unreachable is not None:
        return replace(plain, notes=(unreachable,))
    ordered = _ordered(plain, build_up, relief, system, options, hacking)
    if build_up.between:
        return replace(plain, bags_range=ordered.bags_range, notes=(note("plan.no-order-doubled"),), either=ordered)
    return ordered


def _ordered(
    plain: TakeOff, build_up: BuildUp, relief: Relief, system: System, options: TakeOffOptions, hacking: float
) -> TakeOff:
    """The take-off with its coats, order, weight and labour filled in."""
    area = relief.area[relief.valid] * (build_up.area / float(relief.area[relief.valid].sum()))
    passes = passes_of(system, build_up, relief)
    layers = tuple(layer_of(p, area, plain.waste_share, options.rate) for p in passes)
    order = order_of(layers, passes, area, build_up, plain.waste_share, options.rate)
    bags = bags_of(order)
    labour = labour_of(system, passes, area, hacking=hacking)
    weight, worst, wet = _weight(passes, area)
    notes = [*_thin(build_up, system), *_mesh_note(build_up, system)]
    if build_up.order is None:
        notes.append(note("plan.bags-without-volume"))
    return replace(
        plain,
        coats=layers,
        bags=None if bags is None else bags[0],
        bags_range=None if bags is None else bags[1],
        days=labour.hours / WORKDAY,
        notes=tuple(notes),
        order=order,
        weight=weight,
        weight_worst=worst,
        weight_wet=wet,
        visits=labour.visits,
        passes=len(passes),
        mesh_area=_mesh_area(build_up, relief, system),
        dry_days=system.drying(build_up.most),
        labour=labour,
        products=products_of(order),
    )


def _check_background(system: System, options: TakeOffOptions) -> None:
    if options.background and options.background in system.not_on:
        raise BadValue(
            "system {system}",
            "the background is '{background}'",
            needed="none of {banned}",
            remedy="Choose another system or cure the cause",
            system=system.name,
            background=options.background,
            banned=", ".join(system.not_on),
        )


def _thin(build_up: BuildUp, system: System) -> list[Note]:
    if build_up.least >= system.least - 1e-9:
        return []
    return [note("plan.too-thin", least=metres(build_up.least), wanted=metres(system.least))]


def _mesh_note(build_up: BuildUp, system: System) -> list[Note]:
    if system.mesh_over is None or build_up.most <= system.mesh_over:
        return []
    return [note("plan.mesh", over=metres(system.mesh_over))]


def _mesh_area(build_up: BuildUp, relief: Relief, system: System) -> float:
    if system.mesh_over is None:
        return 0.0
    return float(relief.area[np.nan_to_num(build_up.thickness) > system.mesh_over].sum())


def _weight(passes: tuple[Pass, ...], area: Array) -> tuple[float, float, float]:
    """Weight once set [kg], at its worst [kg/m2], and wet [kg]; by the upper consumption, dry powder standing for set.

    Set gypsum and cement keep part of their mixing water, so the true figure lies between this and the wet one.
    """
    load = sum((p.thickness * p.coat.rate[1] for p in passes), np.zeros_like(area))
    water = sum(
        (p.thickness * p.coat.rate[1] * p.coat.water[1] / p.coat.bag for p in passes if p.coat.water and p.coat.bag),
        np.zeros_like(area),
    )
    return float((load * area).sum()), float(load.max()), float(((load + water) * area).sum())


def _range(build_up: BuildUp, options: TakeOffOptions) -> tuple[float, float] | None:
    """Volume [m3] where old plaster comes off: everything measured, plus the old plaster's thickness all over."""
    if options.surface != "comes-off":
        return None
    ends = [build_up.volume.value if end is None else end for end in (build_up.low, build_up.high)]
    low, high = (end + off * build_up.area for end, off in zip(ends, options.old_plaster, strict=True))
    return low, high


def _lead(build_up: BuildUp, options: TakeOffOptions) -> Note:
    """What stands first: a range where old plaster comes off, a warning where it stays."""
    volumes = _range(build_up, options)
    if volumes is not None:
        return note("plan.lead-range", low=cubic_metres(volumes[0]), high=cubic_metres(volumes[1]))
    volume = cubic_metres(build_up.volume.value)
    return note("plan.lead-stays" if options.surface == "stays" else "plan.lead-bare", volume=volume)
