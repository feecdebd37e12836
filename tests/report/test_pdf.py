"""The book of sheets: its text is extracted and read, its fonts are looked for, its pages counted."""

import dataclasses
import re

import pytest
from limit_words import in_own_units_alone
from matplotlib.text import Text
from pypdf import PdfReader
from results import cautioned_in, reported, result_of

from flatscan.core.errors import BadValue
from flatscan.core.notes import note
from flatscan.jobs.job_plan import JobPlan, JobRecord, Statement
from flatscan.plan import stops
from flatscan.plan.cautions import cautions_of
from flatscan.plan.screeds import Dot, Screed, Screeds
from flatscan.report.figures import style
from flatscan.report.paper import flow, pdf, record, sheets
from flatscan.report.paper.flow import MARGIN, Flow
from flatscan.report.reporting import report_of
from flatscan.report.say import finished, say
from flatscan.verdict import Verdict


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """Write and read the book of findings, once for the same ones."""
    read = {}

    def made(findings, units="mm", paper="a4"):
        asked = (id(findings), units, paper)
        if asked not in read:
            path = tmp_path_factory.mktemp("book") / "sheets.pdf"
            pdf.write(reported(findings), path, units, paper)
            read[asked] = findings, PdfReader(path)
        return read[asked][1]

    return made


# cells of 50 mm: the words are the same and the drawings quicker
@pytest.fixture(scope="module")
def survey(build):
    return build("survey", cell=0.05)


@pytest.fixture(scope="module")
def check(build):
    return build("check", cell=0.05)


@pytest.fixture(scope="module", params=["survey", "check", "setout", "lows", "stations"])
def anything(request, build, build_stations):
    if request.param in ("survey", "check"):
        return request.getfixturevalue(request.param)
    return build_stations() if request.param == "stations" else build(request.param, cell=0.05)


def text_of(reader):
    return " ".join(" ".join(page.extract_text().split()) for page in reader.pages)


def test_a_check_holds_decision_record_and_signatures(book, check):
    said = text_of(book(check))
    for part in (
        "Record of measurement",
        "Flatness outside the limit as entered: 6.4 mm ± 0.8 mm",
        "Plumb undecided: neither pass nor fail",
        # by hand: 6.4 - 3.0 = 3.4 mm are 113 % of 3 mm
        "3.4 mm ± 0.7 mm, 113 % of the limit",
        "in the presence of",
        "Who was present",
        "the contract's document and edition govern",
        "is a property of the method, not of this wall",
        "the balanced end gap beside it shows that bow",
        "step (not judged)",
        check.origin.sha256,
    ):
        assert part in said, part


def test_a_survey_holds_material_bands_and_variation(book, survey):
    said = text_of(book(survey))
    for part in (
        "Material list",
        "gypsum undercoat 25 kg bag 106 3.6 4.9 5",
        "Bands of the marked elevation",
        "115 kg, 19 kg per m² at its worst",
        "4.4 to 5.8 bags needed, order 6",
    ):
        assert part in said, part
    assert said.index("115 kg, 19 kg") < said.index("order 6, 10 %")


def test_cautions_stand_before_the_hacking_list(book, survey):
    first = text_of(book(survey))
    for caution in cautions_of(("hack",)):
        assert first.index(" ".join(say(caution).split())) < first.index("saves so far, litres")


def test_each_caution_stands_once_on_a_page_and_before_what_it_warns_of(book, anything):
    pages = [" ".join(page.extract_text().split()) for page in book(anything).pages]
    cautions = reported(anything).cautions
    assert set(cautioned_in(pages, cautions)) == {one.code for one in cautions}


def test_a_book_of_gypsum_says_nothing_of_cement_or_lime(book, survey):
    assert [one.code for one in reported(survey).cautions if one.action == "mix"] == ["caution.gypsum"]
    assert re.findall(r"\b(?:cement|lime)\b", text_of(book(survey)), re.IGNORECASE) == []


def test_stop_signs_open_the_survey(book, survey, findings_for):
    order = dataclasses.replace(survey.take_off, stops=("a bulge of 31 mm. A structural engineer first",))
    pages = book(findings_for("survey", take_off=order)).pages
    assert "STOP: a bulge of 31 mm" in pages[0].extract_text()
    listed = " ".join(pages[-1].extract_text().split() if len(pages) == 1 else text_of_lists(pages).split())
    assert listed.index("STOP: a bulge of 31 mm") < listed.index("Finished face")
    assert finished(stops.NO_STOP) not in listed


def text_of_lists(pages):
    """The pages from the list's own title on."""
    said = " ".join(page.extract_text() for page in pages)
    return said[said.index("Before you start") :]


def test_every_page_says_which_it_is_and_of_what_file(book, anything):
    reader = book(anything)
    total = len(reader.pages)
    for number, page in enumerate(reader.pages, 1):
        said = page.extract_text()
        assert f"page {number} of {total}" in said
        assert f"SHA-256 {anything.origin.sha256}" in said
        assert f"{say(reported(anything).marks)} " in " ".join(said.split())


def test_every_sheet_says_what_was_not_examined(book, anything):
    said = text_of(book(anything))
    assert said.lower().count("not examined") >= 2
    assert say(note("report.never")) in said


def test_fonts_are_embedded_and_drawings_are_vectors(book, check):
    reader = book(check)
    for page in reader.pages:
        fonts = page["/Resources"]["/Font"].get_object()
        assert fonts
        for font in fonts.values():
            below = font.get_object().get("/DescendantFonts")
            description = (below[0].get_object() if below else font.get_object())["/FontDescriptor"].get_object()
            assert "/FontFile2" in description
        pictures = page["/Resources"].get("/XObject", {}).get_object().values()
        assert not [p for p in pictures if p.get_object().get("/Subtype") == "/Image"]


@pytest.mark.parametrize(("paper", "inches"), [("a4", {8.27, 11.69}), ("letter", {8.5, 11.0})])
def test_pages_are_a4_or_letter(check, paper, inches):
    # ISO 216 A4 is 210 x 297 mm; ANSI A is 8.5 x 11 in
    with style.sheet_style():
        made = pdf.pages(reported(check), "mm", paper)
    assert {tuple(sorted(page.get_size_inches())) for page in made} == {tuple(sorted(inches))}


def test_other_paper_is_refused(check, tmp_path):
    with pytest.raises(BadValue, match="a5"):
        pdf.write(reported(check), tmp_path / "x.pdf", paper="a5")


def test_the_same_findings_give_the_same_bytes(build, tmp_path):
    small = build("lows", cell=0.05)
    pdf.write(reported(small), tmp_path / "a.pdf")
    pdf.write(reported(small), tmp_path / "b.pdf")
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def words_at(found, **plan):
    """All words on paper of a job whose plan says so much."""
    it = report_of(dataclasses.replace(result_of(found), job=JobPlan(**plan)))
    with style.sheet_style():
        return " ".join(text.get_text() for page in pdf.pages(it, "mm", "a4") for text in page.findobj(Text))


def test_nobody_is_told_what_nobody_said(check, survey):
    """A notice of background only where the plan's stage, or a person, says that it was measured before the work."""
    fine = tuple(dataclasses.replace(c, decision="within") for c in check.verdict.criteria)
    within = dataclasses.replace(check, verdict=Verdict("within", 0.95, fine, (), (), ()))
    bare, before, after = words_at(check), words_at(check, stage="set-out"), words_at(check, stage="hand-over")
    said = words_at(check, statement=(Statement("measured on bare blockwork", "A. Person", "2 May"),))
    for words in (bare, after, words_at(within, stage="set-out")):
        assert "Notice of background" not in words
        assert "Measured before" not in words
        assert "Record of measurement" in words
    assert "Measured before the work, as the plan of the job says (stage: set-out)" in before
    assert "Stated by A. Person, 2 May: measured on bare blockwork" in said
    assert "Notice of background" in said
    assert "Variation record" not in words_at(survey)
    assert "Variation record" not in words_at(survey, stage="quote")
    assert "Variation record" in words_at(survey, stage="dispute")


def test_the_record_is_complete_on_the_page_that_is_signed(check):
    job = JobRecord(client="The client", contract="C-12", clause="4.2", instrument="scanner 7", captured="2 May")
    it = report_of(dataclasses.replace(result_of(check), job=JobPlan(job=job)))
    with style.sheet_style():
        (first,) = record.front(it, "mm", "a4")
        said = " ".join(text.get_text() for text in first.findobj(Text))
    for part in (
        "The client",
        "C-12",
        "4.2",
        "3 mm under a 1.8 m straightedge, resting; as entered",
        "Flatness outside the limit as entered",
        "6.4 mm ± 0.8 mm",
        "G1",
        "step (not judged)",
        "is a property of the method",
        "scanner 7",
        "2 May",
        "Who was present",
        "measured by",
        "in the presence of",
    ):
        assert part in said, part
    # what the plan says is no line to fill in
    assert "Date of measurement" not in said
    assert tuple(first.get_size_inches()) == (8.27, 11.69)


def test_no_page_is_a_rest_of_a_few_lines_and_forms_are_one_page(check, survey, build):
    long = tuple(f"thing {k} happened, which is said in a line of its own" for k in range(12))
    with style.sheet_style():
        for found in (check, survey, build("setout", cell=0.05), build("lows", cell=0.05, warnings=long)):
            it = reported(found)
            for page in pdf.pages(it, "mm", "a4"):
                lowest = min(text.get_position()[1] for text in page.texts)
                assert page.axes or lowest < 0.75
        assert len(sheets.notice(reported(check), "mm", "letter")) == 1
        assert len(sheets.variation(reported(survey), "mm", "letter")) == 1


def test_stage_and_plan_stand_at_every_foot(check, tmp_path):
    for stage, words in (
        ("hand-over", "hand-over page"),
        (None, "page"),
    ):
        plan = JobPlan(stage=stage, least=0.006)
        pdf.write(report_of(dataclasses.replace(result_of(check), job=plan)), tmp_path / "x.pdf")
        for page in PdfReader(tmp_path / "x.pdf").pages:
            assert f"plan {plan.fingerprint}, report number not stated {words}" in " ".join(page.extract_text().split())


def test_a_long_report_number_leaves_the_page_its_own(check, tmp_path):
    plan = JobPlan(stage="hand-over", job=JobRecord(number="N" * 300))
    pdf.write(report_of(dataclasses.replace(result_of(check), job=plan)), tmp_path / "x.pdf")
    said = " ".join(PdfReader(tmp_path / "x.pdf").pages[0].extract_text().split())
    assert f"plan {plan.fingerprint}, report NNN" in said
    assert "hand-over page 1 of" in said


def test_inches_throughout(check):
    plain = tuple(dataclasses.replace(criterion, reasons=()) for criterion in check.verdict.criteria)
    judged = dataclasses.replace(check.verdict, criteria=plain)
    with style.sheet_style():
        made = pdf.pages(reported(dataclasses.replace(check, verdict=judged)), "in", "a4")
    said = " ".join(text.get_text() for page in made for text in page.findobj(Text))
    assert "5 ft 10 7/8 in" in said
    assert " mm" not in in_own_units_alone(said)


def inside(figures):
    """Every text and box of these pages lies on the page."""
    for figure in figures:
        figure.draw_without_rendering()
        for artist in (*figure.texts, *figure.patches):
            box = artist.get_window_extent()
            assert box.x0 >= 0, artist
            assert box.x1 <= figure.bbox.x1, artist
            assert box.y0 >= 0, artist
            assert box.y1 <= figure.bbox.y1, artist


def test_forty_screeds_run_over_pages_with_their_head(findings_for):
    many = tuple(Screed(0.1 * k, tuple(Dot(y, 0.012, None) for y in (0.1, 1.2, 2.3))) for k in range(40))
    laid = findings_for("setout", set_out=Screeds(1.8, many))
    with style.sheet_style():
        made = sheets.set_out_list(reported(laid), "mm", "a4")
        inside(made)
    rows = [t.get_text() for page in made for t in page.texts]
    assert rows.count("packing, mm") == len(made) > 1
    assert rows.count("3900") == 3


def test_long_names_and_long_words_stay_on_the_page(findings_for):
    long = findings_for("check", title="wall " * 60 + "x" * 300, warnings=("w" * 500, "word " * 300))
    with style.sheet_style():
        inside(record.record(reported(long), "mm", "letter"))
        inside(sheets.notice(reported(long), "in", "letter"))


def test_empty_lists_are_said_and_do_not_break(findings_for):
    empty = findings_for("survey", patches=(), hacks=())
    with style.sheet_style():
        made = sheets.survey_sheet(reported(empty), "mm", "a4")
        inside(made)
        lows = sheets.low_list(reported(findings_for("lows", lows=())), "mm", "a4")
    said = [t.get_text() for page in (*made, *lows) for t in page.texts]
    assert "No hump is worth cutting." in said
    assert "No hump or hollow stands out." in said
    assert "No low spot over the limit." in said


def test_a_heading_is_not_left_at_a_foot():
    with style.sheet_style():
        sheet = Flow("Wall 1", "Test", "mm", "a4")
        sheet.y = MARGIN + 1.0
        sheet.heading("Alone")
    assert len(sheet.pages) == 2


def test_a_table_of_many_columns_is_written_smaller_before_a_word_is_broken():
    """The thirteen columns of what changed: at the usual size 'height' stood there as 'heig' and 'ht'."""
    long = ("place", "changed", "left, mm", "width, mm", "height, mm", "volume, litres")
    heads, rows = [*long, *long], [["C1", "added", "2300", "1324", "1324.5", "363.3"] * 2]
    with style.sheet_style():
        sheet = Flow("Wall 1", "Test", "mm", "a4")
        size = flow._fitting(heads, rows, sheet.room, sheet.body)
        spans = flow._spans(heads, rows, sheet.room, size)
        assert 0.72 * sheet.body < size < sheet.body
        assert sum(spans) <= sheet.room + 1e-6
        for column, span in enumerate(spans):
            for word, weight in [*((word, "bold") for word in heads[column].split()), (rows[0][column], "normal")]:
                assert style.wrapped(word, span - flow._PAD + 1e-6, size, weight) == [word]
        # few columns stay as they are
        assert flow._fitting(heads[:6], [rows[0][:6]], sheet.room, sheet.body) == sheet.body
