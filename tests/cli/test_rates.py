"""The price list to fill in, from the command to the quote."""

import dataclasses
from pathlib import Path

import numpy as np
from matplotlib.text import Text
from numpy.testing import assert_allclose

from flatscan import jobs
from flatscan.report.figures.style import sheet_style
from flatscan.report.paper.sheets import variation
from flatscan.report.reporting import report_of

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


def test_what_no_system_can_build_has_no_price(flatscan, tmp_path):
    """60 mm of cover is more than the 40 mm that gypsum undercoat may have: a price of area alone would look cheap."""
    filled = flatscan("rates", "--example").out.replace("\nm2 = 0", "\nm2 = 10")
    (tmp_path / "mine.toml").write_text(filled)
    found = flatscan("survey", SAMPLES / "laser_grid.csv", "--rates", "mine.toml", "--least", "60mm", "--json").document
    assert found["material"]["coats"] == []
    assert found["material"]["price"] is found["material"]["price_high"] is None
    assert "quote" not in found
    assert any("price is null: nothing could be ordered" in said for said in found["capture"]["warnings"])


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


def test_a_survey_s_own_variation_prints_what_is_known_and_asks_for_the_rest(tmp_path):
    """By hand from the stations' own thickness: litres and area over the 8 mm that the rate holds, and their mean."""
    (tmp_path / "rates.toml").write_text(
        'currency = "EUR"\nbasis = "area"\nday = 320\nm2 = 22\nallowance_mm = 8\nextra_mm_m2 = 1.5\nhack = 35\n'
        "bag = 11\ncall_out = 40\n"
    )
    finish = jobs.Finishing.by(rates=str(tmp_path / "rates.toml"))
    found = jobs.survey(SAMPLES / "laser_grid.csv", jobs.Capturing(), jobs.Requirement(), finish)
    valid, built = found.relief.valid, found.plan.build_up
    over = np.maximum(built.thickness[valid] - 0.008, 0.0)
    area = found.relief.area[valid]
    assert_allclose(found.beyond.planned.volume.value, (over * area).sum(), rtol=1e-6)
    assert_allclose(found.beyond.planned.area, area[over > 0].sum(), rtol=1e-6)
    low, high = found.beyond.ends
    assert low < found.beyond.amount < high

    def words(one):
        with sheet_style():
            (page,) = variation(report_of(one), "mm", "a4")
            return " ".join(text.get_text() for text in page.findobj(Text))

    mean = 1000 * (over * area).sum() / area[over > 0].sum()
    known = words(found)
    assert f"{mean:.1f} mm over 8 mm" in known
    assert f"By plan {report_of(found).fingerprint} of the job" in known
    assert f"{found.beyond.amount:.2f} EUR (" in known
    asked = ("Mean thickness in the contract", "Extra thickness", "Extra volume and bags")
    assert not any(blank in known for blank in asked)
    bare = words(dataclasses.replace(found, beyond=None))
    assert all(blank in bare for blank in (*asked, "Instruction number and date", "Given by"))
