"""The sheets of a comparison: drawing, notice of background, variation record, and the words they may not say."""

import json
import re

import pytest
from pypdf import PdfReader
from two_scans import plastered, raw, scan

from flatscan.cli import run
from flatscan.core.notes import note
from flatscan.core.quantity import Quantity
from flatscan.jobs.compared import Extra
from flatscan.report.say import say
from flatscan.report.sections.extra_section import litres_over

NEVER = re.compile(r"complies|certif|caused by|\bowe[sd]?\b", re.IGNORECASE)
RATES = """currency = "units"
basis = "area"
day = 0
m2 = 10
allowance_mm = 13
extra_mm_m2 = 2
hack = 0
bag = 5
call_out = 50
"""


@pytest.fixture(scope="module")
def sheets(tmp_path_factory):
    folder = tmp_path_factory.mktemp("paper")
    scan(folder / "before.ply", raw, seed=1)
    scan(folder / "after.ply", plastered, seed=2)
    (folder / "rates.toml").write_text(RATES)
    code = run(
        [
            "compare",
            str(folder / "before.ply"),
            str(folder / "after.ply"),
            "--same-frame",
            "--capture-type",
            "scanner",
            "--background-tolerance",
            "uk-plaster-3mm-1.8m",
            "--accept-source",
            "--limit",
            "3mm",
            "--rates",
            str(folder / "rates.toml"),
            "--explain",
            "--quiet",
            "--out",
            str(folder / "out"),
        ]
    )
    assert code == 0
    return folder / "out"


def text_of(pdf):
    return " ".join(" ".join(page.extract_text() for page in PdfReader(pdf).pages).split())


def test_every_sheet_carries_both_surveys_the_plan_and_the_report(sheets):
    made = json.loads((sheets / "compare-result.json").read_text())
    earlier, later = (of["sha256"][:8] for of in (made["compare"]["earlier"], made["capture"]))
    marks = f"captures {earlier} and {later}, plan {made['plan']['fingerprint']}, report number not stated page"
    for page in PdfReader(sheets / "compare-sheets.pdf").pages:
        assert marks in " ".join(page.extract_text().split())


def test_all_sheets_of_a_comparison(sheets):
    assert {"change.png", "sheets.pdf", "result.json", "explain.txt"} <= {
        path.name.removeprefix("compare-") for path in sheets.iterdir()
    }
    said = text_of(sheets / "compare-sheets.pdf")
    for words in ("Comparison of two surveys", "Notice of background", "Variation record", "What changed"):
        assert words in said
    # the raw wall has a 7 mm hump: over 3 mm under 1.8 m, by how much in mm and per cent, on somebody's word
    assert re.search(
        r"flatness outside the limit as entered, restricted test: uk-plaster-3mm-1.8m, .* decides on somebody's word; "
        r"largest gap \d\.\d mm \(\d\.\d to \d\.\d\), "
        r"\d\.\d mm \(\d\.\d to \d\.\d\) \(\d+ %\) over, "
        r"with \d\.\d m² \(\d\.\d m² to \d\.\d m²\) over the limit.*Limit: 3 mm under a 1.8 m straightedge",
        said,
    )
    assert re.search(r"Beyond 13 mm: \d+ litres? \(\d+ litres? to \d+ litres?\) on \d\.\d m²", said)
    assert "units at the rates given" in said
    # the record is filled in, not left to the pen
    assert re.search(r"extra thickness, mean \d\.\d mm over 13 mm", said)
    assert re.search(r"material placed \d+ litres", said)
    # no bag more is bought here, and nothing is no line
    assert not re.search(r"gypsum undercoat [+-]?0 x 25 kg bag", said)
    assert re.search(r"work -?\d+\.\d h", said)


def test_the_page_shows_the_comparison(sheets):
    page = (sheets / "compare-wall.html").read_text()
    for words in ("Thickness applied", "before.ply, tied by shared coordinates", "What changed"):
        assert words in page


def test_they_say_no_more_than_was_measured(sheets):
    for said in (text_of(sheets / "compare-sheets.pdf"), (sheets / "compare-explain.txt").read_text()):
        assert not NEVER.search(said)
        assert "not examined" in said.lower()
    assert "names no cause" in text_of(sheets / "compare-sheets.pdf") or "unevenness follows" not in text_of(
        sheets / "compare-sheets.pdf"
    )


def test_a_comparison_asks_for_no_work_and_warns_of_none(sheets):
    assert "Before you start" not in text_of(sheets / "compare-sheets.pdf")
    assert json.loads((sheets / "compare-result.json").read_text())["cautions"] == []


def test_what_was_asked_is_told_on_paper_page_and_in_plain_words_alike(sheets):
    asked = r"Cover under 5 mm: \d\.\d m² (\(\d\.\d m² to \d\.\d m²\)|± \d\.\d m²)"
    found = re.search(asked, " ".join((sheets / "compare-explain.txt").read_text().split()))
    assert found
    assert found[0].removeprefix("C") in text_of(sheets / "compare-sheets.pdf")
    assert found[0].removeprefix("C") in (sheets / "compare-wall.html").read_text()


def test_litres_over_an_allowance_are_never_less_than_none_and_the_same_twice(sheets):
    """10 litres with 1.96 x 15 litres of doubt end at nothing; sentence and table of the record say one range."""
    loose = litres_over(Extra(Quantity(0.010, 0.015, "m3"), 4.5))
    assert say(note("report.volume-spread", volume=loose)) == "10 litres (0 litres to 39 litres)"
    said = text_of(sheets / "compare-sheets.pdf")
    sentence = re.search(r"Beyond 13 mm: (\d+ litres? \(\d+ litres? to \d+ litres?\))", said)
    assert sentence
    assert f"material placed {sentence[1]}" in said
