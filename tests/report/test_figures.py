"""Sections, set-out, lows and change: artists, numbers and labels."""

import dataclasses

import numpy as np
import pytest
from flat import Comparison
from matplotlib.contour import QuadContourSet
from matplotlib.patches import Circle
from matplotlib.text import Text
from results import drawings, figure_of, reported

from flatscan.compare import Alignment, Difference, Following, parts
from flatscan.core.errors import OutputError
from flatscan.core.notes import note
from flatscan.core.quantity import cubic_metres
from flatscan.plan.lows import Low
from flatscan.plan.screeds import Dot, Screed, Screeds
from flatscan.report.bands import cut_of
from flatscan.report.figures import draw, style
from flatscan.report.figures.section_line import sample, worst
from flatscan.report.say import say


@pytest.fixture(autouse=True)
def look():
    with style.sheet_style():
        yield


def along(found, line, units="mm"):
    """The section along one line."""
    it = reported(found)
    sections = next(drawing for drawing in it.drawings if drawing.name == "sections")
    return draw(it, dataclasses.replace(sections, lines=(line,)), units)


def words_of(figure):
    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


def test_sections_draw_the_wall_and_the_straightedge_on_its_contacts(check):
    line = ((3.005, 0.0), (3.005, 2.4))
    axes = along(check, line).axes[0]
    section = sample(check.relief, *line)
    wall = next(found for found in axes.lines if len(found.get_xdata()) == len(section.along))
    np.testing.assert_allclose(np.diff(wall.get_ydata()), np.diff(section.wall) * 1000, rtol=0, atol=1e-9)
    bar = max(axes.lines, key=lambda found: found.get_linewidth())
    ends = bar.get_xdata()
    assert ends[1] - ends[0] == pytest.approx(1.8)
    found = worst(section, 1.8)
    level = np.nanmedian(section.wall)
    for contact in (found.left, found.right):
        edge = np.interp(contact, ends, bar.get_ydata())
        on_wall = np.interp(contact, section.along, section.wall - level) * 1000
        assert edge == pytest.approx(on_wall, abs=1e-9)
    # the section through the worst place says the gap that the record says: without what noise added to it
    assert found.gap > 0.97 * np.nanmax(check.gaps.deepest)
    assert f"gap {check.gaps.worst.value * 1000:.1f} mm" in words_of(axes.figure)


def test_sections_through_any_two_points_and_in_inches(check):
    figure = along(check, ((0.2, 0.2), (1.2, 0.8)), "in")
    assert any(said.startswith("from 7 7/8 in from the left") for said in words_of(figure))
    assert not [said for said in words_of(figure) if " mm" in said and " mm (" not in said]
    across = [tick.get_text() for tick in figure.axes[0].get_yticklabels() if tick.get_text()]
    assert len(set(across)) == len(across) > 2


def test_sections_of_stations_or_of_nothing_are_refused(stations, check):
    assert "sections" not in drawings(stations)
    with pytest.raises(OutputError, match="nothing measured"):
        along(check, ((3.6, 0.1), (3.9, 0.1)))


def test_set_out_shows_every_packing_and_rings_the_first(findings_for):
    laid = findings_for("setout")
    figure = figure_of(laid, "setout")
    said = words_of(figure)
    for screed in laid.set_out.screeds:
        for dot in screed.dots:
            assert f"{dot.packing * 1000:.0f}" in said
    rings = [line for line in figure.axes[0].lines if line.get_markersize() == 13]
    assert [(float(r.get_xdata()[0]), float(r.get_ydata()[0])) for r in rings] == [(0.35, 1.2)]
    assert "start here, 350 mm from the left, 1200 mm up" in " ".join(said)
    assert "Packing is good to ± 2.4 mm." in said


def test_forty_screeds_and_unknown_packing_are_drawn(findings_for):
    many = tuple(Screed(0.1 * k, (Dot(0.1, 0.012, None), Dot(2.0, None, None))) for k in range(40))
    figure = figure_of(findings_for("setout", set_out=Screeds(1.8, many)), "setout")
    figure.canvas.draw()
    few = figure_of(findings_for("setout", set_out=Screeds(1.8, many[:3])), "setout")
    assert words_of(few).count("plumb on site") == 3


def test_nothing_to_set_out_is_not_drawn(findings_for):
    assert "setout" not in drawings(findings_for("setout", set_out=Screeds(1.8, ())))


def test_lows_without_a_map_are_rings_of_their_area(findings_for):
    lows = findings_for("lows", gaps=None)
    figure = figure_of(lows, "lows")
    rings = [patch for patch in figure.axes[0].patches if isinstance(patch, Circle)]
    np.testing.assert_allclose([np.pi * ring.radius**2 for ring in rings], [low.area for low in lows.lows], rtol=1e-9)
    assert any("0.92 litres" in words for words in words_of(figure))
    figure_of(findings_for("lows", lows=(), gaps=None), "lows").canvas.draw()


def test_lows_are_dotted_where_they_are_filled_rims_included(findings_for):
    lows = findings_for("lows")
    drawing, figure = drawings(lows)["lows"], figure_of(lows, "lows")
    dotted = next(c for c in figure.axes[0].get_children() if isinstance(c, QuadContourSet))
    assert dotted.hatches == [".."]
    corners = np.concatenate([path.vertices for path in dotted.get_paths()])
    filled = np.argwhere(drawing.where)
    np.testing.assert_allclose(corners[:, 0].min(), lows.relief.x[filled[:, 1].min()], atol=0.0101)
    assert "rims included" in " ".join(" ".join(words_of(figure)).split())


def test_ridges_are_drawn_to_be_shaved(findings_for):
    lows = findings_for("lows", ridges=(Low(1, 2.9, 0.4, 0.0031, 0.02, 0.00003),))
    said = words_of(figure_of(lows, "lows"))
    assert "H1" in said
    assert "shave 3.1 mm" in said


def compared(earlier, later):
    """A comparison of two findings on the same places, as the room for it would make it."""
    change = later.relief.offset - earlier.relief.offset
    u = np.hypot(earlier.relief.u, later.relief.u)
    tie = Alignment(np.eye(3), np.zeros(3), note("report.none"), 0.0)
    seen = np.nan_to_num(np.abs(change)) > np.nan_to_num(1.96 * u, nan=np.inf)
    ways = ((seen & (change > 0), "added"), (seen & (change < 0), "removed"))
    found = Difference(
        relief=later.relief,
        change=change,
        u=u,
        alignment=tie,
        mean=None,
        volume=None,
        least=None,
        least_at=None,
        added=cubic_metres(0.0),
        removed=cubic_metres(0.0),
        changed_share=0.0,
        compared_share=0.0,
        compared_area=0.0,
        whole=False,
        places=tuple(place for chosen, kind in ways for place in parts(later.relief, change, u, chosen, kind)),
    )
    made = Comparison(earlier.origin, "scanner", found, following=Following(None, None, None))
    return dataclasses.replace(later, compared=made)


def test_change_leaves_noise_white_and_marks_the_greatest(check):
    across, up = check.relief.places
    added = np.where(np.hypot(across - 0.8, up - 0.6) < 0.2, 0.004, 0.0)
    later = dataclasses.replace(check, relief=dataclasses.replace(check.relief, offset=check.relief.offset + added))
    figure = figure_of(compared(check, later), "change")
    assert "came on 4.0 mm" in words_of(figure)
    assert not [said for said in words_of(figure) if said.startswith("went off")]
    assert "2 to 3 mm thicker" in words_of(figure)
    # swapping the surveys turns the sign
    assert "went off 4.0 mm" in words_of(figure_of(compared(later, check), "change"))
    changed = drawings(compared(check, later))["change"]
    assert (changed.values[added == 0][np.isfinite(changed.values[added == 0])] == 0).all()


def test_changes_of_stations_or_without_an_overlap_are_not_drawn(check, stations):
    assert "change" not in drawings(compared(stations, stations))
    blind = dataclasses.replace(check.relief, offset=np.full(check.relief.offset.shape, np.nan))
    assert "change" not in drawings(compared(dataclasses.replace(check, relief=blind), check))


def test_a_hump_that_takes_no_cut_by_itself_is_not_offered_with_none():
    assert say(cut_of(0.00002, 0.0017)) == "1.7 mm if all are cut, nothing by itself"
    assert say(cut_of(0.005, 0.0067)) == "5.0 mm (6.7 mm if all are cut)"
