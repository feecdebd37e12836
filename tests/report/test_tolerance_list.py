"""The tolerance entries as they are listed: all that is known of each, in both units."""

import re

import pytest

from flatscan.core.units import METRES_PER
from flatscan.report import tolerance_records, tolerance_text
from flatscan.standards import available, load

LENGTH = re.compile(r"(\d[\d.]*) (mm|cm|m|ft|in)\b")


@pytest.mark.parametrize("units", ["mm", "in"])
def test_every_entry_prints_all_of_it_and_no_number_that_stands_for_no_limit(units):
    for entry in available():
        text = " ".join(tolerance_text([entry], units).split())
        assert text.startswith(entry.id)
        told = text.lower()
        for words in (entry.document, entry.edition, entry.clause, entry.line, entry.applies_to, *entry.countries):
            assert words.rstrip(".").lower() in told, (entry.id, words)
        for words in (entry.anywhere, entry.short, entry.doubt, entry.superseded_by):
            assert words.rstrip(".").lower() in told, (entry.id, words)
        for one in entry.readings:
            assert f"{one.title}{', ' if one.publisher else ''}{one.publisher} ({one.kind}, {one.date})" in text
        decides = "Decides" in text
        assert decides == entry.decides
        assert ("--accept-source" in text) == (not decides)
        # no length or height of a wall is over 100 m, so none of them may stand for "or more"
        assert all(float(number) * METRES_PER[unit] <= 100 for number, unit in LENGTH.findall(text)), text


def test_limits_beyond_the_lengths_named_have_words():
    # TMS 602: 1/4 in in 10 ft, 3/8 in in 20 ft, 1/2 in at most; the warranty standards of 2020: 12 mm in all
    for name, words in (
        ("tms-602-plumb", "3/8 in (9.525 mm) up to 20 ft (6.1 m), 1/2 in (12.7 mm) over more"),
        (
            "uk-warranty-a-2020-plumb",
            "8 mm in each storey (up to 3 m high is taken for one), 12 mm over the whole height",
        ),
    ):
        assert words in " ".join(tolerance_text([load(name)], "mm").split())


def test_the_document_holds_every_field():
    (row,) = tolerance_records([load("din-18202-2019-row-6")])["tolerances"]
    assert row["lengths_mm"] == [100, 1000, 4000, 10000, 15000]
    assert row["limits_mm"] == [3, 5, 10, 20, 25]
    assert (row["countries"], row["stages"], row["decides"], row["read_as"]) == (["DE"], ["finish"], True, "two places")
    assert [set(one) for one in row["read"]] == [{"title", "publisher", "kind", "date", "says"}] * 4
    assert (row["rounding"], row["beyond_mm"], row["doubt"]) == ("half up to whole mm", None, "")


def test_several_are_listed_shortly_and_say_how_to_have_all_of_one():
    text = " ".join(tolerance_text(available(), "mm").split())
    assert text.count("numbers only") == sum(not entry.decides for entry in available())
    assert "flatscan tolerances" in text
    assert "Numbers only: check measures" in text
    assert "umbers only" not in tolerance_text([load(f"nbr-13749-{what}") for what in ("flatness", "plumb")], "mm")
