"""Every code has words and every word a code; words keep to the units asked for."""

import ast
import re
from pathlib import Path

import pytest

import flatscan
from flatscan.core.notes import Note, Unknown, note
from flatscan.core.phrase import KINDS, LIBRARY, command_line, fill, slots
from flatscan.core.quantity import Quantity, cubic_metres, metres
from flatscan.report.say import say, spoken, templates

ROOT = Path(flatscan.__file__).parent
METRIC = re.compile(r"(?<![\w.])(mm|cm|m²|litres?|kg|m)(?![\w/])")
IMPERIAL = re.compile(r"(?<![\w.])(in|ft|gal|lb)(?![\w/])(?=[\s,.;:)]|$)")


def codes_in_the_code():
    """(code, names of its quantities or None where they are not literal, place) of every note made in the package."""
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
                continue
            if node.func.id not in ("note", "Note", "Unknown", "caution") or not node.args:
                continue
            first = node.args[0]
            choices = [first.body, first.orelse] if isinstance(first, ast.IfExp) else [first]
            for choice in choices:
                if isinstance(choice, ast.Constant) and isinstance(choice.value, str):
                    names = {word.arg for word in node.keywords} | ({"place"} if len(node.args) > 1 else set())
                    yield choice.value, None if None in names else names, f"{path.relative_to(ROOT)}:{node.lineno}"


def sample(kind):
    base = kind.removesuffix("±").partition(".")[0]
    if base in KINDS:
        return Quantity(0.123456, 0.0021, KINDS[base])
    return (1.234, 0.456) if base in ("place", "xy") else "n" if base == "" else 3


def test_every_code_has_words_and_every_word_a_code():
    used = {code for code, _, _ in codes_in_the_code()}
    assert used - set(templates()) == set(), "codes without words"
    assert set(templates()) - used == set(), "words without a code"


@pytest.mark.parametrize(
    ("code", "names", "where"), list(codes_in_the_code()), ids=lambda v: v if isinstance(v, str) else ""
)
def test_quantities_are_those_the_words_ask_for(code, names, where):
    asked = {name for name, _ in slots(templates()[code]) if name not in ("set", "run")}
    if names is not None:
        assert asked <= names, f"{where}: the words ask for {asked - names}"


@pytest.mark.parametrize("code", sorted(templates()))
def test_words_keep_to_the_units_asked_for(code):
    template = templates()[code]
    values = {name: sample(kind) for name, kind in slots(template) if name not in ("set", "run")}
    in_mm, in_inches = (fill(template, values, command_line(units)) for units in ("mm", "in"))
    assert "{" not in in_mm, "a placeholder was left"
    # what a document prints keeps its unit and stands in the words between quotes
    bare = re.sub(r"'[^']*'", "", in_inches)
    assert not METRIC.search(bare), in_inches
    assert not IMPERIAL.search(re.sub(r"\b(in|ft)\b (?=[a-z(])", "", re.sub(r"'[^']*'", "", in_mm))), in_mm


def test_a_length_stands_in_the_units_asked_for():
    it = note("jobs.coarse-step", step=metres(0.0012), limit=metres(0.003))
    assert say(it, "mm").startswith("The file rounds to 1.2 mm across the wall, over a fifth of 3 mm:")
    assert say(it, "in").startswith("The file rounds to 1/16 in across the wall, over a fifth of 1/8 in:")


def test_settings_and_commands_are_called_as_the_reader_knows_them():
    template = "Leave {set:lean_up_to} out, or run {run:survey --list}"
    assert fill(template, {}, LIBRARY) == "Leave lean_up_to out, or run flatscan survey --list"
    assert fill(template, {}, command_line()) == "Leave --lean-up-to out, or run flatscan survey --list"


def test_a_value_of_another_kind_is_refused():
    with pytest.raises(TypeError, match="is no volume"):
        fill("{much:volume}", {"much": metres(1.0)})
    with pytest.raises(TypeError, match="needs a kind"):
        fill("{much}", {"much": cubic_metres(1.0)})
    with pytest.raises(ValueError, match="no step"):
        note("jobs.coarse-step", step=None)


def test_braces_in_a_name_are_left_alone():
    assert fill("{file}: {wrong}", {"file": "a{b}.ply"}) == "a{b}.ply: {wrong}"


def test_expanded_uncertainty_is_rounded_up():
    assert fill("{gap:length.1±}", {"gap": metres(0.0031, 0.00061)}) == "3.1 mm ± 1.3 mm"
    assert fill("{gap:length.1±}", {"gap": metres(0.0031)}) == "3.1 mm (± not known)"


def test_spoken_reaches_notes_however_deep():
    it = (("a", note("jobs.coarse-step", step=metres(0.001), limit=metres(0.003))), Unknown("jobs.coarse-step"), 3)
    told = spoken(it)
    assert told[0][1].startswith("The file rounds")
    assert told[1] is None
    assert spoken(("a", 3)) == ("a", 3)
    assert isinstance(it[0][1], Note)
