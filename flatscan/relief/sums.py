"""Number, sum and sum of squares of the points in each cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from flatscan.core.geometry import Array


@dataclass(slots=True)
class Sums:
    """Number, sum and sum of squares of offsets in each cell, arrays of equal shape."""

    n: Array
    z: Array
    zz: Array

    @classmethod
    def halves(cls, sums: Array, shape: tuple[int, int]) -> tuple[Sums, Sums]:
        """The sums of either half out of an array (cells, 2, 3) of number, sum and sum of squares."""
        first, second = np.ascontiguousarray(np.moveaxis(sums, 0, -1)).reshape(2, 3, *shape)
        return cls(*first), cls(*second)

    def merged(self, block: int) -> Sums:
        """The same sums over blocks of ``block`` x ``block`` cells."""
        return self if block == 1 else Sums(*(self.block_sum(total, block) for total in (self.n, self.z, self.zz)))

    def __add__(self, other: Sums) -> Sums:
        return Sums(self.n + other.n, self.z + other.z, self.zz + other.zz)

    def mean(self) -> Array:
        """Mean of each cell, NaN where it is empty."""
        return np.divide(self.z, self.n, out=np.full(self.n.shape, np.nan), where=self.n > 0)

    def pooled_sd(self, reach: int) -> Array:
        """Standard deviation within cells, pooled over ``2 reach + 1`` cells each way; NaN where no cell holds two."""
        squares = np.clip(self.zz - self.z**2 / np.maximum(self.n, 1), 0.0, None)
        freedom = np.clip(self.n - 1, 0.0, None)
        size = 2 * reach + 1
        top = ndimage.uniform_filter(squares, size, mode="constant")
        bottom = ndimage.uniform_filter(freedom, size, mode="constant")
        enough = bottom * size**2 > 0.5
        return np.sqrt(np.divide(np.clip(top, 0, None), bottom, out=np.full(top.shape, np.nan), where=enough))

    def overall_sd(self) -> float:
        """Standard deviation within cells, pooled over all of them; NaN where no cell holds two."""
        squares = np.clip(self.zz - self.z**2 / np.maximum(self.n, 1), 0.0, None)
        freedom = np.clip(self.n - 1, 0.0, None).sum()
        return float(np.sqrt(squares.sum() / freedom)) if freedom > 0 else float("nan")

    @staticmethod
    def block_sum(values: Array, block: int) -> Array:
        """Sums over blocks of ``block`` x ``block`` cells; the last block of a row may be cut off."""
        rows, cols = (-(-n // block) for n in values.shape)
        padded = np.zeros((rows * block, cols * block))
        padded[: values.shape[0], : values.shape[1]] = values
        return padded.reshape(rows, block, cols, block).sum(axis=(1, 3))
