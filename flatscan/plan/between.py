"""What a wall may do between stations: how far the highest place that nobody read may top the highest station."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, ndtr, stdtrit

from flatscan.core.geometry import Array
from flatscan.core.model import Relief
from flatscan.core.notes import Note, note
from flatscan.core.quantity import metres

_ONE_SIGMA = float(ndtr(1.0))
# size of a place that can be high on its own, between stations: a block or a patch of mortar (common practice)
_PLACE = 0.300
# stations at free places from which their own scatter can be told
_SCATTERED = 6
# stations from which bows are told from waves
_BOWED = 14
# a station that stands off its neighbours by this much, or three times their scatter, stands on a hump
_HUMP, _SCALES = 0.003, 3.0
# a hump shows itself to a station within this of its middle, at half its height: 160 mm across (common practice)
_SHOWS = math.pi * 0.080**2
# what a background usually has counts as much as so many humps measured
_MEASURED = 8.0


@dataclass(frozen=True, slots=True)
class Humps:
    """How many narrow humps a m2 of a background has, how high they stand and how it waves [m], root mean squares."""

    rate: float
    height: float
    waves: float


# snots, lipped blocks and fins that stand off the wall around them (common practice, no published figures): a wall's
# own stations correct them
BACKGROUNDS = {
    "brick": Humps(0.5, 0.0045, 0.0025),
    "block": Humps(0.5, 0.0045, 0.0025),
    "stone": Humps(0.7, 0.0060, 0.0050),
    "concrete": Humps(0.3, 0.0025, 0.0015),
    "old plaster": Humps(0.3, 0.0030, 0.0015),
    "board": Humps(0.2, 0.0015, 0.0007),
}
# what nobody said may be any of these or have none, each as likely as the other but for how the stations wave: walls of
# one background differ in that by about such a factor (Student's t of so many degrees, in logarithms)
UNKNOWN = (
    Humps(0.0, 0.0, 0.0010),
    *(BACKGROUNDS[name] for name in ("brick", "stone", "concrete", "old plaster", "board")),
)
_FACTOR, _FREE, _FLAT = math.log(5), 3, 0.0003


@dataclass(frozen=True, eq=False)
class Unseen:
    """Draws (n,) [m] of how far the highest unseen place tops the highest station, and the mean's own u [m]."""

    draws: Array
    u_mean: float
    notes: tuple[Note, ...]


def unseen(relief: Relief, background: str, count: int, rng: np.random.Generator) -> Unseen | None:
    """What is not known between stations; None where nothing tells how far the wall strays between them.

    A wall whose high spots were swept for with a straightedge, and typed in, has none higher.
    """
    rough, middles = roughness(relief)
    if rough is None:
        return None
    u_mean = rough / math.sqrt(max(len(middles), 1))
    if relief.highs:
        said = note("plan.swept" if relief.highs > 1 else "plan.swept-one", highs=relief.highs)
        return Unseen(np.zeros(count), u_mean, (said,))
    t, beyond = excess_curve(relief, rough, middles)
    usual = (BACKGROUNDS[background],) if background in BACKGROUNDS else UNKNOWN
    smooth = np.interp(rng.uniform(size=count), 1 - beyond, t)
    drawn = np.maximum(smooth, _humps(relief, usual, count, rng))
    said = note("plan.between-stations", rough=metres(0.0, rough), excess=metres(float(drawn.mean())))
    return Unseen(drawn, u_mean, (said,))


def _humps(relief: Relief, usual: tuple[Humps, ...], count: int, rng: np.random.Generator) -> Array:
    """Excess (count,) [m] of the highest of narrow humps at random places, 0 where none tops the highest station.

    Their number is Poisson with a conjugate gamma prior (Gelman et al., Bayesian Data Analysis, 2.6), their height
    half-normal; both are what the background usually has, corrected by the humps that stations stand on. Of several
    backgrounds each is drawn as often as it foretells these and how the stations wave.
    """
    z, area, seen = relief.offset[relief.valid], relief.area[relief.valid], _seen(relief)
    waves = _waves(relief)
    weights = np.array([_as_wavy(one, waves) * _foretold(one, seen, len(z)) for one in usual])
    which = rng.choice(len(usual), count, p=weights / weights.sum())
    rates, scales = np.array([_corrected(one, seen, len(z)) for one in usual]).T
    many = rng.poisson(rng.gamma(1 + len(seen), 1.0, count) * rates[which] * relief.net_area)
    top = np.zeros(count)
    for k in range(int(many.max(initial=0))):
        here = many > k
        base = rng.choice(z, int(here.sum()), p=area / area.sum())
        high = scales[which][here] * np.abs(rng.standard_normal(int(here.sum())))
        top[here] = np.maximum(top[here], base + high - float(z.max()))
    return top


def _corrected(usual: Humps, seen: Array, stations: int) -> tuple[float, float]:
    """What a gamma variable is to be times for the rate [1/m2], and the humps' height [m], after those ``seen``."""
    rate = usual.rate / (1 + usual.rate * stations * _SHOWS)
    scale = math.sqrt((_MEASURED * usual.height**2 + float((seen**2).sum())) / (_MEASURED + len(seen)))
    return rate, scale


def _foretold(usual: Humps, seen: Array, stations: int) -> float:
    """How likely a background shows the humps ``seen``: negative binomial in number, half-normal in height."""
    if usual.rate == 0:
        return float(not len(seen))
    met = usual.rate * stations * _SHOWS
    heights = _HUMP / usual.height * np.exp(-((seen / usual.height) ** 2) / 2)
    return float(np.prod(met / (1 + met) * heights)) / (1 + met)


def _as_wavy(usual: Humps, waves: float) -> float:
    """How likely a background waves as the stations do [m]."""
    off = math.log(max(waves, _FLAT) / usual.waves) / _FACTOR
    return float((1 + off**2 / _FREE) ** (-(_FREE + 1) / 2))


def _waves(relief: Relief) -> float:
    """How far stations stand off a plane, or with plenty a bow [m], less their noise, in root mean square."""
    x, y = (part[relief.valid] - float(part[relief.valid].mean()) for part in relief.places)
    z = relief.offset[relief.valid]
    shapes = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)[:, : 6 if len(x) >= _BOWED else 3]
    fit, _, rank, _ = np.linalg.lstsq(shapes, z, rcond=None)
    rest = float(((z - (shapes * fit).sum(axis=1)) ** 2).sum()) / max(len(z) - int(rank), 1)
    return math.sqrt(max(rest - float(np.mean(relief.u[relief.valid] ** 2)), 0.0))


def _seen(relief: Relief) -> Array:
    """Heights (k,) [m] of the humps that stations stand on, by their neighbours' chords."""
    z = np.where(relief.valid, relief.offset, np.nan)
    lines = [(relief.x, line) for line in z] + [(relief.y, line) for line in z.T]
    misfit = np.concatenate([_misfits(at, line) for at, line in lines])
    if not len(misfit):
        return misfit
    scatter = float(np.median(np.abs(misfit)) / 0.6745)
    high = np.sort(misfit[misfit > max(_HUMP, _SCALES * scatter)])
    # a station within the table is held against a row and a column
    return high[::2] if len(high) > 1 else high


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


def excess_curve(relief: Relief, rough: float, middles: Array) -> tuple[Array, Array]:
    """P(D > t) (n,) at t (n,) [m], with D how far the highest unseen place tops the highest station.

    Each middle stands for as many independent places as 300 mm squares fit in the area it answers for:
    P(D <= t) is the product of the places' normal distribution functions at top + t.
    """
    if rough <= 0 or not len(middles):
        return np.zeros(2), np.array([1.0, 0.0])
    top = float(np.nanmax(relief.offset[relief.valid]))
    places = max(1.0, relief.net_area / len(middles) / _PLACE**2)
    t = np.linspace(0.0, 10 * rough, 801)
    return t, -np.expm1(places * log_ndtr((top + t[:, None] - middles[None, :]) / rough).sum(axis=1))
