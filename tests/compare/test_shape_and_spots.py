"""Registration by shape, following of surfaces, and the ledger of numbered spots."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.compare import Alignment, Found, following, ledger, shape_fit, together
from flatscan.compare.difference import CLOSED, OPEN, REOPENED
from flatscan.core.notes import note

BY_HAND = note("compare.by-wall", walls=(2,))
STILL = Alignment(np.eye(3), np.zeros(3), BY_HAND, 0.0)


def test_shape_finds_a_known_shift(relief_of, rough):
    earlier = relief_of(rough, noise=5e-5, seed=1)
    later = relief_of(lambda x, y: rough(x + 0.017, y - 0.008) + 0.02 - 0.002 * x, noise=5e-5, seed=2)
    found = shape_fit(earlier, later)
    assert_allclose(found.shift, [0.017, -0.008], atol=3 * found.u.max())
    assert found.u.max() < 0.003
    assert found.undetermined == ()


def test_shape_says_which_direction_it_does_not_fix(relief_of):
    # level ridges: nothing changes along the wall
    ridges = lambda x, y: 0.004 * np.sin(2 * np.pi * y / 0.8)  # noqa: E731
    later = lambda x, y: ridges(x, y + 0.01)  # noqa: E731
    found = shape_fit(relief_of(ridges, noise=1e-4, seed=1), relief_of(later, noise=1e-4, seed=2))
    assert found.undetermined == ("along",)
    assert found.shift[0] == 0
    assert found.shift[1] == pytest.approx(0.01, abs=5e-4)


def test_a_plane_fixes_nothing(relief_of):
    flat = lambda x, y: 0.003 * x  # noqa: E731
    found = shape_fit(relief_of(flat, noise=3e-4, u=3e-4, seed=1), relief_of(flat, noise=3e-4, u=3e-4, seed=2))
    assert found.undetermined == ("along", "up")


def test_shape_u_is_its_scatter(relief_of, rough):
    shifts = []
    for seed in range(40):
        pair = [relief_of(rough, noise=3e-4, u=3e-4, seed=2 * seed + k, cell=0.04) for k in range(2)]
        found = shape_fit(*pair)
        shifts.append(found.shift)
    assert_allclose(np.std(shifts, axis=0), found.u, rtol=0.35)


def test_stations_have_no_shape(stations_of):
    few = stations_of([0.1, 1.5, 2.9], [0.1, 1.2, 2.3], np.zeros((3, 3)))
    assert shape_fit(few, few).undetermined == ("along", "up")


def follow(relief_of, first, second, **given):
    return following(together(relief_of(first, seed=1, **given), relief_of(second, seed=2, **given), STILL))


def test_a_surface_follows_itself_wholly(relief_of, rough):
    found = follow(relief_of, rough, lambda x, y: 0.3 * rough(x, y) + 0.02)
    assert found.share == pytest.approx(1.0, abs=0.01)
    assert found.slope == pytest.approx(0.3, abs=0.005)


def test_noise_does_not_hide_the_share(relief_of, rough):
    # half follows, half is of its own: waves square to the wall's humps
    own = lambda x, y: 0.0012 * np.sin(2 * np.pi * x / 0.3)  # noqa: E731
    quiet = follow(relief_of, rough, lambda x, y: 0.5 * rough(x, y) + own(x, y))
    noisy = follow(relief_of, rough, lambda x, y: 0.5 * rough(x, y) + own(x, y), noise=8e-4, u=8e-4)
    assert 0.2 < quiet.share < 0.9
    assert noisy.share == pytest.approx(quiet.share, abs=0.03)


def test_unrelated_and_flat_surfaces(relief_of, rough):
    waves = lambda x, y: 0.002 * np.sin(2 * np.pi * x / 0.2)  # noqa: E731
    assert follow(relief_of, rough, waves).share < 0.02
    assert follow(relief_of, rough, lambda x, y: 0 * x, noise=2e-4, u=2e-4).share is None
    hollow = follow(relief_of, rough, lambda x, y: -0.5 * rough(x, y))
    assert hollow.correlation == pytest.approx(-1.0, abs=0.01)


def spot(x, y, depth, size=0.2):
    return Found(x, y, depth, size, size)


def test_spots_keep_their_number_to_sign_off():
    days = [
        [spot(1.0, 1.0, 0.003), spot(2.0, 1.5, 0.006)],
        [spot(2.05, 1.48, 0.003), spot(0.5, 2.0, 0.004)],
        [spot(0.5, 2.02, 0.004)],
        [spot(1.02, 1.0, 0.0025), spot(0.5, 2.0, 0.004)],
    ]
    book = ledger(days)
    assert [entry.number for entry in book] == [1, 2, 3]
    assert [(entry.x, entry.y) for entry in book] == [(2.0, 1.5), (1.0, 1.0), (0.5, 2.0)]
    assert book[0].depths == (0.006, 0.003, None, None)
    assert [entry.state for entry in book] == [CLOSED, REOPENED, OPEN]


def test_one_find_closes_no_two_spots():
    book = ledger([[spot(1.0, 1.0, 0.003), spot(1.12, 1.0, 0.004)], [spot(1.05, 1.0, 0.003)]])
    assert sorted(entry.state for entry in book) == [CLOSED, OPEN]
    # the nearer of the two keeps it
    assert next(entry for entry in book if entry.state == OPEN).x == 1.0


def test_a_broad_spot_keeps_its_number_though_its_deepest_place_moves():
    book = ledger([[spot(1.0, 1.0, 0.004, size=1.2)], [spot(1.4, 1.1, 0.003, size=0.5)]])
    assert len(book) == 1


def test_nothing_found_is_an_empty_book():
    assert ledger([]) == ()
    assert ledger([[], []]) == ()
