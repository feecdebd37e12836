"""Every sheet is read for the words that may not stand there, and for those that must (methods/record 3)."""

import json
import re
from html.parser import HTMLParser

import pytest
from matplotlib.text import Text
from pypdf import PdfReader
from results import reported, summary, write

from flatscan import report
from flatscan.core.notes import note
from flatscan.report import form
from flatscan.report.figures import draw, style
from flatscan.report.say import say
from flatscan.report.sections.settings_section import amount
from flatscan.standards import load

FORBIDDEN = re.compile(r"compl(?:y|ies|iant|iance) with|certif|caused? by|\bowe[sd]?\b", re.IGNORECASE)


class Said(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.said = []
        self.feed(text)

    def handle_data(self, data):
        self.said.append(data)


def figure_texts(findings, units):
    """The words of every drawing of the report."""
    it = reported(findings)
    drawn = [draw(it, drawing, units) for drawing in it.drawings]
    return [" ".join(text.get_text() for text in figure.findobj(Text)) for figure in drawn]


COMMANDS = ("survey", "check", "setout", "lows", "stations")


@pytest.fixture(scope="module", params=COMMANDS)
def sheets_of(request, build, build_stations, tmp_path_factory):
    """Name and text of every sheet of one command's findings."""
    findings = build_stations() if request.param == "stations" else build(request.param, cell=0.05)
    folder = tmp_path_factory.mktemp("words")
    write(findings, folder, formats=[name for name in report.FORMATS if name not in ("png", "ply")])
    texts = {"summary": summary(findings)}
    for path in folder.glob("[!.]*"):
        name = path.name.partition("-")[2]
        if path.suffix == ".pdf":
            texts[name] = " ".join(page.extract_text() for page in PdfReader(path).pages)
        else:
            texts[name] = path.read_text(encoding="utf-8")
    with style.sheet_style():
        texts |= {f"figure {n}": said for n, said in enumerate(figure_texts(findings, "mm"))}
    return {name: " ".join(text.split()) for name, text in texts.items()}


def test_no_sheet_says_what_measurements_do_not_carry(sheets_of):
    assert len(sheets_of) >= 8
    for name, text in sheets_of.items():
        assert not FORBIDDEN.search(text), name


def test_the_pattern_finds_what_it_is_for():
    for phrase in ("complies with BS", "is certified", "Certificate", "caused by the mason", "he owes", "owed"):
        assert FORBIDDEN.search(phrase)
    for phrase in ("lower", "power", "the contract's document", "flowed", "causes no harm"):
        assert not FORBIDDEN.search(phrase)


def test_every_sheet_for_people_says_what_was_not_examined(sheets_of):
    for name, text in sheets_of.items():
        if name.endswith((".csv", ".json")):
            continue
        assert "not examined" in text.lower() or "not tested" in text.lower(), name


def test_a_record_leaves_the_deciding_to_the_contract(sheets_of):
    for name in ("sheets.pdf", "wall.html", "figure 0"):
        assert say(note("report.record")) in sheets_of[name] or "The limit is as entered" in sheets_of[name], name


def test_a_tolerance_from_memory_says_so_wherever_it_stands(build, tmp_path):
    entry = load("gb-50210-ordinary")
    findings = build("check", cell=0.05, tolerance=entry)
    write(findings, tmp_path, formats=("pdf", "html"))
    pdf = " ".join(" ".join(page.extract_text() for page in PdfReader(tmp_path / "check-sheets.pdf").pages).split())
    assert "from memory" in pdf
    assert "it decides on somebody's word alone" in pdf
    assert "from memory" in " ".join(Said((tmp_path / "check-wall.html").read_text(encoding="utf-8")).said)


def test_the_form_is_held_to_the_same_words(tmp_path):
    written = form.write(tmp_path)
    text = " ".join(page.extract_text() for page in PdfReader(written[0]).pages)
    assert not FORBIDDEN.search(text)


def test_the_document_is_the_same_in_every_unit(build, tmp_path):
    for units in ("mm", "in"):
        write(build("check", cell=0.05), tmp_path / units, formats=("json",), units=units)
    first, second = (json.loads((tmp_path / units / "check-result.json").read_text()) for units in ("mm", "in"))
    assert first == second


@pytest.mark.parametrize("nothing", [None, (), ""])
def test_a_setting_that_nobody_gave_is_said_so(nothing):
    assert say(amount("background", nothing)) == "none given"
