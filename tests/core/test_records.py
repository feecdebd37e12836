"""Records as plain data and back: notes and quantities, arrays, files in TOML, and what is refused."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from flatscan.core.errors import BadTable, BadValue, FlatscanError, ReadError
from flatscan.core.geometry import Array
from flatscan.core.notes import Note, Unknown, note
from flatscan.core.quantity import UNITS, Quantity, metres
from flatscan.core.records import Amount, NotARecord, Positive, Span, from_plain, load_toml, of_table, one_of, to_plain
from flatscan.report.say import trouble


@dataclass(frozen=True, slots=True)
class Part:
    size: float
    name: str = ""
    places: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, eq=False)
class Whole:
    number: int
    parts: tuple[Part, ...]
    table: Array
    notes: tuple[Note | str, ...] = ()
    spread: Quantity | Unknown | None = None
    lean: float | Unknown | None = None
    full: Array | None = None
    sure: bool = False


def there_and_back(record, kind=None):
    return from_plain(kind or type(record), json.loads(json.dumps(to_plain(record))))


def test_all_that_results_hold_comes_back():
    said = note("room.what", (1.0, 2.5), gap=metres(0.1, 0.2), many=3, file="a.ply", inner=note("b.c"),
                several=(metres(1.0), "x", 2), at=(0.1, 0.2))  # fmt: skip
    table = np.array([[0.1, np.nan], [1 / 3, -np.inf]])
    whole = Whole(
        1, (Part(0.1, "a", ((1.0, 2.0),)), Part(2.0)), table, (said, "words"), metres(1.0), Unknown("a.b"), table
    )
    back = there_and_back(whole)
    assert_array_equal(back.table, table)
    assert_array_equal(back.full, table)
    assert (back.parts, back.notes, back.spread, back.lean) == (whole.parts, whole.notes, whole.spread, whole.lean)
    assert there_and_back(Whole(1, (), table, spread=Unknown("a.b"), lean=0.5)).spread == Unknown("a.b")
    assert there_and_back(Whole(1, (), table)).full is None


VALUES = st.recursive(
    st.one_of(
        st.integers(-(2**53), 2**53),
        st.text(max_size=8),
        st.builds(Quantity, st.floats(allow_nan=False), st.none() | st.floats(0, 9), st.sampled_from(UNITS)),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(tuple),
        st.dictionaries(st.sampled_from("abc"), inner).map(lambda values: note("some.code", None, **values)),
    ),
    max_leaves=8,
)


@given(
    st.dictionaries(st.text(max_size=4), VALUES, max_size=4), st.none() | st.tuples(st.floats(0, 9), st.floats(0, 9))
)
def test_any_note_comes_back(values, place):
    it = Note("room.what", place, tuple(values.items()))
    assert there_and_back(it) == it


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(["number", "parts", "table", "size", "code", "value", "place", "x"]), inner
            )
        ),
        max_leaves=10,
    )
)
def test_any_other_data_is_refused_and_nothing_else_happens(plain):
    for kind in (Whole, Part, Note):
        try:
            assert isinstance(from_plain(kind, plain), kind)
        except NotARecord as refused:
            assert refused.problems  # noqa: PT017


def test_numpy_numbers_become_plain_ones():
    plain = to_plain(Part(np.float32(0.5), places=((np.float64(1.0), 2.0),)))
    assert json.loads(json.dumps(plain)) == {"size": 0.5, "name": "", "places": [[1.0, 2.0]]}


def test_sparse_leaves_out_what_is_as_by_default():
    assert to_plain(Part(1.0), sparse=True) == {"size": 1.0}


def test_what_is_no_record_does_not_become_plain():
    with pytest.raises(TypeError, match="a object is no plain data"):
        to_plain((1, object()))


@pytest.mark.parametrize(
    ("plain", "at", "what"),
    [
        ({"size": "1"}, "size", "value"),
        ({"size": True}, "size", "value"),
        ({"size": None}, "size", "value"),
        ({"name": "x"}, "size", "missing"),
        ({"size": 1, "sise": 1}, "sise", "unknown"),
        ({"size": 1, "name": 3}, "name", "value"),
        ({"size": 1, "places": "ab"}, "places", "value"),
        ({"size": 1, "places": [[1, 2], [1]]}, "places 2", "value"),
        ({"size": 1, "places": [[1, 2], [1, "2"]]}, "places 2 2", "value"),
        ([], "", "value"),
        ("x", "", "value"),
    ],
    ids=str,
)
def test_what_does_not_fit_is_named(plain, at, what):
    with pytest.raises(NotARecord) as refused:
        from_plain(Part, plain)
    (problem,) = refused.value.problems
    assert (problem.at, problem.what, problem.kind) == (at, what, "Part")


def test_a_whole_number_may_stand_for_any():
    made = from_plain(Part, {"size": 1})
    assert type(made.size) is float


@dataclass(frozen=True, slots=True)
class Layer:
    kind: Annotated[str, one_of(("base", "top"))]
    least: Amount
    wait: Span = (0.0, 0.0)
    bag: Positive | None = None


@dataclass(frozen=True, slots=True)
class Make:
    title: str
    layer: tuple[Layer, ...]

    def __post_init__(self):
        if not self.layer:
            raise BadValue("make", "no layer", needed="one", remedy="Add one")


GOOD = (
    'title = "a"\n[[layer]]\nkind = "base"\nleast = 1\nwait = [1, 2.5]\nbag = 25\n[[layer]]\nkind = "top"\nleast = 0\n'
)


def made_of(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "make.toml"
    path.write_bytes(text.encode(encoding))
    return of_table(Make, load_toml(path, "a make", "Copy one"), path, "Correct it")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_a_file_in_toml(tmp_path, encoding):
    made = made_of(tmp_path, GOOD.replace('"a"', '"Kalkputz außen"'), encoding)
    assert made == Make("Kalkputz außen", (Layer("base", 1.0, (1.0, 2.5), 25.0), Layer("top", 0.0)))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("least = 1\n", "", r"make.toml: missing: layer 1, least; needed: these keys too. Correct it."),
        (
            "least = 1\n",
            "lest = 1\n",
            "make.toml: missing: layer 1, least; unknown: layer 1, lest; needed: the keys kind",
        ),
        ("least = 1", "least = -1", "make.toml, layer 1, least: -1; needed: a number from 0 up"),
        ("least = 0", "least = inf", "layer 2, least: inf; needed: a number from 0 up"),
        ("[1, 2.5]", "[2, 1]", r"layer 1, wait: \[2, 1\]; needed: two numbers \[low, high\], low first"),
        ("[1, 2.5]", "[1]", "layer 1, wait: .*; needed: two numbers"),
        ("bag = 25", "bag = 0", "layer 1, bag: 0; needed: a number over 0"),
        ('"top"', '"side"', "layer 2, kind: 'side'; needed: one of base, top"),
        ("[[layer]]", "[layer]", "not TOML"),
        ('"a"', "3", "title: 3; needed: text in quotes"),
        ('"a"', '"a', "not TOML: .*needed: a make. Copy one"),
    ],
)
def test_a_file_that_is_not_right_says_where(tmp_path, old, new, says):
    with pytest.raises(BadTable, match=says):
        made_of(tmp_path, GOOD.replace(old, new))


def test_what_a_record_refuses_itself_goes_through(tmp_path):
    with pytest.raises(BadValue, match="make: no layer"):
        made_of(tmp_path, 'title = "a"\nlayer = []\n')


def test_files_there_are_not_and_keys_with_braces(tmp_path):
    with pytest.raises(ReadError, match="cannot be read"):
        load_toml(tmp_path / "none.toml", "a make", "Copy one")
    with pytest.raises(BadTable) as refused:
        made_of(tmp_path, GOOD.replace("title", '"{title}"'))
    assert "unknown: {title}" in trouble(refused.value)


def test_an_error_comes_back_to_be_said_in_any_units():
    values = {"size": metres(0.2), "names": ("a", "b"), "file": Path("a.ply"), "why": note("report.plumb")}
    error = BadValue("{file}", "{size:length}", needed="{names}", remedy="Give {set:rule}", **values)
    back = there_and_back(error, FlatscanError)
    assert [trouble(back, units) for units in ("mm", "in")] == [trouble(error, units) for units in ("mm", "in")]
    assert "200 mm" in trouble(back)
    assert back.values["why"] == values["why"]
    with pytest.raises(NotARecord):
        from_plain(FlatscanError, "a.ply: cut off")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        # the parser keeps every beginning of a name: 60,000 parts would take some 14 GB
        (".".join("a" * 60_000) + " = 1", "over 30 parts"),
        ("[" + ".".join("a" * 31) + "]", "over 30 parts"),
        ("a = " + "[" * 100_000, "recursion"),
    ],
)
def test_toml_that_no_person_writes_is_refused(tmp_path, text, words):
    (tmp_path / "deep.toml").write_text(text)
    with pytest.raises(BadTable, match=words):
        load_toml(tmp_path / "deep.toml", "a make", "Copy one")


def test_dots_in_words_and_lists_are_no_name(tmp_path):
    text = 'said = "one. two. three. ' + "and so on, and on. " * 40 + '"\nmany = [' + "1.5, " * 100 + "]\n"
    (tmp_path / "plain.toml").write_text(text)
    assert len(load_toml(tmp_path / "plain.toml", "a make", "Copy one")["many"]) == 100
