"""The straightedge of the page and of the profile drawings, on closed forms and against the convex hull of scipy."""

import dataclasses

import numpy as np
import pytest
from results import reported
from scipy.spatial import ConvexHull

from flatscan.core.errors import BadValue
from flatscan.report.bands import gap_spots
from flatscan.report.drawings import SectionsDrawing
from flatscan.report.figures.section_line import Profile, rest, sample, shown_on, through, worst


def on(relief, surface):
    across, up = np.meshgrid(relief.x, relief.y)
    return dataclasses.replace(relief, offset=np.where(relief.inside, surface(across, up), np.nan))


def test_a_plane_is_sampled_exactly_and_has_no_gap(check):
    relief = on(check.relief, lambda x, y: 0.01 + 0.002 * x - 0.003 * y)
    found = sample(relief, (0.213, 0.4), (1.171, 2.307))
    x = 0.213 + found.along / np.hypot(0.958, 1.907) * 0.958
    y = 0.4 + found.along / np.hypot(0.958, 1.907) * 1.907
    np.testing.assert_allclose(found.wall, 0.01 + 0.002 * x - 0.003 * y, rtol=0, atol=1e-12)
    assert rest(found).gap == pytest.approx(0, abs=1e-12)


def test_an_arc_gives_its_sagitta(check):
    # methods/straightedge 11: a concave arc of R = 100 m under L = 2 m has L^2 / 8R = 5.000 mm
    radius = 100.0
    relief = on(check.relief, lambda x, y: radius - np.sqrt(radius**2 - (x - 2.905) ** 2))
    found = rest(sample(relief, (1.905, 0.605), (3.905, 0.605)))
    assert found.gap == pytest.approx(0.005, abs=1e-6)
    assert (found.left, found.right, found.at) == pytest.approx((0.0, 2.0, 1.0))


def test_a_ridge_is_touched_at_its_crest(check):
    relief = on(check.relief, lambda x, y: np.where(np.abs(y - 0.605) < 0.004, 0.005, 0.0))
    found = rest(sample(relief, (0.505, 0.105), (0.505, 1.105)))
    # a 5 mm crest in the middle of 1 m: 4.9 mm one sample beside it (methods/straightedge 11)
    assert found.gap == pytest.approx(0.005 * (1 - 0.01 / 0.5), abs=1e-9)
    assert 0.5 in (pytest.approx(found.left), pytest.approx(found.right))


@pytest.mark.parametrize("seed", range(5))
def test_the_deepest_gap_is_the_hulls(seed):
    rng = np.random.default_rng(seed)
    along = np.arange(120) * 0.01
    wall = rng.normal(0, 0.003, 120).cumsum() / 5
    found = rest(Profile((0, 0), (1.2, 0), along, wall))
    hull = ConvexHull(np.stack([along, wall], axis=1))
    # an upper facet's outward normal points up; the hull's height is the least of their lines
    upper = hull.equations[hull.equations[:, 1] > 1e-12]
    height = np.min(-(upper[:, [0]] * along + upper[:, [2]]) / upper[:, [1]], axis=0)
    assert found.gap == pytest.approx(np.max(height - wall), abs=1e-9)


def test_worst_window_against_all_triples():
    rng = np.random.default_rng(3)
    along, wall = np.arange(60) * 0.05, rng.normal(0, 0.002, 60)
    found = worst(Profile((0, 0), (3, 0), along, wall), 1.0)
    best = 0.0
    for a in range(60):
        for b in range(a + 2, min(a + 21, 60)):
            share = (along[a + 1 : b] - along[a]) / (along[b] - along[a])
            best = max(best, float(np.max(wall[a] + share * (wall[b] - wall[a]) - wall[a + 1 : b])))
    assert found.gap == pytest.approx(best, abs=1e-12)


def test_a_plane_added_changes_nothing(check):
    line = sample(check.relief, (0.205, 1.705), (1.305, 1.705))
    tilted = dataclasses.replace(line, wall=line.wall + 0.4 + 0.03 * line.along)
    assert rest(tilted).gap == pytest.approx(rest(line).gap, abs=1e-12)


def test_openings_and_what_was_not_measured_are_not_spanned(check):
    assert rest(sample(check.relief, (1.0, 1.5), (2.8, 1.5))) is None
    assert rest(sample(check.relief, (3.0, 0.2), (3.9, 0.2))) is None
    gone = np.array(check.relief.offset)
    gone[:, 60:70] = np.nan
    bridged = dataclasses.replace(check.relief, offset=gone)
    assert rest(sample(bridged, (0.205, 0.305), (1.205, 0.305))) is not None
    gone[:, 60:72] = np.nan
    broken = dataclasses.replace(check.relief, offset=gone)
    assert rest(sample(broken, (0.205, 0.305), (1.205, 0.305))) is None


def test_a_line_of_no_length_and_a_line_off_the_wall(check):
    assert rest(sample(check.relief, (0.5, 0.5), (0.5, 0.5))) is None
    assert worst(sample(check.relief, (0.5, 0.5), (0.5, 0.5)), 1.8) is None
    assert not np.isfinite(sample(check.relief, (-3, -3), (-1, -1)).wall).any()


def test_stations_have_no_profile(stations):
    with pytest.raises(BadValue, match="stations"):
        sample(stations.relief, (0, 0), (1, 1))


def oblique(gap, degrees):
    """The same gap with its contacts turned about it."""
    turn = np.radians(degrees)
    ahead = np.array([np.cos(turn), np.sin(turn)])
    left, right = (tuple(np.array(gap.at) + reach * ahead) for reach in (-0.5, 0.6))
    return dataclasses.replace(gap, left=left, right=right, direction=float(degrees))


@pytest.mark.parametrize("degrees", [0, 15, 60, 90, 135])
def test_the_worst_gap_is_drawn_where_the_result_has_it(check, degrees):
    gap = oblique(check.gaps.worst, degrees)
    gaps = dataclasses.replace(check.gaps, worst=gap, worst_places=(gap,))
    found = dataclasses.replace(check, gaps=gaps)
    (drawing,) = (one for one in reported(found).drawings if isinstance(one, SectionsDrawing))
    section = through(drawing.on.relief, drawing.lines[0], gap.at)
    shown, lifted = shown_on(section, drawing)
    (spot, *_) = gap_spots(gaps, None)
    start, end = np.array(section.start), np.array(section.end)
    ahead = (end - start) / np.hypot(*(end - start))
    np.testing.assert_allclose(start + shown.at * ahead, (spot.x, spot.y), atol=1e-9)
    np.testing.assert_allclose(
        [start + at * ahead for at in (shown.left, shown.right)], [gap.left, gap.right], atol=1e-9
    )
    assert shown.gap == spot.value == gap.value
    assert not lifted
    # from edge to edge of the wall, with a sample on the place itself
    for corner in (drawing.lines[0][0], drawing.lines[0][1]):
        edges = [corner[0], corner[0] - check.wall.width, corner[1], corner[1] - check.wall.height]
        assert min(map(abs, edges)) < 1e-9
    assert np.abs(section.along - shown.at).min() < 1e-9
    length = np.hypot(*(end - start))
    assert section.along[0] < drawing.on.relief.step
    assert length - section.along[-1] < drawing.on.relief.step


def test_no_other_section_says_more_than_the_largest_gap(check):
    (drawing,) = (one for one in reported(check).drawings if isinstance(one, SectionsDrawing))
    for line in drawing.lines:
        shown, _ = shown_on(through(drawing.on.relief, line, check.gaps.worst.at), drawing)
        assert shown is None or shown.gap <= check.gaps.worst.value + 1e-12
