"""Screeds and dots by hand: places, packings, what moves, what is named, and what may not be given."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.errors import BadValue, TooFewPoints
from flatscan.core.geometry import plumb_frame
from flatscan.core.model import Opening, Plumb, Wall
from flatscan.core.reliefs import Stations
from flatscan.core.warp import CommonError
from flatscan.plan.screeds import SetOutOptions, set_out
from flatscan.report.say import say

CELL = 0.02


class Plane:
    def __init__(self, offset, turn=0.0, lean=0.0):
        self.offset, self.turn, self.lean = offset, turn, lean


def wall_of(width, height, *, openings=(), u_lean=0.0, outline=None):
    outline = np.array([[0, 0], [width, 0], [width, height], [0, height]], float) if outline is None else outline
    frame = plumb_frame(np.zeros(3), np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    return Wall(1, frame, outline, tuple(openings), 1.0, "given", "given", Plumb("given", u_lean))


def cells_of(width, height, surface, *, openings=(), inside=None, u=0.0, sd=0.0):
    x, y = (np.arange(round(size / CELL)) * CELL + CELL / 2 for size in (width, height))
    across, upward = np.meshgrid(x, y)
    keep = np.ones(across.shape, bool) if inside is None else inside(across, upward)
    for hole in openings:
        keep &= ~((across > hole.left) & (across < hole.right) & (upward > hole.bottom) & (upward < hole.top))
    z = np.where(keep, surface(across, upward) + 0.0 * across, np.nan)
    return grid_of(z, CELL, u=u, count=1, inside=keep, common=CommonError(sd))


def stations_of(x, y, mm):
    z = np.array(mm, float) / 1e3
    ones = np.ones(z.shape)
    return Stations(
        x=np.array(x, float),
        y=np.array(y, float),
        offset=z,
        u=0.0006 * ones,
        count=ones.astype(int),
        inside=ones.astype(bool),
        area=ones,
        common=CommonError(0.0),
    )


def places(done):
    return [screed.x for screed in done.screeds]


def test_plain_wall_by_hand():
    """4 m, 1.8 m straightedge: 0.35 to 3.65 is 3.3 m, in three steps of 1.1 (1.5 at most). Wall at 0, face at 12 mm."""
    done = set_out(cells_of(4, 2.4, lambda x, y: 0.0), wall_of(4, 2.4), Plane(0.012), options=SetOutOptions(1.8))
    assert_allclose(places(done), [0.35, 1.45, 2.55, 3.65])
    assert_allclose([dot.y for dot in done.screeds[0].dots], [0.1, 0.1 + 2.2 / 3, 0.1 + 4.4 / 3, 2.3])
    assert_allclose([dot.packing for screed in done.screeds for dot in screed.dots], 0.012)
    assert sum(dot.start_here for screed in done.screeds for dot in screed.dots) == 1
    assert done.notes == ()
    assert "reads 0" in say(done.checks[0])
    assert "diagonals" in say(done.checks[1])


def test_packing_follows_wall_and_plane_and_the_least_goes_first():
    """Wall 2 mm per m proud along, face at 20 mm turned 1 mm per m: packing 20 - x; the least is at the right."""
    relief = cells_of(4, 2.4, lambda x, y: 0.002 * x)
    done = set_out(relief, wall_of(4, 2.4), Plane(0.020, turn=0.001), options=SetOutOptions(1.8))
    for screed in done.screeds:
        assert_allclose([dot.packing for dot in screed.dots], 0.020 - 0.001 * screed.x, atol=2.1e-5)
    (first,) = (screed.x for screed in done.screeds for dot in screed.dots if dot.start_here)
    assert first == pytest.approx(3.65)


def test_never_over_rule_less_300_mm():
    for width in np.arange(0.5, 9.0, 0.37):
        for rule in (1.2, 1.8, 2.4):
            done = set_out(
                cells_of(width, 1.0, lambda x, y: 0.0), wall_of(width, 1.0), Plane(0.01), options=SetOutOptions(rule)
            )
            assert np.all(np.diff(places(done)) <= rule - 0.3 + 1e-9)
            assert done.screeds[0].x <= 0.4 + 1e-9
            assert width - done.screeds[-1].x <= 0.4 + 1e-9


def test_spacing_asked_for_is_kept_or_refused():
    flat = cells_of(4, 2.4, lambda x, y: 0.0)
    done = set_out(flat, wall_of(4, 2.4), Plane(0.01), options=SetOutOptions(1.8, spacing=0.9))
    assert np.diff(places(done)).max() <= 0.9
    with pytest.raises(BadValue, match="100 mm to 1500 mm"):
        SetOutOptions(1.8, spacing=1.6)


def test_openings_get_screeds_at_their_linings_and_no_dots_inside():
    hole = Opening(1.5, 0.9, 1.2, 1.1)
    relief = cells_of(4, 2.4, lambda x, y: 0.0, openings=(hole,))
    done = set_out(relief, wall_of(4, 2.4, openings=(hole,)), Plane(0.012), options=SetOutOptions(1.8))
    assert_allclose(places(done), [0.35, 1.43, 2.77, 3.65])
    wide = Opening(1.0, 0.9, 2.4, 1.1)
    relief = cells_of(5, 2.4, lambda x, y: 0.0, openings=(wide,))
    done = set_out(relief, wall_of(5, 2.4, openings=(wide,)), Plane(0.012), options=SetOutOptions(1.8))
    middle = next(screed for screed in done.screeds if 1.5 < screed.x < 3.0)
    assert all(not 0.9 < dot.y < 2.0 for dot in middle.dots)
    assert any(dot.y < 0.9 for dot in middle.dots)
    assert any(dot.y > 2.0 for dot in middle.dots)


def test_gable_screeds_follow_the_rake():
    def inside(x, y):
        return y < 1.0 + 0.5 * np.minimum(x, 4 - x)

    outline = np.array([[0, 0], [4, 0], [4, 1], [2, 2], [0, 1]], float)
    done = set_out(
        cells_of(4, 2.0, lambda x, y: 0.0, inside=inside),
        wall_of(4, 2, outline=outline),
        Plane(0.012),
        options=SetOutOptions(1.8),
    )
    for screed in done.screeds:
        head = 1.0 + 0.5 * min(screed.x, 4 - screed.x) - 0.1
        assert screed.dots[-1].y == pytest.approx(head, abs=0.03)


def test_strips_measure_to_their_backs():
    options = SetOutOptions(1.8, strip=0.0095)
    done = set_out(cells_of(4, 2.4, lambda x, y: 0.0), wall_of(4, 2.4), Plane(0.0125), options=options)
    assert_allclose([dot.packing for screed in done.screeds for dot in screed.dots], 0.003)


def test_a_screed_that_hits_the_wall_moves_or_is_named():
    """Face at 15 mm, strip 9.5, 2 mm clear: the wall may stand 3.5 mm proud. A 6 mm nib 0.2 m wide is passed by."""

    def nib(half):
        return lambda x, y: 0.006 * ((np.abs(x - 1.45) < half) & (np.abs(y - 0.1) < 0.1))

    options = SetOutOptions(1.8, strip=0.0095)
    done = set_out(cells_of(4, 2.4, nib(0.05)), wall_of(4, 2.4), Plane(0.015), options=options)
    assert abs(done.screeds[1].moved) == pytest.approx(0.125)  # half a screed, 70 mm, off a nib of 50: over 110
    assert "moved" in say(done.screeds[1].note)
    named = set_out(cells_of(4, 2.4, nib(0.3)), wall_of(4, 2.4), Plane(0.015), options=options)
    assert named.screeds[1].moved == 0
    assert "2.5 mm too little room" in say(named.screeds[1].note)
    assert any("1.45" in say(note) for note in named.notes)


def test_only_the_foot_where_plumb_is_poor_or_unknown():
    """u 0.8 mm per m over 2.4 m is 1.9 mm: given; 0.9 is 2.2 mm, or unknown: the foot only, and the sheet says so."""
    flat = cells_of(4, 2.4, lambda x, y: 0.0)
    given = set_out(flat, wall_of(4, 2.4, u_lean=0.0008), Plane(0.012), options=SetOutOptions(1.8))
    assert all(dot.packing is not None for screed in given.screeds for dot in screed.dots)
    assert_allclose(given.screeds[0].dots[-1].u, 0.0008 * 2.2, rtol=1e-9)
    for u_lean in (0.0009, None):
        done = set_out(flat, wall_of(4, 2.4, u_lean=u_lean), Plane(0.012), options=SetOutOptions(1.8))
        for screed in done.screeds:
            assert screed.dots[0].packing is not None
            assert all(dot.packing is None and dot.u is None for dot in screed.dots[1:])
        assert "only the foot packing is given" in say(done.notes[0])
        assert "tie the scan" in say(done.notes[0])


def test_stations_are_used_where_they_stand():
    """Columns 1 m apart: none can be skipped at 1.5 m. Packing is face less reading; the laser reads -face at a dot."""
    relief = stations_of([0.1, 1.1, 2.1, 3.1], [0.1, 1.2, 2.3], [[-80, -80, -79, -81], [-80, -74, -80, -80], [-80] * 4])
    done = set_out(relief, wall_of(3.2, 2.4), Plane(-0.068), options=SetOutOptions(1.8))
    assert_allclose(places(done), [0.1, 1.1, 2.1, 3.1])
    assert_allclose([dot.packing for dot in done.screeds[1].dots], [0.012, 0.006, 0.012], atol=1e-12)
    assert done.screeds[1].dots[1].start_here
    assert_allclose([dot.reading for screed in done.screeds for dot in screed.dots], 0.068, rtol=1e-12)
    assert_allclose([dot.u for dot in done.screeds[0].dots], 0.0006, rtol=1e-9)


def test_stations_too_far_apart_are_said_and_needless_ones_skipped():
    far = stations_of([0.3, 2.3], [0.5], [[0, 0]])
    laid = set_out(far, wall_of(2.6, 1), Plane(0.01), options=SetOutOptions(1.8))
    assert "2000 mm between screeds" in say(laid.notes[0])
    near = stations_of([0.3, 0.8, 1.3, 1.8, 2.3], [0.5], [[0] * 5])
    assert_allclose(places(set_out(near, wall_of(2.6, 1), Plane(0.01), options=SetOutOptions(1.8))), [0.3, 1.8, 2.3])


def test_a_stated_laser_line():
    options = SetOutOptions(1.8, laser=0.060)
    done = set_out(cells_of(4, 2.4, lambda x, y: 0.0), wall_of(4, 2.4), Plane(0.012), options=options)
    assert_allclose([dot.reading for screed in done.screeds for dot in screed.dots], 0.048, rtol=1e-12)


def test_finish_coat_stands_in_front_of_the_screeds():
    done = set_out(
        cells_of(4, 2.4, lambda x, y: 0.0), wall_of(4, 2.4), Plane(0.012), options=SetOutOptions(1.8, finish=0.002)
    )
    assert_allclose([dot.packing for dot in done.screeds[0].dots], 0.010)


def test_unmeasured_places_give_no_packing_and_are_named():
    relief = cells_of(4, 2.4, lambda x, y: np.where(x < 1.0, np.nan, 0.0))
    done = set_out(relief, wall_of(4, 2.4), Plane(0.012), options=SetOutOptions(1.8))
    assert all(dot.packing is None for dot in done.screeds[0].dots)
    assert any("no reading behind some dots at x 0.35" in say(note) for note in done.notes)


@pytest.mark.parametrize(
    "bad",
    [
        {"rule": 0.3},
        {"rule": -1.8},
        {"rule": float("nan")},
        {"rule": 1.8, "strip": -0.01},
        {"rule": 1.8, "apart": 0.0},
        {"rule": 1.8, "spacing": 0.0},
    ],
)
def test_options_that_make_no_sense(bad):
    with pytest.raises(BadValue):
        SetOutOptions(**bad)


def test_nothing_measured():
    with pytest.raises(TooFewPoints):
        set_out(cells_of(1, 1, lambda x, y: np.nan * x), wall_of(1, 1), Plane(0.01), options=SetOutOptions(1.8))
