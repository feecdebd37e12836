"""The sheet of the day drawn by the real renderer: no figure on another, all figures large, nothing lost."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.patches import Ellipse
from pypdf import PdfReader

from flatscan.jobs import Capturing, Finishing, Requirement, set_out, survey
from flatscan.plan.cutting import Cut
from flatscan.plan.dots import SetOutOptions
from flatscan.report import report_of
from flatscan.report.figures.style import sheet_style
from flatscan.report.paper import day_page as paper
from flatscan.report.paper import pdf

# a hair of touching [px]
_HAIR = 0.5
WALLS = {
    "usual": (2.4, 2.5, 5, 4),
    "wide": (9.0, 2.5, 8, 4),
    "narrow": (0.6, 2.6, 3, 5),
    "many dots": (4.2, 2.6, 14, 10),
    "low and long": (12.0, 1.1, 12, 3),
}


def table(path, width, height, columns, rows):
    """Readings of a wavy wall with a pit and an opening, in mm, big = hollow."""
    xs, ys = np.linspace(0.1, width - 0.1, columns), np.linspace(height - 0.1, 0.1, rows)
    lines = ["units, mm", "sense, big = hollow", f"width, {width} m", f"height, {height} m", ""]
    lines.append(", " + ", ".join(f"{x:.3f}" for x in xs))
    for y in ys:
        pit = [16 if abs(x - 0.4 * width) < 0.5 and abs(y - 0.5 * height) < 0.4 else 0 for x in xs]
        lines.append(
            f"{y:.3f}, "
            + ", ".join(f"{100 + 4 * np.sin(1.3 * x) + 2 * y + p:.0f}" for x, p in zip(xs, pit, strict=True))
        )
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.fixture(scope="module", params=WALLS)
def found(request, tmp_path_factory):
    path = table(tmp_path_factory.mktemp("day") / "wall.csv", *WALLS[request.param])
    finish = Finishing.by(system="gypsum-undercoat", start="7:30")
    made = set_out(path, Capturing(), Requirement(), finish, SetOutOptions(rule=1.8))
    # two humps cut beside each other, one of them close under a dot
    dot = made.screeds.screeds[0]
    cuts = (Cut(dot.x, dot.dots[0].y, 0.005), Cut(dot.x + 0.05, dot.dots[0].y + 0.04, 0.004))
    return replace(made, day=replace(made.day, cuts=cuts, numbers=(1, 2)))


def boxes(page, kind):
    renderer = page.canvas.get_renderer()
    return [item.get_window_extent(renderer) for item in page.findobj(kind) if item.get_visible()]


def meet(one, other):
    return (
        min(one.x1, other.x1) - max(one.x0, other.x0) > _HAIR and min(one.y1, other.y1) - max(one.y0, other.y0) > _HAIR
    )


@pytest.mark.parametrize("units", ["mm", "in"])
def test_no_words_on_others_nor_on_a_dot_and_none_off_the_page(found, units):
    from matplotlib.text import Text

    with sheet_style():
        pages = paper.pages(report_of(found), units, "a4")
        page = pages[0]
        renderer = page.canvas.get_renderer()
        texts = [item for item in page.findobj(Text) if item.get_text().strip() and item.get_visible()]
        spans = [(item.get_text(), item.get_window_extent(renderer)) for item in texts]
        for (one, a), (other, b) in itertools.combinations(spans, 2):
            assert not meet(a, b), f"{one!r} on {other!r}"
        whole = page.bbox
        assert all(box.x0 >= 0 and box.y0 >= 0 and box.x1 <= whole.x1 and box.y1 <= whole.y1 for _, box in spans)
        for dot in boxes(page, Ellipse):
            assert not [text for text, box in spans if meet(box, dot)]


def test_every_packing_is_5_mm_high_on_page_one_or_in_the_list_overleaf(found):
    from matplotlib.text import Text
    from matplotlib.textpath import TextPath

    with sheet_style():
        pages = paper.pages(report_of(found), "mm", "a4")
    packings = [str(round(dot.packing * 1000)) for screed in found.screeds.screeds for dot in screed.dots]
    figures = [item for item in pages[0].findobj(Text) if item.get_fontsize() == 20]
    shown = [item.get_text() for item in figures]
    for item in figures[:3]:
        high = TextPath((0, 0), "8", prop=item.get_fontproperties()).get_extents().height
        assert high / 72 * 25.4 >= 5.0
    left = list(packings)
    for text in shown:
        left.remove(text)
    overleaf = [item.get_text() for page in pages[1:] for item in page.findobj(Text)]
    assert not left or all(text in overleaf for text in packings)
    # what is drawn is most of it
    assert len(shown) >= 0.7 * len(packings)


def test_the_sheet_and_the_document_have_the_same_steps(found, tmp_path):
    sheet = tmp_path / "day.pdf"
    pdf.write(report_of(found), sheet, of_the_day=True)
    words = " ".join(page.extract_text() for page in PdfReader(sheet).pages)
    words = " ".join(words.split())
    assert found.job.fingerprint in words
    from flatscan.report import document

    steps = document(found)["day"]["steps"]
    for step in steps:
        first = step["text"].split(",")[0].split(":")[0]
        assert first.split()[0] in words
    assert steps[0]["from_h"] == 0
    assert "7:30" in words
    mixes = [mix for step in steps for said in step["said"] for mix in said.get("mixes", ())]
    assert mixes
    assert all(f"use by {mix['use_by'].removeprefix('day 2, ')}" in words.replace("day 2, ", "") for mix in mixes[:2])


def test_without_a_start_there_are_no_clock_times(tmp_path):
    path = table(tmp_path / "wall.csv", *WALLS["usual"])
    found = survey(path, Capturing(), Requirement(), Finishing.by())
    with sheet_style():
        from matplotlib.text import Text

        (page,) = paper.pages(report_of(found), "mm", "a4")
        assert not [item for item in page.findobj(Text) if ":30" in item.get_text()]
