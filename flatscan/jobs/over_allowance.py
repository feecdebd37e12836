"""What of a comparison goes beyond a price: the earlier surface by its own limit, and quantities over an allowance."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from flatscan.compare import Both, Difference
from flatscan.core.errors import BadValue
from flatscan.core.notes import note
from flatscan.core.quantity import cubic_metres
from flatscan.jobs.checking import check_looked, sweeps_of
from flatscan.jobs.compared import Extra
from flatscan.jobs.extra_over import beyond
from flatscan.jobs.results import Background, Check, Seen, Survey, Variation
from flatscan.jobs.seeing import look
from flatscan.jobs.settings import Comparing, Finishing, Progress, Requirement
from flatscan.jobs.surveying import planned
from flatscan.plan.rates import Rates, load_rates
from flatscan.straightedge.balanced import gaps_beside


def judged(
    earlier: Seen, difference: Difference, both: Both, options: Comparing, finish: Finishing, progress: Progress
) -> dict[str, Any]:
    """Background by its own limit and quantity over the allowance, by their names in a `Change`, where asked for.

    Both are told from one look at the earlier wall and one set of sweeps.
    """
    rates = None if options.rates is None else load_rates(options.rates)
    allowance = options.allowance
    # on a surface that is one nothing was put on that a price could go beyond, whatever the job's plan charges
    if allowance is None and rates is not None and not options.same_surface:
        allowance = rates.allowance
    found: dict[str, Any] = {}
    if options.background is None and allowance is None:
        return found
    requirement = options.background or Requirement()
    looked = look(earlier, requirement, progress)
    sweeps = sweeps_of(looked, requirement)
    if options.background is not None:
        found["background"] = background_of(check_looked(looked, sweeps, requirement, progress), requirement)
    if allowance is not None:
        if rates is not None:
            rates = replace(rates, allowance=allowance)
        progress(note("stage.straightedge"), None)
        gaps = gaps_beside(sweeps, requirement.rule, requirement.shown, requirement.directions)
        try:
            survey = planned(looked, gaps, finish, progress)
        except BadValue:
            # a hump that the job's plan cuts may be gone by the earlier survey; what else is wrong stays wrong
            survey = planned(looked, gaps, replace(finish, cut=()), progress)
        found["variation"] = variation_of(survey, difference, both, allowance, rates, finish)
    return found


def background_of(found: Check, requirement: Requirement) -> Background:
    """What of the earlier surface, checked against its own limit, is over it."""
    flat = found.verdict.flatness
    limit = requirement.limit if flat is None else flat.limit
    measured = None if flat is None else flat.measured
    excess = None if measured is None else measured.beyond(limit)
    area = found.gaps.area_over(limit, found.relief)
    return Background(replace(found, tolerance=requirement.tolerance), limit, excess, area)


def variation_of(
    survey: Survey, difference: Difference, both: Both, allowance: float, rates: Rates | None, finish: Finishing
) -> Variation:
    """What the earlier wall takes beyond the allowance [m], and what both surveys show as put on over it."""
    return replace(beyond(survey, allowance, rates, finish), applied=_applied(difference, both, allowance))


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
