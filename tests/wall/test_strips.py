"""A small sample of what scripts/prove_strips.py shows of ray-cast corners."""

import prove_strips as prove
from numpy.testing import assert_allclose

POINTS = 250_000


def test_cells_beside_a_strip_are_not_pulled_out_of_place():
    plan = prove.SKIRTED
    wall, relief = prove.scanned(61, plan=plan, noise=0.001, mixed=0.5, points=POINTS)
    edges = prove.edges_of(wall, relief, plan.shape)
    assert set(edges) == {"left", "foot", "right", "head"}
    for edge in edges.values():
        assert 0.003 <= edge.strip <= 0.02
        assert abs(edge.pull) < edge.u + 2 * edge.u_pull
    assert prove.unmeasured(relief) < 0.02
    assert_allclose(wall.outline[:, 1].min() - wall.whole[:, 1].min(), plan.skirting[1], atol=0.015)


def test_a_round_corner_is_left_out_and_no_more():
    wall, relief = prove.scanned(62, plan=prove.EMPTY, noise=0.001, mixed=0.0, points=POINTS, radius=0.03)
    edges = prove.edges_of(wall, relief, prove.SHAPE)
    assert_allclose([edges["left"].strip, edges["right"].strip], 0.03, atol=0.008)
    assert all(abs(edge.pull) < edge.u + 2 * edge.u_pull for edge in edges.values())
