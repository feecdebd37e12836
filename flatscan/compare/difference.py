"""What changed between surveys of one wall, with a detection limit everywhere, and low spots that keep their number."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from flatscan.compare.alignment import Alignment
from flatscan.compare.changed_places import Place, changed_between, parts, together_of
from flatscan.compare.overlay import Both, Leveled, own_variance
from flatscan.core.geometry import Array, Mask, fit_plane
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import COVER, Quantity, cubic_metres, metres, share, square_metres
from flatscan.core.warp import CommonError
from flatscan.relief.smooth import quadratic_gain

# of less of a wall [share of its area] nothing is said of the rest: the judged part's least coverage (methods/decision)
ENOUGH_COMPARED = 0.95


@dataclass(frozen=True, eq=False)
class Difference:
    """Later less earlier at every place measured in both, + toward the room.

    ``relief`` is the relief whose places these are, ``change`` and its standard uncertainty ``u`` are of its shape
    (rows, cols) [m], NaN where either is missing; ``detection`` [m] is 1.96 u: less is no change that was seen.
    ``mean``, ``volume`` and ``least`` are None where nothing fixes the direction out of the wall: then ``change`` is
    one of shape only. ``least_at`` is where the least was found. ``added`` and ``removed`` are the volumes [m3] of what
    is over the detection limit either way, ``changed_share`` their area's share of ``compared_area`` [m2], which is
    ``compared_share`` of the wall; ``surely_share`` is so beyond what chance makes anywhere, ``changed_between`` the
    share that the listed places have at least, and all that is over the limit has at most. Mean and volume are the
    ``whole`` wall's where `ENOUGH_COMPARED` of it was compared, else of that part alone. ``places`` are connected
    changes over the limit, the largest volume first. ``apart`` are places that were not worked on, as was said: neither
    the least nor a thin place is looked for there.
    """

    relief: Relief
    change: Array
    u: Array
    alignment: Alignment
    mean: Quantity | None
    volume: Quantity | None
    least: Quantity | None
    least_at: tuple[float, float] | None
    added: Quantity
    removed: Quantity
    changed_share: float
    compared_share: float
    compared_area: float
    whole: bool
    places: tuple[Place, ...]
    surely_share: float = 0.0
    changed_between: tuple[float | None, float | None] = (None, None)
    apart: Mask | None = None
    notes: tuple[Note, ...] = ()

    @property
    def detection(self) -> Array:
        """Detection limit at every place [m]: the level of detection of a difference (Lague, Brodu and Leroux, 2013).

        ISPRS J. 82, 10, eq. 1 (from memory): two-sided 95 %.
        """
        return COVER * self.u

    @property
    def seen(self) -> Mask:
        """Places where a change was seen."""
        return np.nan_to_num(np.abs(self.change)) > np.nan_to_num(self.detection, nan=np.inf)


def change_by(both: Both, commons: tuple[CommonError, CommonError], alignment: Alignment) -> Difference:
    """Change in the coordinates the alignment gives, both captures' common errors and the alignment's in its u."""
    across, upward = both.base.places
    random = both.u_first**2 + both.u_second**2
    # what a sideways error is worth on the earlier surface
    sideways = both.base.slope_of(both.first) * alignment.u_place
    here = np.isfinite(both.change) & both.base.inside
    places = np.stack([across[here], upward[here]], axis=1)
    shared = np.full(random.shape, np.nan)
    shared[here] = sum(own_variance(common, places) for common in commons)
    u = np.sqrt(random + shared + sideways**2 + alignment.u_at(across, upward) ** 2)
    weight = both.base.area[here] / both.base.area[here].sum()
    middle = (np.array([weight @ across[here]]), np.array([weight @ upward[here]]))
    u_mean = math.sqrt(
        float((weight**2 * random[here]).sum())
        + sum(c.u_offset**2 for c in commons)
        + float(alignment.u_at(*middle)[0]) ** 2
    )
    return _change(both, both.change, u, u_mean, commons, alignment)


def change_leveled(
    both: Both,
    commons: tuple[CommonError, CommonError],
    alignment: Alignment,
    leveled: Leveled,
    apart: Mask | None = None,
) -> Difference:
    """Change with the set-up taken out over a part that did not change, ``apart`` where somebody named it."""
    # what a sideways error is worth on the earlier surface
    sideways = both.base.slope_of(both.first) * alignment.u_place
    return _change(both, leveled.change, np.hypot(leveled.u, sideways), leveled.u_mean, commons, alignment, apart)


def _change(
    both: Both,
    change: Array,
    u: Array,
    u_mean: float,
    commons: tuple[CommonError, CommonError],
    alignment: Alignment,
    apart: Mask | None = None,
) -> Difference:
    base = both.base
    change = np.where(base.inside, change, np.nan)
    here = np.isfinite(change)
    area, d = base.area[here], change[here]
    total, net = float(area.sum()), base.net_area
    mean = float(np.average(d, weights=area))
    whole = total >= ENOUGH_COMPARED * net
    # a little that was not measured in both is taken from the mean of the rest, and may as well be bare
    unseen = max(0.0, 1 - total / net) * math.sqrt(float(np.average(d**2, weights=area))) if whole else 0.0
    quantity = Quantity(mean, math.hypot(u_mean, unseen))
    scale, ground = math.hypot(*(2 * c.scale for c in commons)), net if whole else total
    volume = cubic_metres(mean * ground, ground * math.hypot(math.hypot(u_mean, unseen), scale * mean))
    worked = here if apart is None or not (here & ~apart).any() else here & ~apart
    at = np.unravel_index(int(np.argmin(np.where(worked, change, np.inf))), change.shape)
    fixed = alignment.fixes_out
    seen = here & (np.abs(change) > COVER * u)
    difference = Difference(
        relief=base,
        change=change,
        u=u,
        alignment=alignment,
        mean=quantity if fixed else None,
        volume=volume if fixed else None,
        least=Quantity(float(change[at]), float(u[at])) if fixed else None,
        least_at=(float(base.x[at[1]]), float(base.y[at[0]])) if fixed else None,
        added=together_of(base, change, u, seen & (change > 0)),
        removed=together_of(base, -change, u, seen & (change < 0)),
        changed_share=float(base.area[seen].sum()) / total,
        compared_share=total / net,
        compared_area=total,
        whole=whole,
        apart=apart,
        places=(
            *parts(base, change, u, seen & (change > 0), "added", alignment.u_place),
            *parts(base, change, u, seen & (change < 0), "removed", alignment.u_place),
        ),
    )
    # a place is listed where its extreme is beyond what chance makes somewhere on a wall of that size
    sure, factor = beyond_joint(difference)
    listed = (p for p in difference.places if abs(p.value) > factor * p.u)
    places = tuple(sorted(listed, key=lambda p: (-abs(p.volume), p.x, p.y)))
    surely = float(base.area[sure & here].sum()) / total
    between = changed_between(difference.changed_share * total, places, total)
    difference = replace(difference, places=places, surely_share=surely, changed_between=between)
    return replace(difference, notes=(*alignment.notes, *_notes(difference)))


def thin_places(change: Difference, least: float) -> tuple[Place, ...]:
    """Places where the thickness applied is under ``least`` [m] by the best estimate, the thinnest first."""
    under = _worked(change) & (np.nan_to_num(change.change, nan=np.inf) < least)
    thin = parts(change.relief, change.change, change.u, under, "thin", change.alignment.u_place)
    return tuple(sorted(thin, key=lambda p: (p.value, p.x)))


def _worked(change: Difference) -> Mask:
    return np.ones(change.change.shape, bool) if change.apart is None else ~change.apart


def under_least(change: Difference, least: float) -> Quantity:
    """Area [m2] under ``least`` [m], its interval with every place 1.96 u thicker and thinner than it was found."""

    def under(more: float) -> float:
        thickness = np.nan_to_num(change.change + more * change.u, nan=np.inf)
        return float(change.relief.area[_worked(change) & (thickness < least)].sum())

    return square_metres(under(0.0), None, (under(COVER), under(-COVER)))


def _notes(difference: Difference) -> list[Note]:
    said = []
    if difference.compared_share < 0.9995:
        code = "compare.partly" if difference.whole else "compare.part-only"
        said.append(note(code, share=share(1 - difference.compared_share)))
    lost = [place for place in difference.places if place.kind == "removed"]
    if lost and difference.alignment.fixes_out:
        worst = min(lost, key=lambda place: place.value)
        area = square_metres(sum(place.area for place in lost))
        said.append(note("compare.thinner", (worst.x, worst.y), area=area, by=metres(-worst.value)))
    if not difference.alignment.fixes_out:
        said.append(note("compare.untied"))
    return said


def beyond_joint(change: Difference, *, false_alarm: float = 0.05) -> tuple[Mask, float]:
    """Where two surveys of the same surface differ beyond chance, and the factor on u used.

    The factor leaves ``false_alarm`` for the whole wall: two-sided normal, divided among the independent places
    (Bonferroni). Smoothing leaves as many of those as it takes off the variance of white noise: gain^2 of the cells.
    """
    gain = quadratic_gain(change.relief.window)
    places = max(1, round(int(np.isfinite(change.change).sum()) * gain**2))
    factor = -float(ndtri(false_alarm / (2 * places)))
    return np.nan_to_num(np.abs(change.change)) > np.nan_to_num(factor * change.u, nan=np.inf), factor


@dataclass(frozen=True, slots=True)
class Following:
    """``share`` of the later surface's variance off its plane that a straight line on the earlier's explains (r^2).

    ``slope`` is how many millimetres the later stands out for one of the earlier, ``correlation`` r. The noise of the
    readings is taken off both variances first. None where a surface is flat within its noise.
    """

    share: float | None
    slope: float | None
    correlation: float | None


def following(both: Both) -> Following:
    """Share of the later surface's deviations that follow the earlier's, at the places measured in both."""
    keep = np.isfinite(both.change) & both.base.inside
    area = both.base.area[keep]
    off = [_off_plane(both, values, keep) for values in (both.first, both.second)]
    noise = [float(np.average(u[keep] ** 2, weights=area)) for u in (both.u_first, both.u_second)]
    variances = [float(np.average(z**2, weights=area)) - n for z, n in zip(off, noise, strict=True)]
    if min(v - n for v, n in zip(variances, noise, strict=True)) <= 0 or min(variances) < 1e-12:
        return Following(None, None, None)
    shared = float(np.average(off[0] * off[1], weights=area))
    r = float(np.clip(shared / np.sqrt(variances[0] * variances[1]), -1.0, 1.0))
    return Following(r**2, shared / variances[0], r)


def _off_plane(both: Both, values: Array, keep: Mask) -> Array:
    across, upward = both.base.places
    x, y, z = across[keep], upward[keep], values[keep]
    try:
        plane, _ = fit_plane(x, y, z, both.base.area[keep])
    except np.linalg.LinAlgError:
        return z - float(np.average(z, weights=both.base.area[keep]))
    return z - (plane[0] + plane[1] * x + plane[2] * y)


# two finds within this are one spot however small it is: hand marks and cells are not surer (common practice)
NEAR = 0.15
OPEN, CLOSED, REOPENED = "open", "closed", "open again"


@dataclass(frozen=True, slots=True)
class Found:
    """A spot as one survey found it: its place, depth [m] and size [m]."""

    x: float
    y: float
    depth: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Entry:
    """One spot's history: ``number`` for good, where it was first found, and its depth [m] at each survey (None: not).

    ``state`` is open, closed or open again, as of the last survey.
    """

    number: int
    x: float
    y: float
    width: float
    height: float
    depths: tuple[float | None, ...]
    state: str


def ledger(surveys: Sequence[Sequence[Found]]) -> tuple[Entry, ...]:
    """Every spot ever found, numbered in the order of first finding, the deepest first.

    A find belongs to the spot whose centre lies nearest, if within 150 mm or half that spot's size; each find and each
    spot is used once a survey. New finds get new numbers: a number is never used again.
    """
    book: list[Entry] = []
    for turn, finds in enumerate(surveys):
        book = [replace(entry, depths=(*entry.depths, None)) for entry in book]
        pairs = sorted(
            (apart, entry.number, k)
            for entry in book
            for k, find in enumerate(finds)
            if (apart := _apart(entry, find)) is not None
        )
        taken: set[int] = set()
        known: set[int] = set()
        for _, number, k in pairs:
            if number not in known and k not in taken:
                known.add(number)
                taken.add(k)
                old = book[number - 1]
                book[number - 1] = replace(old, depths=(*old.depths[:-1], finds[k].depth))
        rest = sorted((f for k, f in enumerate(finds) if k not in taken), key=lambda f: (-f.depth, f.x, f.y))
        for find in rest:
            past = (None,) * turn
            book.append(Entry(len(book) + 1, find.x, find.y, find.width, find.height, (*past, find.depth), OPEN))
    return tuple(replace(entry, state=_state(entry.depths)) for entry in book)


def _apart(entry: Entry, find: Found) -> float | None:
    """Distance of a find from a spot [m], None where it is another one."""
    apart = math.hypot(entry.x - find.x, entry.y - find.y)
    inside = abs(entry.x - find.x) <= entry.width / 2 and abs(entry.y - find.y) <= entry.height / 2
    return apart if apart <= NEAR or inside else None


def _state(depths: Sequence[float | None]) -> str:
    if depths[-1] is None:
        return CLOSED
    before = [depth is not None for depth in depths[:-1]]
    first = before.index(True) if True in before else len(before)
    return REOPENED if False in before[first:] else OPEN
