"""Which readings may be slips, and where one could not be told.

A reading far off what the others predict is a slip, or the warp is rougher than the others show: which of the two is
more likely is asked of all warps together, and both stay in the result as far as the readings leave them open
(outliers as one more component of a mixture: Box and Tiao, Biometrika 55, 1968, 119).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from flatscan.core.geometry import Array
from flatscan.relief.members import Member

# one reading in so many is a slip, of about this size [m] [setting]
SLIP_SHARE, SLIP_SIZE = 1 / 100, 0.010
# a reading is named where the odds of a slip are this, for to read it again costs a minute [setting]
_NAMED = 0.10
# a slip is told where it would be named in so many of a hundred cases
_POWER = 0.80
# slips of lower odds than this are not followed up
FOLLOWED = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class LeftOut:
    """Each of n readings against the rest: ``off`` (n,) its difference less what they predict, ``u`` (n,) of that.

    ``log_odds`` (n,) are those of a slip against none, all warps weighed as the other readings leave them.
    """

    off: Array
    u: Array
    log_odds: Array

    @property
    def named(self) -> tuple[int, ...]:
        """Numbers of the readings that may well be slips."""
        return tuple(int(i) for i in np.flatnonzero(self.log_odds > np.log(_NAMED)))

    @property
    def smallest_told(self) -> Array:
        """The smallest slip (n,) [m] of each that would be named in 80 % of cases.

        The odds of a slip reach what is named where off^2 (1 / u^2 - 1 / (u^2 + slip^2)) / 2 does the log of the rest.
        """
        whole2 = self.u**2 + SLIP_SIZE**2
        needed = np.log(_NAMED * (1 - SLIP_SHARE) / SLIP_SHARE) + np.log(whole2 / self.u**2) / 2
        off = np.sqrt(2 * needed / (1 / self.u**2 - 1 / whole2))
        return np.asarray(off + float(ndtri(_POWER)) * self.u)


def left_out(members: Sequence[Member], log_weights: Array) -> LeftOut:
    """Each reading predicted by the others under every warp, with weights (K, F) in logs, the reading's own say out."""
    off, variance = (np.concatenate(part) for part in zip(*(one.left_out() for one in members), strict=True))
    log_density = -(off**2 / variance + np.log(variance)) / 2
    wide = variance + SLIP_SIZE**2
    log_slipped = -(off**2 / wide + np.log(wide)) / 2
    logs = log_weights.ravel()[:, None]
    weights = logs - log_density
    weights = np.exp(weights - weights.max(axis=0))
    weights /= weights.sum(axis=0)
    mean = (weights * off).sum(axis=0)
    u = np.sqrt((weights * (variance + (off - mean) ** 2)).sum(axis=0))
    slipped, sound = (_log_of_sum(logs + extra) for extra in (log_slipped - log_density, 0.0 * off))
    return LeftOut(mean, u, slipped - sound + np.log(SLIP_SHARE / (1 - SLIP_SHARE)))


def _log_of_sum(logs: Array) -> Array:
    most = logs.max(axis=0)
    return np.asarray(most + np.log(np.exp(logs - most).sum(axis=0)))
