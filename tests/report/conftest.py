"""Builders of findings: a scanned wall with a window, humps and a cupboard in front of it, and a wall of stations."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from flat import Findings
from relief_builders import grid_of
from results import reported
from scipy.ndimage import grey_closing

from flatscan.core.geometry import Frame
from flatscan.core.model import Opening, Origin, Plumb, Wall
from flatscan.core.notes import note
from flatscan.core.quantity import Quantity, cubic_metres, metres
from flatscan.core.reliefs import Stations
from flatscan.core.warp import CommonError
from flatscan.plan.finish import BuildUp, FinishPlane
from flatscan.plan.hacking import Hack
from flatscan.plan.lows import Low
from flatscan.plan.screeds import Dot, Screed, Screeds
from flatscan.plan.takeoff import CoatLayer, OrderLine, TakeOff
from flatscan.relief.shape import Patch, Shape
from flatscan.report.page import page
from flatscan.straightedge.gaps import Gap, Gaps
from flatscan.verdict import Criterion, Verdict

FRAME = Frame(np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), np.array([0, -1.0, 0]))


def rectangle(width, height):
    return np.array([[0, 0], [width, 0], [width, height], [0, height]], float)


def make_wall(width, height, openings=()):
    plumb = Plumb("the file's up axis", 0.002)
    return Wall(
        1, FRAME, rectangle(width, height), openings, 1.0, "the file's convention", note("wall.facing-asked"), plumb
    )


def surface(x, y):
    """Lean 2 mm per m, two humps and a broad hollow [m]."""

    def bump(x0, y0, high, wide):
        return high * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * wide**2))

    return 0.002 * y + bump(0.8, 1.7, 0.009, 0.12) + bump(3.2, 0.9, 0.006, 0.15) + bump(3.0, 1.8, -0.008, 0.4)


def make_relief(wall, cell=0.01, hide=(3.5, 4.0, 0.0, 0.5)):
    x = (np.arange(round(wall.width / cell)) + 0.5) * cell
    y = (np.arange(round(wall.height / cell)) + 0.5) * cell
    across, up = np.meshgrid(x, y)
    noise = np.random.default_rng(7).normal(0, 0.0002, across.shape)
    offset = surface(across, up) + noise
    inside = np.ones(across.shape, bool)
    for hole in wall.openings:
        inside &= ~((across > hole.left) & (across < hole.right) & (up > hole.bottom) & (up < hole.top))
    left, right, low, high = hide
    offset[(across > left) & (across < right) & (up > low) & (up < high)] = np.nan
    offset[~inside] = np.nan
    count = np.where(np.isfinite(offset), 20, 0)
    return grid_of(offset, cell, u=0.0002, count=count, inside=inside, common=CommonError(0.0004, source="scanner"))


def make_gaps(relief, rule=1.8):
    """A made-up gap map: the hollow under a level lid along each row, stretched to 6.4 mm at its deepest."""
    filled = np.where(np.isfinite(relief.offset), relief.offset, -1.0)
    wide = round(1.2 / relief.cell) | 1
    deep = np.clip(grey_closing(filled, (1, wide)) - filled, 0, 0.02)
    deep = np.where(relief.valid & (filled > -0.5), deep, np.nan)
    deep *= 0.0064 / np.nanmax(deep)
    row, col = np.unravel_index(np.nanargmax(deep), deep.shape)
    at = (float(relief.x[col]), float(relief.y[row]))
    worst = Gap(0.0064, 0.0004, at, (at[0] - 0.55, at[1]), (at[0] + 0.9, at[1]), 0.0)
    return Gaps(
        rule,
        tuple(15.0 * k for k in range(12)),
        worst,
        dataclasses.replace(worst, value=0.004),
        dataclasses.replace(worst, value=0.0052),
        0.0071,
        41236,
        0.962,
        deep,
        {"run too short": 12},
        3,
        0.0057,
        (worst, Gap(0.0041, 0.0004, (0.55, 1.7), (0.2, 1.7), (0.8, 1.7), 0.0)),
    )


def make_build_up(relief):
    across, up = np.meshgrid(relief.x, relief.y)
    thickness = np.where(relief.valid, 0.018 - relief.offset, np.nan)
    volume = float(np.nansum(thickness * relief.area))
    plane = FinishPlane(0.018, 0.0, 0.0, 0.018, note("plan.plumb"))
    t = thickness[np.isfinite(thickness)]
    least, mean, most = float(t.min()), float(t.mean()), float(t.max())
    ends = {"low": volume - 0.006, "high": volume + 0.010, "order": volume + 0.007}
    return BuildUp(plane, thickness, least, mean, most, Quantity(volume, 0.004, "m3"), **ends)


def make_findings(command="survey", cell=0.01, **changes):
    wall = make_wall(4.0, 2.4, (Opening(1.4, 0.9, 1.0, 1.1),))
    relief = make_relief(wall, cell)
    residual = relief.offset - 0.002 * np.meshgrid(relief.x, relief.y)[1]
    shape = Shape(np.array([0.0, 0, 0.002]), residual, 0.0021, 0.00504, 0.0012, None, 0.019, 0.0021)
    patches = (
        Patch("hump", 0.8, 1.7, 0.35, 0.34, 0.0087, 0.08),
        Patch("hump", 3.2, 0.9, 0.4, 0.42, 0.0052, 0.11),
        Patch("hollow", 3.0, 1.8, 0.9, 0.8, -0.0078, 0.55),
    )
    made = Findings(
        command,
        Origin("north.ply", "ab" * 32, "PLY", "m", 1_915_000, ("3 points repeat others.",)),
        "scanner",
        0.0009,
        (),
        wall,
        relief,
        shape,
        patches,
        make_gaps(relief),
        title="Top flat, north bedroom",
    )
    return dataclasses.replace(made, **(_parts(command, relief) | changes))


def make_take_off():
    coats = (CoatLayer("gypsum undercoat", 0.0134, 96.2, 4.2), CoatLayer("finish", 0.002, 18.8, 0.9))
    order = (
        OrderLine("gypsum undercoat", "25 kg bag", 105.8, 3.6, 4.9, 4.6, 5.0),
        OrderLine("finish", "25 kg bag", 20.7, 0.8, 0.9, 0.9, 1.0),
    )
    notes = (note("plan.mesh", over=metres(0.020)),)
    return TakeOff(
        "gypsum", coats, 6, (4.4, 5.8), 0.1, 1.5, None, (), notes,
        lead=note("plan.lead-bare", volume=cubic_metres(0.134)), order=order, weight=115.0, weight_worst=19.4,
        visits=2, passes=2, harms=("gypsum", "bags"),
    )  # fmt: skip


def make_hacks():
    return (
        Hack(0.8, 1.7, 0.0042, 0.05, 0.0335, 0.9, 0.0039, cut_so_far=0.0042, minutes=16.3, rubble=0.000315),
        Hack(3.2, 0.9, 0.0011, 0.09, 0.0418, 1.1, 0.0049, cut_so_far=0.0011, minutes=13.0, rubble=0.000149),
    )


def _parts(command, relief):
    if command == "check":
        flat = Criterion(
            "flatness", "outside", 0.0064, 0.0071, 0.003, ("6.4 mm in every half of the data",), u=0.0004, rule=1.8
        )
        plumb = Criterion("plumb", "undecided", 0.00504, None, 0.008, ("how well up is known is not stated",), u=0.0048)
        places = ((2.9, 2.11), (0.7, 1.3))
        judged = Verdict("outside", 0.95, (flat, plumb), ("step", "corner"), places, ("flatness decides",), beside=0)
        return {"verdict": judged}
    if command == "survey":
        return {"build_up": make_build_up(relief), "take_off": make_take_off(), "hacks": make_hacks()}
    if command == "setout":
        screeds = tuple(
            Screed(
                x, tuple(Dot(y, 0.018 - float(surface(x, y)), 0.0012, (x, y) == (0.35, 1.2)) for y in (0.1, 1.2, 2.3))
            )
            for x in (0.35, 1.3, 2.5, 3.65)
        )
        return {
            "build_up": make_build_up(relief),
            "set_out": Screeds(1.8, screeds, (note("plan.check-level"),)),
        }
    return {
        "lows": (
            Low(1, 0.4, 0.3, 0.0023, 0.05, 0.00006, rank=2, u=0.00001),
            Low(2, 3.0, 1.8, 0.0051, 0.42, 0.00092, rank=1, u=0.00007),
        )
    }


def make_stations(command="check", **changes):
    wall = make_wall(4.2, 2.7)
    x, y = np.array([0.1, 1.1, 2.1, 3.1, 4.1]), np.array([0.1, 1.0, 1.9, 2.6])
    across, up = np.meshgrid(x, y)
    offset = -0.080 + surface(across, up)
    offset[3, 2] = np.nan
    area = np.full(offset.shape, 4.2 * 2.7 / 19)
    area[3, 2] = 0.0
    relief = Stations(
        x=x,
        y=y,
        offset=offset,
        u=np.full(offset.shape, 0.0006),
        count=np.ones(offset.shape, int),
        inside=np.ones(offset.shape, bool),
        area=area,
        common=CommonError(0.0003, u_offset=0.0005, source="laser readings"),
    )
    shape = Shape(np.array([-0.08, 0, 0.002]), offset + 0.08 - 0.002 * up, 0.002, 0.0054, None, None, 0.016, 0.002)
    gaps = Gaps(1.8, (0.0, 90.0), None, None, None, None, 0, None, np.full(offset.shape, np.nan))
    flat = Criterion("flatness", "undecided", None, None, 0.003, ("nothing over the limit at the stations read",))
    made = Findings(
        command,
        Origin("hall.csv", "cd" * 32, "laser-offset grid", "mm", 19),
        "laser-readings",
        0.0006,
        (),
        wall,
        relief,
        shape,
        (),
        gaps,
        Verdict("undecided", 0.95, (flat,), ("plumb",), (), ("stations are never within",), beside=0),
        title="Hall",
    )
    return dataclasses.replace(made, **changes)


@pytest.fixture
def survey():
    return make_findings("survey")


@pytest.fixture
def check():
    return make_findings("check")


@pytest.fixture
def stations():
    return make_stations()


@pytest.fixture(scope="session")
def build():
    """Build findings of any command, with changes."""
    return make_findings


@pytest.fixture(scope="session")
def build_stations():
    """Build findings at stations, with changes."""
    return make_stations


@pytest.fixture
def findings_for():
    """Build findings of any command, with changes."""
    return make_findings


@pytest.fixture
def stations_for():
    """Build findings at stations, with changes."""
    return make_stations


@pytest.fixture
def sized():
    """A check of a plain wall of any size."""

    def make(width, height, cell=None, hide=(9e9, 9e9, 0, 0)):
        wall = make_wall(width, height)
        relief = make_relief(wall, cell or min(0.05, height / 10), hide=hide)
        found = make_findings("check", cell=0.05)
        shape = dataclasses.replace(found.shape, residual=relief.offset)
        return dataclasses.replace(found, wall=wall, relief=relief, shape=shape, patches=(), gaps=None)

    return make


ALL = ("survey", "check", "setout", "lows", "stations")


@pytest.fixture(params=ALL)
def anything(request):
    """Findings of every command in turn."""
    return make_stations() if request.param == "stations" else make_findings(request.param)


CHROMIUM, DRIVER = Path("/usr/bin/chromium"), Path("/usr/bin/chromedriver")


@pytest.fixture(scope="session")
def phone():
    if not (CHROMIUM.exists() and DRIVER.exists()):
        pytest.skip("no Chromium with its driver on this machine: apt-get install chromium chromium-driver")
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    options = webdriver.ChromeOptions()
    for argument in ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"):
        options.add_argument(argument)
    phone = {"deviceMetrics": {"width": 360, "height": 740, "pixelRatio": 2.0, "touch": True}}
    options.add_experimental_option("mobileEmulation", phone)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    running = webdriver.Chrome(options=options, service=webdriver.ChromeService(str(DRIVER)))
    yield running
    running.quit()


@pytest.fixture
def opened(phone, tmp_path):
    """Open the page of findings, and look for messages of the browser and a page wider than the screen."""

    def made(findings, units="mm"):
        path = tmp_path / "wall.html"
        path.write_text(page(reported(findings), units), encoding="utf-8")
        phone.get(path.as_uri())
        assert phone.get_log("browser") == []
        assert phone.execute_script("return document.documentElement.scrollWidth") <= 360
        return phone

    return made
