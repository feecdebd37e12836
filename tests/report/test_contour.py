"""What stands in the figures: artists, levels and labels, not pixels."""

import dataclasses

import numpy as np
import pytest
from matplotlib.collections import LineCollection
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from matplotlib.text import Text
from results import drawings
from results import figure_of as draw

from flatscan.report import bands
from flatscan.report.drawings import smoothed
from flatscan.report.figures import style
from flatscan.report.figures.titleblock import key
from flatscan.report.say import say


@pytest.fixture(autouse=True)
def look():
    with style.sheet_style():
        yield


def words_of(figure):
    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


def fills(figure):
    return [a for a in figure.axes[0].get_children() if isinstance(a, QuadContourSet)]


def test_levels_are_round_millimetres(check):
    filled = fills(draw(check))[0]
    inner = np.asarray(filled.levels[1:-1]) * 1000
    np.testing.assert_allclose(inner, np.round(inner), rtol=0, atol=1e-9)
    assert len(filled.levels) - 1 == len(filled.hatches)


def test_nothing_of_the_rainbow_and_every_band_told_apart_in_print():
    made = bands.deviation_bands(-0.0095, 0.0095)
    assert [round(b.low * 1000) for b in made[1:]] == [-8, -6, -4, -2, 2, 4, 6, 8]
    assert len({b.hatch for b in made}) == len(made)
    grey = [style.to_grey(b.colour) for b in made]
    middle = len(made) // 2
    # lightness falls away from the neutral band on both sides, so tone alone orders the bands in grey
    assert grey[middle:] == sorted(grey[middle:], reverse=True)
    assert grey[: middle + 1] == sorted(grey[: middle + 1])
    assert made[middle].hatch == ""
    from matplotlib.colors import to_rgb

    for band in made:
        red, green, blue = to_rgb(band.colour)
        assert not (green > red and green > blue), "no green"
        assert red - max(green, blue) < 0.45, "no red"


@pytest.mark.parametrize(
    ("least", "most", "step"), [(-0.0005, 0.0008, 1), (-0.003, 0.0059, 1), (-0.007, 0.009, 2), (-0.04, 0.03, 10)]
)
def test_a_step_is_the_smallest_round_one_that_reaches(least, most, step):
    made = bands.deviation_bands(least, most)
    neutral = next(b for b in made if b.hatch == "")
    assert (round(neutral.low * 1000), round(neutral.high * 1000)) == (-step, step)
    assert made[0].low <= least
    assert made[-1].high >= most


def test_build_up_bands_are_the_ladders():
    # methods/trade 4: < 5, 5-8, 8-13 normal, 13-20, 20-25, 25-40, > 40
    made = bands.build_up_bands(0.001, 0.06)
    assert [round(b.high * 1000) for b in made[:-1]] == [5, 8, 13, 20, 25, 40]
    assert [b.hatch for b in made].index("") == 2
    assert [say(b.words).split(": ")[1] for b in bands.build_up_bands(0.009, 0.012)] == ["normal"]


def test_gap_bands_are_white_up_to_the_limit():
    made = bands.gap_bands(0.003, 0.02)
    assert made[0].hatch == ""
    np.testing.assert_allclose([b.high for b in made[:-1]], [0.003, 0.0045, 0.006, 0.009])
    assert len(bands.gap_bands(0.003, 0.002)) == 1


def test_the_title_block_says_wall_limit_decision_and_uncertainty(check):
    said = words_of(draw(check))
    for part in ("Wall 1: Top flat, north bedroom", "3 mm under 1.8 m", "flatness outside; plumb undecided"):
        assert part in said
    assert "flatness 6.4 mm ± 0.8 mm; limit 3 mm" in said
    assert any(part.startswith("Not examined: ") for part in said)


def test_spots_carry_h_and_l_at_their_places(survey):
    figure = draw(survey)
    marks = {t.get_text(): t.xy for t in figure.axes[0].texts if t.get_text()[:1] in "HL"}
    assert marks["H1"] == (0.8, 1.7)
    assert marks["H2"] == (3.2, 0.9)
    # the build-up is thickest in the middle of the broad hollow, to the noise of one cell
    assert np.hypot(marks["L1"][0] - 3.0, marks["L1"][1] - 1.8) < 0.15
    said = words_of(figure)
    assert "cut 4.2 mm" in said
    assert "saves 34 litres so far" in said


def test_a_survey_draws_build_up_and_a_check_the_relief(survey, check):
    assert "Build-up to the finished face" in words_of(draw(survey))
    assert "Proud and hollow, off the wall's own plane" in words_of(draw(check))


def test_openings_and_what_was_not_measured_are_covered(check):
    axes = draw(check).axes[0]
    window = [p for p in axes.patches if getattr(p, "get_width", lambda: 0)() == 1.0]
    assert [(p.get_x(), p.get_y(), p.get_height()) for p in window] == [(1.4, 0.9, 1.1)]
    cover = [c for c in axes.get_children() if isinstance(c, QuadContourSet) and c.hatches == ["xxx"]]
    assert len(cover) == 1
    corners = np.concatenate([path.vertices for path in cover[0].get_paths()])
    # the cupboard stands from 3.5 m to the right edge and up to 0.5 m
    np.testing.assert_allclose([corners[:, 0].min(), corners[:, 1].max()], [3.5, 0.5], atol=0.0051)
    assert cover[0].get_zorder() > fills(draw(check))[0].get_zorder()


def test_a_wall_measured_throughout_has_no_such_key(findings_for):
    whole = findings_for("check")
    filled = np.where(whole.relief.inside, np.nan_to_num(whole.relief.offset), np.nan)
    relief = dataclasses.replace(whole.relief, offset=filled)
    shape = dataclasses.replace(whole.shape, residual=filled)
    assert "not measured" not in words_of(draw(dataclasses.replace(whole, relief=relief, shape=shape)))


def test_words_of_a_narrow_key_are_wrapped_not_cut_off(check):
    """A key 1.3 inches wide, as on page one of a record: every band's words whole, on two lines where one is short."""
    on = drawings(check)["contour"].on
    figure = Figure(figsize=(8, 11))
    kinds = bands.deviation_bands(-0.002, 0.002)
    key(figure, (1.0, 5.0, 1.3, 2.0), kinds, "mm", on, missing=False)
    said = " ".join(words_of(figure))
    assert "…" not in said
    assert all(say(band.words, "mm") in said for band in kinds)
    assert "dashed: opening drawn by hand" in said


def test_axes_run_in_millimetres_from_the_left_foot(check):
    axes = draw(check).axes[0]
    assert axes.get_xlim() == (0, 4.0)
    assert axes.get_ylim() == (0, 2.4)
    assert axes.xaxis.get_major_formatter()(1.5, 0) == "1500"
    assert axes.get_aspect() == 1.0
    assert "1000 mm" in words_of(axes.figure)


def test_smoothing_keeps_planes_and_invents_nothing(check):
    relief = check.relief
    plane = np.where(relief.valid, 0.01 + 0.002 * relief.places[1], np.nan)
    drawn = smoothed(plane, relief)
    assert (np.isfinite(drawn) == relief.valid).all()
    inner = (slice(60, 180), slice(20, 100))
    # the mean of a plane over a symmetric neighbourhood is the plane
    np.testing.assert_allclose(drawn[inner], plane[inner], rtol=0, atol=1e-9)


def test_noise_inside_the_neutral_band_draws_no_lines(check):
    flat = np.random.default_rng(1).normal(0, 0.0003, check.relief.offset.shape)
    plain = dataclasses.replace(check, shape=dataclasses.replace(check.shape, residual=flat), patches=(), gaps=None)
    lines = [c for c in draw(plain).axes[0].collections if type(c) is LineCollection]
    assert sum(len(c.get_segments()) for c in lines) == 0


def test_stations_show_their_own_number_and_nothing_between(stations):
    figure = draw(stations)
    said = words_of(figure)
    assert len([s for s in said if s.replace("−", "").replace(".", "").isdigit() and "." in s]) == 19
    assert all(set(np.round(c.levels, 1)) == {0.5, 1.5} for c in fills(figure))


def test_a_name_that_is_markup_or_mathematics_or_unknown_letters(check, recwarn):
    evil = dataclasses.replace(check, title="$\\frac{1}{0}$ \n\t<script> \u6f22\u5b57 " + "very " * 80 + "long")
    figure = draw(evil)
    figure.canvas.draw()
    assert not recwarn.list
    name = next(s for s in words_of(figure) if s.startswith("Wall 1"))
    assert "$\\frac{1}{0}$ <script> \N{WHITE SQUARE}\N{WHITE SQUARE}" in name
    assert len([s for s in words_of(figure) if s.startswith("very very") and s.endswith("…")]) == 1


def test_no_text_runs_off_the_sheet(anything):
    for units in ("mm", "in"):
        figure = draw(anything, units=units)
        figure.draw_without_rendering()
        page = figure.bbox
        for text in figure.texts:
            box = text.get_window_extent()
            assert box.x0 >= 0, text.get_text()
            assert box.x1 <= page.x1, text.get_text()
            assert box.y0 >= 0, text.get_text()


@pytest.mark.parametrize(("wide", "high"), [(12.0, 2.5), (1.0, 6.0), (0.4, 0.3)])
def test_long_tall_and_tiny_walls_fit(sized, wide, high):
    figure = draw(sized(wide, high))
    figure.draw_without_rendering()
    box = figure.axes[0].get_window_extent()
    assert 0 < box.x0 < box.x1 <= figure.bbox.x1
    assert 0 < box.y0 < box.y1 <= figure.bbox.y1
    assert (box.width / box.height) == pytest.approx(wide / high, rel=0.01)


def test_gap_map_marks_the_deepest_places(check):
    figure = draw(check, "gaps")
    said = words_of(figure)
    assert "gap 6.4 mm" in said
    assert {"G1", "G2"} <= set(said)
    assert "up to 3 mm, the limit" in said


def test_a_wall_without_gaps_has_no_gap_map(stations):
    assert "gaps" not in drawings(stations)


def test_inches_on_every_scale(check):
    figure = draw(check, units="in")
    assert "3 ft" in words_of(figure)
    assert not [s for s in words_of(figure) if " mm" in s and " mm (" not in s and "Lines of one height" not in s]


def test_the_users_own_style_does_not_leak_in(check):
    import matplotlib

    with matplotlib.rc_context({"font.size": 31.0, "axes.grid": True}):
        with style.sheet_style():
            assert matplotlib.rcParams["font.size"] == 10
            assert not matplotlib.rcParams["axes.grid"]
        assert matplotlib.rcParams["font.size"] == 31.0


def test_fixed_points_are_drawn_where_the_face_goes_through(survey):
    fixed = dataclasses.replace(survey, fixed=((1.35, 1.0, 0.02), (2.45, 1.0, 0.02)))
    marks = [line for line in draw(fixed).axes[0].lines if line.get_marker() == "s"]
    assert [(line.get_xdata()[0], line.get_ydata()[0]) for line in marks] == [(1.35, 1.0), (2.45, 1.0)]


@pytest.mark.parametrize(("wide", "high"), [(12.0, 2.5), (4.0, 2.4), (1.2, 5.0)])
@pytest.mark.parametrize("units", ["mm", "in"])
def test_keys_lists_and_figures_of_the_scale_do_not_run_into_each_other(sized, findings_for, wide, high, units):
    plain = sized(wide, high)
    waves = 0.0095 * np.sin(plain.relief.places[0] * 3)
    patches = tuple(p for p in findings_for("check").patches if p.x < wide and p.y < high)
    found = dataclasses.replace(plain, shape=dataclasses.replace(plain.shape, residual=waves), patches=patches)
    figure = draw(found, units=units)
    figure.draw_without_rendering()
    foot = next(text for text in figure.texts if text.get_text().startswith("Not examined"))
    top_of_foot = foot.get_window_extent().y1
    swatches = [artist for artist in figure.artists if artist.get_hatch() or artist.get_facecolor()[3] == 1.0]
    assert len(swatches) >= 5
    assert min(artist.get_window_extent().y0 for artist in swatches) > top_of_foot
    boxes = [t.get_window_extent() for t in figure.texts if t.get_window_extent().y0 > top_of_foot]
    for number, box in enumerate(boxes):
        for other in boxes[number + 1 :]:
            across = min(box.x1, other.x1) - max(box.x0, other.x0)
            up = min(box.y1, other.y1) - max(box.y0, other.y0)
            # the boxes of lines under each other touch by their descenders
            assert across <= 0 or up <= 0.35 * min(box.height, other.height)
    labels = [t.get_window_extent() for t in figure.axes[0].get_xticklabels() if t.get_text()]
    assert all(a.x1 < b.x0 for a, b in zip(labels, labels[1:], strict=False))
