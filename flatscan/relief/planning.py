"""Where on a scanned wall the next laser readings help most, and whether a limit can be decided with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from flatscan.core.errors import BadValue, TooFewPoints
from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.quantity import metres
from flatscan.core.reliefs import Grid
from flatscan.core.warp import CommonError
from flatscan.relief.before_readings import warps_of
from flatscan.relief.everywhere import gaps_in_box, worst_and_middle
from flatscan.relief.tied import TiedError, posterior
from flatscan.relief.trend import plane
from flatscan.relief.warps import Warps

# stations stand 100 mm in from the edges (methods/trade 11), and a rule's end needs flat ground around it
MARGIN = 0.100
# a limit T can be decided where u(gap) is about T/8 (methods/decision 6), and never where it is over T/4
DECIDED, HOPELESS = 8.0, 4.0
_STEPS = (0.4, 0.2, 0.1, 0.05)
_GAPS, _WORST_GAPS, _ROUNDS, _PASSES = 800, 300, 2, 4
# a high mean stands for the largest: it still prefers many good gaps among plans with the same worst one
_POWER = 8
_FREE = np.array([10.0, 0.1, 0.1])
_MOST = 60
# a reading less certain than this tells a scan nothing
_LARGEST_U = 0.05


@dataclass(frozen=True, eq=False)
class ReadingPlan:
    """So many further readings and what they leave: ``places`` (n, 2) in the order to read them.

    ``u_worst`` and ``u_middle`` [m] are the largest and the median standard uncertainty of gaps all over the wall,
    random part of the scan not counted; ``least_limit`` [m] is about the smallest limit they can decide.
    """

    places: Array
    u_worst: float
    u_middle: float

    @property
    def least_limit(self) -> float:
        """The limit [m] whose eighth the largest uncertainty is."""
        return DECIDED * self.u_worst

    def decides(self, limit: float) -> str:
        """Whether a limit [m] can be decided: "yes", "partly" (walls far from it) or "no"."""
        if self.u_worst <= limit / DECIDED:
            return "yes"
        return "partly" if self.u_worst <= limit / HOPELESS else "no"


def plan_readings(
    relief: Relief,
    *,
    rule: float,
    reading_u: float,
    laser: CommonError,
    counts: Sequence[int] = (0, 6, 12, 20),
    done: Array | None = None,
    warps: Warps | None = None,
) -> tuple[ReadingPlan, ...]:
    """For each of ``counts`` further readings the places that leave the least uncertainty of the worst gaps.

    ``relief`` brings the wall and its warp (untied), ``rule`` the straightedge [m], ``reading_u`` [m] a reading's
    standard uncertainty, ``laser`` the laser plane's own bend, ``done`` (k, 2) places read already, ``warps`` what they
    leave open of the scan's warp (None: what is stated and what the scan itself shows). Of all warps that may be the
    mean counts: what a plan promises, readings that tell the warps apart will better. The search starts
    from regular grids and from the places of largest uncertainty and moves one reading at a time while the worst gaps
    improve; the best of all is taken, so it is never worse than a regular grid. Raises `BadValue` for counts or a
    reading's u that make no sense and `TooFewPoints` for a relief without room for readings.
    """
    scan = _checked(relief, reading_u, counts)
    warp = (warps_of(scan) if warps is None else warps).blended(scan.common)
    work = _Work.of(scan, warp, rule, reading_u, laser, np.empty((0, 2)) if done is None else np.asarray(done, float))
    return tuple(work.best(count) for count in counts)


def open_warps(relief: Relief) -> Warps:
    """The warps that an untied scan may have; raises what `plan_readings` raises for a relief that is none."""
    return warps_of(_checked(relief, _LARGEST_U / 2, ()))


def _checked(relief: Relief, reading_u: float, counts: Sequence[int]) -> Grid:
    """The scan to be tied down; refuses anything else and settings that make no sense."""
    if not 0 < reading_u < _LARGEST_U:
        raise BadValue(
            "reading u",
            "{u:length.g}",
            needed="more than 0, less than {most:length}",
            remedy="Leave {set:reading_u} out",
            u=metres(reading_u),
            most=metres(_LARGEST_U),
        )
    if any(not 0 <= count <= _MOST for count in counts):
        raise BadValue(
            "readings",
            "{counts}",
            needed="0 to {most} readings",
            remedy="Ask for 6, 12 or 20",
            counts=", ".join(map(str, counts)),
            most=_MOST,
        )
    if not isinstance(relief, Grid):
        raise TooFewPoints(
            "capture",
            "a table of readings, not a scan",
            needed="the scan that the readings will tie down",
            remedy="Give the scan",
        )
    if relief.common.tied:
        raise BadValue(
            "capture",
            "a scan that is tied down already",
            needed="the scan as captured, and the places read beside it",
            remedy="Give the readings with {set:tie}",
        )
    return relief


@dataclass(frozen=True, eq=False)
class _Work:
    warp: CommonError
    laser: CommonError
    noise2: float
    rule: float
    box: Array
    allowed: Array
    done: Array

    @classmethod
    def of(
        cls, relief: Grid, warp: CommonError, rule: float, reading_u: float, laser: CommonError, done: Array
    ) -> _Work:
        """The wall as a search sees it: where readings may stand, and what one is worth."""
        box = np.array([relief.x[0], relief.y[0], relief.x[-1], relief.y[-1]])
        cell = relief.cell
        seen = np.argwhere(relief.valid)
        if not len(seen):
            raise TooFewPoints("capture", "no measured cell", needed="a measured wall", remedy="Scan it again")
        margin = np.minimum(MARGIN, np.array([box[2] - box[0], box[3] - box[1]]) / 4)
        places = np.column_stack([relief.x[seen[:, 1]], relief.y[seen[:, 0]]])
        inner = ((places >= box[:2] + margin - cell) & (places <= box[2:] - margin + cell)).all(axis=1)
        noise2 = reading_u**2 + float(np.nanmedian(relief.u[relief.valid])) ** 2
        longest = min(rule, float(np.hypot(*(box[2:] - box[:2]))))
        return cls(warp, laser, noise2, longest, box, places[inner], done)

    def error(self, places: Array) -> TiedError:
        """The common error that the readings done and those at ``places`` leave."""
        every = np.vstack([self.done, places])
        noise = self.laser.covariance(every, every) + self.noise2 * np.eye(len(every))
        return posterior(every, noise, self.warp, _FREE, self.box)

    def judged(self, places: Array) -> ReadingPlan:
        """What a set of further readings leaves."""
        return ReadingPlan(places, *worst_and_middle(self.error(places), self.box, self.rule))

    def best(self, count: int) -> ReadingPlan:
        """The best places for ``count`` further readings."""
        if count == 0:
            return self.judged(np.empty((0, 2)))
        starts = [*self._grids(count), self._spread(count)]
        found = [self.judged(places) for places in starts]
        for start in sorted(found, key=lambda plan: plan.u_worst)[:2]:
            places = start.places
            for _ in range(_ROUNDS):
                places = self._moved(places)
                found.append(self.judged(places))
        best = min(found, key=lambda plan: (round(plan.u_worst, 6), plan.u_middle))
        return ReadingPlan(self._ordered(best.places), best.u_worst, best.u_middle)

    def _nearest(self, places: Array) -> Array:
        """The nearest places where a reading may stand; none twice."""
        free = np.ones(len(self.allowed), bool)
        chosen = []
        for place in places:
            away = np.where(free, ((self.allowed - place) ** 2).sum(axis=1), np.inf)
            chosen.append(int(np.argmin(away)))
            free[chosen[-1]] = len(places) > len(self.allowed)
        return self.allowed[chosen]

    def _grids(self, count: int) -> list[Array]:
        """Regular grids of ``count`` places that are not far from square."""
        low, high = self.allowed.min(axis=0), self.allowed.max(axis=0)
        grids = []
        for wide in range(1, count + 1):
            if count % wide == 0 and min(wide, count // wide) * 5 >= max(wide, count // wide):
                across, upward = np.meshgrid(
                    np.linspace(low[0], high[0], wide) if wide > 1 else [(low[0] + high[0]) / 2],
                    np.linspace(low[1], high[1], count // wide) if count > wide else [(low[1] + high[1]) / 2],
                )
                grids.append(self._nearest(np.column_stack([across.ravel(), upward.ravel()])))
        return grids

    def _spread(self, count: int) -> Array:
        """Places of the largest uncertainty of the scan itself, one after the other."""
        some = self.allowed[:: max(1, len(self.allowed) // 600)]
        covariance = self.error(np.empty((0, 2))).covariance(some, some) + self.laser.covariance(some, some)
        chosen = []
        for _ in range(count):
            at = int(np.argmax(np.diag(covariance)))
            chosen.append(at)
            covariance -= np.outer(covariance[:, at], covariance[at]) / (covariance[at, at] + self.noise2)
        return self.allowed[:: max(1, len(self.allowed) // 600)][chosen]

    def _ordered(self, places: Array) -> Array:
        """The same places, those first that take most off the scan's uncertainty given the ones before."""
        covariance = self.error(np.empty((0, 2))).covariance(places, places) + self.laser.covariance(places, places)
        order: list[int] = []
        for _ in range(len(places)):
            left = np.diag(covariance).copy()
            left[order] = -np.inf
            at = int(np.argmax(np.round(left, 12)))
            order.append(at)
            covariance -= np.outer(covariance[:, at], covariance[at]) / (covariance[at, at] + self.noise2)
        return places[order]

    def _moved(self, places: Array) -> Array:
        """One reading at a time moved by ever smaller steps while the worst gaps get better."""
        aim = _Aim.of(self, places)
        columns, best = aim.columns(places), aim.value(places)
        for step in _STEPS:
            for _ in range(_PASSES):
                before = best
                for i in range(len(places)):
                    places, columns, best = self._one_moved(aim, places, columns, best, i, step)
                if best >= before:
                    break
        return places

    def _one_moved(
        self, aim: _Aim, places: Array, columns: Array, best: float, i: int, step: float
    ) -> tuple[Array, Array, float]:
        ways = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1) if a or b]) * step
        away = ((self.allowed - (places[i] + ways)[:, None]) ** 2).sum(axis=2)
        tries = np.unique(self.allowed[away.argmin(axis=1)], axis=0)
        for place, column in zip(tries, aim.columns(tries), strict=True):
            moved, given = places.copy(), columns.copy()
            moved[i], given[i] = place, column
            value = aim.value(moved, given)
            if value < best * (1 - 1e-4):
                places, columns, best = moved, given, value
        return places, columns, best


@dataclass(frozen=True, eq=False)
class _Aim:
    """The gaps a search looks at, and one number for how uncertain readings leave them."""

    work: _Work
    gaps: tuple[Array, Array, Array]
    free: Array
    fixed: Array

    @classmethod
    def of(cls, work: _Work, places: Array) -> _Aim:
        """An even part of all gaps and the worst under the plan the search starts from."""
        gaps = gaps_in_box(work.box, work.rule)
        u = work.error(places).u_gap_at(*gaps)
        worst = np.argsort(-u, kind="stable")[: 4 * _WORST_GAPS : 4]
        some = np.unique(np.concatenate([worst, np.linspace(0, len(u) - 1, _GAPS).astype(int)]))
        left, at, right = (place[some] for place in gaps)
        aim = cls(work, (left, at, right), CommonError.u_gap_at(work.warp, left, at, right) ** 2, np.empty((0, 0)))
        return cls(work, aim.gaps, aim.free, aim.columns(work.done))

    def columns(self, places: Array) -> Array:
        """Covariance (n, gaps) of the warp at places with the gaps' errors; a plane has no part in a gap."""
        left, at, right = self.gaps
        near, far = np.hypot(*(at - left).T), np.hypot(*(right - at).T)
        share = far / (near + far)
        one, two, three = (self.work.warp.covariance(places, part) for part in (left, at, right))
        columns: Array = share * one + (1 - share) * three - two
        return columns

    def value(self, places: Array, columns: Array | None = None) -> float:
        """High mean of the gaps' variances after readings at ``places``."""
        every = np.vstack([self.work.done, places])
        given = np.vstack([self.fixed, self.columns(places) if columns is None else columns])
        terms = plane(self.work.box, _FREE).terms(every)
        seen = self.work.warp.covariance(every, every) + self.work.laser.covariance(every, every)
        seen = seen + self.work.noise2 * np.eye(len(every)) + terms @ np.diag(_FREE**2) @ terms.T
        root = np.linalg.cholesky(seen)
        explained = solve_triangular(root, given, lower=True, check_finite=False)
        variance = np.maximum(self.free - (explained**2).sum(axis=0), 0.0) * 1e6
        return float(np.mean(variance**_POWER) ** (1 / _POWER))
