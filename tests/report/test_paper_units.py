"""Conversions on paper against NIST Handbook 44, appendix C, and special publication 811, appendix B (from memory)."""

import pytest

from flatscan.core.units import area_text, mass_text, slope_text, volume_text


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (area_text(0.09290304, "in"), "1.0 sq ft"),
        (area_text(8.456), "8.5 m²"),
        (volume_text(0.003785411784, "in"), "1.0 US gal"),
        (volume_text(3.785411784, "in", decimals=2), "1000.000 US gal"),
        (volume_text(0.0335), "34 litres"),
        (volume_text(0.0009), "1 litre"),
        (mass_text(45.359237, "in"), "100 lb"),
        (mass_text(96.2), "96 kg"),
        # 1/8 in in 10 ft is a slope of 1/960
        (slope_text(1 / 960, "in"), "1/8 in in 10 ft"),
        (slope_text(-0.0021), "-2.1 mm per m"),
    ],
)
def test_known_conversions(said, expected):
    assert said == expected
