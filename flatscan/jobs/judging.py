"""Background against finish, and what the wall takes beyond the thickness the price holds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from flatscan.compare import Both, Difference
from flatscan.core.quantity import cubic_metres
from flatscan.jobs.checking import check_seen
from flatscan.jobs.results import Background, Extra, Seen, Survey, Variation
from flatscan.jobs.settings import DEFAULT_SYSTEM, Comparing, Finishing, Progress, Requirement
from flatscan.jobs.surveying import survey_seen
from flatscan.plan.finish import BuildUp
from flatscan.plan.rates import QuoteLine, Rates, extra_over, load_rates, quote
from flatscan.plan.systems import load as load_system
from flatscan.plan.takeoff import TakeOff, take_off


def judged(
    earlier: Seen, difference: Difference, both: Both, options: Comparing, finish: Finishing, progress: Progress
) -> dict[str, Any]:
    """Background by its own limit and quantity over the allowance, by their names in a `Change`, where asked for."""
    found: dict[str, Any] = {}
    if options.background is not None:
        found["background"] = background_of(earlier, options.background, progress)
    rates = None if options.rates is None else load_rates(options.rates)
    allowance = options.allowance
    if allowance is None and rates is not None:
        allowance = rates.allowance
    if allowance is not None:
        if rates is not None:
            rates = replace(rates, allowance=allowance)
        planned = survey_seen(earlier, options.background or Requirement(), finish, progress)
        found["variation"] = variation_of(planned, difference, both, allowance, rates, finish)
    return found


def background_of(earlier: Seen, requirement: Requirement, progress: Progress) -> Background:
    """The earlier surface checked against its own limit, with what is over it."""
    found = check_seen(earlier, requirement, progress)
    flat = next((criterion for criterion in found.verdict.criteria if criterion.name == "flatness"), None)
    limit = requirement.limit if flat is None else flat.limit
    excess = None if flat is None or flat.value is None else flat.value - limit
    over = np.nan_to_num(found.gaps.deepest) > limit
    area = float(found.relief.area[over & found.relief.valid].sum())
    return Background(replace(found, tolerance=requirement.tolerance), limit, excess, area)


def variation_of(
    planned: Survey, difference: Difference, both: Both, allowance: float, rates: Rates | None, finish: Finishing
) -> Variation:
    """Quantities, passes, visits and money beyond the allowance [m], each a difference of the same take-off twice."""
    built, taken = planned.plan.build_up, planned.plan.take_off
    volume, area = extra_over(built, planned.relief, allowance)
    # what moves the whole plane moves every litre over the allowance by the share of the wall that is over it
    u = None if built.volume.u is None or built.area <= 0 else built.volume.u * area / built.area
    flat, plain = _at_allowance(planned, built, allowance, finish)
    lines, currency = _difference(planned, (flat, plain), rates)
    return Variation(
        allowance=allowance, planned=Extra(cubic_metres(volume, u), area),
        applied=_applied(difference, both, allowance), passes=(plain.passes, taken.passes),
        visits=(plain.visits, taken.visits), bags=(plain.bags, taken.bags), system=taken.system, lines=lines,
        currency=currency, survey=planned,
    )  # fmt: skip


def _at_allowance(planned: Survey, built: BuildUp, allowance: float, finish: Finishing) -> tuple[BuildUp, TakeOff]:
    """The same wall as if it took the allowance everywhere."""
    even = np.where(np.isfinite(built.thickness), allowance, np.nan)
    flat = replace(
        built, thickness=even, least=allowance, mean=allowance, most=allowance,
        volume=cubic_metres(allowance * built.area, 0.0), notes=(),
    )  # fmt: skip
    system = load_system(finish.system or DEFAULT_SYSTEM)
    options = replace(finish.order, strict=False)
    return flat, take_off(flat, planned.relief, system, options=options)


def _difference(
    planned: Survey, even: tuple[BuildUp, TakeOff], rates: Rates | None
) -> tuple[tuple[QuoteLine, ...], str]:
    """Lines of the quote at the measured thickness less those at the allowance."""
    if rates is None:
        return (), ""
    now = quote(planned.plan.take_off, planned.plan.build_up, planned.relief, rates)
    before = quote(even[1], even[0], planned.relief, rates)
    held = {(line.what, line.unit): line for line in before.lines}
    lines = []
    for line in now.lines:
        base = held.pop((line.what, line.unit), None)
        quantity = line.quantity - (base.quantity if base is not None else 0.0)
        if abs(quantity) > 1e-9:
            lines.append(QuoteLine(line.what, quantity, line.unit, line.rate, quantity * line.rate))
    lines += [QuoteLine(rest.what, -rest.quantity, rest.unit, rest.rate, -rest.amount) for rest in held.values()]
    return tuple(lines), rates.currency


def _applied(change: Difference, both: Both, allowance: float) -> Extra | None:
    """What both surveys show as put on over the allowance."""
    if change.mean is None:
        return None
    here = np.isfinite(change.change) & both.base.inside
    over = np.maximum(change.change[here] - allowance, 0.0)
    scale = 1 / change.compared_share if change.compared_share > 0 else 1.0
    area = float(both.base.area[here][over > 0].sum()) * scale
    volume = float(over @ both.base.area[here]) * scale
    u = None if change.mean.u is None else change.mean.u * area
    return Extra(cubic_metres(volume, u), area)
