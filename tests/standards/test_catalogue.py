"""The layout of the files, which readings let an entry decide, and finding among the entries."""

import itertools

import pytest

from flatscan.core.errors import BadTable, BadValue
from flatscan.standards import available, matching, parse
from flatscan.standards.catalogue import CEN, holds_in

GOOD = """
document = "A"
edition = "1"
countries = ["DE"]
[read.one]
title = "A page"
publisher = "P"
kind = "page that prints it"
date = "2026-11-28"
[read.notes]
title = "Notes"
kind = "shared notes"
date = "2026-11-28"
[[entry]]
id = "a"
clause = "1"
criterion = "flatness"
stages = ["finish"]
applies_to = "walls"
line = "Gaps."
read = ["one"]
method = "resting"
anywhere = "anywhere"
short = "not said"
unit = "mm"
lengths = [1, 2]
limits = [3, 4]
"""


def test_layout_is_read():
    (entry,) = parse(GOOD, "a.toml")
    assert (entry.lengths, entry.interpolation, entry.directions) == ((1.0, 2.0), "none", ())
    assert entry.limits == pytest.approx((0.003, 0.004))
    assert [one.name for one in entry.readings] == ["one"]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('document = "A"\n', ""),
        ('method = "resting"', 'method = "laid"'),
        ("lengths = [1, 2]", "lengths = [2, 1]"),
        ("limits = [3, 4]", "limits = [3]"),
        ("limits = [3, 4]", "limits = [3, 0]"),
        ('unit = "mm"', 'unit = "yd"'),
        ('id = "a"\n', ""),
        ('clause = "1"', 'clause = "1"\nlimit = 3'),
        ("[[entry]]", "[entry]"),
        ("[1, 2]", "[1, "),
        ('criterion = "flatness"', 'criterion = "flat"'),
        ("limits = [3, 4]", 'limits = ["3", 4]'),
        ('kind = "page that prints it"', 'kind = "sure"'),
        ('date = "2026-11-28"', 'date = "28/11/2026"'),
        ('publisher = "P"\n', ""),
        ('title = "Notes"', 'title = "Notes"\npublisher = "P"'),
        ('read = ["one"]', 'read = ["two"]'),
        ('read = ["one"]', "read = []"),
        ('publisher = "P"', 'publisher = "P"\ncopies = "two"'),
        ('stages = ["finish"]', 'stages = ["wall"]'),
        ('stages = ["finish"]', "stages = []"),
        ('countries = ["DE"]', 'countries = ["Germany"]'),
        ('countries = ["DE"]', "countries = []"),
        ('anywhere = "anywhere"\n', ""),
        ('line = "Gaps."', 'line = " "'),
        ("limits = [3, 4]", 'limits = [3, 4]\ninterpolation = "per storey"'),
        ('method = "resting"', 'method = "chord"'),
    ],
)
def test_broken_layout_is_refused_by_name(old, new):
    assert old in GOOD
    with pytest.raises(BadTable, match=r"a\.toml"):
        parse(GOOD.replace(old, new), "a.toml")


PUBLISHERS = {"document": "D", "page": "P", "same publisher": "P", "other": "O", "copy": "C", "notes": "", "memory": ""}
KINDS = {"document": "document itself", "notes": "shared notes", "memory": "memory"}


def read_in(*names):
    """The example entry, read in the places named."""
    tables = "".join(
        f"[read.{name.replace(' ', '-')}]\ntitle = 'T'\ndate = '2026-11-28'\n"
        f"kind = '{KINDS.get(name, 'page that prints it')}'\npublisher = '{PUBLISHERS[name]}'\n"
        + ("copies = 'page'\n" if name == "copy" else "")
        for name in PUBLISHERS
    )
    head, _, tail = GOOD.partition("[read.one]")
    listed = ", ".join(f"'{name.replace(' ', '-')}'" for name in names)
    text = head + tables + tail[tail.index("[[entry]]") :].replace('["one"]', f"[{listed}]")
    (entry,) = parse(text, "a.toml")
    return entry


@pytest.mark.parametrize(
    ("places", "read_as"),
    [
        (["document"], "document"), (["document", "memory"], "document"),
        (["page", "other"], "two places"), (["page", "notes"], "two places"), (["page", "other", "copy"], "two places"),
        (["page"], "one place"), (["notes"], "one place"), (["notes", "memory"], "one place"),
        # two pages of one publisher are one place, and so is a page with its copy
        (["page", "same publisher"], "one place"), (["page", "copy"], "one place"),
        # a copy is as good as what it copies, where that was not read itself
        (["copy"], "one place"), (["copy", "other"], "two places"),
        (["memory"], "memory"),
    ],
)  # fmt: skip
def test_what_was_read_says_whether_it_decides(places, read_as):
    for order in itertools.permutations(places):
        entry = read_in(*order)
        assert entry.read_as == read_as


def test_entries_are_found_by_a_length_or_a_limit_too():
    """The example of the command's own help."""
    found = matching(["plaster", "2m"])
    assert found
    assert all(2.0 in entry.lengths for entry in found)
    eighths = {entry.id for entry in available() if 0.003175 in (*entry.limits, *entry.lengths)}
    assert eighths <= {entry.id for entry in matching(["1/8 in"])}


def test_entries_are_found_by_country_and_stage():
    german = matching(country="de")
    assert {entry.countries for entry in german} == {("DE",), ("CEN",)}
    queensland = {entry.id for entry in matching(country="AU-QLD")}
    assert {"queensland-plumb", "au-solid-plaster-plumb"} <= queensland <= {e.id for e in matching(country="AU")}
    tiles = {entry.id for entry in matching(country="US", stage="tiles")}
    assert {"ansi-a108-02-tile", "ansi-a108-02-large-tile"} <= tiles
    assert not any(entry_id.startswith("aci") for entry_id in tiles)
    with pytest.raises(BadValue, match="country"):
        matching(country="DE", stage="formed concrete")


def test_a_country_without_entries_is_told_which_have_some():
    with pytest.raises(BadValue) as caught:
        matching(country="XX")
    assert caught.value.values["there"] == ", ".join(
        sorted({code for entry in available() for code in entry.countries})
    )


def test_the_european_body_has_34_members():
    assert len(set(CEN)) == len(CEN) == 34
    (entry,) = matching(["en-13914-2-2016-class-3"])
    assert holds_in(entry, "IE")
    assert not holds_in(entry, "US")


def test_an_unknown_id_names_near_ones():
    with pytest.raises(BadValue, match="din-18202-2019-row-6"):
        matching(["din-18202-2019-row-66"])
