"""Stop signs fire on value + 1.645 u, and say what was not looked at."""

from dataclasses import replace

import pytest

from flatscan.core.errors import BadValue
from flatscan.plan.finish import place
from flatscan.plan.stops import not_judged, stops, thick_caution
from flatscan.report.say import say


def leaning(build, slope, u_lean):
    relief = build.cells(4.0, 2.5, lambda x, y: slope * y, cell=0.1)
    wall = build.wall(4.0, 2.5, u_lean=u_lean)
    return relief, wall, build.shape(relief, 2.5)


def test_lean_with_its_uncertainty(build):
    """2.5 m high: 9 mm per m is 22.5 mm; u 0.5 mm per m adds 1.645 x 1.25 = 2.06 (24.6: none), 0.7 adds 2.9: stop."""
    assert stops(*leaning(build, 0.009, 0.0005)) == ()
    (sign,) = stops(*leaning(build, 0.009, 0.0007))
    assert "leans into the room by 22.5 mm" in say(sign)
    assert "structural engineer" in say(sign)
    (away,) = stops(*leaning(build, -0.011, 0.0))
    assert "away from the room" in say(away)


def test_lean_is_not_judged_where_plumb_is_unknown(build):
    relief, wall, shape = leaning(build, 0.02, None)
    assert stops(relief, wall, shape) == ()
    assert "plumb" in say(not_judged(wall)[0])


@pytest.mark.parametrize(("belly", "fires"), [(0.0249, False), (0.0251, True), (-0.03, True)])
def test_bulge_over_25_mm(build, belly, fires):
    relief, wall, shape = leaning(build, 0.0, 0.0)
    assert bool(stops(relief, wall, replace(shape, belly_along=belly))) is fires


def test_unknown_belly_is_no_sign(build):
    relief, wall, shape = leaning(build, 0.0, 0.0)
    assert stops(relief, wall, replace(shape, belly_along=None, belly_up=None)) == ()


def test_thick_build_up(build):
    relief = build.cells(4.0, 2.5, lambda x, y: -0.0361 * ((x > 1) & (x < 1.5)), cell=0.1)
    wall = build.wall(4.0, 2.5)
    done = place(relief, wall)
    signs = stops(relief, wall, build.shape(relief, 2.5), done)
    assert any("41.1 mm" in say(sign) and "board or rebuild" in say(sign) for sign in signs)
    assert "designer" in say(thick_caution(done)[0])


def test_seen_on_site(build):
    relief, wall, shape = leaning(build, 0.0, 0.0)
    (sign,) = stops(relief, wall, shape, seen=("damp",))
    assert "damp specialist" in say(sign)
    with pytest.raises(BadValue, match="ghosts"):
        stops(relief, wall, shape, seen=("ghosts",))
