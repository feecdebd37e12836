"""A warp of unknown kind: the mixture against brute force, what scan and readings rule out, seams, slips."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relief_builders import grid_of
from scipy.stats import multivariate_normal
from warp_model import KINDS, WIDE, waves

from flatscan.core.geometry import Frame
from flatscan.core.model import Origin, Plumb, Readings, Wall
from flatscan.core.reliefs import Why
from flatscan.core.warp import CommonError
from flatscan.relief.before_readings import warps_of
from flatscan.relief.members import kept, members_of
from flatscan.relief.scan_shows import Shown, Uneven
from flatscan.relief.slips import SLIP_SHARE, SLIP_SIZE, left_out
from flatscan.relief.sweep_seams import seams
from flatscan.relief.tie import tie
from flatscan.relief.tied import mixed
from flatscan.relief.trend import plane
from flatscan.relief.unmeasured import unmeasured
from flatscan.relief.warps import Exponential, Matern, Warps, warps_like

HIGH, CELL, U = 2.4, 0.05, 0.65e-3
BOX = np.array([0.0, 0.0, WIDE, HIGH])
PLANE = np.array([1.0, 0.1, 0.1])
STATED = CommonError(0.008, 2.0)


def places_of(nx, ny, margin=0.1):
    across, upward = np.meshgrid(np.linspace(margin, WIDE - margin, nx), np.linspace(margin, HIGH - margin, ny))
    return np.column_stack([across.ravel(), upward.ravel()])


def cells():
    x, y = ((np.arange(round(size / CELL)) + 0.5) * CELL for size in (WIDE, HIGH))
    return np.meshgrid(x, y)


def on_cells(field):
    x, y = cells()
    return field(np.column_stack([x.ravel(), y.ravel()])).reshape(x.shape)


def scan_of(z, common=STATED):
    return grid_of(z, CELL, u=0.1e-3, common=common, half_a=z, half_b=z)


def tied(scan, places, read):
    outline = np.array([[0, 0], [WIDE, 0], [WIDE, HIGH], [0, HIGH]])
    wall = Wall(1, Frame(np.zeros(3), *np.eye(3)), outline, (), 1.0, "made", "made", Plumb(None, None))
    readings = Readings(Origin("ties.csv", "0", "made", "mm", len(read)), places[:, 0], places[:, 1], read, U)
    return tie(scan, wall, readings, laser=CommonError(0.3e-3), u_laser_lean=0.17e-3)


def some_warps():
    shapes = CommonError(0.004, 2.0), Matern(0.003, 0.7), Exponential(0.002, 1.0)
    return Warps(shapes, np.array([0.5, 2.0]), np.log(np.array([[0.1, 0.2], [0.3, 0.1], [0.2, 0.1]])))


@pytest.fixture(scope="module")
def forced():
    """Readings, and every model conditioned on them one by one without any of the algebra that is tested."""
    rng = np.random.default_rng(2)
    places, at = rng.uniform(0, 2, (7, 2)), rng.uniform(0, 2, (9, 2))
    noise, value = np.diag(rng.uniform(0.3e-3, 1e-3, 7) ** 2), rng.normal(0, 3e-3, 7)
    warps, both = some_warps(), np.vstack([at, places])
    terms = np.column_stack([np.ones(16), both - [WIDE / 2, HIGH / 2]])
    weights, means, covariances = [], [], []
    for shape, row in zip(warps.shapes, warps.weights, strict=True):
        for square, weight in zip(warps.squares, row, strict=True):
            joint = square * shape.covariance(both, both) + terms @ np.diag(PLANE**2) @ terms.T
            seen = joint[9:, 9:] + noise
            gain = joint[:9, 9:] @ np.linalg.inv(seen)
            weights.append(weight * multivariate_normal(np.zeros(7), seen).pdf(value))
            means.append(gain @ value)
            covariances.append(joint[:9, :9] - gain @ joint[9:, :9])
    return places, at, noise, value, np.array(weights), np.array(means), np.array(covariances)


def test_weights_are_those_of_the_normal_densities(forced):
    places, _, noise, value, weights, _, _ = forced
    members = members_of(some_warps(), places, noise, plane(BOX, PLANE), value)
    logs = some_warps().but(np.stack([one.log_likelihood() for one in members]))
    assert_allclose(logs.weights.ravel(), weights / weights.sum(), rtol=1e-5)


def test_what_is_left_is_the_mean_of_the_models_and_what_keeps_them_apart(forced):
    places, at, noise, value, weights, means, covariances = forced
    weights = weights / weights.sum()
    mean = weights @ means
    whole = np.einsum("k,kij->ij", weights, covariances) + (weights[:, None] * (means - mean)).T @ (means - mean)
    trend = plane(BOX, PLANE)
    members = members_of(some_warps(), places, noise, trend, value)
    logs = some_warps().but(np.stack([one.log_likelihood() for one in members]))
    made = mixed(kept(members, logs.weights), trend, places, BOX, length=1.0)
    # the least likely models, 0.3 % in all, are left out
    assert_allclose(made.covariance(at, at), whole, atol=0.02 * np.trace(whole) / 9)
    assert_allclose(made.mean(at), mean, atol=0.02 * np.abs(mean).max())
    every = mixed(
        tuple(replace(one, weights=row) for one, row in zip(members, logs.weights, strict=True)),
        trend,
        places,
        BOX,
        length=1.0,
    )
    assert_allclose(every.covariance(at, at), whole, atol=1e-9)
    assert_allclose(every.mean(at), mean, atol=1e-6)
    three, share = np.array([at[0], at[0] + [0.3, 0.4], at[0] + [0.9, 1.2]]), 2 / 3
    form = np.array([share, -1.0, 1 - share])
    slow = np.sqrt(form @ every.covariance(three, three) @ form)
    assert float(every.u_gap_at(*three)) == pytest.approx(slow, rel=1e-4)


def test_odds_of_a_slip_are_those_of_the_densities_with_and_without(forced):
    places, _, noise, value, _, _, _ = forced
    members = members_of(some_warps(), places, noise, plane(BOX, PLANE), value)
    logs = some_warps().but(np.stack([one.log_likelihood() for one in members])).log_weights
    wide = noise.copy()
    wide[3, 3] += SLIP_SIZE**2
    terms = np.column_stack([np.ones(7), places - [WIDE / 2, HIGH / 2]])

    def evidence(some):
        return sum(
            weight * multivariate_normal(
                np.zeros(7), square * shape.covariance(places, places) + terms @ np.diag(PLANE**2) @ terms.T + some
            ).pdf(value)
            for shape, row in zip(some_warps().shapes, some_warps().weights, strict=True)
            for square, weight in zip(some_warps().squares, row, strict=True)
        )  # fmt: skip

    odds = evidence(wide) / evidence(noise) * SLIP_SHARE / (1 - SLIP_SHARE)
    assert left_out(members, logs).log_odds[3] == pytest.approx(np.log(odds), abs=1e-5)


def test_stated_chord_is_what_every_shape_has():
    warps = warps_like(STATED, size_known=True)
    assert warps.chord() == pytest.approx(float(STATED.u_gap(1.0, 1.0)), rel=1e-9)
    assert warps.lengths(0.999)[0] <= 0.35
    assert warps.lengths(0.999)[1] >= 5.6


def test_a_flat_scan_has_no_room_for_a_short_warp_of_the_stated_size():
    flat = scan_of(np.random.default_rng(1).normal(0, 0.05e-3, cells()[0].shape))
    left = warps_of(flat)
    assert min(shape.length for shape, row in zip(left.shapes, left.weights, strict=True) if row.sum() > 1e-3) >= 0.7


def test_flat_readings_on_a_bumpy_scan_leave_the_bumps_to_the_warp():
    generator = np.random.default_rng(3)
    scan = scan_of(on_cells(waves(0.7, 0.008, generator)))
    places, warps = places_of(5, 4), warps_like(STATED)
    shown = Shown.of(scan, warps, (), places)
    # readings that say nothing of the warp: only how even they show the wall counts
    members = members_of(warps, places, 1e6 * np.eye(20), plane(BOX, PLANE), np.zeros(20))
    even, bumpy = (Uneven.of(places, generator.normal(0, sd, 20), np.full(20, U)) for sd in (0.7e-3, 8e-3))
    sizes = [warps.but(shown.log_likelihood(members, one)).chord() for one in (even, bumpy)]
    assert sizes[0] > 2 * sizes[1]
    # too small a warp is all but ruled out by the one and not by the other
    least = [shown.log_likelihood(members, one)[:, 0].max() for one in (even, bumpy)]
    assert least[0] < -5 < least[1] == 0


def stepped(at_x, jump, lean=0.0):
    def field(at):
        return jump * ((at[:, 0] - at_x) * np.cos(lean) + (at[:, 1] - HIGH / 2) * np.sin(lean) > 0)

    return field


@pytest.mark.parametrize("lean", [0.0, 0.12, -0.1])
def test_a_seam_is_found_where_it_is(lean):
    generator = np.random.default_rng(6)
    smooth = on_cells(waves(2.0, 0.008, generator)) + on_cells(waves(0.6, 0.001, generator))
    (found,) = seams(scan_of(smooth + on_cells(stepped(1.83, 0.004, lean)) + generator.normal(0, 1e-4, smooth.shape)))
    assert abs(found.jump) == pytest.approx(0.004, rel=0.1)
    ends = np.array([[1.83 + s * HIGH / 2 * np.tan(lean), HIGH / 2 - s * HIGH / 2] for s in (-1.0, 1.0)])
    assert_allclose(found.off(ends), 0.0, atol=found.wide)


@pytest.mark.parametrize("kind", ["Gaussian, as stated", "doming", "drift along a sweep", "short, 0.7 m"])
def test_a_surface_without_a_step_has_no_seam(kind):
    generator = np.random.default_rng(7)
    x, y = cells()
    hump = 0.008 * np.exp(-((x - 2.3) ** 2 + (y - 1.1) ** 2) / (2 * 0.15**2))
    assert seams(scan_of(on_cells(KINDS[kind](generator)) + hump)) == ()


@pytest.mark.parametrize(("of_the_wall", "taken"), [(0.0, 0.004), (0.004, 0.0)])
def test_readings_tell_whether_a_step_is_the_scans(of_the_wall, taken):
    generator, places = np.random.default_rng(8), places_of(6, 4)
    smooth = waves(2.0, 0.002, generator)
    z = on_cells(smooth) + on_cells(stepped(1.83, 0.004))
    read = stepped(1.83, of_the_wall)(places) + generator.normal(0, U, 24)
    made, _, shown, notes = tied(scan_of(z, CommonError(0.002, 2.0)), places, read)
    (step,), (u,) = shown.steps, shown.u_steps
    assert abs(abs(step) - taken) < 2 * u < 0.003
    assert "relief.step-taken-out" in [it.code for it in notes]
    seam = made.why == Why.SEAM
    assert np.isnan(made.offset[seam]).all()
    assert 0.02 < seam.mean() < 0.05
    (part,) = unmeasured(made, Wall(1, Frame(np.zeros(3), *np.eye(3)), np.array([[0, 0], [WIDE, 0], [WIDE, HIGH],
                         [0, HIGH]]), (), 1.0, "made", "made", Plumb(None, None)))  # fmt: skip
    assert (part.why, part.reason.code) == (Why.SEAM, "relief.seam")


def test_a_slip_where_the_others_tell_what_to_expect_is_named_and_one_where_they_do_not_is_said():
    generator, places = np.random.default_rng(9), places_of(5, 4)
    calm, rough = (on_cells(waves(length, sd, generator)) for length, sd in ((2.5, 0.002), (0.5, 0.008)))
    read = generator.normal(0, U, 20) + 0.005 * (np.arange(20) == 7)
    _, _, shown, _ = tied(scan_of(calm, CommonError(0.002, 2.5)), places, read)
    assert shown.disagree == (7,)
    assert 7 not in shown.unseen
    _, _, shown, notes = tied(scan_of(rough), places, read)
    assert shown.disagree == ()
    assert len(shown.unseen) == 20
    assert "relief.no-slip-seen" in [it.code for it in notes]


@pytest.mark.parametrize("kind", ["short, 0.7 m", "drift along a sweep"])
def test_truth_lies_within_what_is_said_for_warps_that_were_not_stated(kind):
    held = []
    for seed in range(4):
        generator, places = np.random.default_rng(seed), places_of(4, 3)
        wall, error = waves(0.6, 0.8e-3, generator), KINDS[kind](generator)
        z = on_cells(wall) + on_cells(error)
        made, *_ = tied(scan_of(z), places, wall(places) + generator.normal(0, U, 12))
        wrong = made.offset - on_cells(wall)
        row, col = (one.ravel() for one in np.meshgrid(np.arange(2, 48, 7), np.arange(0, 40, 5)))
        gap = (wrong[row, col] + wrong[row, col + 40]) / 2 - wrong[row, col + 20]
        triples = [np.column_stack([(col + k + 0.5) * CELL, (row + 0.5) * CELL]) for k in (0, 20, 40)]
        ratio = gap / made.common.u_gap_at(*triples)
        held.append((np.abs(ratio[np.isfinite(ratio)]) <= 1.96).mean())
    assert np.mean(held) >= 0.88
