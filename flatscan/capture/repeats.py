"""Rows that repeat an earlier row exactly: found exactly in small files, by a fair sample of positions in big ones."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from flatscan.core.geometry import Array, Mask

Hashes = NDArray[np.uint64]
# up to this many rows every hash is kept (8 bytes each); above, only positions whose hash falls in a fixed share
EXACT_ROWS = 2_000_000


def _mix(value: Hashes) -> Hashes:
    """Finaliser of splitmix64 (Steele, Lea and Flood, OOPSLA 2014), in place."""
    value ^= value >> np.uint64(30)
    value *= np.uint64(0xBF58476D1CE4E5B9)
    value ^= value >> np.uint64(27)
    value *= np.uint64(0x94D049BB133111EB)
    value ^= value >> np.uint64(31)
    return value


def row_hashes(points: Array) -> Hashes:
    """A 64-bit hash per row (n, 3); equal rows have equal hashes.

    Two different rows share one with odds n^2 / 2^65: 1e-7 for two million rows.
    """
    # + 0.0 makes the two zeros one; each axis is mixed in turn because the bits of small numbers are mostly alike
    bits = np.add(points, 0.0).view(np.uint64)
    value = _mix(bits[:, 0].copy())
    for axis in (1, 2):
        value += bits[:, axis]
        value = _mix(value)
    return value


@dataclass
class RepeatCounter:
    """Collects row hashes of ``rows`` rows at most, in bounded memory."""

    rows: int
    kept: list[Hashes] = field(default_factory=list)
    seen: list[NDArray[np.int64]] = field(default_factory=list)

    @property
    def exact(self) -> bool:
        """Whether every row takes part."""
        return self.rows <= EXACT_ROWS

    @property
    def taken(self) -> int:
        """How many rows took part so far."""
        return sum(len(part) for part in self.kept)

    def add(self, points: Array, numbers: NDArray[np.int64] | slice, start: int) -> None:
        """Take in the rows ``points``, which are rows ``start`` + ``numbers`` of the file."""
        value = row_hashes(points)
        if self.exact:
            at = np.arange(len(points)) if isinstance(numbers, slice) else numbers
            self.seen.append((at + start).astype(np.int64))
        else:
            # a position is in the sample or not whichever row it comes from, so repeats stay together
            value = value[value < np.uint64(int(2**64 * (EXACT_ROWS / 2) / self.rows))]
        self.kept.append(value)

    def share(self) -> float:
        """Share of rows that repeat an earlier one (exact, or estimated from the sampled positions)."""
        value = np.sort(np.concatenate(self.kept)) if self.kept else np.empty(0, np.uint64)
        return float(np.count_nonzero(value[1:] == value[:-1])) / len(value) if len(value) else 0.0

    def repeated(self, total: int) -> Mask:
        """(total,) marks of rows that repeat an earlier row; only where `exact`."""
        marks = np.zeros(total, dtype=bool)
        value, row = np.concatenate(self.kept), np.concatenate(self.seen)
        order = np.argsort(value, kind="stable")
        same = value[order][1:] == value[order][:-1]
        marks[row[order][1:][same]] = True
        return marks
