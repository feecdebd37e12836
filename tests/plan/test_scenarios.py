"""Seven jobs of the trade from wall to order, with answers worked by hand in each docstring."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue, Infeasible
from flatscan.plan.coats import bags_per_m3, bands
from flatscan.plan.finish import FixedPoint, PlaneOptions, place
from flatscan.plan.hacking import HackOptions, hacking_plan
from flatscan.plan.other_planes import choices
from flatscan.plan.stops import stops
from flatscan.plan.systems import load
from flatscan.plan.takeoff import TakeOffOptions, take_off
from flatscan.report.say import say


def test_belly(build):
    """A brick wall 4 x 2.5 m, 12 mm proud in the middle, a parabola along: z = 12 (1 - (x - 2)^2 / 4).

    Crest 12, mean 8: plumb takes 5 + 12 - 8 = 9 mm, 5 at the crest and 17 at the ends, 90 L. No turn pays, nothing
    may be hacked (it is a bulge), and under 25 mm no stop sign stands. Undercoat 7 mm: 70 x 0.75 x 1.1 = 57.75 kg =
    2.31 bags; 17 mm is 4 over the 13 of two coats, so the ends are dubbed out.
    """
    relief = build.cells(4.0, 2.5, lambda x, y: 0.012 * (1 - (x - 2) ** 2 / 4))
    wall = build.wall(4.0, 2.5)
    done = place(relief, wall, options=PlaneOptions(turn_up_to=0.005))
    assert_allclose([done.least, done.mean, done.most], [0.005, 0.009, 0.017], atol=2e-4)
    assert done.plane.turn == 0
    assert_allclose(done.volume.value, 0.090, rtol=2e-3)
    assert hacking_plan(relief, wall).hacks == ()
    assert stops(relief, wall, build.shape(relief, 2.5, belly_along=0.012), done) == ()
    order = take_off(done, relief, load("gypsum-undercoat"))
    assert [say(coat.name) for coat in order.coats] == ["dubbing out", "undercoat", "finish"]
    assert_allclose(sum(coat.bags for coat in order.coats[:2]), 2.31, rtol=5e-3)


def test_step(build):
    """Two lifts of blockwork on 4 x 2.4 m: from 1.2 m up 15 mm proud. Plumb: 5 above, 20 below, mean 12.5, 120 L.

    Hacking is refused (it is no narrow hump). Below, 20 mm is 4.8 m2 in two passes.
    """
    relief = build.cells(4.0, 2.4, lambda x, y: 0.015 * (y > 1.2))
    wall = build.wall(4.0, 2.4)
    done = place(relief, wall)
    assert_allclose([done.least, done.mean, done.most], [0.005, 0.0125, 0.020], rtol=1e-9)
    assert_allclose(done.volume.value, 0.120, rtol=1e-9)
    assert hacking_plan(relief, wall).hacks == ()
    zones = bands(done, relief)
    assert_allclose(
        [(zone.low, zone.area, zone.volume) for zone in zones], [(0.005, 4.8, 0.024), (0.020, 4.8, 0.096)], rtol=1e-9
    )


def test_lean_with_a_fixed_lining(build):
    """3 x 2.4 m leaning 12 mm out at the top (5 mm per m), a door lining 14 mm proud of the wall line at the foot.

    Plumb needs 12 + 5 = 17 at the lining: 3 mm short, and the message says so. Leaning 3 mm per m is allowed: the face
    passes 14 at y = 0, is 21.2 at the top against 12, so fits, and the least lean that does: 14 + c 2.39 =
    11.95 + 5, c = 1.234 mm per m.
    """
    relief = build.cells(3.0, 2.4, lambda x, y: 0.005 * y)
    wall = build.wall(3.0, 2.4)
    lining = FixedPoint(0.0, 0.0, 0.014, name="the door lining")
    with pytest.raises(Infeasible, match=r"leaves 2\.9 mm too little cover under the door lining"):
        place(relief, wall, options=PlaneOptions(fixed=(lining,)))
    done = place(relief, wall, options=PlaneOptions(fixed=(lining,), lean_up_to=0.003))
    assert_allclose(done.plane.at(0.0, 0.0), 0.014, atol=1e-9)
    assert_allclose(done.plane.lean, (0.01195 + 0.005 - 0.014) / 2.39, rtol=1e-5)
    listed = choices(relief, wall, build.shape(relief, 2.4), options=PlaneOptions(fixed=(lining,)))
    assert listed[0].build_up is None
    assert listed[1].build_up is not None


def test_one_nib(build):
    """A mortar nib 0.2 m square, 12 mm proud, on a flat party wall of 14.4 m2 (6 x 2.4 m): 1 mm is 14.4 L.

    V0 = 14.4 x 17 - 0.48 = 244.32; cut by the 10 mm allowed, 2 stay: V1 = 14.4 x 7 - 0.04 x 2 = 100.72: saves
    143.6 L, at 0.75 kg a litre and 25 kg a bag 4.308 bags.
    """
    relief = build.cells(6.0, 2.4, lambda x, y: 0.012 * ((np.abs(x - 2.1) < 0.1) & (np.abs(y - 1.3) < 0.1)))
    wall = build.wall(6.0, 2.4)
    assert_allclose(place(relief, wall).volume.value, 0.24432, rtol=1e-9)
    options = HackOptions(bags_per_m3=bags_per_m3(load("gypsum-undercoat")))
    (hack,) = hacking_plan(relief, wall, options=options).hacks
    assert_allclose([hack.cut, hack.saves, hack.saves_bags], [0.010, 0.1436, 4.308], rtol=1e-9)


def test_gable(build):
    """A gable 6 m wide, 2.4 m at the eaves, 4.8 m at the ridge (21.6 m2), leaning in: 3 mm per m away at the top.

    The foot governs: 5 mm there, 5 + 3 y elsewhere; centroid (14.4 x 1.2 + 7.2 x 3.2) / 21.6 = 1.8667 m: mean 10.6
    and 228.96 L; most 5 + 14.4 at the ridge.
    """
    outline = np.array([[0, 0], [6, 0], [6, 2.4], [3, 4.8], [0, 2.4]], float)

    def inside(x, y):
        return y < 2.4 + 0.8 * np.minimum(x, 6 - x)

    relief = build.cells(6.0, 4.8, lambda x, y: -0.003 * y, inside=inside)
    wall = build.wall(6.0, 4.8, outline=outline)
    done = place(relief, wall)
    assert_allclose(wall.gross_area, 21.6, rtol=1e-12)
    assert_allclose([done.mean, done.most], [0.0106, 0.0194], atol=6e-5)
    assert_allclose(done.volume.value, 0.22896, rtol=6e-3)


def test_damp_rubble(build):
    """Rubble 4 x 2.4 m on a laser grid: behind the laser 100 mm, stones 0 to 30 mm hollow, damp at the foot.

    Readings of 5 x 3 stations, each row 0, 10, 30, 20, 5 mm hollow: face at -100 + 5. Columns own 0.8 m each: mean
    hollow 13 mm, so 18 mm and 172.8 L; 35 at the most. Gypsum must not go on damp; lime
    reaches it. Damp seen on site is a stop, so nothing is hacked.
    """
    row = [-100, -110, -130, -120, -105]
    relief = build.stations([0.4, 1.2, 2.0, 2.8, 3.6], [0.4, 1.2, 2.0], [row] * 3, 4.0, 2.4)
    wall = build.wall(4.0, 2.4, u_lean=0.0003)
    done = place(relief, wall)
    assert_allclose([done.plane.at_left_foot, done.mean, done.most], [-0.095, 0.018, 0.035], rtol=1e-9)
    assert_allclose(done.volume.value, 0.1728, rtol=1e-9)
    assert done.volume.u > 9.6 * 0.003
    signs = stops(relief, wall, build.shape(relief, 2.4), done, seen=("damp",))
    assert any("damp specialist" in say(sign) for sign in signs)
    assert hacking_plan(relief, wall, standing=signs).hacks == ()
    with pytest.raises(BadValue, match="damp"):
        take_off(done, relief, load("gypsum-undercoat"), options=TakeOffOptions(background="damp"), stops=signs)
    order = take_off(done, relief, load("lime"), options=TakeOffOptions(background="damp"), stops=signs)
    assert order.dry_days == (35, 49)  # 1 to 1.4 days for each mm
    assert order.mesh_area == pytest.approx(0.8 * 2.4)


def test_old_plaster_to_come_off(build):
    """10 m2 read over old plaster at 8 mm: 80 L now, 180 to 330 L once 10 to 25 mm are off."""
    relief = build.cells(4.0, 2.5, lambda x, y: 0 * x, cell=0.1)
    done = place(relief, build.wall(4.0, 2.5), options=PlaneOptions(least=0.008))
    order = take_off(done, relief, load("gypsum-undercoat"), options=TakeOffOptions(surface="comes-off"))
    assert say(order.lead).startswith("Range only: 180 litres to 330 litres")
