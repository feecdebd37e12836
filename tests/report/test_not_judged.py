"""A decision speaks of the part that was measured, and says on its first line what it does not judge."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan import capture, jobs
from flatscan.jobs.results import Seen
from flatscan.jobs.settings import Requirement
from flatscan.relief import capture_type, grid
from flatscan.report import say
from flatscan.report.reporting import report_of
from flatscan.report.result_document import document
from flatscan.report.screen import summary
from flatscan.wall import adjust, find_walls

WIDTH, HEIGHT, TRIM = 5.0, 3.0, 0.04


@pytest.fixture(scope="module")
def ridged():
    """A flat wall with a ridge 9 mm high in the strip of 40 mm at its left edge that was left out; checked."""
    rng = np.random.default_rng(8)
    count = 120_000
    x, y = rng.uniform(0, WIDTH, count), rng.uniform(0, HEIGHT, count)
    z = np.where(x < 0.035, 0.009, 0.0) + rng.normal(0, 0.0003, count)
    cloud = capture.from_points(np.stack([x, -z + 3.0, y], axis=1), file_unit="m")
    wall = find_walls(cloud, up="z", seen_from=np.array([2.5, 0.0, 1.5])).walls[0]
    wall = adjust(wall, trim=TRIM)
    relief, _ = grid(cloud, wall, capture_type("scanner").common_error(), cell=0.04)
    return jobs.check_seen(
        Seen(cloud.origin, "scanner", "", wall, relief, ()), Requirement(rule=1.8, limit=0.005, judges=True)
    )


def test_what_lies_in_a_strip_is_not_called_within(ridged):
    lost = 2 * TRIM * (WIDTH + HEIGHT - 2 * TRIM) / (WIDTH * HEIGHT)
    verdict = ridged.verdict
    assert verdict.decision == "within"
    assert_allclose([verdict.measured, ridged.gaps.coverage], 1 - lost, atol=0.005)
    # the outline is found to a few millimetres, and cells end with it
    said = [say(part).partition(" mm ") for part in verdict.parts_not_judged]
    assert sorted(edge for _, _, edge in said) == [
        f"along the {at}" for at in ("foot", "head", "left edge", "right edge")
    ]
    assert_allclose([float(wide) for wide, _, _ in said], 1000 * TRIM, atol=5)


def test_every_first_line_says_so(ridged):
    words = " ".join(summary(ridged).split())
    assert "96 % measured; " in words
    assert "Not measured, largest: " in words
    assert "Flatness within the limit as entered, on the 96 % measured: " in words
    assert ". Not judged: " in words
    report = report_of(ridged)
    assert "; 96 % measured" in say(report.cells[-1].small)
    written = document(report)
    assert written["verdict"]["not_judged"][:3] == ["plumb", "step", "corner"]
    assert "40 mm along the left edge" in written["verdict"]["not_judged"]
    parts = written["wall"]["not_measured"]
    assert {part["why"] for part in parts} == {"strip"}
    missing = sum(part["area_m2"] for part in parts) / written["wall"]["area_m2"]
    assert_allclose(missing, 1 - written["wall"]["covered_share"], atol=0.001)
