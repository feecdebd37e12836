"""The wall's true highest spot: what choosing the largest of uncertain values adds, drawn many times.

A finish plane rests on the highest values of a measured wall, and of two places as high the one whose error is proud
is taken. So the mean coat comes out too thick, by the more the more places are nearly as high as the highest. How much
that is, and how far it may be off, is drawn: errors like those of the measurement are laid on a calmed copy of the
wall, which is about as rough as the true one, and the plane is placed anew (methods/finish-plane 8).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array, Mask
from flatscan.core.model import Counts, Relief, Wall
from flatscan.plan.program import Problem, Solution, mean_height
from flatscan.plan.surface import Surface, as_measured, surface_of
from flatscan.plan.usual import LEADING, Roughness, roughness_of

_SEED, _DRAWS, _FREE_DRAWS, _ROLLS = 20261127, 600, 40, 16
# the wall in so many squares at most, each of one shared error, none under this [m]
_SQUARES, _LEAST_SQUARE = 240, 0.100
# so many bands of texture at most, none wider than this [m]: what is wider is form
_BANDS, _BROADEST = 5, 0.800
# how much of a band is noise is told from the places around within so many of its widths
_AROUND = 8
# of the mean variance, so that the root of a covariance of places side by side exists
_RIDGE = 1e-8
# a warp may be so many times as long as stated
_LONGER = 3.0
# a wall that keeps this share of its form however much of it is error has far more form than error
_ALIKE = 0.8


# how much larger than stated the error's variance is taken to be on a wall as even as it may be: chance in few modes
_CHANCE = 0.99
# on the likely one, so many standard deviations of it (set by the proof)
_LIKELY = 2.0
# errors narrow by what is usual with this power of the capture's weight, and less for what an order is to cover
_NARROWS, _FOR_ORDER = 0.42, 0.1
# readings go wrong more often than normal errors do: Student's t of so many degrees of freedom
_TAILS = 5


@dataclass(frozen=True, eq=False)
class Rise:
    """How far the mean coat is over the true one [m]: ``mean`` is what is to be taken out of it.

    ``even`` (n,) are draws of the rise where the wall is as even as it may be, and chance chooses where the plane
    rests; ``own`` (n,) draws of the error of the place it rests on, where the wall chooses. ``hump_share`` is how much
    of the plane's height the wall decides; the rest is decided by fixed points. ``told`` is how much of the estimate
    the capture itself told, the rest being what walls usually take; ``for_order`` how many times ``own`` an order is
    to cover.
    """

    mean: float
    even: Array
    own: Array
    hump_share: float = 1.0
    for_order: float = 1.0
    told: float = 1.0

    def with_usual(self, over: float, rough: Roughness) -> Rise:
        """The same where the mean coat over the cover, ``over`` [m] as measured, is weighed against what is usual.

        What is usual follows how ``rough`` the wall is. Each counts by its inverse variance (Gelman et al., Bayesian
        Data Analysis, 2.5): what a capture can tell to a millimetre stays, and where it cannot tell, walls as they
        usually are are the better guess. The error narrows by less than theory has it (a power of 0.42 for 0.5, of 0.1
        for an order), since this wall may be an unusual one.
        """
        if self.mean <= 0:
            return self
        usual, spread = rough.usual
        weight = spread**2 / (spread**2 + float(np.var(self.own)))
        likely = max(weight * (over - self.mean) + (1 - weight) * usual, 0.0)
        own, wider = weight**_NARROWS * self.own, weight ** (_FOR_ORDER - _NARROWS)
        return replace(self, mean=max(over - likely, 0.0), own=own, for_order=wider, told=weight)


@dataclass(frozen=True, eq=False)
class Form:
    """What a calmed wall lacks in broad form, ``flattened`` (squares,) [m], and the ``part`` of errors laid on it.

    ``kept`` is the share of the form that it keeps.
    """

    flattened: Array
    part: float
    kept: float = 1.0


@dataclass(frozen=True, eq=False)
class Errors:
    """Draws of what a measured wall may be off, on its places (n,) sorted by squares.

    ``noise`` (rolls, n) [m] is random, ``shared`` (draws, squares) [m] what neighbours have in common, its mean over
    the wall taken out. ``calmed`` (n,) [m] is what the calmed wall lacks of the measured one in texture, ``likely``
    and ``even`` what it lacks in form. ``none``: nothing is uncertain; ``as_read``: highest values stand. ``rough`` is
    how rough the wall is beside what the shared error may have bent.
    """

    order: Counts
    starts: Counts
    x: Array
    y: Array
    noise: Array
    shared: Array
    calmed: Array
    likely: Form
    even: Form
    none: bool
    as_read: bool
    rough: Roughness = Roughness()

    def rise(self, z: Array, problem: Problem, found: Solution) -> Rise:
        """What errors add to the mean coat of the ``found`` plane over heights ``z`` (n,) [m]."""
        humps = sum(contact.weight for contact in found.contacts if contact.kind == "hump")
        if self.none or humps <= 0:
            return Rise(0.0, np.zeros(_DRAWS), np.zeros(_DRAWS), humps)
        if any(contact.kind != "hump" for contact in found.contacts):
            drawn = self._linear(found)
            return Rise(0.0, drawn, drawn, humps)
        tops, noisy, places = self._tops(z, found, problem)
        free = problem.turn_free > 0 or problem.lean_free > 0
        # where slopes are free a draw is a program: twice as many would show no more on a wall with plenty of form
        forms = (self.likely,) if free and self._alike else (self.likely, self.even)
        rises = [
            self._heights(problem, found, noisy - form.flattened, places, form.part)
            - self._height(problem, found, tops - form.flattened, places)
            for form in forms
        ]
        own = self._linear(found) if free else self._where_it_rests(noisy - self.likely.flattened)
        # the highest station stands as it was read: between stations the wall is higher sooner than lower
        return Rise(0.0 if self.as_read else max(float(rises[0].mean()), 0.0), rises[-1], own, humps)

    def _where_it_rests(self, noisy: Array) -> Array:
        """Errors (draws,) [m] of places that may be the highest, each found under another draw than its own."""
        roll = np.arange(len(self.shared)) % len(noisy)
        at = (noisy[roll] + self.likely.part * self.shared).argmax(axis=1)
        first = self.starts[at]
        return np.asarray(np.roll(self.shared, 1, axis=0)[np.arange(len(at)), at] + self.noise[roll, first])

    @property
    def _alike(self) -> bool:
        """Whether the wall has so much more form than its errors that how even it may be makes no difference."""
        return self.likely.part == 1 and self.even.kept > _ALIKE

    def _tops(self, z: Array, found: Solution, problem: Problem) -> tuple[Array, Array, Counts]:
        """Highest place of each square of the calmed wall above the plane's slope, bare and under noise, and where."""
        slope = found.turn * (self.x - problem.centre[0]) + found.lean * (self.y - problem.centre[1])
        calm = z[self.order] + self.calmed - slope
        tops = np.maximum.reduceat(calm, self.starts)
        noisy = np.stack([np.maximum.reduceat(calm + one, self.starts) for one in self.noise])
        square = np.repeat(np.arange(len(self.starts)), np.diff(np.append(self.starts, len(calm))))
        at = np.flatnonzero(calm == tops[square])
        return tops, noisy, at[np.unique(square[at], return_index=True)[1]]

    def _height(self, problem: Problem, found: Solution, tops: Array, places: Counts) -> float:
        if problem.turn_free <= 0 and problem.lean_free <= 0:
            return float(tops.max())
        # slopes are counted from those found, which the tops have lost already
        turn, lean = found.turn - problem.turn, found.lean - problem.lean
        return mean_height(self.x[places], self.y[places], tops, problem, (turn, lean))

    def _heights(self, problem: Problem, found: Solution, noisy: Array, places: Counts, part: float) -> Array:
        """Mean height of the plane (draws,) [m] under each draw of the errors, the shared one times ``part``."""
        free = problem.turn_free > 0 or problem.lean_free > 0
        shared = self.shared[:_FREE_DRAWS] if free else self.shared
        roll = np.arange(len(shared)) % len(noisy)
        if not free:
            return np.asarray((noisy[roll] + part * shared).max(axis=1), dtype=np.float64)
        drawn = noisy[roll] + part * shared
        return np.array([self._height(problem, found, one, places) for one in drawn])

    def _linear(self, found: Solution) -> Array:
        """Where fixed points or hollows hold the plane as well, the contacts' own errors by their shares (draws,)."""
        total = np.zeros(len(self.shared))
        roll = np.arange(len(total)) % len(self.noise)
        ends = np.append(self.starts, len(self.x))
        for contact in found.contacts:
            if contact.kind == "fixed":
                continue
            nearest = int(np.argmin(np.hypot(self.x - contact.x, self.y - contact.y)))
            square = int(np.searchsorted(ends, nearest, side="right")) - 1
            sign = 1.0 if contact.kind == "hump" else -1.0
            total += sign * contact.weight * (self.noise[roll, nearest] + self.shared[:, square])
        return np.asarray(total - total.mean(), dtype=np.float64)


def errors_of(relief: Relief, wall: Wall) -> Errors:
    """Errors of a measured wall: its noise as its halves show it, its shared error and plumb as stated.

    Of a wall that was cut they are those of the wall as measured.
    """
    if relief.uncut is not None:
        relief = replace(relief, offset=as_measured(relief), uncut=None)
    surface, rng = surface_of(relief), np.random.default_rng(_SEED)
    square = _squares(relief, surface)
    order = np.argsort(square, kind="stable")
    starts = np.flatnonzero(np.diff(square[order], prepend=-1))
    x, y, area = surface.x[order], surface.y[order], surface.area[order]
    weight = np.add.reduceat(area, starts)
    middles = np.stack([np.add.reduceat(at * area, starts) / weight for at in (x, y)], axis=1)
    weight = weight / weight.sum()
    lean = wall.plumb.u_lean or 0.0
    covariance = _about_mean(relief.common.covariance(middles, middles), weight)
    tilt = middles[:, 1] - float((weight * middles[:, 1]).sum())
    calmed = _calmed(relief)[order]
    means = np.add.reduceat((surface.z[order] + calmed) * area, starts) / np.add.reduceat(area, starts)
    forms = _forms(covariance + lean**2 * np.multiply.outer(tilt, tilt), means - float((weight * means).sum()))
    shared = _shared(relief, covariance, middles, weight, rng)
    shared = shared + lean * rng.standard_normal((_DRAWS, 1)) * tilt
    noise = _noise(relief, surface, rng)[:, order]
    none = not noise.any() and not shared.any()
    tops = np.maximum.reduceat(surface.z[order] + calmed, starts)
    rough = roughness_of(covariance, tilt, (tops, means), shared)
    return Errors(order, starts, x, y, noise, shared, calmed, *forms, none, not relief.known_between, rough)


def _shared(relief: Relief, covariance: Array, middles: Array, weight: Array, rng: np.random.Generator) -> Array:
    """Shared errors (draws, squares) [m], one in five as stated, the others of the same size in other shapes.

    How large a capture's warp is is known better than its shape: three in five are domes or bowls, as self-calibrated
    cameras make, and one in five waves three times as long. What readings have tied down has the shape that they left.
    """
    shape = (_DRAWS, len(middles))
    if not covariance.any():
        return np.zeros(shape)
    drawn = rng.standard_normal(shape) @ _root(covariance).T
    if not relief.common.stationary:
        return drawn
    size = float((weight * np.diag(covariance)).sum())
    bowl = ((middles - (weight[:, None] * middles).sum(axis=0)) ** 2).sum(axis=1)
    bowl = bowl - float((weight * bowl).sum())
    long = _about_mean(
        replace(relief.common, length=_LONGER * relief.common.length).covariance(middles, middles), weight
    )
    fifth = _DRAWS // 5
    for start in (0, 2, 4):
        drawn[start::5] = rng.standard_normal((fifth, 1)) * bowl * math.sqrt(size / float((weight * bowl**2).sum()))
    drawn[1::5] = rng.standard_normal((fifth, len(middles))) @ _root(long).T
    drawn[1::5] *= math.sqrt(size / float((weight * np.diag(long)).sum()))
    # in no place less than stated
    return np.asarray(drawn * np.maximum(1.0, np.sqrt(np.diag(covariance)) / drawn.std(axis=0)), dtype=np.float64)


def _root(covariance: Array) -> Array:
    """Cholesky's root; not one by modes, since which of two alike comes first may hang on the number of threads."""
    ridge = _RIDGE * float(np.trace(covariance)) / len(covariance)
    return np.asarray(np.linalg.cholesky(covariance + ridge * np.eye(len(covariance))))


def _squares(relief: Relief, surface: Surface) -> Counts:
    """Number of the square each place lies in; stations that are few stand each for itself."""
    if len(surface.x) <= _SQUARES:
        return np.arange(len(surface.x))
    size = max(float(np.sqrt(relief.net_area / _SQUARES)), _LEAST_SQUARE)
    col = np.floor((surface.x - surface.x.min()) / size).astype(np.int64)
    row = np.floor((surface.y - surface.y.min()) / size).astype(np.int64)
    return np.asarray(np.unique(row * (int(col.max()) + 1) + col, return_inverse=True)[1].reshape(-1), dtype=np.int64)


def _about_mean(covariance: Array, weight: Array) -> Array:
    """Covariance of the errors less their mean over the wall, which moves plane and wall alike."""
    mean = (covariance * weight).sum(axis=1)
    return np.asarray(covariance - mean[:, None] - mean[None, :] + float((weight * mean).sum()), dtype=np.float64)


def _forms(covariance: Array, means: Array) -> tuple[Form, Form]:
    """The wall's form as likely, and as even as it may be.

    With R the variance that the wall shows in the error's own modes over what is stated, a wall with more form than
    the error has (R over 1) keeps 1 - q / R of it. Where the wall shows less than the error alone should, the error is
    smaller than stated, and half to all of what is seen is put down to it (engineering estimate). How much of R is
    chance follows a chi-squared variable of as many degrees of freedom as the modes are worth.
    """
    from scipy.special import chdtri

    plain = Form(np.zeros(len(means)), 1.0)
    if not covariance.any():
        return plain, plain
    values, modes = np.linalg.eigh(covariance)
    keep = values > LEADING * float(values[-1])
    along = (modes[:, keep] * means[:, None]).sum(axis=0)
    form, stated = (modes[:, keep] * along).sum(axis=1), float(values[keep].sum())
    shown = float((along**2).sum()) / stated
    if shown <= 0:
        return plain, plain
    freedom = stated**2 / float((values[keep] ** 2).sum())
    less = min(1.0, shown * (1 + shown) / 2)
    parts = less * (1 + _LIKELY * math.sqrt(2 / freedom)), float(chdtri(freedom, 1 - _CHANCE)) / freedom
    kept = [math.sqrt(max(0.0, 1 - part / shown)) for part in parts]
    return Form((1 - kept[0]) * form, math.sqrt(less), kept[0]), Form((1 - kept[1]) * form, 1.0, kept[1])


def _box(values: Array, valid: Mask, size: int) -> Array:
    """Means (rows, cols) of the measured cells in a square of ``size`` cells around each."""
    total = ndimage.uniform_filter(np.where(valid, values, 0.0), size, mode="constant")
    return np.asarray(total / np.maximum(ndimage.uniform_filter(valid.astype(float), size, mode="constant"), 1e-9))


def _calmed(relief: Relief) -> Array:
    """What takes the noise's share out of the wall's texture (n,) [m]: its variance is that of the true one then.

    Texture is what is left of the wall in bands of width, each twice as wide as the one before; the share of noise in
    each is what half the difference of the halves of the points shows there; without halves, a draw of the size of u.
    It is told around each place, so that a hump keeps its own height and the wall beside it none of its noise.
    """
    valid = relief.valid
    if not np.nan_to_num(relief.u[valid]).any():
        return np.zeros(int(valid.sum()))
    if not relief.known_between:
        return _calmed_stations(relief)
    noise = relief.noise
    if noise is None:
        noise = _unit_field(relief, np.random.default_rng(_SEED)) * np.nan_to_num(relief.u)
    z, loud = np.where(valid, relief.offset, 0.0), np.where(valid, np.nan_to_num(noise), 0.0)
    lacking, size = np.zeros(z.shape), max(3, relief.window) | 1
    for _ in range(_BANDS):
        broad, broad_noise = _box(z, valid, size), _box(loud, valid, size)
        band, around = z - broad, _AROUND * size | 1
        shown, stray = _box(band**2, valid, around), _box((loud - broad_noise) ** 2, valid, around)
        # so many pieces of the band err on their own: what may be chance is put down to noise
        chance = 1 + math.sqrt(2) / _AROUND
        lacking -= (1 - np.sqrt(np.clip(1 - stray * chance / np.maximum(shown, 1e-18), 0.0, 1.0))) * band
        z, loud, size = broad, broad_noise, 2 * size + 1
        if size * relief.step > _BROADEST:
            break
    return np.asarray(lacking[valid], dtype=np.float64)


def _calmed_stations(relief: Relief) -> Array:
    """The same for stations, about their best-fit plane."""
    surface = surface_of(relief)
    design = np.stack([np.ones_like(surface.x), surface.x, surface.y], axis=1)
    rest = surface.z - design @ np.linalg.lstsq(design, surface.z, rcond=None)[0]
    variance = float(np.mean(rest**2))
    if variance <= 0:
        return np.zeros(len(rest))
    return -(1 - np.sqrt(max(0.0, 1 - float(np.mean(surface.u**2)) / variance))) * rest


def _noise(relief: Relief, surface: Surface, rng: np.random.Generator) -> Array:
    """Random errors (rolls, n) [m] of the size of u: the wall's own, turned about and moved, else normal ones."""
    if not surface.u.any():
        return np.zeros((1, len(surface.u)))
    if not relief.known_between:
        return rng.standard_t(_TAILS, (_DRAWS, len(surface.u))) * math.sqrt((_TAILS - 2) / _TAILS) * surface.u
    field = _unit_field(relief, rng)
    drawn = np.empty((_ROLLS, len(surface.u)))
    for one in drawn:
        rows, cols = (int(rng.integers(size)) for size in field.shape)
        moved = np.roll(field, (rows, cols), (0, 1))[:: rng.choice((-1, 1)), :: rng.choice((-1, 1))]
        one[:] = moved[relief.valid] * rng.choice((-1, 1)) * surface.u
    return drawn


def _unit_field(relief: Relief, rng: np.random.Generator) -> Array:
    """A field (rows, cols) of variance 1 as like from cell to cell as the relief's noise is."""
    white = rng.standard_normal(relief.offset.shape)
    if relief.window > 1:
        white = ndimage.gaussian_filter(white, relief.window / 5, mode="wrap")
    white = white / white.std()
    own = relief.noise
    if own is None:
        return white
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = own / relief.u
    known = np.isfinite(ratio) & relief.valid
    size = float(np.sqrt(np.mean(ratio[known] ** 2))) if known.any() else 0.0
    return np.where(known, ratio / size, white) if size > 0 else white
