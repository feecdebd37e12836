"""Screeds and dots by hand: places, packings, what moves, what is named, and what may not be given."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.errors import BadValue, TooFewPoints
from flatscan.core.geometry import plumb_frame
from flatscan.core.model import Opening, Plumb, Wall
from flatscan.core.reliefs import Stations
from flatscan.core.warp import CommonError
from flatscan.plan.behind import Ground
from flatscan.plan.between import roughness
from flatscan.plan.dots import Laser
from flatscan.plan.screeds import SetOutOptions, lack_of, set_out
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
    assert "just touches" in say(done.checks[0])
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
    options = SetOutOptions(1.8, strip=0.008)
    done = set_out(cells_of(4, 2.4, lambda x, y: 0.0), wall_of(4, 2.4), Plane(0.014), options=options)
    assert_allclose([dot.packing for screed in done.screeds for dot in screed.dots], 0.006)


def test_a_screed_that_hits_the_wall_moves_or_is_named():
    """Face at 14 mm, strip 8, 2 mm clear: the wall may stand 4 mm proud. A 6.5 mm nib 0.2 m wide is passed by."""

    def nib(half):
        return lambda x, y: 0.0065 * ((np.abs(x - 1.45) < half) & (np.abs(y - 0.1) < 0.1))

    options = SetOutOptions(1.8, strip=0.008)
    done = set_out(cells_of(4, 2.4, nib(0.05)), wall_of(4, 2.4), Plane(0.014), options=options)
    assert abs(done.screeds[1].moved) == pytest.approx(0.125)  # half a screed, 70 mm, off a nib of 50: over 110
    assert "moved" in say(done.screeds[1].note)
    named = set_out(cells_of(4, 2.4, nib(0.3)), wall_of(4, 2.4), Plane(0.014), options=options)
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


def test_screeds_stand_where_a_person_puts_them_whatever_was_read():
    """3.2 m, columns 1 m apart from 0.1: screeds at 0.35, 1.6 and 2.85, dots on the rows at 0.1, 1.2 and 2.3.

    Face 68 mm behind the laser (z -68). At x 0.35 the middle row is a quarter of the way from -80 to -74: -78.5.
    """
    table = [[-80, -80, -79, -81], [-80, -74, -80, -80], [-80] * 4]
    relief = stations_of([0.1, 1.1, 2.1, 3.1], [0.1, 1.2, 2.3], table)
    done = set_out(relief, wall_of(3.2, 2.4), Plane(-0.068), options=SetOutOptions(1.8, laser=Laser(0.0)))
    assert_allclose(places(done), [0.35, 1.6, 2.85])
    assert_allclose([[dot.y for dot in screed.dots] for screed in done.screeds], [[0.1, 1.2, 2.3]] * 3)
    assert_allclose([dot.packing for dot in done.screeds[0].dots], [0.012, 0.0105, 0.012], atol=1e-12)
    assert_allclose([dot.packing for dot in done.screeds[1].dots], [0.0115, 0.009, 0.012], atol=1e-12)
    assert done.screeds[1].dots[1].start_here
    assert_allclose([dot.reading for screed in done.screeds for dot in screed.dots], 0.068, rtol=1e-12)
    assert_allclose(done.reads, 0.068, rtol=1e-12)
    assert say(done.notes[0]) == "all dots read 68.0 mm on the laser"
    assert all("stand between stations" in say(note) for note in done.notes[1:])


def test_between_stations_the_doubt_is_reading_noise_and_how_far_the_wall_strays():
    """Rows of one straight line each, so nothing strays but noise: at the middle of two, u is 0.6 / root 2.

    At a station it is the reading's own 0.6 mm; on the middle of four, 0.6 / 2.
    """
    relief = stations_of([0.0, 1.0, 2.0], [0.0, 1.0, 2.0], np.zeros((3, 3)))
    ground = Ground(relief)
    assert_allclose([ground.at(1.0, 1.0).u, ground.at(0.5, 1.0).u, ground.at(0.5, 0.5).u], [6e-4, 6e-4 / 2**0.5, 3e-4])
    assert [ground.at(*at).read for at in ((1.02, 1.03), (0.5, 1.0))] == [True, False]


def test_between_stations_the_wall_is_known_on_lines_and_not_beyond_them():
    """A ramp of 2 mm per m along and 1 up comes back on rows and in triangles; 300 mm beyond the last it is held."""
    x, y = np.meshgrid([0.2, 1.0, 2.1], [0.1, 1.3, 2.4])
    ground = Ground(stations_of(x[0], y[:, 0], 2 * x + y))
    for at in ((0.7, 0.4), (1.9, 2.4), (1.0, 2.0)):
        assert_allclose(ground.at(*at).z, (2 * at[0] + at[1]) / 1e3, atol=1e-12)
    assert_allclose(ground.at(2.35, 1.3).z, (2 * 2.1 + 1.3) / 1e3, atol=1e-12)
    assert ground.at(2.45, 1.3) is None
    # at free places, no two on a row, the triangle around a place: here at its centroid, so the mean of the three
    free = np.full((3, 3), np.nan)
    free[0, 0], free[1, 2], free[2, 1] = 0.0, 2.0, 4.0
    scattered = Ground(stations_of([0.0, 0.6, 1.2], [0.0, 0.3, 0.9], free))
    assert_allclose(scattered.at(0.6, 0.4).z, 0.002, atol=1e-12)


def test_the_wall_strays_most_halfway_between_stations():
    """u^2 is the weighted readings' own and the wall's roughness squared times 4 t (1 - t), and d / 300 mm beyond."""
    zigzag = stations_of([0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 1.0], [[0, 2, 0, 2, 0], [1, 0, 1, 0, 1]])
    rough = roughness(zigzag)[0]
    assert rough > 0.001
    ground = Ground(zigzag)
    for t in (0.1, 0.25, 0.5):
        noise = 0.0006**2 * (t**2 + (1 - t) ** 2)
        assert_allclose(ground.at(1 + t, 0.0).u ** 2, noise + 4 * t * (1 - t) * rough**2, rtol=1e-9)
    assert_allclose(ground.at(4.15, 0.0).u ** 2, 0.0006**2 + rough**2 / 2, rtol=1e-9)


def test_stations_too_far_apart_tell_nothing_between_them():
    """Two stations 2 m apart: no line is drawn between them, and the dots there say so."""
    far = stations_of([0.3, 2.3], [0.1, 0.9], [[0, 0], [0, 0]])
    laid = set_out(far, wall_of(2.6, 1), Plane(0.01), options=SetOutOptions(1.8))
    assert_allclose(places(laid), [0.35, 1.3, 2.25])
    assert [dot.packing is None for dot in laid.screeds[1].dots] == [True, True]
    assert any("no reading behind some dots at x 1.30" in say(note) for note in laid.notes)
    assert all(dot.packing is not None for screed in (laid.screeds[0], laid.screeds[2]) for dot in screed.dots)
    near = stations_of([0.3, 0.8, 1.3, 1.8, 2.3], [0.1, 0.9], [[0] * 5, [0] * 5])
    laid = set_out(near, wall_of(2.6, 1), Plane(0.01), options=SetOutOptions(1.8))
    assert_allclose([dot.packing for screed in laid.screeds for dot in screed.dots], 0.01)


def test_readings_have_the_unit_and_the_sense_of_their_user():
    """Face at z -68 mm. Big = hollow reads 68 mm, or 6.8 cm; big = proud reads -68."""
    relief = stations_of([0.3, 1.3, 2.3], [0.1, 0.9], np.full((2, 3), -80))
    for laser, reads, said in (
        (Laser(0.0, unit="cm"), 0.068, "all dots read 6.80 cm on the laser"),
        (Laser(0.0, unit="in"), 0.068, "all dots read 2.68 in on the laser"),
        (Laser(0.0, proud_when_big=True), -0.068, "all dots read -68.0 mm on the laser"),
    ):
        done = set_out(relief, wall_of(2.6, 1), Plane(-0.068), options=SetOutOptions(1.8, laser=laser))
        assert_allclose(done.reads, reads, rtol=1e-12)
        assert say(done.notes[0]) == said


def test_dots_to_a_turned_face_read_each_their_own():
    """Face turned 1 mm per m, laser along the wall: 1.9 mm from the first screed to the last, so none reads for all."""
    relief = stations_of([0.3, 1.3, 2.3], [0.1, 0.9], np.full((2, 3), -80))
    laser = SetOutOptions(1.8, laser=Laser(0.0))
    done = set_out(relief, wall_of(2.6, 1), Plane(-0.068, turn=0.001), options=laser)
    assert done.reads is None
    assert_allclose([s.dots[0].reading for s in done.screeds], [0.068 - 0.001 * s.x for s in done.screeds])
    # a laser that was turned as far reads the same everywhere
    along = SetOutOptions(1.8, laser=Laser(0.0, turn=0.001))
    assert_allclose(set_out(relief, wall_of(2.6, 1), Plane(-0.068, turn=0.001), options=along).reads, 0.068)


def test_no_dot_stands_in_an_opening_pocket_or_skip_of_a_table():
    """A pocket from 1.4 to 1.6 m over the foot: the screed at 1.6 (0.35, 1.6, 2.85) stands 70 mm beside it."""
    relief = stations_of([0.1, 1.1, 2.1, 3.1], [0.1, 1.2, 2.3], np.full((3, 4), -80))
    pocket = Opening(1.45, 0.0, 0.2, 2.4)
    wall = replace(wall_of(3.2, 2.4), pockets=(pocket,))
    assert_allclose(places(set_out(relief, wall, Plane(-0.068), options=SetOutOptions(1.8))), [0.35, 1.72, 2.85])
    # a low one that is too wide to stand beside: the screed goes on over it
    low = replace(wall_of(3.2, 2.4), skips=(Opening(0.8, 0.0, 1.8, 1.0),))
    done = set_out(relief, low, Plane(-0.068), options=SetOutOptions(1.8))
    over = done.screeds[1]
    assert_allclose(over.x, 1.6)
    assert_allclose(over.runs, [(1.0, 2.4)])
    assert all(dot.y > 1.0 for dot in over.dots)
    window = replace(wall_of(3.2, 2.4), openings=(Opening(1.3, 0.9, 1.0, 1.0),))
    done = set_out(relief, window, Plane(-0.068), options=SetOutOptions(1.8))
    assert_allclose(places(done), [0.35, 1.23, 2.37, 2.85])


def test_a_stated_laser_line():
    options = SetOutOptions(1.8, laser=Laser(0.060))
    done = set_out(cells_of(4, 2.4, lambda x, y: 0.0), wall_of(4, 2.4), Plane(0.012), options=options)
    assert_allclose([dot.reading for screed in done.screeds for dot in screed.dots], 0.048, rtol=1e-12)


def test_finish_coat_stands_in_front_of_the_screeds():
    done = set_out(
        cells_of(4, 2.4, lambda x, y: 0.0), wall_of(4, 2.4), Plane(0.012), options=SetOutOptions(1.8, finish=0.002)
    )
    assert_allclose([dot.packing for dot in done.screeds[0].dots], 0.010)
    assert (done.face, done.packing_to, done.finish) == ("undercoat", "face", 0.002)


def test_how_far_out_strips_ask_the_plane_to_stand():
    """Face at 10 mm over a flat wall; 2 mm bed, 8 mm strip, 2 mm finish ask for 12: 2 mm further out.

    A nib of 6 mm, 0.6 m wide, is too wide to pass by: 8 mm further out. One of 0.1 m is passed by. Without a strip a
    dot needs no bed.
    """

    def nib(half):
        return lambda x, y: 0.006 * ((np.abs(x - 1.45) < half) & (np.abs(y - 1.1) < 0.1))

    strip = SetOutOptions(1.8, strip=0.008, finish=0.002)
    for half, by in ((0.0, 0.002), (0.3, 0.008), (0.05, 0.002)):
        lack = lack_of(cells_of(4, 2.4, nib(half)), wall_of(4, 2.4), Plane(0.010), options=strip)
        assert_allclose(lack.by, by, atol=1e-12)
    flat = cells_of(4, 2.4, lambda x, y: 0.0)
    assert lack_of(flat, wall_of(4, 2.4), Plane(0.010), options=SetOutOptions(1.8, finish=0.002)).by < 0
    assert_allclose(lack_of(flat, wall_of(4, 2.4), Plane(0.012), options=strip).by, 0.0, atol=1e-12)
    # a plane lowered by what errors add asks for less, by no more than the bed
    for lowered, by in ((0.001, 0.001), (0.005, 0.0)):
        lack = lack_of(flat, wall_of(4, 2.4), Plane(0.010), options=strip, lowered=lowered)
        assert_allclose(lack.by, by, atol=1e-12)


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
