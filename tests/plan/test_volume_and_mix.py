"""Grid and prismoid volumes, and sand and cement, against published worked figures."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import trapezoid

from flatscan.core.errors import BadValue
from flatscan.plan.materials import Coat, Mix, batch, coverage
from flatscan.plan.systems import load
from flatscan.plan.volume import end_area, grid_volume, prismoid


def test_grid_of_corner_heights():
    """methods/finish-plane 14 (surveyors' grid formula): 3 x 3 corners, 10 m squares, 672.5 m3."""
    assert_allclose(grid_volume([[1, 1.5, 2], [1.2, 1.7, 2.1], [1.3, 1.9, 2.4]], 10, 10), 672.5, rtol=1e-12)


def test_grid_is_the_trapezium_rule_twice():
    heights = np.random.default_rng(2).uniform(0, 1, (5, 7))
    assert_allclose(grid_volume(heights, 0.3, 0.2), trapezoid(trapezoid(heights, dx=0.3), dx=0.2), rtol=1e-12)


def test_prismoid_and_end_areas():
    """methods/finish-plane 14: A = 12, 15.8, 20 m2 over 30 m: 476.0 and 480.0 m3."""
    assert_allclose([prismoid(12, 15.8, 20, 30), end_area(12, 20, 30)], [476.0, 480.0], rtol=1e-12)


def test_grid_too_small():
    with pytest.raises(BadValue):
        grid_volume([[1, 2]], 1, 1)


@pytest.mark.parametrize(("parts", "cement", "sand"), [(3, 479, 1.00), (4, 383, 1.06), (5, 319, 1.11), (6, 274, 1.14)])
def test_per_cubic_metre_placed(parts, cement, sand):
    """methods/trade 6 (printed table, factor 1.33)."""
    made = batch(1.0, Mix(parts, 50, (1.33, 1.33)))
    assert_allclose([made.binder, made.sand], [cement, sand], rtol=5e-3)


@pytest.mark.parametrize(("parts", "cement"), [(3, 510), (4, 380), (5, 310), (6, 250)])
def test_the_range_of_dry_volume_holds_a_public_schedule(parts, cement):
    """Kg of cement in a m3 of mortar: coefficients of a public schedule of rates, 2007 to 2018, read 2026-11-28."""
    low, high = load("sand-cement-inside").base.mix.dry_factor
    assert batch(1.0, Mix(parts, 50, (low, low))).binder < cement < batch(1.0, Mix(parts, 50, (high, high))).binder


def test_the_range_of_dry_volume_ends_where_print_does():
    """1.2, 1.22, 1.25, 1.27, 1.33, 1.54 and 1.6 on estimators' pages read 2026-11-28; the middle is reckoned with."""
    mix = load("sand-cement-inside").base.mix
    assert mix.dry_factor == (1.2, 1.6)
    assert_allclose(batch(1.0, mix).dry, 1.4, rtol=1e-12)


def test_one_square_metre_at_12_mm():
    """methods/trade 6: 1:6, 12 mm on 1 m2 is 0.01596 m3 dry and 3.28 kg of cement."""
    made = batch(0.012, Mix(6, 50, (1.33, 1.33)))
    assert_allclose(made.dry, 0.01596, rtol=1e-9)
    assert_allclose(made.binder, 3.28, atol=0.005)


def test_one_bag_covers():
    """methods/trade 6: a 50 kg bag at 1:4, 12 mm, factor 1.54 covers 9.39 m2."""
    assert_allclose(coverage(mixed(Mix(4, 50, dry_factor=(1.54, 1.54))), 0.012), 9.39, atol=0.005)


@pytest.mark.parametrize(
    ("system", "coat", "thickness", "size", "area"),
    [
        # a trade page on plasters read 2026-11-28: 10 kg cover 1.5 m2 at 10 mm (absorbent), at 8 mm (low suction)
        ("gypsum-undercoat", 0, 0.010, 10, 1.5),
        ("gypsum-undercoat", 0, 0.008, 10, 1.5),
        # two trade pages read 2026-11-28: 25 kg of finish cover 10 to 12 m2 at 2 mm
        ("gypsum-undercoat", 1, 0.002, 25, 10),
        ("gypsum-undercoat", 1, 0.002, 25, 12),
        # a page on consumption read 2026-11-28: 8.5 to 9 kg on 1 m2 at 10 mm
        ("one-coat-gypsum", 0, 0.010, 8.5, 1.0),
        ("one-coat-gypsum", 0, 0.010, 9, 1.0),
        # a supplier's data of a lime undercoat read 2026-11-28: 25 kg cover 1.5 m2 at 10 mm
        ("lime", 0, 0.010, 25, 1.5),
    ],
)
def test_printed_coverage_lies_in_the_range(system, coat, thickness, size, area):
    low, high = coverage(replace(load(system).coats[coat], bag=size), thickness)
    assert low * (1 - 6e-3) <= area <= high * (1 + 6e-3)


def mixed(mix):
    return Coat("coat", "mortar", 0.005, 0.015, (1900.0, 2100.0), None, mix=mix)


def test_mixes_that_make_no_sense():
    with pytest.raises(BadValue):
        batch(-1, Mix(6, 50, (1.2, 1.6)))
    with pytest.raises(BadValue):
        coverage(mixed(Mix(6, 50, (1.2, 1.6))), 0)
