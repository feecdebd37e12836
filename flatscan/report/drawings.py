"""What is drawn of a result, decided once: picture, paper, page and drawing office show the same values and spots."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.ndimage import gaussian_filter

from flatscan.compare import Difference, Reference
from flatscan.core.choices import METHODS
from flatscan.core.errors import OutputError
from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import Quantity, metres, share
from flatscan.jobs import Change, Lows, Planned, Result, SetOut, Survey, gaps_in, verdict_in
from flatscan.jobs.compared import Agreement
from flatscan.plan.lows import Low
from flatscan.plan.screeds import Screeds
from flatscan.report.bands import (
    Band,
    Spot,
    band_of,
    build_up_bands,
    change_spots,
    deviation_bands,
    differing_spots,
    filling_spots,
    gap_bands,
    gap_spots,
    line_levels,
    low_spots,
    patch_spots,
    plan_spots,
    score_bands,
)
from flatscan.report.elevations import DEFAULT_RULE, Elevation
from flatscan.report.tables import Column, Table
from flatscan.straightedge.gaps import Gap, Gaps
from flatscan.verdict import Verdict

Point = tuple[float, float]
Line = tuple[Point, Point]
Place = Literal["picture", "paper", "page"]
EVERYWHERE: tuple[Place, ...] = ("picture", "paper", "page")
SHEET: tuple[Place, ...] = ("picture", "paper")
# a direction is along an axis where it leaves it by less than this
_STRAIGHT = 1e-9
# contours of a scan are drawn through means over about this width, numbers never are
DRAWN_OVER = 0.06


@dataclass(frozen=True, slots=True)
class Straightedge:
    """Where a straightedge touches the wall [m], and the gap under it where that is written beside it."""

    ends: Line
    gap: Quantity | None = None


@dataclass(frozen=True, eq=False)
class BandedDrawing:
    """A map of the wall in bands.

    ``shows`` says what its ``values`` (rows, cols) [m] are, NaN where nothing was measured: proud (+) and hollow of the
    ``plane`` (z = a + b x + c y), build-up from the wall to it, gaps under a straightedge, a change, a difference of
    two parties or their scores with the sign of their difference (no lengths). Gaps and scores are toned by how far
    they are over ``limit``. ``between`` draws lines inside the bands too, where those are broad. ``how`` says how
    it was drawn, ``places`` where it is shown.
    """

    name: str
    title: Note
    shows: Literal["relief", "build-up", "gaps", "change", "difference", "score"]
    on: Elevation
    values: Array
    spots: tuple[Spot, ...]
    how: Note
    places: tuple[Place, ...] = EVERYWHERE
    plane: tuple[float, float, float] | None = None
    limit: float | None = None
    edge: Straightedge | None = None
    between: bool = False

    @cached_property
    def drawn(self) -> Array:
        """The values through which contours are drawn: means over about `DRAWN_OVER` on cells."""
        return self.values if self.shows == "score" else smoothed(self.values, self.on.relief)

    @property
    def span(self) -> tuple[float, float]:
        """Least and most of what is drawn [m]; raises `OutputError` where nothing was measured."""
        if not np.isfinite(self.values).any():
            raise OutputError(
                self.name,
                "the wall has no measured cell",
                needed="at least one measured cell or station",
                remedy="Check the region, the wall number and the capture",
            )
        return float(np.nanmin(self.drawn)), float(np.nanmax(self.drawn))

    def bands(self, units: str = "mm") -> tuple[Band, ...]:
        """Bands at round steps of ``units``, for whatever shows this drawing; raises as `span` does."""
        least, most = self.span
        if self.shows == "build-up":
            return build_up_bands(least, most)
        if self.shows == "gaps":
            return gap_bands(self.limit, float(np.nanmax(self.values)), units)
        if self.shows == "score":
            return score_bands(self.limit or 1.0)
        return deviation_bands(least, most, units, grown=self.shows == "change")

    def levels(self, units: str = "mm", *, between: bool | None = None) -> list[float]:
        """Levels of the contour lines [m], none of scores; ``between`` is the drawing's own where it is not given."""
        if self.shows == "score":
            return []
        return line_levels(self.bands(units), *self.span, between=self.between if between is None else between)

    def shares(self, units: str = "mm") -> tuple[tuple[Band, float, float], ...]:
        """Each band with its area [m2] and the volume [m3] between wall and plane in it, but for empty ones."""
        known = self.on.relief.valid & np.isfinite(self.values)
        if not known.any():
            return ()
        bands, values, area = self.bands(units), self.values[known], self.on.relief.area[known]
        here = band_of(values, bands)
        shares = []
        for number, band in enumerate(bands):
            part = here == number
            if part.any():
                shares.append((band, float(area[part].sum()), float((np.abs(values) * area)[part].sum())))
        return tuple(shares)

    def table(self) -> Table:
        """How much of the wall lies in each band, from proud or thin to hollow or thick."""
        columns = (Column("band", "band"), Column("area_m2", "area", 2), Column("volume_l", "volume", 1))
        in_mm, in_inches = (
            tuple((band.words, area, volume) for band, area, volume in self.shares(units)) for units in ("mm", "in")
        )
        return Table("bands", note("drawing.bands-of"), columns, in_mm, "nothing was measured", in_inches)


@dataclass(frozen=True, eq=False)
class SetOutDrawing:
    """Screeds and dots with their packing, and the humps to be cut before they are set."""

    on: Elevation
    screeds: Screeds
    spots: tuple[Spot, ...] = ()
    name: str = "setout"
    title: Note = note("drawing.setout")
    places: tuple[Place, ...] = SHEET


@dataclass(frozen=True, eq=False)
class LowDrawing:
    """Low spots to fill and ridges to shave; ``where`` (rows, cols) there is something to fill is dotted.

    Where nothing is known between places ``where`` is None, and each low is drawn as large as its area.
    """

    on: Elevation
    lows: tuple[Low, ...]
    spots: tuple[Spot, ...]
    where: Mask | None
    name: str = "lows"
    title: Note = note("drawing.lows")
    places: tuple[Place, ...] = SHEET


@dataclass(frozen=True, eq=False)
class SectionsDrawing:
    """Sections along ``lines``, the first through the worst place, with the straightedge where it lies worst.

    ``marked`` is the deepest of the gaps that are numbered, as the result has it: on its line it is shown with its own
    place, contacts and value, so that it is the same on all sheets. ``lifted``: the straightedge is balanced over it.
    Gaps of other lines are as measured, but never said to be over the ``largest`` [m] less its noise of ``noise`` [m].
    """

    on: Elevation
    lines: tuple[Line, ...]
    largest: float = np.inf
    noise: float = 0.0
    marked: Gap | None = None
    lifted: bool = False
    name: str = "sections"
    title: Note = note("drawing.sections")
    places: tuple[Place, ...] = SHEET

    def said(self, gap: float) -> float:
        """What a gap [m] found on a section is said to be."""
        return min(gap, self.largest - self.noise)


Drawing = BandedDrawing | SetOutDrawing | LowDrawing | SectionsDrawing


def smoothed(values: Array, relief: Relief, over: float = DRAWN_OVER) -> Array:
    """Means over about ``over`` metres of a (rows, cols) map on cells, NaN where it is NaN, for drawing only."""
    if not relief.known_between:
        return values
    known = np.isfinite(values)
    # a Gaussian's full width at half height is 2.355 of its standard deviation
    sigma = over / 2.355 / relief.step
    weight = gaussian_filter(known.astype(float), sigma, mode="nearest")
    total = gaussian_filter(np.where(known, values, 0.0), sigma, mode="nearest")
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known, total / weight, np.nan)


def drawings_of(result: Result) -> tuple[Drawing, ...]:
    """Everything that is drawn of a result, in reading order: what the job is for first."""
    on, plan, gaps, verdict = _elevation(result), _plan(result), gaps_in(result), verdict_in(result)
    found: list[Drawing] = []
    if isinstance(result, Change):
        found += _change(result, on)
    elif isinstance(result, SetOut) and result.screeds.screeds:
        humps = tuple(spot for spot in _spots(result, plan) if spot.mark[0] == "H")
        found.append(SetOutDrawing(on, result.screeds, humps))
    elif isinstance(result, Lows):
        found.append(_lows(result, on))
    found += _contours(result, on, plan, gaps)
    if gaps is not None:
        found += _gap_map(on, gaps, limit_of(verdict))
    found += _sections(result, on, gaps)
    return tuple(found)


def spots_of(result: Result) -> tuple[Spot, ...]:
    """Every numbered spot of a result, those of its gaps last, whether a map of them is drawn or not."""
    gaps = gaps_in(result)
    return (*_spots(result, _plan(result)), *(() if gaps is None else gap_spots(gaps, limit_of(verdict_in(result)))))


def limit_of(verdict: Verdict | None) -> float | None:
    """The limit [m] that the gaps shown were judged by, None where they were not."""
    flat = None if verdict is None else verdict.flatness
    return None if flat is None else flat.limit


def _plan(result: Result) -> Planned | None:
    return result.plan if isinstance(result, (Survey, SetOut)) else None


def _elevation(result: Result) -> Elevation:
    plan, gaps = _plan(result), gaps_in(result)
    rule = DEFAULT_RULE if gaps is None else gaps.rule
    fixed = () if plan is None else plan.fixed
    seen = result.seen
    return Elevation(result.wall, result.relief, rule, fixed, seen.how.region is not None, picture=seen.picture)


def _spots(result: Result, plan: Planned | None) -> tuple[Spot, ...]:
    if isinstance(result, Lows):
        return low_spots(result.lows, result.ridges)
    return patch_spots(result.patches) if plan is None else plan_spots(plan, result.relief, result.patches)


def _measured(relief: Relief, values: Array) -> Array:
    return np.where(relief.valid, values, np.nan)


def _how(relief: Relief) -> Note:
    return note("drawing.through-means", over=metres(DRAWN_OVER)) if relief.known_between else note("drawing.own-part")


def _contours(result: Result, on: Elevation, plan: Planned | None, gaps: Gaps | None) -> Iterator[BandedDrawing]:
    """The build-up where a finish plane was placed, and proud and hollow, which is then for the page alone."""
    relief, spots, how = on.relief, _spots(result, plan), _how(on.relief)
    if plan is not None:
        plane = plan.build_up.plane
        thick, planed = _measured(relief, plan.build_up.thickness), (plane.offset, plane.turn, plane.lean)
        yield BandedDrawing(
            "contour",
            note("drawing.build-up"),
            "build-up",
            on,
            thick,
            spots,
            how,
            plane=planed,
            between=True,
        )
    shown = None if gaps is None else gaps.judged()
    a, b, c = (float(part) for part in result.shape.plane)
    edge = None if shown is None else Straightedge((shown.left, shown.right), metres(abs(shown.value)))
    alone = plan is None
    yield BandedDrawing(
        "contour" if alone else "relief",
        note("drawing.relief"),
        "relief",
        on,
        _measured(relief, result.shape.residual),
        spots if alone else (),
        how,
        EVERYWHERE if alone else ("page",),
        plane=(a, b, c),
        edge=edge,
    )


def _gap_map(on: Elevation, gaps: Gaps, limit: float | None) -> Iterator[BandedDrawing]:
    """Deepest gap at every place; at stations it is known but not drawn, since nothing is known between them."""
    values = _measured(on.relief, gaps.deepest)
    if not np.isfinite(values).any():
        return
    edge = None if gaps.worst is None else Straightedge((gaps.worst.left, gaps.worst.right))
    places = EVERYWHERE if on.relief.known_between and gaps.worst is not None else ()
    title, spots = note("drawing.gaps", rule=metres(gaps.rule), directions=len(gaps.directions)), gap_spots(gaps, limit)
    yield BandedDrawing("gaps", title, "gaps", on, values, spots, _how(on.relief), places, limit=limit, edge=edge)


def _change(result: Change, on: Elevation) -> Iterator[BandedDrawing]:
    """What came on and went off between two scans; what cannot be told from noise is 0."""
    found, agreement = result.difference, result.agreement
    change = np.where(found.relief.inside, found.change, np.nan)
    if not np.isfinite(change).any():
        return
    if agreement is not None:
        yield _scores(agreement, found, on)
    if not found.relief.known_between:
        return
    seen = np.where(np.abs(change) > found.detection, change, np.where(np.isfinite(change), 0.0, np.nan))
    parts = () if result.reference is None else result.reference.parts
    where = replace(on, relief=replace(found.relief, offset=found.change), reference=parts)
    how = note("drawing.under-noise", limit=metres(float(np.nanmedian(found.detection))))
    if agreement is not None:
        title, spots = note("drawing.difference"), differing_spots(agreement.differ)
        yield BandedDrawing("change", title, "difference", where, seen, spots, how, SHEET)
        return
    yield BandedDrawing("change", note("drawing.change"), "change", where, seen, change_spots(found), how, SHEET)
    if result.reference is not None:
        yield _reference(result.reference, found, on)


def _scores(agreement: Agreement, found: Difference, on: Elevation) -> BandedDrawing:
    """Scores of two parties place by place, + where the later survey is the prouder."""
    scored = agreement.scores
    # where they agree for all their score, one capture may have bent the whole wall
    shown = np.where(scored.beyond, scored.score, np.minimum(scored.score, scored.limit * (1 - 1e-6)))
    values = scored.on_cells(shown * np.sign(scored.difference))
    where = replace(on, relief=replace(found.relief, offset=np.where(np.isfinite(values), found.change, np.nan)))
    how = note("drawing.scores", limit=share(scored.limit), places=len(scored.score))
    title, spots = note("drawing.score"), differing_spots(agreement.differ)
    return BandedDrawing("score", title, "score", where, values, spots, how, SHEET, limit=scored.limit)


def _reference(reference: Reference, found: Difference, on: Elevation) -> BandedDrawing:
    """What is left of a change on the part that two surveys were leveled on."""
    where = replace(on, relief=replace(found.relief, offset=found.change), reference=reference.parts)
    left = np.where(reference.support, reference.residual, np.where(np.isfinite(found.change), 0.0, np.nan))
    title, how = note("drawing.reference-left"), note("drawing.reference-how", hides=metres(reference.hides))
    spot = Spot("R1", *reference.at, abs(reference.worst.value), note("drawing.left-over"))
    return BandedDrawing("reference", title, "change", where, left, (spot,), how, SHEET)


def _lows(result: Lows, on: Elevation) -> LowDrawing:
    where = result.where if on.relief.known_between and result.where.any() else None
    return LowDrawing(on, result.lows, filling_spots(result.lows, result.ridges), where)


def _sections(result: Result, on: Elevation, gaps: Gaps | None) -> Iterator[SectionsDrawing]:
    """Along and up through the worst gap, or through the heaviest patch, where enough of the wall was measured."""
    wall = on.wall
    if not on.relief.known_between:
        return
    at = (float(np.mean(wall.whole[:, 0])), float(np.mean(wall.whole[:, 1])))
    if result.patches:
        heaviest = max(result.patches, key=lambda patch: abs(patch.deviation))
        at = (heaviest.x, heaviest.y)
    marked = None if gaps is None else next(iter(gaps.worst_places), gaps.worst)
    at = at if marked is None else marked.at
    (left, bottom), (right, top) = wall.whole.min(axis=0), wall.whole.max(axis=0)
    both: tuple[Line, ...] = (((left, at[1]), (right, at[1])), ((at[0], bottom), (at[0], top)))
    if marked is not None:
        both = (across_wall(marked, (left, bottom, right, top)), both[1 if abs(marked.direction % 180 - 90) > 1 else 0])
    lines = tuple(line for line in both if np.isfinite(on.relief.profile_along(*line)[1]).sum() > 1)
    if lines:
        noise = 0.0 if gaps is None else gaps.noise
        largest = np.inf if gaps is None or gaps.worst is None else gaps.worst.value + noise
        lifted = gaps is not None and gaps.method == METHODS[2]
        yield SectionsDrawing(on, lines, largest, noise, marked, lifted)


def across_wall(gap: Gap, within: tuple[float, float, float, float]) -> Line:
    """The line of a straightedge through its gap from edge to edge of a rectangle (left, bottom, right, top) [m]."""
    ahead, at = np.array(gap.right) - np.array(gap.left), np.array(gap.at)
    ahead = ahead / max(float(np.hypot(*ahead)), _STRAIGHT)
    low, high = np.array(within[:2]), np.array(within[2:])
    with np.errstate(divide="ignore"):
        reach = np.stack([(low - at) / ahead, (high - at) / ahead])
        ends = np.sort(np.where(np.abs(ahead) > _STRAIGHT, reach, [[-np.inf], [np.inf]]), axis=0)
    first, last = at + ends[0].max() * ahead, at + ends[1].min() * ahead
    return (float(first[0]), float(first[1])), (float(last[0]), float(last[1]))
