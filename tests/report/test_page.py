"""The page: what it says, what it cannot run, and, in a headless browser, that it computes what Python computes."""

import base64
import dataclasses
import hashlib
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from results import reported

from flatscan.core.errors import BadValue, OutputError
from flatscan.core.notes import note
from flatscan.core.units import feet_and_inches
from flatscan.jobs import Setting
from flatscan.report.figures.section_line import rest, sample
from flatscan.report.page import packing
from flatscan.report.page import page as page_of
from flatscan.report.parts import Fact
from flatscan.report.say import say
from flatscan.report.tables import Column, Table

EVIL = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\"'&{{ 7 * 7 }}"


def page(found, units="mm"):
    """The page of findings."""
    return page_of(reported(found), units)


class Reading(HTMLParser):
    """All tags with their attributes, and the text outside script and style."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.said, self.quiet = [], [], False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.quiet = tag in ("script", "style")

    def handle_endtag(self, _tag):
        self.quiet = False

    def handle_data(self, data):
        if not self.quiet:
            self.said.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.said).split())


def test_no_option_of_the_command_line_stands_on_the_page(check):
    report, told = reported(check), note("verdict.usual-contract")
    assert "--method" in say(told)
    rows = Table("rows", told, (Column("why", "why"),), ((told,),), told)
    parts = tuple(
        replace(part, facts=(*part.facts, Fact("decided", told)), tables=(rows,)) if part.facts else part
        for part in report.sections
    )
    cells = tuple(replace(cell, small=told) for cell in report.cells)
    said = replace(report, sections=parts, cells=cells)
    text = Reading(page_of(said, "mm")).text
    assert text.count("the setting 'method'") >= 3 * sum(bool(part.facts) for part in parts) + len(cells)
    assert re.findall(r".{60}--[a-z].{40}", text) == []


def test_nothing_is_fetched_and_only_its_own_script_may_run(check):
    made = page(check)
    read = Reading(made)
    policy = next(a["content"] for tag, a in read.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy
    for kind, tag in (("style", "style"), ("script", "script")):
        body = re.search(rf"<{tag}>(.*?)</{tag}>", made, re.DOTALL)[1]
        digest = base64.b64encode(hashlib.sha256(body.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy
    for tag, attributes in read.tags:
        assert tag not in ("link", "iframe", "object", "embed", "img", "base", "form"), tag
        assert not {"src", "href", "style"} & set(attributes), tag
        assert not [name for name in attributes if name.startswith("on")]
    assert "http://" not in made
    assert "https://" not in made


def test_names_are_escaped_wherever_they_stand(findings_for):
    evil = findings_for("check", cell=0.05, title=EVIL, warnings=(EVIL,), settings=(Setting(EVIL, EVIL, EVIL),))
    origin = dataclasses.replace(evil.origin, file=EVIL)
    made = page(dataclasses.replace(evil, origin=origin))
    assert "<img" not in made
    assert len(re.findall(r"<script", made)) == 2
    assert "{{ 7 * 7 }}" in Reading(made).text
    assert " ".join(EVIL.split()) in Reading(made).text


def test_it_is_small_enough_to_send(survey):
    # a 4 x 2.4 m wall at 10 mm
    assert len(page(survey).encode()) < 1_500_000


def test_every_cell_of_a_facade_is_sent_in_little_more_than_a_byte(sized):
    """9 x 6 m with the noise of a tripod scanner's cells: all of them, and still small enough to send."""
    facade = sized(9.0, 6.0, 0.01)
    relief = facade.relief
    made = packing.pack(reported(facade), "mm")["grid"]
    assert made["whole"]
    assert (made["rows"], made["cols"]) == relief.offset.shape
    assert relief.offset.size > 200_000
    assert len(base64.b64decode(made["offset"])) < 1.5 * relief.offset.size


def test_over_four_million_cells_are_sent_in_means_and_no_straightedge_is_laid_on_them(check, monkeypatch):
    monkeypatch.setattr(packing, "MOST_CELLS", 30_000)
    made = packing.pack(reported(check), "mm")["grid"]
    assert not made["whole"]
    assert made["cell"] == pytest.approx(2 * check.relief.step)
    text = Reading(page(check)).text
    assert "smoothed over 20 mm" in text
    assert "too large for this page to lay a straightedge on it" in text


def test_what_a_survey_and_a_check_say(survey, check):
    said = Reading(page(survey)).text
    assert said.index("Hacking: cables and pipes") < said.index("saves so far, litres")
    assert "4.4 to 5.8 bags needed, order 6" in said
    said = Reading(page(check)).text
    assert "Flatness outside the limit as entered: 6.4 mm ± 0.8 mm" in said
    assert say(note("report.record")) in said
    assert say(note("report.never")) in said


def test_controls_have_names_for_a_screen_reader(check):
    read = Reading(page(check))
    for tag, attributes in read.tags:
        if tag in ("canvas", "output") or attributes.get("role") in ("group", "region"):
            assert "aria-label" in attributes or attributes.get("role") == "status", attributes
        if tag == "th":
            assert attributes["scope"] == "col"
    assert [a for tag, a in read.tags if tag == "output" and a["aria-live"] == "polite"]
    assert [a for tag, a in read.tags if tag == "html" and a["lang"] == "en"]


def unpacked(text, count):
    """Steps and codes as DWARF's LEB128 has them, one byte after another: the plain way round."""
    found, last, raw = [], 0, iter(base64.b64decode(text))
    for _ in range(count):
        code = shift = 0
        while True:
            byte = next(raw)
            code |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                break
        if code < 2:
            found.append((np.nan, code))
            continue
        last += (code - 2) // 2 if code % 2 == 0 else -(code - 1) // 2
        found.append((last * packing.QUANTUM, code))
    assert next(raw, None) is None
    return np.array(found).T


def test_packing_keeps_a_hundredth_of_a_millimetre(check):
    made = packing.pack(reported(check), "mm")["grid"]
    relief = check.relief
    values, codes = (part.reshape(relief.offset.shape) for part in unpacked(made["offset"], relief.offset.size))
    np.testing.assert_allclose(
        made["base"] + values[relief.valid], relief.offset[relief.valid], rtol=0, atol=packing.QUANTUM / 2 * 1.001
    )
    assert (codes[relief.inside & ~relief.valid] == packing.MISSING).all()
    assert (codes[~relief.inside] == packing.OUTSIDE).all()
    assert (codes[relief.valid] > packing.OUTSIDE).all()


def test_packing_keeps_it_on_a_wall_far_off_plane(check):
    """Steps of any size: metres from cell to cell are kept as exactly as tenths of a millimetre."""
    rng = np.random.default_rng(3)
    far = np.where(check.relief.valid, rng.normal(0, 2.0, check.relief.offset.shape), np.nan)
    far.flat[np.flatnonzero(check.relief.valid)[:2]] = 400.0, -400.0
    text = packing.packed(far, check.relief.inside)
    values, _ = unpacked(text, far.size)
    known = np.isfinite(far.ravel())
    np.testing.assert_allclose(values[known], far.ravel()[known], rtol=0, atol=packing.QUANTUM / 2 * 1.001)


def test_a_wall_with_nothing_measured_is_refused(check):
    blind = dataclasses.replace(check.relief, offset=np.full(check.relief.offset.shape, np.nan))
    with pytest.raises(OutputError, match="no measured cell"):
        page(dataclasses.replace(check, relief=blind))


def test_on_a_phone_a_spots_depth_stands_beside_its_place(opened, check):
    open_page = opened(check)
    right = open_page.execute_script(
        "return [...document.querySelectorAll('table')][0].querySelectorAll('th')[3].getBoundingClientRect().right"
    )
    assert "by" in open_page.execute_script(
        "return [...document.querySelectorAll('table')][0].querySelectorAll('th')[3].textContent"
    )
    assert right <= 360


def placements(wall, count, seed):
    """Straightedges anywhere and every way, short and long, also along rows and columns of cells and over the edge."""
    rng = np.random.default_rng(seed)
    size = (wall.width, wall.height)
    x, y = rng.uniform((-0.05, -0.05), (size[0] + 0.05, size[1] + 0.05), (count, 2)).T
    half, turn = rng.uniform(0.05, 1.5, count) / 2, rng.uniform(0, np.pi, count)
    turn[: count // 4] = rng.choice([0.0, np.pi / 2], count // 4)
    x[: count // 4] = np.round(x[: count // 4], 2) + 0.005
    return np.stack(
        [x - half * np.cos(turn), y - half * np.sin(turn), x + half * np.cos(turn), y + half * np.sin(turn)]
    ).T


@pytest.mark.parametrize("size", [None, (9.0, 3.0), (0.9, 2.6)], ids=["4 x 2.4 m", "9 x 3 m", "a pier"])
def test_a_straightedge_laid_in_the_page_reads_what_python_reads(opened, check, sized, size):
    wall = check if size is None else sized(*size, 0.01, (0.3, 0.6, 1.2, 2.0))
    open_page = opened(wall)
    lines = [tuple(map(float, line)) for line in placements(wall.wall, 400, 5)]
    lines += [(0.005, 1.705, 1.305, 1.705), (2.6, 0.3, 2.6, 2.3), (1.0, 1.5, 2.8, 1.5)]
    laid = open_page.execute_script("return arguments[0].map((l) => window.flatscan.lay(...l))", lines)
    both = none = 0
    for line, there in zip(lines, laid, strict=True):
        here = rest(sample(wall.relief, line[:2], line[2:]))
        assert (here is None) == (there["gap"] is None), line
        none += here is None
        if here is not None:
            both += 1
            # the page keeps 0.01 mm of each cell; it is asked for 0.05 mm of a gap
            assert there["gap"] == pytest.approx(here.gap, abs=2e-5)
    assert both > 100
    assert none > 20


def test_between_stations_no_straightedge_can_be_laid_here_nor_there(opened, stations):
    open_page = opened(stations)
    lines = [tuple(map(float, line)) for line in placements(stations.wall, 200, 6)]
    laid = open_page.execute_script("return arguments[0].map((l) => window.flatscan.lay(...l).gap)", lines)
    assert laid == [None] * 200
    for line in lines:
        with pytest.raises(BadValue, match="stations at free places"):
            sample(stations.relief, line[:2], line[2:])


def test_a_point_read_in_the_page_reads_what_python_holds(opened, survey):
    open_page = opened(survey)
    relief, built = survey.relief, survey.build_up
    for row, col in ((10, 20), (170, 80), (180, 300), (239, 0)):
        x, y = float(relief.x[col]), float(relief.y[row])
        there = open_page.execute_script("return window.flatscan.at(arguments[0], arguments[1])", x + 0.003, y - 0.003)
        assert there["build-up"] == pytest.approx(built.thickness[row, col], abs=0.0001)
        assert there["relief"] == pytest.approx(survey.shape.residual[row, col], abs=0.0001)
        assert there["gaps"] == pytest.approx(survey.gaps.deepest[row, col], abs=0.0001)
    assert open_page.execute_script("return window.flatscan.at(1.9, 1.4).outside")
    assert open_page.execute_script("return Number.isNaN(window.flatscan.at(3.8, 0.2).relief)")


def reading(open_page):
    return open_page.find_element("id", "reading").text


def test_touch_and_keys_read_a_point(opened, survey):
    open_page = opened(survey)
    canvas = open_page.find_element("id", "wall")
    open_page.execute_script("document.getElementById('wall').scrollIntoView()")
    from selenium.webdriver import ActionChains, Keys

    ActionChains(open_page).click(canvas).perform()
    # the middle of the drawing, to a pixel of it
    at, up = map(int, re.match(r"(\d+) mm from the left, (\d+) mm up: opening", reading(open_page)).groups())
    np.testing.assert_allclose([at, up], [2000, 1200], atol=10)
    for _ in range(8):
        canvas.send_keys(Keys.SHIFT + Keys.ARROW_LEFT)
    said = reading(open_page)
    x = int(re.match(r"(\d+) mm from the left", said)[1])
    row, col = 120, round(x / 10 - 0.5)
    near = [survey.build_up.thickness[row + j, col + i] * 1000 for i in (-1, 0, 1) for j in (-1, 0)]
    assert any(f"build-up {value:.1f} mm" in said for value in near)


def test_layers_tools_and_spots_answer(opened, check):
    open_page = opened(check)

    def choose(value):
        open_page.execute_script(f"document.querySelector('input[value={value}]').click()")

    before = open_page.execute_script("return document.getElementById('wall').toDataURL()")
    choose("gaps")
    assert open_page.execute_script("return document.getElementById('wall').toDataURL()") != before
    assert "up to 3 mm, the limit" in open_page.find_element("id", "key").text
    choose("edge")
    # right of the window there is no room for 1.8 m: the straightedge is as long as its contacts lie apart
    assert re.match(r"gap \d+\.\d mm under 1450 mm", reading(open_page))
    canvas = open_page.find_element("id", "wall")
    before = reading(open_page)
    canvas.send_keys(",")
    assert reading(open_page) != before
    choose("measure")
    # from a quarter to three quarters of 4 m
    assert reading(open_page) == "2000 mm apart: 2000 mm across, 0 mm up"
    open_page.execute_script("document.querySelector('[data-x]').click()")
    assert reading(open_page).startswith("800 mm from the left, 1700 mm up:")


def test_a_straightedge_is_dragged_by_its_end(opened, check):
    from selenium.webdriver import ActionChains

    open_page = opened(check)
    open_page.execute_script("document.querySelector('input[value=edge]').click()")
    open_page.execute_script("document.getElementById('wall').scrollIntoView()")
    canvas = open_page.find_element("id", "wall")
    before = reading(open_page)
    ActionChains(open_page).click_and_hold(canvas).move_by_offset(-40, 30).release().perform()
    assert reading(open_page) != before


def test_stations_read_the_nearest_one_in_inches(opened, stations):
    open_page = opened(stations, "in")
    there = open_page.execute_script("return window.flatscan.at(0.2, 0.2)")
    assert (there["x"], there["y"]) == (0.1, 0.1)
    assert there["relief"] == pytest.approx(stations.shape.residual[0, 0], abs=1e-9)
    assert not open_page.find_element("css selector", "input[value=edge]").is_displayed()
    open_page.execute_script("document.querySelector('[data-move=left]').click()")
    assert re.match(r"station 6 ft 10 11/16 in from the left, 3 ft 3 3/8 in up", reading(open_page))


def test_inches_in_the_page_are_those_of_the_sheets(opened, stations):
    open_page = opened(stations, "in")
    lengths = [0.0, 0.0254, 0.3048, 1.8, 2.4, -0.0032, 0.00001, *np.random.default_rng(4).uniform(-1, 12, 60).tolist()]
    said = open_page.execute_script("return arguments[0].map(window.flatscan.feet)", lengths)
    assert said == [feet_and_inches(length) for length in lengths]


def test_evil_names_run_nothing(opened, findings_for):
    open_page = opened(findings_for("check", cell=0.05, title=EVIL, warnings=(EVIL,)))
    assert open_page.title.endswith("{{ 7 * 7 }}")
    assert open_page.execute_script("return document.scripts.length") == 2


def test_it_prints_on_paper_without_its_buttons(opened, check, tmp_path):
    from pypdf import PdfReader

    open_page = opened(check)
    printed = open_page.execute_cdp_cmd("Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69})
    (tmp_path / "page.pdf").write_bytes(base64.b64decode(printed["data"]))
    reader = PdfReader(tmp_path / "page.pdf")
    said = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    assert "Flatness outside the limit as entered" in said
    assert "Not examined" in said
    assert "read a point" not in said
    # the drawing itself is on the paper: canvases print as pictures
    assert any(page.images for page in reader.pages)
