"""What changed between two surveys of one wall: thickness applied, with a detection limit at every place."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from flatscan.compare.alignment import Alignment
from flatscan.compare.leveling import Leveled, own_variance
from flatscan.compare.places import Both
from flatscan.core.geometry import Array, Mask
from flatscan.core.model import CommonError, Relief
from flatscan.core.notes import Note
from flatscan.core.quantity import Quantity
from flatscan.relief.smooth import quadratic_gain

# two-sided 95 %: the level of detection of a difference of two surveys (Lague, Brodu and Leroux, ISPRS J. 82, 2013,
# 10, eq. 1; from memory)
K_DETECT = 1.96
K_COVER = 1.645
_SMALLEST = 4


@dataclass(frozen=True, slots=True)
class Place:
    """A connected part: ``kind`` (added, removed, thin), its extreme at x, y with ``value`` and ``u`` [m], its size."""

    kind: str
    x: float
    y: float
    value: float
    u: float
    width: float
    height: float
    area: float
    volume: float


@dataclass(frozen=True, eq=False)
class Difference:
    """Later less earlier at every place measured in both, + toward the room.

    ``relief`` is the relief whose places these are, ``change`` and its standard uncertainty ``u`` are of its shape
    (rows, cols) [m], NaN where either is missing; ``detection`` [m] is 1.96 u: less is no change that was seen.
    ``mean``, ``volume`` and ``least`` are None where nothing fixes the direction out of the wall: then ``change`` is
    one of shape only. ``least_at`` is where the least was found. ``added`` and ``removed`` are the volumes [m3] of what
    is over the detection limit either way, ``changed_share`` their area's share of ``compared_area`` [m2], which is
    ``compared_share`` of the wall. ``places`` are connected changes over the limit, the largest volume first.
    """

    relief: Relief
    change: Array
    u: Array
    alignment: Alignment
    mean: Quantity | None
    volume: Quantity | None
    least: Quantity | None
    least_at: tuple[float, float] | None
    added: float
    removed: float
    changed_share: float
    compared_share: float
    compared_area: float
    places: tuple[Place, ...]
    notes: tuple[Note | str, ...] = ()

    @property
    def detection(self) -> Array:
        """Detection limit at every place [m]."""
        return K_DETECT * self.u

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
    share = both.base.area[here] / both.base.area[here].sum()
    middle = (np.array([share @ across[here]]), np.array([share @ upward[here]]))
    u_mean = math.sqrt(
        float((share**2 * random[here]).sum())
        + sum(c.u_offset**2 for c in commons)
        + float(alignment.u_at(*middle)[0]) ** 2
    )
    return _change(both, both.change, u, u_mean, commons, alignment)


def change_leveled(
    both: Both, commons: tuple[CommonError, CommonError], alignment: Alignment, leveled: Leveled
) -> Difference:
    """Change with the set-up taken out over a part that did not change."""
    # what a sideways error is worth on the earlier surface
    sideways = both.base.slope_of(both.first) * alignment.u_place
    return _change(both, leveled.change, np.hypot(leveled.u, sideways), leveled.u_mean, commons, alignment)


def _change(
    both: Both, change: Array, u: Array, u_mean: float, commons: tuple[CommonError, CommonError], alignment: Alignment
) -> Difference:
    base = both.base
    change = np.where(base.inside, change, np.nan)
    here = np.isfinite(change)
    area, d = base.area[here], change[here]
    total, net = float(area.sum()), base.net_area
    mean = float(np.average(d, weights=area))
    spread = math.sqrt(float(np.average((d - mean) ** 2, weights=area)))
    # the part of the wall not measured in both is taken from the mean of the rest
    unseen = max(0.0, 1 - total / net) * spread
    quantity = Quantity(mean, math.hypot(u_mean, unseen))
    scale = math.hypot(*(2 * c.scale for c in commons))
    volume = Quantity(mean * net, net * math.hypot(math.hypot(u_mean, unseen), scale * mean))
    at = np.unravel_index(int(np.nanargmin(change)), change.shape)
    fixed = alignment.fixes_out
    seen = here & (np.abs(change) > K_DETECT * u)
    made = Difference(
        relief=base, change=change, u=u, alignment=alignment, mean=quantity if fixed else None,
        volume=volume if fixed else None, least=Quantity(float(change[at]), float(u[at])) if fixed else None,
        least_at=(float(base.x[at[1]]), float(base.y[at[0]])) if fixed else None,
        added=float((change * base.area)[seen & (change > 0)].sum()),
        removed=-float((change * base.area)[seen & (change < 0)].sum()),
        changed_share=float(base.area[seen].sum()) / total, compared_share=total / net, compared_area=total,
        places=(*parts(base, change, u, seen & (change > 0), "added"),
                *parts(base, change, u, seen & (change < 0), "removed")),
    )  # fmt: skip
    # a place is listed where its extreme is beyond what chance makes somewhere on a wall of that size
    _, factor = beyond_joint(made)
    told = (p for p in made.places if abs(p.value) > factor * p.u)
    ordered = sorted(told, key=lambda p: (-abs(p.volume), p.x, p.y))
    made = replace(made, places=tuple(ordered))
    return replace(made, notes=(*alignment.notes, *_notes(made)))


def parts(base: Relief, value: Array, u: Array, chosen: Mask, kind: str) -> tuple[Place, ...]:
    """Connected chosen places with their extreme, size and volume; groups of fewer than four cells are left out."""
    labels, number = base.connected(chosen)
    sign = 1.0 if kind == "added" else -1.0
    found = []
    for label in range(1, number + 1):
        here = labels == label
        if base.known_between and here.sum() < _SMALLEST:
            continue
        at = np.unravel_index(int(np.argmax(np.where(here, sign * value, -np.inf))), value.shape)
        area = float(base.area[here].sum())
        found.append(
            Place(
                kind, float(base.x[at[1]]), float(base.y[at[0]]), float(value[at]), float(u[at]),
                *base.ground_of(*np.nonzero(here)), area,
                float((value * base.area)[here].sum()),
            )
        )  # fmt: skip
    return tuple(found)


def thin_places(change: Difference, least: float) -> tuple[Place, ...]:
    """Places where the thickness applied is under ``least`` [m] by the best estimate, the thinnest first."""
    under = np.nan_to_num(change.change, nan=np.inf) < least
    return tuple(sorted(parts(change.relief, change.change, change.u, under, "thin"), key=lambda p: (p.value, p.x)))


def under_least(change: Difference, least: float) -> tuple[float, float]:
    """Area [m2] under ``least`` [m] by the best estimate, and the part of it that is so with 95 % confidence."""
    under = np.nan_to_num(change.change, nan=np.inf) < least
    surely = np.nan_to_num(change.change + K_COVER * change.u, nan=np.inf) < least
    return float(change.relief.area[under].sum()), float(change.relief.area[surely].sum())


def _notes(made: Difference) -> list[str]:
    said = []
    if made.compared_share < 0.9995:
        said.append(
            f"{(1 - made.compared_share) * 100:.1f} % of the wall was not measured in both surveys; its change is "
            "taken from the mean of the rest, and the doubt about that is in the ±"
        )
    lost = [p for p in made.places if p.kind == "removed"]
    if lost and made.alignment.fixes_out:
        worst = min(lost, key=lambda p: p.value)
        said.append(
            f"the later survey is thinner than the earlier on {sum(p.area for p in lost):.2f} m2, by up to "
            f"{-worst.value * 1000:.1f} mm at x {worst.x * 1000:.0f}, y {worst.y * 1000:.0f} mm: hacked off, or the "
            "surveys are misaligned"
        )
    if not made.alignment.fixes_out:
        said.append(
            "nothing fixes one survey against the other out of the wall's plane, so the thickness applied is not "
            "known; the changes shown are of shape only. A reference that was not worked on would fix it: --reference, "
            "--reference-wall, --points, or --same-frame"
        )
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
