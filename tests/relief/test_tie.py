"""Tying a scan down: exact algebra against a second implementation, limits, stated uncertainty by simulation."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of

from flatscan.core.errors import BadTable, MixedSurveys, TooFewPoints
from flatscan.core.geometry import Frame
from flatscan.core.model import Origin, Plumb, Readings, Wall
from flatscan.core.notes import note
from flatscan.core.warp import CommonError
from flatscan.relief.everywhere import gaps_in_box
from flatscan.relief.members import members_of
from flatscan.relief.tie import tie
from flatscan.relief.tied import mixed, posterior
from flatscan.relief.trend import plane
from flatscan.relief.warps import one_warp
from flatscan.straightedge import sweep

WIDE, HIGH, CELL = 4.0, 2.4, 0.05
LASER, LEVEL = CommonError(0.0), 0.17e-3
BOX = np.array([0.0, 0.0, WIDE, HIGH])
PLANE = np.array([1.0, 0.1, 0.1])


def places_of(nx, ny, margin=0.15):
    across, upward = np.meshgrid(np.linspace(margin, WIDE - margin, nx), np.linspace(margin, HIGH - margin, ny))
    return np.column_stack([across.ravel(), upward.ravel()])


WARP = CommonError(0.004, 2.0)


def scan_of(surface, warp=WARP, u=0.0):
    x, y = ((np.arange(round(size / CELL)) + 0.5) * CELL for size in (WIDE, HIGH))
    across, upward = np.meshgrid(x, y)
    z = surface(across, upward)
    return grid_of(z, CELL, u=u, count=1, common=warp, half_a=z, half_b=z)


def wall_of():
    outline = np.array([[0, 0], [WIDE, 0], [WIDE, HIGH], [0, HIGH]])
    return Wall(1, Frame(np.zeros(3), *np.eye(3)), outline, (), 1.0, "made", "made", Plumb("gravity", 3.5e-3))


def readings_of(places, surface, u=0.0006, noise=None):
    origin = Origin("ties.csv", "0", "made", "mm", len(places))
    offset = surface(*places.T) - 0.080 + (0 if noise is None else noise)
    return Readings(origin, places[:, 0], places[:, 1], offset, u)


def tied(scan, truth, places, **how):
    return tie(scan, wall_of(), readings_of(places, truth, **how), laser=LASER, u_laser_lean=LEVEL)


def flat(x, y):
    return 0 * x


def bent(x, y):
    return 0.004 * np.sin(x) + 0.0008 * x * y


def smooth_fields(count, warp, generator):
    """Random warps on the scan's cells and, the same ones, at places."""
    x, y = np.meshgrid(*((np.arange(round(size / CELL)) + 0.5) * CELL for size in (WIDE, HIGH)))
    places = places_of(4, 3)
    at = np.vstack([np.column_stack([x.ravel(), y.ravel()])[::7], places])
    values, vectors = np.linalg.eigh(warp.covariance(at, at))
    keep = values > 1e-12 * values[-1]
    root = vectors[:, keep] * np.sqrt(values[keep])
    return at, places, generator.standard_normal((count, keep.sum())) @ root.T


def test_a_lean_a_turn_and_an_offset_go_whichever_way_the_phone_stood():
    made, wall, shown, _ = tied(scan_of(lambda x, y: 0.3 + 0.010 * x + 0.004 * y), flat, places_of(4, 3))
    slopes = np.diff(made.offset, axis=0) / CELL
    assert_allclose(slopes, 0.0, atol=3e-5)
    assert shown.lean == pytest.approx(0.004, abs=3e-5)
    assert wall.plumb == Plumb(note("wall.laser-readings", count=12), LEVEL)


def test_a_leaning_wall_keeps_the_lean_the_laser_saw():
    made, _, _, _ = tied(scan_of(flat), lambda x, y: 0.005 * y, places_of(4, 3))
    assert_allclose(np.diff(made.offset, axis=0) / CELL, 0.005, atol=5e-5)


def test_a_warp_is_taken_out_and_the_wall_itself_is_not():
    def hump(x, y):
        return 0.008 * np.exp(-((x - 2.3) ** 2 + (y - 1.1) ** 2) / (2 * 0.15**2))

    made, _, shown, _ = tied(scan_of(lambda x, y: hump(x, y) + bent(x, y)), hump, places_of(6, 4), u=0.0001)
    x, y = made.places
    off = made.offset - hump(x, y)
    assert np.ptp(bent(x, y)) > 0.008
    assert np.ptp(off) < 0.15 * np.ptp(bent(x, y))
    assert shown.most - shown.least > 0.004


def test_both_halves_are_corrected_alike():
    made, _, _, _ = tied(scan_of(bent), flat, places_of(4, 3))
    assert_allclose(made.half_a, made.offset, atol=1e-15)
    assert_allclose(made.half_b, made.offset, atol=1e-15)


def test_error_left_is_that_of_a_joint_normal_conditioned_by_force():
    rng = np.random.default_rng(3)
    warp, places, at = CommonError(0.008, 1.3), rng.uniform(0, 2, (7, 2)), rng.uniform(0, 2, (9, 2))
    noise = np.diag(rng.uniform(0.3e-3, 1e-3, 7) ** 2)
    made = posterior(places, noise, warp, PLANE, BOX)
    terms = np.column_stack([np.ones(16), np.vstack([at, places]) - [WIDE / 2, HIGH / 2]])
    joint = warp.covariance(*[np.vstack([at, places])] * 2) + terms @ np.diag(PLANE**2) @ terms.T
    here, seen = slice(0, 9), slice(9, 16)
    gain = joint[here, seen] @ np.linalg.inv(joint[seen, seen] + noise)
    assert_allclose(made.covariance(at, at), joint[here, here] - gain @ joint[seen, here], atol=1e-9)


def test_gap_is_the_quadratic_form_of_the_covariance():
    made = posterior(places_of(4, 3), np.eye(12) * 0.6e-3**2, CommonError(0.008, 2.0), PLANE, BOX)
    left, right = np.array([0.3, 0.4]), np.array([2.1, 1.3])
    at = left + 0.35 * (right - left)
    weights = np.array([0.65, -1.0, 0.35])
    three = np.stack([left, at, right])
    slow = np.sqrt(weights @ made.covariance(three, three) @ weights)
    assert float(made.u_gap_at(left, at, right)) == pytest.approx(slow, rel=1e-5)


def test_without_readings_a_gap_is_as_uncertain_as_before():
    warp = CommonError(0.008, 2.0)
    made = posterior(np.empty((0, 2)), np.empty((0, 0)), warp, PLANE, BOX)
    left, at, right = np.array([0.5, 1.0]), np.array([1.2, 1.0]), np.array([2.5, 1.0])
    assert float(made.u_gap_at(left, at, right)) == pytest.approx(float(warp.u_gap(0.7, 1.3)), rel=1e-9)


def test_readings_without_error_at_the_three_places_leave_none():
    three = np.array([[0.5, 1.0], [1.2, 1.0], [2.5, 1.0]])
    made = posterior(three, np.eye(3) * 1e-12, CommonError(0.008, 2.0), PLANE, BOX)
    assert float(made.u_gap_at(*three)) < 5e-6


def test_many_careful_readings_leave_what_three_readings_with_that_error_leave():
    # at the places themselves, with warp so short that neighbours say nothing: sqrt(1.5) u in the middle
    three = np.array([[0.5, 1.0], [1.5, 1.0], [2.5, 1.0]])
    made = posterior(three, np.eye(3) * 0.6e-3**2, CommonError(0.5, 0.05), PLANE, BOX)
    assert float(made.u_gap_at(*three)) == pytest.approx(np.sqrt(1.5) * 0.6e-3, rel=1e-4)


@pytest.mark.parametrize("length", [1.0, 2.0])
@pytest.mark.parametrize("shape", [(3, 2), (5, 4)])
def test_no_gap_is_less_certain_than_the_largest_said_for_its_place(length, shape):
    places = places_of(*shape)
    made = posterior(places, np.eye(len(places)) * 0.7e-3**2, CommonError(0.008, length), PLANE, BOX)
    x, y = (np.arange(80) + 0.5) * CELL, (np.arange(48) + 0.5) * CELL
    largest = made.largest_u_gap(x, y, 2.0)
    rng = np.random.default_rng(5)
    at, turn = rng.uniform([x[0], y[0]], [x[-1], y[-1]], (20_000, 2)), rng.uniform(0, np.pi, 20_000)
    near, far = rng.uniform(0, 2, (2, 20_000))
    way = np.column_stack([np.cos(turn), np.sin(turn)])
    left, right = at - near[:, None] * way, at + far[:, None] * way
    fits = near + far <= 2.0
    for place in (left, right):
        fits &= ((place >= [x[0], y[0]]) & (place <= [x[-1], y[-1]])).all(axis=1)
    row, col = np.rint(at[fits, 1] / CELL - 0.5).astype(int), np.rint(at[fits, 0] / CELL - 0.5).astype(int)
    assert fits.sum() > 3000
    assert (made.u_gap_at(left[fits], at[fits], right[fits]) <= largest[row, col]).all()


def test_a_gap_longer_than_the_wall_is_as_uncertain_as_the_least_certain_that_fits():
    made = posterior(places_of(4, 3), np.eye(12) * 0.7e-3**2, CommonError(0.008, 2.0), PLANE, BOX)
    left, at, right = gaps_in_box(BOX, 2.0)
    assert float(made.u_gap(5.0, 5.0)) >= 0.95 * made.u_gap_at(left, at, right).max() > 0


def test_leaving_one_out_is_what_a_tie_without_it_predicts():
    rng = np.random.default_rng(8)
    places, value, warp = places_of(4, 3), rng.normal(0, 2e-3, 12), CommonError(0.004, 2.0)
    noise = np.diag(rng.uniform(0.3e-3, 1e-3, 12) ** 2)
    (whole,) = members_of(one_warp(warp), places, noise, plane(BOX, PLANE), value)
    less = np.delete(np.arange(12), 5)
    trend = plane(BOX, PLANE)
    part = members_of(one_warp(warp), places[less], noise[np.ix_(less, less)], trend, value[less])
    made = mixed(part, trend, places[less], BOX, length=2.0)
    off, variance = whole.left_out()
    assert off[0, 5] == pytest.approx(value[5] - made.mean(places[5:6])[0], abs=1e-7)
    assert variance[0, 5] == pytest.approx(
        float(made.covariance(places[5:6], places[5:6])[0, 0]) + noise[5, 5], rel=1e-5
    )


def test_gaps_do_not_see_the_tilt_of_the_capture():
    scan = scan_of(bent)
    leant = replace(scan, offset=scan.offset + 0.003 * scan.places[1] - 0.02 * scan.places[0] + 1.0)
    one, other = (sweep(tied(relief, flat, places_of(4, 3))[0], 2.0, workers=1) for relief in (scan, leant))
    assert one.worst.value == pytest.approx(other.worst.value, abs=2e-5)
    assert one.upper == pytest.approx(other.upper, abs=1e-4)


def test_more_readings_lower_the_uncertainty_and_move_the_bounds_together():
    shapes = ((3, 2), (4, 3), (6, 4))
    found = [sweep(tied(scan_of(bent), flat, places_of(*shape))[0], 2.0, workers=1) for shape in shapes]
    widths = [one.upper - one.worst.value for one in found]
    assert widths[0] > widths[1] > widths[2] > 0
    assert all(one.lower < one.worst.value < one.upper for one in found)


def test_stated_uncertainty_of_corrected_gaps_is_true():
    """Warp 6 mm over 2 m, readings u 0.6 mm: 95 % intervals hold the truth in 93 to 97 % of gaps."""
    warp, generator = CommonError(0.006, 2.0), np.random.default_rng(11)
    at, places, fields = smooth_fields(500, warp, generator)
    made = posterior(places, np.eye(12) * 0.6e-3**2, warp, np.array([1.0, 0.1, 0.1]), BOX)
    left, middle, right = (place[::97] for place in gaps_in_box(BOX, 2.0, arms=((1.0, 1.0), (0.4, 1.2))))
    # the truth of the gaps at free places comes from the field itself, continued exactly
    covariance = warp.covariance(at, at) + 1e-12 * np.eye(len(at))
    continued = [np.linalg.solve(covariance, warp.covariance(at, place)).T for place in (left, middle, right)]
    truth = [part @ fields.T for part in continued]
    read = fields[:, -12:] + generator.normal(0, 0.6e-3, (500, 12))
    trend, found = plane(BOX, PLANE), []
    for one in read:
        members = members_of(one_warp(warp), places, np.eye(12) * 0.6e-3**2, trend, one)
        known = replace(made, members=members)
        found.append(known.mean(np.vstack([left, middle, right])).reshape(3, -1))
    predicted = np.moveaxis(np.array(found), 0, -1)
    share = (np.hypot(*(right - middle).T) / np.hypot(*(right - left).T))[:, None]
    error = [p - t for p, t in zip(predicted, truth, strict=True)]
    gap_error = share * error[0] + (1 - share) * error[2] - error[1]
    inside = np.abs(gap_error) <= 1.96 * made.u_gap_at(left, middle, right)[:, None]
    assert 0.93 <= inside.mean() <= 0.97


def test_a_reading_that_disagrees_is_named_and_does_no_harm():
    noise = np.zeros(12)
    noise[4] = 0.012
    made, _, shown, notes = tied(scan_of(bent), flat, places_of(4, 3), noise=noise)
    clean, _, _, _ = tied(scan_of(bent), flat, np.delete(places_of(4, 3), 4, axis=0))
    assert shown.disagree == (4,)
    assert [it.place for it in notes if it.code == "relief.disagrees"] == [(0.15, 1.2)]
    assert_allclose(made.offset - made.offset.mean(), clean.offset - clean.offset.mean(), atol=0.6e-3)


def test_a_warp_larger_than_stated_is_noticed_and_used():
    scan = scan_of(lambda x, y: 0.012 * np.sin(1.4 * x) * np.cos(1.1 * y), warp=CommonError(0.003, 1.5))
    _, _, shown, notes = tied(scan, flat, places_of(5, 4))
    assert shown.warps.chord() > 1.5 * shown.stated
    assert any(it.code == "relief.larger-warp" for it in notes)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_readings_are_taken_for_what_they_are_worth(count):
    scan = scan_of(bent)
    made, _, _, notes = tied(scan, flat, places_of(4, 3)[:count])
    # about what was stated: the scan has no room for some, and three on a line show a bend that shapes explain apart
    assert 0.5 <= float(made.common.u_gap(1.0, 1.0)) / float(scan.common.u_gap(1.0, 1.0)) <= 1.3
    assert any(it.code == "relief.on-one-line" for it in notes)


def test_a_reading_off_the_wall_is_refused_by_place():
    with pytest.raises(BadTable, match=r"x 4\.200 m, y 1\.000 m stands outside wall 1"):
        tied(scan_of(flat), flat, np.vstack([places_of(2, 2), [4.2, 1.0]]))


def test_readings_where_nothing_was_measured_are_left_out_and_said():
    scan = scan_of(flat)
    gone = np.where(scan.places[0] > 2.0, np.nan, scan.offset)
    _, _, shown, notes = tied(replace(scan, offset=gone), flat, places_of(4, 3))
    assert len(shown.u) == 6
    (off,) = (it for it in notes if it.code == "relief.more-off-the-scan")
    assert (off.quantities["count"], off.quantities["more"], len(off.quantities["spots"])) == (6, 2, 4)
    with pytest.raises(TooFewPoints, match="none of 12 readings"):
        tied(replace(scan, offset=np.full_like(scan.offset, np.nan)), flat, places_of(4, 3))


def wavy(x, y):
    return 0.03 * np.sin(3 * x) * np.cos(2 * y + 0.4) + 0.02 * np.sin(2 * y - x)


@pytest.mark.parametrize(
    ("shown_as", "words"),
    [
        (lambda x, y: -wavy(x, y), "sense of the readings is the other way round"),
        (lambda x, y: wavy(WIDE - x, y), "from the right edge"),
        (lambda x, y: wavy(x, HIGH - y), "from the top"),
    ],
)
def test_readings_of_another_sense_or_corner_are_refused_with_the_slip(shown_as, words):
    with pytest.raises(MixedSurveys, match=words):
        tied(scan_of(wavy, warp=CommonError(0.001, 2.0)), shown_as, places_of(6, 4))
