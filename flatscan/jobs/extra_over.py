"""What a wall takes beyond the thickness that its price holds: the same take-off and quote twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from flatscan.core.quantity import cubic_metres
from flatscan.jobs.compared import Extra
from flatscan.jobs.results import Survey, Variation
from flatscan.jobs.settings import Finishing
from flatscan.plan.finish import BuildUp
from flatscan.plan.rates import QuoteLine, Rates, extra_over, quote
from flatscan.plan.takeoff import TakeOff, take_off


def beyond(survey: Survey, allowance: float, rates: Rates | None, finish: Finishing) -> Variation:
    """Quantities, passes, visits and money beyond the allowance [m], each a difference of the same take-off twice."""
    built, taken = survey.plan.build_up, survey.plan.take_off
    volume, area = extra_over(built, survey.relief, allowance)
    # what moves the whole plane moves every litre over the allowance by the share of the wall that is over it
    u = None if built.volume.u is None or built.area <= 0 else built.volume.u * area / built.area
    flat, plain = _at_allowance(survey, built, allowance, finish)
    lines, ends, currency = _difference(survey, (flat, plain), rates)
    return Variation(
        allowance=allowance,
        planned=Extra(cubic_metres(volume, u), area),
        applied=None,
        passes=(plain.passes, taken.passes),
        visits=(plain.visits, taken.visits),
        bags=(plain.bags, taken.bags),
        hours=(_hours(plain), _hours(taken)),
        products=_more_bought(plain, taken),
        system=taken.system,
        lines=lines,
        ends=ends,
        currency=currency,
        survey=survey,
    )


def _hours(taken: TakeOff) -> float | None:
    return None if taken.labour is None else taken.labour.hours


def _more_bought(before: TakeOff, now: TakeOff) -> tuple[tuple[str, str, float], ...]:
    """How much more of each product is bought (less than 0: less)."""
    counts = {(line.product, line.unit): line.order for line in now.order}
    for line in before.order:
        counts[line.product, line.unit] = counts.get((line.product, line.unit), 0.0) - line.order
    return tuple((name, unit, count) for (name, unit), count in counts.items())


def _at_allowance(survey: Survey, built: BuildUp, allowance: float, finish: Finishing) -> tuple[BuildUp, TakeOff]:
    """The same wall as if it took the allowance everywhere."""
    even, volume = np.where(np.isfinite(built.thickness), allowance, np.nan), allowance * built.area
    flat = replace(
        built,
        thickness=even,
        least=allowance,
        mean=allowance,
        most=allowance,
        volume=cubic_metres(volume, 0.0),
        low=volume,
        high=volume,
        order=volume,
        notes=(),
    )
    options = replace(finish.order, strict=False)
    return flat, take_off(flat, survey.relief, finish.material, options=options)


def _difference(
    survey: Survey, even: tuple[BuildUp, TakeOff], rates: Rates | None
) -> tuple[tuple[QuoteLine, ...], tuple[float, float] | None, str]:
    """Lines of the quote at the measured thickness less those at the allowance, and both ends of their sum."""
    if rates is None:
        return (), None, ""
    now = quote(survey.plan.take_off, survey.plan.build_up, survey.relief, rates)
    before = quote(even[1], even[0], survey.relief, rates)
    held = {(line.what, line.unit): line for line in before.lines}
    lines = []
    for line in now.lines:
        base = held.pop((line.what, line.unit), None)
        quantity = line.quantity - (base.quantity if base is not None else 0.0)
        if abs(quantity) > 1e-9:
            lines.append(QuoteLine(line.what, quantity, line.unit, line.rate, quantity * line.rate))
    lines += [QuoteLine(rest.what, -rest.quantity, rest.unit, rest.rate, -rest.amount) for rest in held.values()]
    ends = None if now.ends is None else (now.ends[0] - before.total, now.ends[1] - before.total)
    return tuple(lines), ends, rates.currency
