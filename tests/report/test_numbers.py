import math

import numpy as np
import pytest

from flatscan.report.result_document import plain_values
from flatscan.report.tables import factor, rounded, shows


@pytest.mark.parametrize(
    ("key", "scale"),
    [
        ("gap_mm", 1000), ("lean_mm_per_m", 1000), ("area_m2", 1), ("volume_l", 1000), ("saves_l", 1000),
        ("litres", 1000), ("kg", 1), ("number", 1), ("coverage", 1), ("share", 1),
    ],
)  # fmt: skip
def test_a_key_names_its_unit(key, scale):
    # SI definitions: 1 m = 1000 mm, 1 m3 = 1000 L
    assert factor(key) == scale


def test_rounding_to_a_thousandth():
    assert rounded(1.23456) == 1.235
    assert math.copysign(1, rounded(-0.0001)) == 1
    assert rounded(math.nan) is None
    assert rounded(math.inf) is None


@pytest.mark.parametrize(("length", "said"), [(0.0, False), (-4.9e-5, False), (6e-5, True), (-6e-5, True)])
def test_a_length_shows_from_a_tenth_of_a_millimetre_on(length, said):
    assert shows(length) is said


def test_a_document_scales_what_its_keys_say():
    made = plain_values({"x_mm": 1.2345678, "n": 3, "name": "wall", "u_mm": None, "at_mm": (0.001, 0.002)})
    assert made == {"x_mm": 1234.568, "n": 3, "name": "wall", "u_mm": None, "at_mm": [1.0, 2.0]}


def test_numpy_numbers_become_plain_ones():
    made = plain_values({"n": np.int64(4), "x_mm": np.float64(0.5), "f_mm": np.float32(0.25)})
    assert {key: type(value) for key, value in made.items()} == {
        "n": int,
        "x_mm": float,
        "f_mm": float,
    }


def test_what_has_no_place_is_refused():
    with pytest.raises(TypeError, match="x_mm"):
        plain_values({"x_mm": object()})
