"""Limits of further countries, as the pages named with each entry print them (methods/tolerances 5, 6 and 8)."""

import re

import pytest
from numpy.testing import assert_allclose

from flatscan.standards import available, load, matching

FOOT, INCH = 0.3048, 0.0254


@pytest.mark.parametrize(
    ("identifier", "method", "printed"),
    [
        # Belgian building research centre, fiche "Buitenbepleistering": flatness of render by class
        ("be-render-class-1", "equal offsets", {0.2: 2, 2: 5}),
        ("be-render-class-2", "equal offsets", {0.2: 4, 2: 8}),
        ("be-render-class-3", "equal offsets", {0.2: 5, 2: 10}),
        # Danish construction association, "Indvendige beklædninger af gips", table of flatness
        ("dk-boards-timber-q1", "equal offsets", {2: 8}),
        ("dk-boards-timber-q2", "equal offsets", {2: 5}),
        ("dk-boards-timber-q3", "equal offsets", {2: 3}),
        ("dk-boards-steel-q1", "equal offsets", {2: 5}),
        ("dk-boards-steel-q2", "equal offsets", {2: 3}),
        ("dk-boards-steel-q3", "equal offsets", {2: 2}),
        ("dk-boards-steel-q4", "equal offsets", {2: 2}),
        # Säkra våtrum 2016:1, 5.3.1 and 2021:1, table 6: AMA Hus 44.C/-1
        ("se-ama-hus-bow", "equal offsets", {0.25: 2, 2: 5}),
        ("se-wet-room-2021-bow", "equal offsets", {0.25: 2, 2: 5}),
        # "Behangklaar en saus-/muurverfklaar": gypsum boards, levels A and B
        ("nl-boards-level-a", "chord", {0.4: 1, 1: 1.5, 2: 2}),
        ("nl-boards-level-b", "chord", {0.4: 1, 1: 2, 2: 3}),
        ("nl-boards-level-a-corner", "", {0.4: 2}),
        ("nl-boards-level-b-corner", "", {0.4: 3}),
        # "DTU 52.2, les points-clés": acceptance of the background
        ("nf-dtu-52-2-background", "resting", {2: 5}),
        ("nf-dtu-52-2-concrete", "resting", {2: 7}),
        # "Tolérances de pose sur maçonnerie": 0.2 m straightedge, and from block to block
        ("nf-dtu-20-1-local-ordinary", "resting", {0.2: 10}),
        ("nf-dtu-20-1-local-careful", "resting", {0.2: 7}),
        # clause M20/815 of a UK project's specification; UK warranty A, 9.2.5
        ("uk-render-for-tiles", "resting", {2: 3}),
        ("uk-warranty-a-2018-tile-thin-bed", "resting", {2: 3}),
        ("uk-warranty-a-2018-tile-thick-bed", "resting", {2: 6}),
        ("uk-warranty-a-after-2020-tile-thin-bed", "resting", {2: 3}),
        ("uk-warranty-a-after-2020-tile-thick-bed", "resting", {2: 6}),
        # Queensland standards and tolerances in plain English: waves of boards
        ("queensland-boards-flatness", "resting", {2: 4}),
    ],
)
def test_limits_as_printed(identifier, method, printed):
    entry = load(identifier)
    assert entry.method == method
    assert_allclose(entry.lengths, list(printed), atol=1e-12)
    assert_allclose([entry.limit_at(length) for length in printed], [mm / 1000 for mm in printed.values()], atol=1e-12)


def test_us_manual_in_inches():
    """Plastering tolerances, a thread of specification writers: 1/4 in. in 5 ft."""
    assert load("us-plastering-manual").limit_at(5 * FOOT) == pytest.approx(INCH / 4)


@pytest.mark.parametrize(
    ("height", "limit"),
    # Säkra våtrum 2021:1, 6.4.2: 5 mm for all walls up to 3.0 m, H/600 above, 20 mm at most
    [(2.0, 5), (2.4, 5), (3.0, 5), (3.6, 6), (6.0, 10), (9.3, 15.5), (12.0, 20), (15.0, 20)],
)
@pytest.mark.parametrize("identifier", ["se-ama-hus-plumb", "se-wet-room-2021-plumb"])
def test_swedish_lean_follows_the_height(identifier, height, limit):
    assert load(identifier).limit_at(height) == pytest.approx(limit / 1000)


@pytest.mark.parametrize(
    ("identifier", "storey", "limit"),
    # Belgian fiche: 8 mm in a storey of 2.50 m; Build 155: 5 mm in 2.4 m, not in proportion below it
    [("be-render-plumb", 2.5, 8), ("nz-nzs-3604-plumb", 2.4, 5)],
)
def test_a_limit_per_storey_is_not_taken_in_proportion(identifier, storey, limit):
    entry = load(identifier)
    assert entry.limit_at(storey) == entry.limit_at(storey / 2) == pytest.approx(limit / 1000)
    assert entry.reaches(storey)
    assert not entry.reaches(2 * storey)


def test_dutch_boards_run_straight_between_the_lengths_and_are_not_rounded():
    assert_allclose([load("nl-boards-level-b").limit_at(length) for length in (0.2, 0.7, 1.5)], [1e-3, 1.5e-3, 2.5e-3])


@pytest.mark.parametrize(
    ("identifier", "read_as"),
    [
        ("be-render-class-2", "one place"), ("dk-boards-steel-q2", "document"), ("se-wet-room-2021-bow", "document"),
        ("uk-warranty-a-2018-tile-thin-bed", "document"),
        # two editions of one body's rules print the table: one place
        ("se-ama-hus-bow", "one place"), ("nz-nzs-3604-plumb", "one place"),
        ("nl-boards-level-a", "one place"), ("netherlands-group-1", "one place"),
        ("nf-dtu-52-2-background", "one place"),
        ("uk-render-for-tiles", "one place"), ("queensland-boards-flatness", "one place"),
        ("us-plastering-manual", "one place"),
    ],
)  # fmt: skip
def test_how_well_each_was_read(identifier, read_as):
    entry = load(identifier)
    assert entry.read_as == read_as
    assert entry.decides == (read_as == "document")


@pytest.mark.parametrize(
    ("country", "stage", "identifier"),
    [("DK", "finish", "dk-boards-steel-q2"), ("SE", "tiles", "se-ama-hus-bow"),
     ("AU", "finish", "queensland-boards-flatness"),
     ("NZ", "background", "nz-nzs-3604-plumb"), ("FR", "tiles", "nf-dtu-52-2-background")],
)  # fmt: skip
def test_found_by_country_and_stage(country, stage, identifier):
    assert identifier in [entry.id for entry in matching(country=country, stage=stage)]


@pytest.mark.parametrize("entry", available(), ids=lambda entry: entry.id)
def test_no_reading_names_a_site_and_warranty_providers_stay_letters(entry):
    provider = re.match(r"UK warranty provider [AB]", entry.document)
    for one in entry.readings:
        assert not re.search(r"\.(com|org|net|nl|de|fr|co|be|se|dk)\b", f"{one.title} {one.publisher}")
        assert provider is None or one.kind != "document itself" or one.publisher == provider[0]
