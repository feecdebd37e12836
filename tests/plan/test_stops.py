"""Stop signs stand on the best estimate and need area; value + 1.645 u is not ruled out; what was not looked at."""

from dataclasses import replace

import numpy as np
import pytest

from flatscan.core.errors import BadValue
from flatscan.plan.finish import place
from flatscan.plan.stops import not_judged, not_ruled_out, stops
from flatscan.report.say import say


def leaning(build, slope, u_lean):
    relief = build.cells(4.0, 2.5, lambda x, y: slope * y, cell=0.1)
    wall = build.wall(4.0, 2.5, u_lean=u_lean)
    return relief, wall, build.shape(relief, 2.5)


def test_lean_and_what_its_uncertainty_leaves_open(build):
    """2.5 m high: 9 mm per m is 22.5 mm; u 0.5 mm per m adds 1.645 x 1.25 = 2.06 (24.6: ruled out), 0.7 adds 2.9."""
    assert not_ruled_out(*leaning(build, 0.009, 0.0005)) == ()
    assert stops(*leaning(build, 0.009, 0.0007)) == ()
    (open_still,) = not_ruled_out(*leaning(build, 0.009, 0.0007))
    assert "not ruled out" in say(open_still)
    assert "leans into the room by 22.5 mm" in say(open_still)
    (sign,) = stops(*leaning(build, 0.011, 0.0007))
    assert "structural engineer" in say(sign)
    assert not_ruled_out(*leaning(build, 0.011, 0.0007)) == ()
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


@pytest.mark.parametrize(("wide", "stands"), [(0.1, False), (0.2, False), (0.5, True)])
def test_a_narrow_chase_is_no_stop_sign_and_as_deep_an_area_is(build, wide, stands):
    """0.2 m x 2.4 m is 0.48 m2, over the 0.25 asked for, and narrower than 0.3 m; 0.5 m x 2.4 m is both."""
    relief = build.cells(4.0, 2.4, lambda x, y: -0.060 * (np.abs(x - 2.0) < wide / 2), cell=0.05)
    wall = build.wall(4.0, 2.4)
    done = place(relief, wall)
    assert done.most == pytest.approx(0.065, abs=1e-4)
    assert bool(stops(relief, wall, build.shape(relief, 2.4), done)) is stands


def test_seen_on_site(build):
    relief, wall, shape = leaning(build, 0.0, 0.0)
    (sign,) = stops(relief, wall, shape, seen=("damp",))
    assert "damp specialist" in say(sign)
    with pytest.raises(BadValue, match="ghosts"):
        stops(relief, wall, shape, seen=("ghosts",))
