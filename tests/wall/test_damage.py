"""Odd clouds: always walls or one of our own errors, never another exception."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flatscan.core.errors import FlatscanError
from flatscan.wall import find_walls

KINDS = ("noise", "line", "plane", "two points", "grid", "far strays", "three planes", "shell", "sliver", "steps")


def odd_points(kind, n, size, seed):
    rng = np.random.default_rng(seed)
    u, v, w = rng.uniform(0, size, (3, n))
    flat = np.column_stack([u, v, rng.normal(0, 0.003, n)])
    made = {
        "noise": lambda: np.column_stack([u, v, w]),
        "line": lambda: np.column_stack([u, 2 * u, -u]) + rng.normal(0, 1e-4, (n, 3)),
        "plane": lambda: flat[:, [0, 2, 1]],
        "two points": lambda: np.where((u > size / 2)[:, None], [0.0, 0, 0], [size, size, size]),
        "grid": lambda: np.round(flat[:, [0, 2, 1]] / 0.05) * 0.05,
        "far strays": lambda: np.concatenate([flat[:, [0, 2, 1]], rng.uniform(-40, 40, (20, 3))]),
        "three planes": lambda: np.concatenate([flat, flat[:, [0, 2, 1]], flat[:, [2, 0, 1]]]),
        "shell": lambda: size * rng.normal(size=(n, 3)) / np.sqrt(3),
        "sliver": lambda: np.column_stack([u, rng.normal(0, 0.003, n), v * 0.01]),
        "steps": lambda: np.column_stack([u, np.round(v / 0.07) * 0.07, w]),
    }
    return made[kind]()


@given(
    kind=st.sampled_from(KINDS),
    n=st.integers(100, 3000),
    size=st.floats(0.1, 30),
    seed=st.integers(0, 99),
    up=st.sampled_from([None, "z", "-y"]),
    seen=st.booleans(),
)
@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_odd_clouds_give_walls_or_our_own_error(as_cloud, kind, n, size, seed, up, seen):
    points = odd_points(kind, n, size, seed)
    try:
        room = find_walls(as_cloud(points), up=up, seen_from=np.array([1.0, -2.0, 1.0]) if seen else None)
    except FlatscanError:
        return
    for wall in room.walls:
        assert np.isfinite(wall.outline).all()
        assert wall.width > 0
        assert wall.height > 0
        assert wall.gross_area > 0
        assert np.isfinite(wall.frame.at).all()
        for opening in wall.openings:
            assert opening.width > 0
            assert opening.height > 0


@pytest.mark.parametrize(("n", "size"), [(300, 0.4), (3000, 0.4), (3000, 3.0)])
def test_a_heap_of_points_holds_no_wall(as_cloud, n, size):
    points = np.random.default_rng(1).uniform(0, size, (n, 3))
    with pytest.raises(FlatscanError):
        find_walls(as_cloud(points), up="z", seen_from=np.array([1.0, -9.0, 1.0]))


def test_a_sparse_survey_is_still_a_wall(as_cloud):
    """150 points on 3 x 3 m stand 245 mm apart: edges to about that."""
    points = odd_points("plane", 150, 3.0, 1)
    wall = find_walls(as_cloud(points), up="z", seen_from=np.array([1.0, -2.0, 1.0])).walls[0]
    assert [wall.width, wall.height] == pytest.approx([3.0, 3.0], abs=0.25)


@pytest.mark.parametrize("repeat", [2, 4, 30])
def test_repeated_rows_change_nothing_but_counts(rooms, as_cloud, repeat):
    points, _ = rooms.build_wall(1, points=20_000)
    once = find_walls(as_cloud(points)).walls[0]
    often = find_walls(as_cloud(np.repeat(points, repeat, axis=0), most=2_000_000)).walls[0]
    assert abs(once.width - often.width) < 0.02
    assert abs(once.height - often.height) < 0.02


def test_coordinates_rounded_to_10_mm_change_little(rooms, as_cloud):
    """Ten points on every spot of a 10 mm lattice: the cells must not be drawn finer than the lattice."""
    points, _ = rooms.build_wall(1, points=1_000_000, pose=rooms.Pose(yaw=0.0))
    wall = find_walls(as_cloud(np.round(points, 2), most=400_000), up="z").walls[0]
    assert [wall.width, wall.height] == pytest.approx([4.0, 2.5], abs=0.02)
    assert wall.openings == ()
    assert "wall.not-measured" not in [note.code for note in wall.notes]


def test_a_sample_with_a_value_that_is_not_finite_is_refused(rooms, as_cloud):
    points, _ = rooms.build_wall(1, points=2000)
    points[7, 1] = np.nan
    with pytest.raises(FlatscanError, match="values that are not numbers"):
        find_walls(as_cloud(points))
