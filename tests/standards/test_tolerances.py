"""Rows and intermediate values as printed (methods/tolerances 5 to 7)."""

import math
from itertools import product

import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue
from flatscan.standards import Tolerance, available, load
from flatscan.standards.tolerances import half_up_mm

INCH = 0.0254
FOOT = 0.3048


def test_ids_are_unique_and_sorted():
    ids = [entry.id for entry in available()]
    assert ids == sorted(set(ids))
    assert len(ids) > 50


@pytest.mark.parametrize("entry", available(), ids=lambda entry: entry.id)
def test_every_entry_says_what_it_is_and_where_it_comes_from(entry):
    assert all((entry.document, entry.edition, entry.clause, entry.applies_to, entry.line))
    assert entry.stages
    assert entry.countries
    assert entry.readings
    for words in (entry.method, entry.anywhere, entry.short):
        assert (words != "") == (entry.criterion == "flatness")
    for one in entry.readings:
        assert one.title
        assert one.date >= "2026-11-28"
        assert (one.publisher != "") == (one.kind in ("document itself", "page that prints it"))
    assert all(0 < limit < 0.06 for limit in entry.limits)
    # none stands for "or more": that is what `beyond` is for
    assert all(0.05 <= length <= 30 for length in entry.lengths)
    assert list(entry.limits) == sorted(entry.limits)
    assert entry.beyond is None or entry.beyond >= entry.limits[-1]


@pytest.mark.parametrize(
    ("row", "length", "printed"),
    # methods/tolerances 7: the printed intermediate values of row 6 in whole millimetres
    [(6, 0.1, 3), (6, 0.6, 4), (6, 1, 5), (6, 1.5, 6), (6, 2, 7), (6, 2.5, 8), (6, 3, 8), (6, 3.5, 9), (6, 4, 10),
     (6, 6, 13), (6, 8, 17), (6, 10, 20), (6, 15, 25),
     # What the methods hide: 12.5 is printed as 13 in row 5
     (5, 2.5, 13), (5, 0.1, 5), (5, 1, 10), (5, 4, 15), (5, 10, 25), (5, 15, 30),
     # the extended table of the Zentralverband Deutsches Baugewerbe, rows 5 and 7; row 7 at 0.6 m stands below
     (5, 0.6, 8), (5, 1.5, 11), (5, 2, 12), (5, 3, 13), (5, 3.5, 14), (5, 6, 18), (5, 8, 22),
     (7, 0.1, 2), (7, 1, 3), (7, 1.5, 4), (7, 2, 5), (7, 2.5, 6), (7, 3, 6), (7, 3.5, 7), (7, 4, 8), (7, 6, 10),
     (7, 8, 13), (7, 10, 15), (7, 15, 20)],
)  # fmt: skip
def test_din_18202_as_printed(row, length, printed):
    assert_allclose(load(f"din-18202-2019-row-{row}").limit_at(length), printed / 1000, atol=1e-12)


def test_din_18202_row_7_says_where_the_rule_and_the_printed_table_part():
    # 2 + 1 x 0.5 / 0.9 = 2.56 mm, which any rounding makes 3; the extended table prints 2
    entry = load("din-18202-2019-row-7")
    assert entry.limit_at(0.6) == pytest.approx(0.003)
    assert "0.6 m" in entry.doubt


@pytest.mark.parametrize(
    # table 2 as a German page on checking buildings prints it
    ("length", "limit"),
    [(0.3, 3), (0.5, 3), (0.51, 6), (1, 6), (2.7, 8), (3, 8), (3.01, 12), (6, 12), (9, 16), (15, 16)],
)
def test_din_18202_plumb(length, limit):
    assert load("din-18202-2019-plumb").limit_at(length) == pytest.approx(limit / 1000)


def test_nbr_13749_worked_examples():
    # worked in the answer to an examination on the standard; its line on plumb, quoted there, has no rounding
    plumb = load("nbr-13749-plumb")
    assert (plumb.limit_at(2.7), plumb.limit_at(3.6)) == pytest.approx((0.003, 0.004))
    assert plumb.limit_at(2.5) == pytest.approx(2.5 / 900)


@pytest.mark.parametrize(
    ("identifier", "limit"),
    # printed for the height of a storey (building experts on NF DTU 25.41; NF DTU 20.1, 8.1.1; the Belgian fiches)
    [("nf-dtu-25-41-plumb", 5), ("nf-dtu-20-1-2020-plumb", 15), ("be-tv-199-normal-plumb", 8),
     ("be-tv-199-special-plumb", 5), ("be-render-background-plumb", 8)],
)  # fmt: skip
def test_a_limit_for_a_storey_is_no_slope(identifier, limit):
    entry = load(identifier)
    assert [entry.limit_at(height) for height in (2.2, 2.5, 3.2)] == pytest.approx([limit / 1000] * 3)
    assert entry.reaches(3.2)
    assert not entry.reaches(5.4)


def test_sia_266_plumb_over_two_and_four_metres():
    # table 11 in the handbook of the Swiss brick industry: facing masonry 6 mm over 2 m, 8 mm over 4 m
    plumb = load("sia-266-facing-plumb")
    heights, limits = (1.0, 2.0, 2.5, 3.9, 4.0, 8.0), (0.003, 0.006, 0.0075, 0.0117, 0.008, 0.016)
    assert [plumb.limit_at(height) for height in heights] == pytest.approx(limits)


def test_ends_of_what_a_document_names():
    # DIN 18202, table 2, beyond 15 m was read in one place; the warranty standards of 2019 name any height over 2.5 m
    assert not load("din-18202-2019-plumb").reaches(15.1)
    assert load("uk-warranty-a-2019-plumb").reaches(6.0)
    assert not load("en-13914-2-2016-angle").reaches(3.5)
    assert load("au-solid-plaster-plumb").reaches(50.0)


@pytest.mark.parametrize(
    ("identifier", "length", "limit"),
    [
        ("uk-plaster-3mm-1.8m", 1.8, 0.003),
        ("uk-warranty-a-2020-flatness", 2.0, 0.003), ("uk-warranty-a-2019-flatness", 2.0, 0.005),
        ("uk-warranty-a-2019-plumb", 2.4, 0.008), ("uk-warranty-a-2019-plumb", 2.6, 0.012),
        ("uk-warranty-a-2020-plumb", 2.4, 0.008), ("uk-warranty-a-2020-plumb", 4.8, 0.012),
        ("uk-warranty-b-masonry-line", 5.0, 0.010), ("be-render-background-class-2", 0.2, 0.005),
        ("netherlands-group-2", 0.4, 0.0015), ("netherlands-group-1", 1.0, 0.002), ("netherlands-group-1", 1.1, 0.005),
        ("sia-266-standard-hollow", 4.0, 0.008), ("tms-602-plumb", 21 * FOOT, INCH / 2),
        ("uk-warranty-b-step", 0.3, 0.004),
        ("en-13914-2-2016-class-3", 2.0, 0.005), ("en-13914-2-2016-angle", 0.4, 0.005),
        ("nf-dtu-25-41-local", 0.2, 0.001), ("nf-dtu-25-41-plumb", 2.5, 0.005),
        ("ibc-2512-5-base-coat", 5 * FOOT, INCH / 4), ("ansi-a108-02-large-tile", 2 * FOOT, INCH / 16),
        ("ansi-a108-02-large-tile", 10 * FOOT, INCH / 8), ("aci-formed-class-b", 5 * FOOT, INCH / 4),
        ("astm-c926-base", 10 * FOOT, INCH / 4), ("tms-602-plumb", 20 * FOOT, 3 * INCH / 8),
        ("au-solid-plaster-plumb", 2.4, 0.006), ("au-solid-plaster-reveal", 1.8, 0.003),
        ("au-solid-plaster-square", 0.25, 0.003), ("au-solid-plaster-square", 0.35, 0.005),
        ("sia-266-other-plumb", 2.0, 0.012), ("be-tv-199-special", 0.2, 0.0015),
    ],
)  # fmt: skip
def test_rows_as_printed(identifier, length, limit):
    assert load(identifier).limit_at(length) == pytest.approx(limit, abs=1e-9)


def test_a_limit_entered_by_hand_is_not_published():
    assert all(entry.published for entry in available())
    assert not Tolerance.entered("flatness", 0.003, 1.8, "resting").published


def test_what_is_from_memory_or_read_once_does_not_decide():
    assert not load("gb-50210-ordinary").decides
    assert not load("en-1996-2-plumb").decides
    assert not load("uk-plaster-3mm-1.8m").decides
    assert load("din-18202-2019-row-6").decides


def test_half_goes_up():
    assert [half_up_mm(value / 1000) for value in (12.5, 0.5, 12.49, 7.0)] == pytest.approx(
        [0.013, 0.001, 0.012, 0.007]
    )


@pytest.mark.parametrize("identifier", [entry.id for entry in available() if entry.method == "chord"])
def test_stairs_are_the_limit(identifier):
    entry = load(identifier)
    stairs = entry.stairs(20.0)
    assert stairs[0][0] == 0.0
    assert stairs[-1][1] == 20.0
    assert all(one[1] == two[0] and one[2] <= two[2] for one, two in zip(stairs, stairs[1:], strict=False))
    if entry.interpolation == "none":
        return
    for (start, stop, limit), share in product(stairs, (1e-5, 0.3, 1 - 1e-5)):
        length = start + share * (stop - start)
        slack = 5e-4 if entry.interpolation == "linear" else 1e-9
        assert -1e-9 <= entry.limit_at(length) - limit <= slack


def test_unknown_id_names_close_ones():
    with pytest.raises(BadValue, match="din-18202-2019-row-6"):
        load("din-18202-row-6")
    with pytest.raises(BadValue, match="flatscan tolerances"):
        load("???")


def test_length_a_document_does_not_name():
    with pytest.raises(BadValue, match=r"1\.8"):
        load("uk-plaster-3mm-1.8m").limit_at(2.0)
    for length in (0.0, -1.0, math.nan):
        with pytest.raises(BadValue, match="length"):
            load("din-18202-2019-row-6").limit_at(length)
