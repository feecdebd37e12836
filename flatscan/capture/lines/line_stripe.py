"""A laser line on a picture to a part of a pixel, row by row: found as a ridge, then fitted in its sharpest channel."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatscan.capture.lines.line_profile import (
    FULL,
    FWHM,
    Fit,
    Rows,
    Windows,
    cut,
    fit,
    fit_line,
    linear_light,
    missing_widths,
    widths,
)
from flatscan.capture.lines.line_ridge import CHANNELS, FEWEST_ROWS, Colours, Ridge, continuous, ridge_of
from flatscan.capture.lines.line_scatter import lopsided, scatter, thirds, tone_scaled
from flatscan.capture.pictures import Picture
from flatscan.core.errors import ReadError
from flatscan.core.geometry import Array, Mask, robust_scale
from flatscan.core.notes import Note, note
from flatscan.core.quantity import share

# light must stand out this many times over the noise
_OVER_NOISE = 6.0
_SAID_SATURATED, _SAID_TWICE = 0.05, 0.02
# runs of rows by which a channel is judged
_RUNS, _RUN = 12, 16
# the colour to measure in shows at least this share of what another shows
_LEADS = 0.7
# rows so many times as unsure as most are looked for in other colours, and taken where surer by so much
_UNSURE, _SURER = 2.5, 0.7
# rows in which tone leaves less than this share of sigma are calm; at least one in so many is taken for it
_CALM, _CALMEST = 0.05, 4
# a colour with less of the light than this share of the strongest is not the laser's; its tone then counts more
_LEAKED, _LEAK_TONE = 0.75, 2.5
# no lens and colour grid show a narrower line [pixels]
_LEAST_SIGMA = 0.8
# what is left of the pull of the wall's tone after it was taken out: shares of the pull and of sigma (methods 4)
_PULL_LEFT, _SIGMA_LEFT, _PULL_SMALL = 0.2, 0.06, 0.5
# a line that fades by so much a row lies on a border of tone; what that leaves where the tone is known and where not
_FADING_LEAST, _FADING_KNOWN, _FADING_UNKNOWN, _UNEVEN_LEFT = 0.02, 0.4, 2.0, 0.4
# u [pixels] of a middle between two flanks that rise within a pixel each: 1 / root(12 x 2), and more as seen
_STEPPED = 0.4
# what demosaicing and compression shift a whole line by [pixels]: files keep green finer than red and blue
_SHARED = {"red": 0.045, "green": 0.02, "blue": 0.045}
# the share that counts of the step that a lopsided line makes from one way of weighing its light to another (methods 4)
_LOPSIDED = 0.6
# rows whose middle is no better known than this share of the line's width, and this [pixels], while most are, are left
# out
_LEAST_SURE, _SURE = 0.12, 1.2


@dataclass(frozen=True, eq=False)
class Stripe:
    """Places (n, 2) [pixels: across, down] along a line, ``u`` (n,) [pixels] across it, full ``width`` [pixels].

    ``tone`` (n,) is the part of u that the wall's own brightness makes, ``alike`` over how many rows the rest repeats
    itself. ``channel`` is the one measured in. ``dropped`` counts rows with light that were left out, ``saturated`` is
    the share of rows that are clipped in the channel, ``notes`` say what about the picture is worth knowing. What all
    rows share [pixels]: ``lopsided`` is how far two ways of weighing the light put its middle apart, ``moved`` how sure
    is what a camera that moved was set right by.
    """

    places: Array
    u: Array
    tone: Array
    alike: float
    width: float
    channel: str
    dropped: int
    saturated: float
    notes: tuple[Note, ...]
    lopsided: float = 0.0
    moved: float = 0.0

    @property
    def noise(self) -> float:
        """Middle of the u of single rows [pixels]."""
        return float(np.median(self.u))

    def shared(self, doubt: float = 0.005) -> float:
        """What the whole line shares [pixels]: colours' grid, packing, lopsided light, sway, ``doubt`` of its width."""
        # what a full line lost is its top: lopsided flanks and glow count more
        wide = doubt * self.width * (1 + self.saturated)
        return float(np.linalg.norm([_SHARED[self.channel], wide, _LOPSIDED * self.lopsided, self.moved]))

    def weights(self) -> Array:
        """Weights (n,) by which rows are best averaged."""
        weights: Array = 1 / self.u**2
        return weights

    def u_of_mean(self, kept: Rows | Mask) -> float:
        """u [pixels] of the weighted mean of some rows, without what the whole line shares."""
        share_of = self.weights()[kept]
        share_of = share_of / share_of.sum()
        tone = self.tone[kept] ** 2
        own = np.maximum(self.u[kept] ** 2 - tone, 0.0)
        return float(np.sqrt((share_of**2 * (self.alike * own + max(2 * self.width, self.alike) * tone)).sum()))


def find_stripe(on: Picture, off: Picture | None, channel: str | None, where: Path, *, level: bool = False) -> Stripe:
    """The laser line on one picture and not on the other; ``level`` for a line that runs across.

    ``channel`` is red, green or blue, None for the one in which the line is measured best; without ``off`` the line is
    what stands out of a dim room. Raises `ReadError` where no line, or more than one, can be followed.
    """
    if off is not None and on.colours.shape != off.colours.shape:
        raise ReadError(
            where,
            "pictures of {on} and {off} pixels",
            needed="the laser on and off from one fixed camera",
            remedy="Take both again without touching the camera",
            on=on.size,
            off=off.size,
        )
    seen = _Light.of(on, off, level)
    tried = list(CHANNELS) if channel is None else [channel]
    ridge = ridge_of(seen.lit, seen.dark, tried)
    rows = np.flatnonzero(ridge.strong)
    _refuse(ridge, rows, seen.lit, where)
    rows = rows[~ridge.rivalled[rows] & continuous(rows, ridge, ridge.rivalled[rows])]
    _refuse_few(len(rows), where)
    stripe = _followed(seen, ridge, rows, tried, where)
    return replace(stripe, places=stripe.places[:, ::-1]) if level else stripe


def _followed(seen: _Light, ridge: Ridge, rows: Rows, tried: list[str], where: Path) -> Stripe:
    """The line on some rows, in the best of the channels ``tried``, and in others where that one does not show it."""
    trials = [_tried(seen, name, rows, ridge, alone=len(tried) == 1) for name in tried]
    most = max(trial.strong.mean() for trial in trials)
    # a colour that shows the line in part only can fill in, but not lead
    trials.sort(key=lambda trial: (trial.strong.mean() < _LEADS * most, trial.cost))
    best = trials[0]
    windows, middles = _middles(seen, best, rows, ridge)
    for other in trials[1:]:
        middles = _with_other(seen, best, other, rows, ridge, middles)
    kept = middles.good
    _refuse_few(int(kept.sum()), where)
    places = np.column_stack([middles.place, rows.astype(float)])[kept]
    clipped = float(windows.clipped[kept].any(axis=1).mean())
    wide = float(np.median(middles.sigma[kept])) * FWHM
    dropped = int(ridge.strong.sum() - kept.sum())
    notes = _notes(where.name, clipped, ridge)
    u, tone = middles.u[kept], middles.tone[kept]
    return Stripe(places, u, tone, middles.alike, wide, best.channel, dropped, clipped, notes, middles.lopsided)


@dataclass(frozen=True, eq=False)
class _Middles:
    """Of all rows looked at: ``place``, ``u``, its part by ``tone``, the line's ``sigma``, and which are ``good``."""

    place: Array
    u: Array
    tone: Array
    sigma: Array
    good: Mask
    alike: float
    lopsided: float = 0.0


@dataclass(frozen=True, eq=False)
class _Light:
    """Pictures (rows, cols, 3) with the laser on and off, the line running down, and the wall's brightness without."""

    lit: Colours
    dark: Colours | None
    bright: NDArray[np.float32] | None

    @classmethod
    def of(cls, on: Picture, off: Picture | None, level: bool) -> _Light:
        lit, dark = (None if one is None else _upright(one.colours, level) for one in (on, off))
        assert lit is not None
        return cls(lit, dark, None if dark is None else _brightness(dark))

    def windows(self, channel: str, rows: Rows, seed: Array, sigma: float) -> Windows:
        return cut(self.lit, self.dark, CHANNELS[channel], self.bright, rows, seed, sigma)


@dataclass(frozen=True, eq=False)
class _Trial:
    """A channel tried on some rows: what its middles there cost [pixels], the line's ``sigma``, where it is strong.

    ``leaked`` tells that the laser is of another colour.
    """

    channel: str
    leaked: bool
    cost: float
    sigma: float
    place: Array
    strong: Mask


def _upright(colours: NDArray[np.uint8], level: bool) -> NDArray[np.uint8]:
    """A picture in which the line runs down."""
    return np.ascontiguousarray(colours.transpose(1, 0, 2)) if level else colours


def _brightness(dark: NDArray[np.uint8]) -> NDArray[np.float32]:
    """The wall without the laser, grey, linear, and smoothed by less than a pixel."""
    import cv2

    grey = cv2.LUT(
        cv2.cvtColor(dark, cv2.COLOR_RGB2GRAY), linear_light(np.arange(256, dtype=np.uint8)).astype(np.float32)
    )
    return np.ascontiguousarray(cv2.GaussianBlur(grey, (0, 0), 0.8))


def _tried(seen: _Light, name: str, rows: Rows, ridge: Ridge, *, alone: bool) -> _Trial:
    """A channel tried on runs of rows: what counts is how its middles scatter from row to row.

    One that is tried ``alone`` costs what it may.
    """
    runs = np.linspace(0, max(len(rows) - _RUN, 0), _RUNS).astype(np.int64)
    some = rows[np.unique(np.minimum(runs[:, None] + np.arange(_RUN), len(rows) - 1))]
    seed, sigma = ridge.at[some], 1.5 * ridge.sigma
    for _ in range(2):
        windows = seen.windows(name, some, seed, sigma)
        sigma = max(float(np.median(widths(windows))) / FWHM, _LEAST_SIGMA)
    windows = seen.windows(name, some, seed, sigma)
    found = fit(windows, seed, np.full(len(some), sigma), free=True)
    strong = _strong(windows, found)
    # what has no light costs its width; what is sharp is a little better than what is wide
    cost, weak = ridge.sigma, 1 - float(strong.mean())
    if not alone and strong.sum() >= FEWEST_ROWS:
        u, _ = scatter(found.place[strong], some[strong], found.u[strong])
        clipped = float(windows.clipped[strong].any(axis=1).mean())
        cost = float(np.median(u)) * (1 + clipped / 2) + 0.015 * sigma + weak * ridge.sigma / 8
    own = max(float(np.clip(np.median(found.sigma), 0.7 * sigma, 1.3 * sigma)), _LEAST_SIGMA)
    return _Trial(name, _leaked(seen, name, some, ridge), cost, own, found.place, strong)


def _leaked(seen: _Light, name: str, rows: Rows, ridge: Ridge) -> bool:
    """Whether a channel has less of the line's light than another: the laser is of that one's colour."""
    lights = {one: seen.windows(one, rows, ridge.at[rows], 1.5 * ridge.sigma).light for one in CHANNELS}
    sums = {one: float(np.median(np.maximum(light, 0.0).sum(axis=1))) for one, light in lights.items()}
    return sums[name] < _LEAKED * max(sums.values())


def _strong(windows: Windows, found: Fit) -> Mask:
    strong: Mask = (found.height > _OVER_NOISE * windows.noise) & np.isfinite(found.u) & (found.u > 0)
    return strong


def _middles(seen: _Light, trial: _Trial, rows: Rows, ridge: Ridge) -> tuple[Windows, _Middles]:
    """The middles of rows in one channel, with u as large as they really scatter."""
    windows = seen.windows(trial.channel, rows, ridge.at[rows], trial.sigma)
    found = fit_line(windows, ridge.at[rows], trial.sigma)
    good = _strong(windows, found) & (np.abs(found.place - ridge.at[rows]) < 2 * FWHM * ridge.sigma)
    # what leaks into another colour is left of differences of colours, and jumps at borders of tone
    tone = _tone_left(windows, found) * (_LEAK_TONE if trial.leaked else 1.0)
    # light that is cut off unseen on one side has its middle half of what is missing aside
    gone = (1 - windows.known) * missing_widths(windows) / 2
    if good.sum() < FEWEST_ROWS:
        return windows, _Middles(found.place, np.hypot(4 * found.u, tone), tone, found.sigma, good, 4.0)
    # rows away from borders, or the calmest there are, show how a row scatters
    least = np.sort((np.hypot(tone, gone) / found.sigma)[good])[max(FEWEST_ROWS, int(good.sum()) // _CALMEST) - 1]
    calm = good & (np.hypot(tone, gone) <= max(_CALM, least) * found.sigma)
    own, alike = scatter(found.place[calm], rows[calm], found.u[calm])
    # rows on borders of tone have the scatter of the calm ones, at their own light, and what the tone left
    own = np.interp(found.u, np.sort(found.u[calm]), np.sort(own))
    # an edge within one pixel hides where in the pixel it lies, over many rows alike
    stepped = _STEPPED * np.clip((found.steep - 0.6) / 0.3, 0.0, 1.0)
    tone = np.sqrt(tone**2 + np.maximum(stepped**2 - own**2, 0.0))
    some = found.place[good], rows[good]
    width = FWHM * float(np.median(found.sigma[good]))
    tone[good] = tone_scaled(*some, np.hypot(own, gone)[good], tone[good], width)
    tone = np.hypot(tone, gone)
    u = np.hypot(own, tone)
    # whatever was not thought of shows in the rows themselves
    u = u * max(1.0, thirds(*some, u[good]))
    most = np.maximum(_LEAST_SURE * FWHM * found.sigma, max(_SURE, _UNSURE * float(np.median(u[calm]))))
    good = good & (u < most)
    uneven = lopsided(windows.some(calm), found.some(calm))
    return windows, _Middles(found.place, u, tone, found.sigma, good, alike, uneven)


def _tone_left(windows: Windows, found: Fit) -> Array:
    """u (n,) [pixels] by the wall's tone after its pull was taken out as far as it is known.

    Seen are the pull itself, ends of the window unlike each other, and a line that grows or fades from row to row.
    """
    from scipy import ndimage

    sigma, pull = found.sigma, np.abs(found.pulled)
    height = ndimage.gaussian_filter1d(np.maximum(found.height, windows.noise), 1.5)
    fading = np.abs(ndimage.gaussian_filter1d(np.log(height), 1.0, order=1))
    reach = 2 * int(np.ceil(float(np.median(sigma)))) + 1
    # speckle fades everywhere; a border does so in its own rows
    least = max(_FADING_LEAST, 2 * float(np.median(fading)))
    fading = ndimage.maximum_filter1d(np.where(fading < least, 0.0, fading), reach) * sigma**2
    known = np.minimum(_PULL_SMALL * pull, _SIGMA_LEFT * sigma + _PULL_LEFT * pull)
    known = np.hypot(known, np.minimum(_FADING_KNOWN * fading, 0.15 * sigma))
    unknown = np.hypot(np.minimum(_FADING_UNKNOWN * fading, 0.45 * sigma), _UNEVEN_LEFT * windows.uneven * sigma)
    left: Array = np.sqrt(windows.known * known**2 + (1 - windows.known) * unknown**2)
    return left


def _with_other(seen: _Light, best: _Trial, other: _Trial, rows: Rows, ridge: Ridge, middles: _Middles) -> _Middles:
    """The middles with those of another channel where that one is surer, laid on them by their median distance."""
    both = best.strong & other.strong
    unsure = ~middles.good | (middles.u > _UNSURE * np.median(middles.u[middles.good]))
    if both.sum() < FEWEST_ROWS or unsure.mean() < 0.01:
        return middles
    _, own = _middles(seen, other, rows, ridge)
    again = middles.good & own.good
    if again.sum() < FEWEST_ROWS:
        return middles
    apart = (middles.place - own.place)[again]
    u = np.hypot(own.u, robust_scale(apart) / 2)
    taken = unsure & own.good & ((u < _SURER * middles.u) | ~middles.good)
    place = np.where(taken, own.place + float(np.median(apart)), middles.place)
    tone = np.where(taken, own.tone, middles.tone)
    return replace(middles, place=place, u=np.where(taken, u, middles.u), tone=tone, good=middles.good | taken)


def _notes(picture: str, clipped: float, ridge: Ridge) -> tuple[Note, ...]:
    notes: list[Note] = []
    if clipped > _SAID_SATURATED:
        notes.append(note("line.over-exposed", picture=picture, share=share(clipped)))
    twice = float((ridge.strong & ridge.rivalled).sum() / max(ridge.strong.sum(), 1))
    if twice > _SAID_TWICE:
        notes.append(note("line.seen-twice", picture=picture, share=share(twice), apart=share(ridge.apart)))
    return tuple(notes)


def _refuse(ridge: Ridge, rows: Rows, lit: NDArray[np.uint8], where: Path) -> None:
    """Raise `ReadError` for a picture without a line, with two, or white all over."""
    white = float((lit[::8, ::8].min(axis=2) >= FULL).mean())
    if white > 0.5:
        raise ReadError(
            where,
            "the whole picture is over-exposed: {white:share} of it is white",
            needed="a dim room, in which the line is the brightest thing",
            remedy="Lock the exposure, two steps or more darker, and take it again",
            white=share(white),
        )
    if len(rows) < FEWEST_ROWS:
        raise ReadError(
            where,
            "no laser line stands out: {rows} rows have one",
            needed="one picture with the laser on and one with it off, in a dim room; at least {least} rows",
            remedy="Check that the laser was on in the first picture only, and its colour",
            rows=len(rows),
            least=FEWEST_ROWS,
        )
    twice = ridge.rivalled[rows]
    if twice.mean() > 0.5:
        raise ReadError(
            where,
            "two lines of light, {apart:number.0} pixels apart, over {twice:share} of the rows",
            needed="one line",
            remedy="Switch the second line of the laser off, and cover mirrors and glass that repeat it",
            apart=share(ridge.apart),
            twice=share(float(twice.mean())),
        )


def _refuse_few(rows: int, where: Path) -> None:
    if rows < FEWEST_ROWS:
        raise ReadError(
            where,
            "the laser line can be followed over {rows} rows only",
            needed="at least {least}",
            remedy="Darken the room, expose for the line, focus on the wall, remove what reflects",
            rows=rows,
            least=FEWEST_ROWS,
        )
