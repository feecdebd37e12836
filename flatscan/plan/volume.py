"""How far the volume may be off, by everything that moves it, and second opinions by the rules of earthwork."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import log_ndtr, ndtr, stdtrit

from flatscan.core.errors import BadValue, Infeasible
from flatscan.core.geometry import Array
from flatscan.core.model import Relief, Wall
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres, root_sum_square
from flatscan.plan.program import Contact, Held, Problem, best_plane

# places used to average the warp's correlation over the wall: enough for 1 %, few enough for n squared
_WARP_PLACES = 200
_ONE_SIGMA = float(ndtr(1.0))
# size of a place that can be high on its own, between stations: a block or a patch of mortar (common practice)
_PLACE = 0.300
# stations at free places from which their own scatter can be told
_SCATTERED = 6


@dataclass(frozen=True, slots=True)
class Doubt:
    """Standard uncertainty of a volume [m3] with its parts by name, None with a note where it cannot be known."""

    u: float | None
    parts: tuple[tuple[str, float | None], ...]
    notes: tuple[Note, ...]


def volume_doubt(
    relief: Relief, wall: Wall, deep: Array, problem: Problem | None, contacts: tuple[Contact, ...]
) -> Doubt:
    """Uncertainty of the volume between wall and plane, from parts that are independent (JCGM 100:2008, 5.1.2)."""
    net = relief.net_area
    weights = relief.area[relief.valid]
    # sums by numpy itself, here and elsewhere: a BLAS dot product differs in its last bit with the number of threads
    share = weights / weights.sum()
    mean = float((deep * share).sum())
    parts: dict[str, float | None] = {
        "noise": net * math.hypot(_noise(relief, share), _contact_noise(relief, contacts)),
        "mean position": net * relief.common.u_offset,
        "warp": net * warp_at_contacts(relief, contacts),
        # lengths s times too long make the volume s^2 (area) and its uneven part s^3 (depth too)
        "scale": relief.common.scale * net * (2 * mean + (mean - float(deep.min()))),
        "plumb": _plumb(wall, problem, net),
    }
    notes = []
    if parts["plumb"] is None:
        notes.append(note("plan.volume-plumb-unstated" if wall.plumb.u_lean is None else "plan.volume-no-plane"))
    missing = net - float(weights.sum())
    if missing > 1e-9:
        parts["not measured"] = missing * math.sqrt(float((share * (deep - mean) ** 2).sum()))
    if not relief.known_between:
        parts["between stations"], said = _between(relief, net)
        notes.append(said)
    return Doubt(root_sum_square(*parts.values()), tuple(parts.items()), tuple(notes))


def _noise(relief: Relief, share: Array) -> float:
    """Random u of the mean offset [m]; independent cells average out."""
    u = relief.u[relief.valid]
    return float(np.sqrt(np.nansum((share * u) ** 2)))


def _nearest(relief: Relief, contact: Contact) -> tuple[int, int]:
    return int(np.argmin(np.abs(relief.y - contact.y))), int(np.argmin(np.abs(relief.x - contact.x)))


def _contact_noise(relief: Relief, contacts: tuple[Contact, ...]) -> float:
    """Random u of the plane's mean height [m]: each contact's u by the share of the height it decides."""
    parts = [c.weight * float(relief.u[_nearest(relief, c)]) for c in contacts if c.kind != "fixed"]
    return math.hypot(*(part for part in parts if math.isfinite(part))) if parts else 0.0


def warp_at_contacts(relief: Relief, contacts: tuple[Contact, ...]) -> float:
    """Standard deviation [m] of the warp at the contacts, by weight, minus its mean over the wall.

    The mean coat is the contacts' height minus the mean height, so of the common error only what differs
    between the two counts.
    """
    touching = [c for c in contacts if c.kind != "fixed"]
    if relief.common.sd <= 0 or not touching:
        return 0.0
    across, upward = (part[relief.valid] for part in relief.places)
    step = max(1, len(across) // _WARP_PLACES)
    wall = np.stack([across[::step], upward[::step]], axis=1)
    held = np.array([[c.x, c.y] for c in touching])
    share = np.full(len(wall), -1 / len(wall))
    weight = np.array([c.weight for c in touching])
    points, load = np.vstack([held, wall]), np.concatenate([weight, share])
    variance = (load[:, None] * relief.common.covariance(points, points) * load).sum()
    return math.sqrt(max(float(variance), 0.0))


def _leaned(problem: Problem, slope: float) -> Problem:
    """The same wall read with gravity off by ``slope``: everything measured shifts by slope times its height."""
    shift = slope * (problem.y - problem.centre[1])
    held = tuple(
        Held(h.x, h.y, h.low + slope * (h.y - problem.centre[1]), h.high + slope * (h.y - problem.centre[1]), h.name)
        for h in problem.held
    )
    return replace(
        problem, need=problem.need + shift, held=held, cap=None if problem.cap is None else problem.cap + shift
    )


def _plumb(wall: Wall, problem: Problem | None, net: float) -> float | None:
    """Change of the volume [m3] when gravity is off by one u either way, the plane placed anew: the larger of the two.

    The derivative alone would miss that a flat wall gets thicker whichever way it is wrongly tilted.
    """
    slope = wall.plumb.u_lean
    if slope is None:
        return None
    if problem is None or slope == 0:
        return 0.0
    here = best_plane(problem).mean_over(problem)
    changes = []
    for side in (slope, -slope):
        leaned = _leaned(problem, side)
        try:
            changes.append(abs(best_plane(leaned).mean_over(leaned) - here))
        except Infeasible:
            continue
    return net * max(changes) if changes else None


def _between(relief: Relief, net: float) -> tuple[float | None, Note]:
    """What the wall may do between stations [m3], in root mean square, and a note about it."""
    rough, middles = roughness(relief)
    if rough is None:
        return None, note("plan.volume-few-stations")
    excess, spread = expected_excess(relief, rough, middles)
    mean_error = rough / math.sqrt(max(len(middles), 1))
    said = note("plan.between-stations", rough=metres(rough), excess=metres(excess))
    return net * math.hypot(spread, mean_error), said


def _misfits(at: Array, values: Array) -> Array:
    """Misfit of each inner reading of one line against its neighbours' chord."""
    known = np.isfinite(values)
    at, values = at[known], values[known]
    if len(at) < 3:
        return np.empty(0)
    weight = (at[2:] - at[1:-1]) / (at[2:] - at[:-2])
    return values[1:-1] - weight * values[:-2] - (1 - weight) * values[2:]


def roughness(relief: Relief) -> tuple[float | None, Array]:
    """Standard deviation [m] of an unseen place about what its neighbours suggest, and those suggestions [m].

    The root mean square misfit of each station against its two neighbours' chord, less reading noise (1.5 u^2 at the
    middle), widened by Student's t for few misfits. An unseen place is nearer to its neighbours than a station is to
    its own, so this errs on the large side. Readings at free places are held against their three nearest
    instead, off the best-fit plane. None with neither three stations on a line nor six in all.
    """
    z = np.where(relief.valid, relief.offset, np.nan)
    lines = [(relief.x, line) for line in z] + [(relief.y, line) for line in z.T]
    misfit = np.concatenate([_misfits(at, line) for at, line in lines])
    pairs = [(z[:, 1:] + z[:, :-1]) / 2, (z[1:] + z[:-1]) / 2]
    fours = (z[1:, 1:] + z[:-1, 1:] + z[1:, :-1] + z[:-1, :-1]) / 4
    middles = np.concatenate([part.ravel() for part in (*pairs, fours)])
    middles = middles[np.isfinite(middles)]
    if len(misfit) < int(relief.valid.sum()) / 3 and int(relief.valid.sum()) >= _SCATTERED:
        misfit, middles = _scattered(relief)
    if not len(misfit):
        return None, middles
    noise = 1.5 * float(np.nanmean(relief.u[relief.valid] ** 2))
    variance = max(float(np.mean(misfit**2)) - noise, 0.0)
    return math.sqrt(variance) * float(stdtrit(len(misfit), _ONE_SIGMA)), middles


def _scattered(relief: Relief) -> tuple[Array, Array]:
    """Misfits and middles of stations at free places: each against its three nearest, the best-fit plane taken off.

    The middles are halfway to those three.
    """
    across, upward = (part[relief.valid] for part in relief.places)
    z, places = relief.offset[relief.valid], np.stack([across, upward], axis=1)
    design = np.stack([np.ones_like(z), across, upward], axis=1)
    off = z - design @ np.linalg.lstsq(design, z, rcond=None)[0]
    misfits, middles = [], []
    for i, place in enumerate(places):
        near = np.argsort(np.hypot(*(places - place).T), kind="stable")[1:4]
        misfits.append(off[i] - off[near].mean())
        middles += list((z[i] + z[near]) / 2)
    return np.array(misfits), np.array(middles)


def expected_excess(relief: Relief, rough: float, middles: Array) -> tuple[float, float]:
    """Mean and root mean square [m] by which the highest unseen place tops the highest station.

    Each middle stands for as many independent places as 300 mm squares fit in the area it answers for. With D the
    excess, P(D <= t) is the product of the places' normal distribution functions at top + t, and
    E[D] = int P(D > t) dt, E[D^2] = int 2 t P(D > t) dt.
    """
    if rough <= 0 or not len(middles):
        return 0.0, 0.0
    top = float(np.nanmax(relief.offset[relief.valid]))
    places = max(1.0, relief.net_area / len(middles) / _PLACE**2)
    t = np.linspace(0.0, 10 * rough, 801)
    beyond = -np.expm1(places * log_ndtr((top + t[:, None] - middles[None, :]) / rough).sum(axis=1))
    from scipy.integrate import trapezoid

    return float(trapezoid(beyond, t)), math.sqrt(float(trapezoid(2 * t * beyond, t)))


def grid_volume(corners: Array, dx: float, dy: float) -> float:
    """Volume under heights (rows, cols) [m] at the corners of rectangles dx by dy [m]: A/4 (S1 + 2 S2 + 4 S4).

    S1 sums the corners of the whole grid, S2 its other edge points, S4 its inner points (surveyors' grid formula).
    Raises `BadValue` for less than two rows and columns.
    """
    corners = np.asarray(corners, float)
    if corners.ndim != 2 or min(corners.shape) < 2:
        raise BadValue(
            "grid volume",
            "heights of shape {shape}",
            needed="at least 2 by 2 corner heights",
            remedy="Give a full grid",
            shape=str(corners.shape),
        )
    weight = np.ones_like(corners)
    weight[1:-1, :] *= 2
    weight[:, 1:-1] *= 2
    return float(dx * dy / 4 * (weight * corners).sum())


def prismoid(first: float, middle: float, last: float, length: float) -> float:
    """Volume [m3] of a prismoid from its end and middle areas [m2]: L/6 (A1 + 4 Am + A2)."""
    return length / 6 * (first + 4 * middle + last)


def end_area(first: float, last: float, length: float) -> float:
    """Volume [m3] by the mean of the end areas [m2]: L/2 (A1 + A2)."""
    return length / 2 * (first + last)
