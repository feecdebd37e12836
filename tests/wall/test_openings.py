"""Doors, windows and small holes: their edges, and the evidence without which a hole is only not measured."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.wall import find_walls
from flatscan.wall.openings import largest_rectangle

DOOR, WINDOW = (0.6, 0.0, 0.9, 2.05), (2.2, 0.9, 1.1, 1.2)
SOCKETS = ((1.7, 0.3, 0.08, 0.08), (3.6, 1.2, 0.15, 0.09))


def edges(openings):
    return [(o.left, o.bottom, o.right, o.top) for o in openings]


def true_edges(holes):
    return sorted((left, bottom, left + width, bottom + height) for left, bottom, width, height in holes)


@pytest.mark.parametrize(("points", "within"), [(20_000, 0.030), (100_000, 0.015), (250_000, 0.010)])
def test_door_and_window_to_30_mm(rooms, as_cloud, points, within):
    """20 000 points on 10 m2 stand 22 mm apart."""
    cloud, _ = rooms.build_wall(1, openings=(DOOR, WINDOW), reveal=0.1, points=points)
    wall = find_walls(as_cloud(cloud, most=1_000_000)).walls[0]
    assert_allclose(edges(wall.openings), true_edges((DOOR, WINDOW)), atol=within)
    assert all(opening.evidence.code == "wall.reveal" for opening in wall.openings)


@pytest.mark.parametrize("points", [60_000, 200_000])
def test_small_holes_to_20_mm(rooms, as_cloud, points):
    """60 000 points on 10 m2 stand 13 mm apart."""
    cloud, _ = rooms.build_wall(2, openings=SOCKETS, reveal=0.05, points=points)
    wall = find_walls(as_cloud(cloud, most=1_000_000)).walls[0]
    assert_allclose(edges(wall.openings), true_edges(SOCKETS), atol=0.020)


def test_a_hole_without_evidence_is_not_an_opening(rooms, as_cloud):
    cloud, _ = rooms.build_wall(3, openings=(WINDOW,))
    wall = find_walls(as_cloud(cloud)).walls[0]
    assert wall.openings == ()
    notes = {note.code: note for note in wall.notes}
    assert notes["wall.not-measured"].quantities["area"].value == pytest.approx(1.32, abs=0.03)
    assert "wall.maybe-opening" in notes


def test_points_seen_through_it_prove_a_hole(rooms, as_cloud):
    """A scanner 2 m before the wall sees a far surface through the hole only: the crossings fall into it."""
    pose = rooms.Pose()
    cloud, _ = rooms.build_wall(4, openings=(WINDOW,), pose=pose)
    middle = np.array([2.0, 1.25, 2.0])
    stand = np.array([1.2, 1.5, 2.0])
    x, y = np.random.default_rng(1).uniform((2.2, 0.9), (3.3, 2.1), (4000, 2)).T
    crossing = np.column_stack([x, y, np.zeros(4000)])
    beyond = stand + (crossing - stand) * 1.9
    points = np.concatenate([cloud, pose.to_file(beyond - middle)])
    wall = find_walls(as_cloud(points, stands=pose.to_file(stand[None] - middle))).walls[0]
    assert_allclose(edges(wall.openings), true_edges([WINDOW]), atol=0.015)
    assert wall.openings[0].evidence.code == "wall.seen-through"


def test_the_next_room_behind_the_whole_wall_proves_nothing(rooms, as_cloud):
    """A partition's other face lies behind the solid wall as well as behind furniture's shadow."""
    pose = rooms.Pose()
    cloud, _ = rooms.build_wall(5, openings=(WINDOW,), pose=pose)
    rng = np.random.default_rng(2)
    other = np.column_stack([rng.uniform(0, 4, 60_000), rng.uniform(0, 2.5, 60_000), rng.normal(-0.12, 0.002, 60_000)])
    points = np.concatenate([cloud, pose.to_file(other - [2.0, 1.25, 2.0])])
    walls = find_walls(as_cloud(points, most=1_000_000), seen_from=np.zeros(3)).walls
    front = min(walls, key=lambda w: abs((w.frame.at @ pose.axes()[2]) + 2.0))
    assert front.openings == ()


def test_a_door_leaf_set_back_proves_a_door(rooms, as_cloud):
    """A closed leaf 35 mm behind the face: no reveal deeper than that, and points all over the hole."""
    pose = rooms.Pose()
    cloud, _ = rooms.build_wall(6, openings=(DOOR,), pose=pose)
    rng = np.random.default_rng(3)
    leaf = np.column_stack(
        [rng.uniform(0.6, 1.5, 18_000), rng.uniform(0, 2.05, 18_000), rng.normal(-0.035, 0.002, 18_000)]
    )
    points = np.concatenate([cloud, pose.to_file(leaf - [2.0, 1.25, 2.0])])
    wall = find_walls(as_cloud(points)).walls[0]
    assert_allclose(edges(wall.openings), true_edges([DOOR]), atol=0.025)
    assert wall.openings[0].evidence.code == "wall.set-back"


def test_a_deep_smooth_hollow_is_wall(rooms, as_cloud):
    """25 mm deep over half a metre: the worst of the wall, and no door."""
    shape = rooms.Shape(4.0, 2.5, humps=((2.0, 1.2, -0.025, 0.2),))
    cloud, _ = rooms.build_wall(7, shape=shape)
    assert find_walls(as_cloud(cloud)).walls[0].openings == ()


def test_openings_of_the_furnished_room(furnished):
    _, truth, room = furnished
    wall = room.walls[0]
    expected = [(o["left_mm"], o["bottom_mm"], o["width_mm"], o["height_mm"]) for o in truth["openings"]]
    found = [(o.left * 1000, o.bottom * 1000, o.width * 1000, o.height * 1000) for o in wall.openings]
    assert_allclose(found, expected, atol=30)


def test_what_furniture_hides_is_said_and_no_opening(furnished):
    wall = furnished[2].walls[0]
    (hidden,) = (note for note in wall.notes if note.code == "wall.not-measured")
    assert "wall.hidden-hole" in [hole.code for hole in hidden.quantities["holes"]]
    assert "wall.maybe-opening" not in [note.code for note in wall.notes]


def test_the_wall_opposite_has_its_own_opening(furnished):
    """Seen from inside, left and right change places: 4.2 - 1.2 - 2.4 = 0.6 m from the left."""
    far = furnished[2].walls[2]
    assert_allclose(edges(far.openings), [(0.6, 0.0, 3.0, 2.1)], atol=0.07)


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        (["...", "...", "..."], (0, 0, 0, 0)),
        (["###", "###"], (0, 0, 2, 3)),
        ([".#.", "###", ".#."], (1, 0, 2, 3)),
        (["##..", "####", "####", "...#"], (1, 0, 3, 4)),
        (["....", ".##.", ".##.", "...."], (1, 1, 3, 3)),
    ],
)
def test_largest_rectangle_by_head(rows, expected):
    assert largest_rectangle(np.array([[c == "#" for c in row] for row in rows])) == expected


def test_largest_rectangle_against_all_rectangles():
    """A slow second way: every rectangle of a small mask."""
    rng = np.random.default_rng(8)
    for _ in range(60):
        mask = rng.random((6, 7)) < 0.7
        best = max(
            ((r1 - r0) * (c1 - c0) if mask[r0:r1, c0:c1].all() else 0)
            for r0 in range(6)
            for r1 in range(r0 + 1, 7)
            for c0 in range(7)
            for c1 in range(c0 + 1, 8)
        )
        r0, c0, r1, c1 = largest_rectangle(mask)
        assert (r1 - r0) * (c1 - c0) == best
        assert mask[r0:r1, c0:c1].all()
