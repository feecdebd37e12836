"""Lines measured on photos: words and document hold the same quantities, in the units asked for."""

import re

import numpy as np
import pytest
from line_scene import Scene
from numpy.testing import assert_allclose

from flatscan import jobs
from flatscan.core.notes import Note
from flatscan.core.quantity import Quantity
from flatscan.report.laser_work import line_record, line_sections, line_text


@pytest.fixture(scope="module")
def lines(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lines")
    scene = Scene(width=1200, height=900, focal=873.6, size=0.25)
    scene.pictures(folder)
    return jobs.lines(scene.setup(folder), rule=1.8)


def quantities(it):
    if isinstance(it, Quantity):
        yield it
    elif isinstance(it, Note):
        yield from quantities(tuple(it.quantities.values()))
    elif isinstance(it, dict):
        yield from quantities(tuple(it.values()))
    elif isinstance(it, tuple):
        for part in it:
            yield from quantities(part)


def test_what_is_said_of_a_line_is_what_the_document_holds(lines):
    (section,) = line_sections(lines)
    held = [(q.value, q.u, q.unit) for q in quantities(section.values)]
    said = [
        q for q in quantities((*section.headline, *section.remarks)) if q.value not in (lines.rule, 0.001, 0.002, 0.02)
    ]
    assert len(said) > 5
    assert {(q.value, q.u, q.unit) for q in said} <= set(held)


def test_the_document_counts_from_the_stations(lines):
    (line,) = line_record(lines)["lines"]
    heights = [station["height_mm"] for station in line["stations"]]
    assert_allclose(line["range_mm"], np.ptp(heights), atol=0.002)
    # methods/laser-line 8: independent sources add up by their squares
    assert_allclose(line["u_mm"], np.sqrt(sum(part["u_mm"] ** 2 for part in line["budget"])), atol=0.002)
    assert_allclose(line["u_mm"], np.hypot(line["u_random_mm"], line["u_common_mm"]), atol=0.002)


def test_words_keep_to_the_units_asked_for(lines):
    assert re.search(r"[0-9] mm", line_text(lines))
    inches = line_text(lines, "in")
    assert not re.search(r"[0-9] mm", inches)
    # tenths of a millimetre are thousandths of an inch, not nothing
    u = line_record(lines)["lines"][0]["u_mm"]
    assert f"each good to {u / 25.4:.3f} in two times in three" in inches
