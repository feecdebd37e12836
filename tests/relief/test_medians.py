"""Medians over 5 x 5 cells against scipy's."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import ndimage

from flatscan.relief.medians import medians


@pytest.mark.parametrize("shape", [(1, 1), (3, 40), (16, 5), (33, 47)])
def test_as_scipy(shape: tuple[int, int]) -> None:
    values = np.random.default_rng(7).normal(size=shape)
    assert_allclose(medians(values), ndimage.median_filter(values, 5, mode="nearest"), rtol=0, atol=0)


def test_many_equal_values_and_what_is_without_end() -> None:
    values = np.random.default_rng(8).integers(0, 3, (40, 30)).astype(float)
    values[::7, ::5] = np.inf
    assert_allclose(medians(values), ndimage.median_filter(values, 5, mode="nearest"), rtol=0, atol=0)


def test_by_hand() -> None:
    # of 25 numbers the thirteenth
    assert medians(np.arange(25.0).reshape(5, 5))[2, 2] == 12.0
