"""Quotes from the user's own rates by hand, extras and measured areas, and rates files that are not right."""

import re
from dataclasses import fields, replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadTable, BadValue, ReadError
from flatscan.core.quantity import cubic_metres
from flatscan.plan.finish import PlaneOptions, place
from flatscan.plan.hacking import Hack
from flatscan.plan.pockets import PocketFill
from flatscan.plan.rates import TEMPLATE, extra_over, extras, jambs_and_head, load_rates, measured_area, quote
from flatscan.plan.systems import load
from flatscan.plan.takeoff import TakeOffOptions, take_off
from flatscan.report.say import say

FULL = """
currency = "crowns"
basis = "area"
day = 200
m2 = 10
allowance_mm = 13
extra_mm_m2 = 0.5
hack = 15
bag = 8
call_out = 40
reveal_m = 6
bead_m = 3
mesh_m2 = 2
"""


@pytest.fixture
def rates(tmp_path):
    def write(text=FULL):
        path = tmp_path / "rates.toml"
        path.write_text(text)
        return load_rates(path)

    return write


@pytest.fixture
def half_and_half(build):
    """10 m2, half at 12 mm and half at 18: 150 L, 5 m2 at 5 mm over 13."""
    relief = build.cells(4.0, 2.5, lambda x, y: -0.006 * (x > 2), cell=0.1)
    return relief, place(relief, build.wall(4.0, 2.5), options=PlaneOptions(least=0.012))


def test_quote_by_hand(half_and_half, rates):
    """100 + 25 m2 mm x 0.5 + one hump 15 + bags x 8 + one visit 40."""
    relief, done = half_and_half
    take = take_off(done, relief, load("one-coat-gypsum"))
    assert take.bags == 7  # 150 kg x 1.1 / 25 = 6.6
    hack = Hack(1, 1, 0.005, 0.04, 0.01, None, 0.001)
    made = quote(take, done, relief, rates(), hacks=(hack,))
    assert_allclose([line.amount for line in made.lines], [100, 12.5, 15, 56, 40], rtol=1e-9)
    assert_allclose(made.total, 223.5, rtol=1e-9)
    assert say(made.lines[1].what) == "extra over 13 mm: 5.0 mm on 5.0 m²"
    assert made.currency == "crowns"
    assert any("13 mm" in say(note) for note in made.notes)


def test_price_at_both_ends_of_the_volume(half_and_half, rates):
    """150 L, 135 to 180 likely: 1.5 mm less and 3 mm more all over; 5 m2 at 5 mm over 13 is 3.5 and 8, and 2 at 15."""
    relief, done = half_and_half
    doubtful = replace(done, low=0.135, high=0.180, order=0.165)
    take = take_off(doubtful, relief, load("one-coat-gypsum"), options=TakeOffOptions(rate=(1000.0, 1000.0)))
    made = quote(take, doubtful, relief, rates())
    bags = [np.ceil(litres * 1.1 / 25) for litres in (135, 165, 180)]
    prices = [100 + over * 0.5 + count * 8 + 40 for over, count in zip((17.5, 25, 50), bags, strict=True)]
    assert_allclose([made.ends[0], made.total, made.ends[1]], [prices[0], prices[1], prices[2]], rtol=1e-9)
    unknown = quote(take, replace(done, low=None, high=None), relief, rates())
    assert unknown.ends is None


def test_a_product_has_its_own_price(half_and_half, rates):
    """150 L: bags of gypsum undercoat at 8 and of finish at 12; sand by the m3."""
    relief, done = half_and_half
    own = FULL + 'sand_m3 = 50\n[products]\n"gypsum finish" = 12\n'
    gypsum = take_off(done, relief, load("gypsum-undercoat"))
    under, finish = gypsum.order
    lines = {say(line.what): line for line in quote(gypsum, done, relief, rates(own)).lines}
    assert_allclose(lines["material"].amount, under.order * 8, rtol=1e-9)
    assert_allclose(lines["gypsum finish"].amount, finish.order * 12, rtol=1e-9)
    mixed = take_off(done, relief, load("sand-cement-inside"))
    sand = {say(line.what): line for line in quote(mixed, done, relief, rates(own)).lines}["sand"]
    assert (sand.unit, sand.quantity) == ("m3", mixed.order[1].order)
    with pytest.raises(BadValue, match="no product is called 'gold'"):
        quote(gypsum, done, relief, rates(FULL + "[products]\ngold = 1\n"))


def test_by_the_day(half_and_half, rates):
    relief, done = half_and_half
    take = take_off(done, relief, load("one-coat-gypsum"))
    made = quote(take, done, relief, rates(FULL.replace('"area"', '"day"')))
    # 10 m2 at 15 to 20 m2 or 150 L at 180 to 240 L a day, whichever takes longer: hours of work alone, their middle
    days = np.array([max(10 / 20, 150 / 240), max(10 / 15, 150 / 180)])
    assert_allclose(made.lines[0].amount, 200 * days.mean(), rtol=1e-9)
    # the price at its ends has the work at its ends, and the bags at theirs
    bags = [np.ceil(150 * 1.1 * rate / 25) for rate in (0.85 + 0.025 * 0.15, 0.85 + 0.975 * 0.15)]
    doubtful = replace(done, low=0.150, high=0.150, order=0.150)
    ends = quote(take, doubtful, relief, rates(FULL.replace('"area"', '"day"'))).ends
    assert_allclose(ends, [200 * day + count * 8 + 40 for day, count in zip(days, bags, strict=True)], rtol=1e-9)
    lime = take_off(done, relief, load("lime"))
    waited = quote(lime, done, relief, rates(FULL.replace('"area"', '"day"')))
    # 3 mm of it are the setting coat's, 20 to 30 m2 a day
    work = [max(10 / 20, 120 / 240) + 10 / 30, max(10 / 15, 120 / 180) + 10 / 20]
    assert_allclose(waited.lines[0].amount, 200 * np.mean(work), rtol=1e-9)
    assert {line.unit for line in made.lines} == {"day", "bag", "visit"}


def test_old_plaster_that_comes_off_makes_a_span(half_and_half, rates):
    relief, done = half_and_half
    take = take_off(
        done, relief, load("one-coat-gypsum"), options=TakeOffOptions(surface="comes-off", old_plaster=(0, 0.01))
    )
    made = quote(take, done, relief, rates())
    # at 10 mm more: 250 L is 11 bags; 22 and 28 mm are 9 and 15 over on 5 m2 each
    assert_allclose(made.span, (made.total, 100 + 120 * 0.5 + 11 * 8 + 2 * 40), rtol=1e-9)
    assert say(made.lines[-1].what) == "survey the bare wall again"
    assert "range until the bare wall" in say(made.notes[0])


def test_extra_over(half_and_half):
    relief, done = half_and_half
    assert_allclose(extra_over(done, relief, 0.013), (0.025, 5.0), rtol=1e-9)
    assert extra_over(done, relief, 0.020) == (0.0, 0.0)


def test_the_template_filled_in_says_what_was_filled_in(tmp_path):
    """Every line of the example, without its #, can be given and comes back as given."""
    filled, wanted = [], {}
    for number, line in enumerate(TEMPLATE.splitlines(), 1):
        text = line.removeprefix("# ")
        head = re.match(r'("?)([a-z][a-z0-9_ ]*)\1 = (0|13) *(#.*)?$', text)
        if head:
            wanted[head[2]] = float(number)
            filled.append(text.replace(f"= {head[3]}", f"= {number}", 1))
        elif text.startswith("[products]") or not line.startswith("#"):
            filled.append(text)
    path = tmp_path / "rates.toml"
    path.write_text("\n".join(filled))
    made = load_rates(path)
    found = {name: getattr(made, name) for name in wanted if hasattr(made, name)}
    found |= {"allowance_mm": made.allowance * 1e3, **made.products}
    assert_allclose([found[name] for name in wanted], list(wanted.values()), rtol=1e-12)
    given = {item.name for item in fields(made)} - {"currency", "basis", "allowance", "products", "notes"}
    assert given <= set(wanted)


def test_template_loads_and_charges_nothing(half_and_half, rates):
    relief, done = half_and_half
    made = quote(take_off(done, relief, load("one-coat-gypsum")), done, relief, rates(TEMPLATE))
    assert (made.lines, made.total) == ((), 0)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("bag = 8\n", ""), "missing: bag"),
        (("m2 = 10\n", "sqm = 10\n"), "missing: m2; unknown: sqm"),
        (("hack = 15", "hack = -15"), "hack: -15"),
        (("hack = 15", 'hack = "x"'), "hack: 'x'"),
        (("bag = 8", "bag = nan"), "bag: nan"),
        (("bag = 8", "bag = true"), "bag: True"),
        (("mesh_m2 = 2", "mesh_m2 = 2\n[products]\nlime = -1"), "products.*-1"),
        (('"area"', '"hour"'), "basis"),
        (("m2 = 10", "m2 = = 10"), "not TOML"),
    ],
)
def test_rates_that_are_not_right(rates, change, says):
    with pytest.raises(BadTable, match=says):
        rates(FULL.replace(*change))


TABLE = (
    "# ours\ncurrency;€\nbasis;area\nday;200\nm2;10,5\nallowance;13 mm\nextra mm m2;0,5\nhack;15\nbag;8\ncall-out;40\n"
)


@pytest.mark.parametrize(
    ("text", "encoding", "doubts"),
    [
        (TABLE, "utf-8", 0),
        (TABLE, "utf-16", 0),
        (TABLE, "cp1252", 1),
        (TABLE.replace(";", "\t"), "utf-8-sig", 0),
        (TABLE.replace(",", ".").replace(";", ", "), "utf-8", 0),
        (TABLE.replace("allowance;13 mm", "allowance_mm;13"), "utf-8", 0),
    ],
)
def test_rates_in_a_table(half_and_half, tmp_path, text, encoding, doubts):
    path = tmp_path / "rates.csv"
    path.write_bytes(text.encode(encoding))
    made = load_rates(path)
    assert (made.currency, made.basis, made.day, made.m2, made.extra_mm_m2, made.mesh_m2) == (
        "€",
        "area",
        200,
        10.5,
        0.5,
        0,
    )
    assert made.allowance == pytest.approx(0.013)
    relief, done = half_and_half
    quoted = quote(take_off(done, relief, load("one-coat-gypsum")), done, relief, made)
    assert [note.code for note in made.notes] == ["table.old-letters"] * doubts
    assert quoted.notes[:doubts] == made.notes


def test_a_table_of_rates_that_is_not_right(tmp_path):
    path = tmp_path / "rates.csv"
    path.write_text(TABLE.replace("bag;8\n", "bags;8\n").replace("€", "e"))
    with pytest.raises(BadTable, match="missing: bag; unknown: bags"):
        load_rates(path)
    path.write_text(TABLE.replace("hack;15", "hack;much"))
    with pytest.raises(BadTable, match="hack: 'much'; needed: a number from 0 up"):
        load_rates(path)


def test_no_rates_file(tmp_path):
    with pytest.raises(ReadError, match="cannot be read"):
        load_rates(tmp_path / "none.toml")


def test_reveals_and_beads(build):
    """A window 1.2 x 1.0: 2 + 1.2 m; a door 0.9 x 2.0 at the left edge has one jamb: 2.9 m."""
    window, door = build.hole(1.5, 0.9, 1.2, 1.0), build.hole(0.0, 0.0, 0.9, 2.0)
    wall = build.wall(4.0, 2.5, openings=(window, door))
    assert_allclose([jambs_and_head(window, wall), jambs_and_head(door, wall)], [3.2, 2.9], rtol=1e-9)
    relief = build.cells(4.0, 2.5, lambda x, y: -0.03 * (x > 3), cell=0.1, openings=(window, door))
    done = place(relief, wall)
    more = extras(wall, relief, done, mesh_over=0.025)
    assert_allclose([more.reveals, more.beads, more.mesh_area, more.mesh], [6.1, 6.1, 2.5, 2.5 / 0.9], rtol=1e-9)
    assert extras(wall, relief, done, mesh_over=None).mesh == 0


def test_rules_of_measurement(build):
    """10 m2 with holes of 0.4, 1.2 and 3.2 m2."""
    holes = (build.hole(0.1, 0.1, 0.4, 1.0), build.hole(0.8, 0.1, 1.2, 1.0), build.hole(2.2, 0.1, 1.6, 2.0))
    wall = build.wall(4.0, 2.5, openings=holes)
    relief = build.cells(4.0, 2.5, lambda x, y: 0 * x, cell=0.1, openings=holes)
    areas = [measured_area(wall, relief, rule) for rule in ("net", "gross", "over-2.5", "half-0.5-3")]
    assert_allclose(areas, [5.2, 10.0, 6.8, 6.2], rtol=1e-9)
    with pytest.raises(BadValue):
        measured_area(wall, relief, "all")


def test_area_of_the_bill_replaces_the_net_area(half_and_half, rates):
    relief, done = half_and_half
    made = quote(take_off(done, relief, load("one-coat-gypsum")), done, relief, rates(), area=12.0)
    assert made.lines[0].amount == pytest.approx(120.0)
    assert np.isfinite(made.total)


def test_a_chase_is_charged_by_the_litre_or_said_to_have_no_rate(half_and_half, rates, build):
    """0.1 x 2.6 m, 30 mm deep: 7.8 litres at 2 a litre."""
    relief, done = half_and_half
    take = take_off(done, relief, load("one-coat-gypsum"))
    pocket = PocketFill(build.hole(3.4, 0.0, 0.1, 2.6), 0.26, 0.030, cubic_metres(0.0078), 0.0, likely=False)
    priced, bare = (quote(take, done, relief, rates(FULL + more), pockets=(pocket,)) for more in ("chase_l = 2\n", ""))
    (line,) = (line for line in priced.lines if line.what.code == "plan.quote-chases")
    assert_allclose([line.quantity, line.amount, priced.total - bare.total], [7.8, 15.6, 15.6], rtol=1e-9)
    assert priced.unpriced == ()
    assert "7.8 litres, is not priced: no rate" in say(bare.unpriced[0])
