"""Sums over boxes and along lines of cells: what single cells are too noisy to show."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import ndimage
from scipy.special import ndtri

from flatscan.core.geometry import Array, Mask

BOXES = (1, 2, 3, 5)
LENGTHS = (5, 9, 15)
# steps up and along from cell to cell of a line: level, upright, both diagonals and halfway between
DIRECTIONS = ((0, 1), (1, 0), (1, 1), (1, -1), (1, 2), (2, 1), (1, -2), (2, -1))
WIDTHS = (1, 2)
_TESTS = len(BOXES) + len(DIRECTIONS) * len(LENGTHS) * len(WIDTHS)
_EVERY = 3
_AROUND = 31
# mean size of a normal deviate
_MEAN_SIZE = float(np.sqrt(2 / np.pi))


@dataclass(frozen=True, slots=True)
class _Run:
    """Lines of ``length`` cells that go on by ``step``, ``wide`` of them abreast."""

    step: tuple[int, int]
    length: int
    wide: int


def stand_out(
    field: Array,
    valid: Mask,
    false_alarm: float,
    signs: tuple[int, ...] = (1, -1),
    weight: Array | None = None,
    *,
    lines: bool = True,
) -> Mask:
    """Cells (rows, cols) of the boxes and lines whose sums of ``field`` stand out from chance.

    ``field`` holds deviates of sd 1, or with ``weight`` sums of so many of them, 0 where nothing is known. Means of 1,
    2, 3 and 5 cells square, and of lines of 5, 9 and 15 cells, one and two abreast, in eight directions are held
    against the normal quantile at which a clean wall raises an alarm in ``false_alarm`` of surveys (Bonferroni over
    cells, shapes and signs). Where sums scatter more than chance all over the wall, or around a place, that scatter is
    the measure: texture is the wall's own. Without ``lines`` only squares are looked at.
    """
    quantile = float(-ndtri(false_alarm / (_TESTS * len(signs) * max(int(valid.sum()), 1))))
    found = _found(field, valid, quantile, signs, weight, lines)
    if found.any():
        found &= _found(field / _scatter_around(field, valid, weight), valid, quantile, signs, weight, lines)
    return found


def _found(
    field: Array, valid: Mask, quantile: float, signs: tuple[int, ...], weight: Array | None, lines: bool
) -> Mask:
    found = np.zeros(field.shape, bool)
    for box in BOXES:
        over = _over(_in_boxes(field, weight, box), valid, quantile, signs)
        if over.any():
            found |= spread_over(over, box)
    if not lines:
        return found & valid
    # along lines, which are long, equal weights do
    alike = field if weight is None else field / np.sqrt(np.maximum(weight, 0.5))
    jobs = [partial(_over_lines, alike, step, wide, quantile, signs) for step in DIRECTIONS for wide in WIDTHS]
    with ThreadPoolExecutor(2) as pool:
        hits = [hit for some in pool.map(lambda job: job(), jobs) for hit in some]
    for sums, over, run in hits:
        _mark(found, alike, sums, over, run)
    return found & valid


def _in_boxes(field: Array, weight: Array | None, box: int) -> Array:
    """Sums over boxes as deviates of sd 1 (rows, cols)."""
    sums: Array = ndimage.uniform_filter(field, box, mode="constant") * box
    if weight is None:
        return sums
    number = ndimage.uniform_filter(weight, box, mode="constant") * box**2
    return np.asarray(sums * box / np.sqrt(np.maximum(number, 0.5)))


def _scatter_around(field: Array, valid: Mask, weight: Array | None) -> Array:
    """How much more than chance sums of 1 and of 3 x 3 cells scatter around each place (rows, cols), at least 1.

    Each counts with no more than three, so that a ridge through the place hardly moves it.
    """
    number = np.maximum(ndimage.uniform_filter(valid.astype(float), _AROUND, mode="constant"), 1e-9)
    most = np.ones(field.shape)
    for box in (1, 3):
        size = np.where(valid, np.minimum(np.abs(_in_boxes(field, weight, box)), 3.0), 0.0)
        around = ndimage.uniform_filter(size, _AROUND, mode="constant") / number
        most = np.maximum(most, around / _MEAN_SIZE)
    return most


def spread_over(over: Mask, block: int) -> Mask:
    """The cells (rows, cols) of the blocks about those marked, which of even size reach further down and left."""
    if block == 1 or not over.any():
        return over
    spread: Mask = ndimage.binary_dilation(over, np.ones((block, block)))
    return spread


def _over(sums: Array, valid: Mask, quantile: float, signs: tuple[int, ...]) -> Mask:
    some = np.abs(sums[::_EVERY, ::_EVERY])
    here = valid[::_EVERY, ::_EVERY]
    scale = max(1.0, float(some[here].mean()) / _MEAN_SIZE) if here.any() else 1.0
    over = np.zeros(sums.shape, bool)
    for sign in signs:
        over |= sign * sums > quantile * scale
    return over


def _over_lines(
    field: Array, step: tuple[int, int], wide: int, quantile: float, signs: tuple[int, ...]
) -> list[tuple[Array, Mask, _Run]]:
    """Sums along lines of one direction, where they stand out, and what they are sums of; next to always none."""
    from flatscan.relief.line_sums_kernel import line_extremes

    lengths = np.array(LENGTHS)
    beside = _beside(step)
    found = line_extremes(field, *step, *beside, wide, lengths)
    root = np.sqrt(lengths * wide)
    scale = np.maximum(1.0, found[:, 2] / root / _MEAN_SIZE)
    most = np.maximum(found[:, 0] if 1 in signs else -np.inf, -found[:, 1] if -1 in signs else -np.inf)
    hits = []
    for k in np.flatnonzero(most > quantile * scale * root):
        sums = _sums(field, step, wide, int(lengths[k]))
        over = np.zeros(field.shape, bool)
        for sign in signs:
            over |= sign * sums > quantile * scale[k] * root[k]
        hits.append((sums, over, _Run(step, int(lengths[k]), wide)))
    return hits


def _sums(field: Array, step: tuple[int, int], wide: int, length: int) -> Array:
    """Sums (rows, cols) of so many cells that begin at each cell; beyond the rim lies 0."""
    one = field if wide == 1 else field + _moved(field, _beside(step))
    return np.asarray(sum(_moved(one, step, number) for number in range(length)), float)


def _beside(step: tuple[int, int]) -> tuple[int, int]:
    return (0, 1) if abs(step[0]) > abs(step[1]) else (1, 0)


def _moved(field: Array, step: tuple[int, int], times: int = 1) -> Array:
    """The field so many steps on at each place, 0 beyond its rim."""
    out = np.zeros_like(field)
    rows, cols = field.shape
    up, along = step[0] * times, step[1] * times
    if up >= rows or abs(along) >= cols:
        return out
    if along >= 0:
        out[: rows - up, : cols - along] = field[up:, along:]
    else:
        out[: rows - up, -along:] = field[up:, :along]
    return out


def _mark(found: Mask, field: Array, sums: Array, over: Mask, run: _Run) -> None:
    """Mark the cells of runs that stand out, but for those with less than half of the run's mean: it goes past them."""
    rows, cols = found.shape
    beside, starts = _beside(run.step), np.argwhere(over)
    mean = sums[over] / (run.length * run.wide)
    for number in range(run.length):
        for line in range(run.wide):
            row = starts[:, 0] + number * run.step[0] + line * beside[0]
            col = starts[:, 1] + number * run.step[1] + line * beside[1]
            inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
            row, col, least = row[inside], col[inside], mean[inside] / 2
            part = field[row, col] * np.sign(least) >= np.abs(least)
            found[row[part], col[part]] = True
