"""The price list to fill in, from the command to the quote."""

from pathlib import Path

from numpy.testing import assert_allclose

SAMPLES = Path(__file__).parents[2] / "sample_clouds"


def test_the_example_is_filled_in_and_priced(flatscan, tmp_path):
    """With 10 a m2 and 8 a bag the sample is 6 m2 less what was not plastered, and its bags."""
    assert flatscan("rates", "--example", "--out", "rates.toml").code == 0
    assert flatscan("rates", "--example", "--out", "rates.toml").code == 1
    shown = flatscan("rates", "--example")
    assert shown.out == (tmp_path / "rates.toml").read_text()
    filled = shown.out.replace("\nm2 = 0", "\nm2 = 10").replace("\nbag = 0", "\nbag = 8")
    (tmp_path / "mine.toml").write_text(filled)
    found = flatscan("survey", SAMPLES / "laser_grid.csv", "--rates", "mine.toml", "--json").document
    material = found["material"]
    bags = sum(product["count"] for product in material["products"])
    assert_allclose(material["price"], 10 * found["wall"]["area_m2"] + 8 * bags, atol=0.02)
    assert material["price_low"] <= material["price"] <= material["price_high"]
    assert_allclose(sum(coat["hours"] for coat in material["labour"]), material["labour_hours"], atol=0.002)


def test_a_list_is_asked_for_and_an_unknown_line_refused(flatscan, tmp_path):
    assert flatscan("rates").code == 2
    (tmp_path / "mine.toml").write_text(flatscan("rates", "--example").out + "\n[extra]\nbeads = 3\n")
    refused = flatscan("survey", SAMPLES / "laser_grid.csv", "--rates", "mine.toml")
    assert refused.code == 1
    assert "unknown: extra" in refused.err


def test_a_site_mix_changes_cement_and_sand(flatscan):
    """Per m3 placed 274 kg of cement at 1:6 and 383 at 1:4 (methods/trade 6)."""
    line = ("survey", SAMPLES / "laser_grid.csv", "--system", "sand-cement-inside", "--least", "8mm", "--json")
    usual, rich = (_cement(flatscan(*line, *more).document) for more in ((), ("--mix", "1:4")))
    assert_allclose(rich / usual, 383 / 274, rtol=5e-3)
    refused = flatscan("survey", SAMPLES / "laser_grid.csv", "--mix", "1:4")
    assert refused.code == 1
    assert "comes ready mixed in bags" in refused.err


def _cement(document):
    """Bags of cement as a fraction: all coats but the finish."""
    return sum(coat["bags"] for coat in document["material"]["coats"][:-1])
