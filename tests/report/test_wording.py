"""Every code has words and every word a code; words keep to the units asked for."""

import ast
import re

import pytest
from every_text import sample
from sources import nodes

from flatscan.core.notes import Note, Unknown, note
from flatscan.core.phrase import KINDS, LIBRARY, command_line, fill, slots
from flatscan.core.quantity import Quantity, cubic_metres, metres, share, slope
from flatscan.plan.cautions import ACTIONS, cautions_of, codes_of_materials
from flatscan.report.say import say, spoken, templates

FILES = (".txt", ".pdf", ".mplstyle", ".js", ".css", ".csv", ".ply", ".dxf", ".html", ".png", ".toml", ".json", ".zip")
UNIT = re.compile(r"(?<!\w)(mm|cm|m²|litres|kg|lb|gal)(?!\w)|\d ?(m|in|ft)(?!\w)")


def codes_in_the_code():
    """Every string in the package that has the form of a code of a room that has words."""
    rooms = {code.partition(".")[0] for code in templates()} - {"fact", "section"}
    form = re.compile(rf"({'|'.join(rooms)})\.[a-z0-9]+(-[a-z0-9]+)*")
    strings = {node.value for _, node in nodes(ast.Constant) if isinstance(node.value, str)}
    return {said for said in strings if form.fullmatch(said) and not said.endswith(FILES)}


def names_in_the_code():
    """Codes of the labels of facts, which all need words, and of the titles of sections, which some need."""
    for _, node in nodes(ast.Call):
        if isinstance(node.func, ast.Name) and node.args:
            name = node.args[0]
            if node.func.id in ("Fact", "Section") and isinstance(name, ast.Constant):
                code = f"{node.func.id.lower()}.{name.value.replace('_', '-')}"
                # what only the page shows stands under a question instead of a label
                yield code if code in templates() or f"ask.{name.value}" not in templates() else f"ask.{name.value}"


def codes_of_cautions():
    """Every caution has its words, long and short, and every action but that of all work has its name."""
    for one in cautions_of(ACTIONS, codes_of_materials()) + cautions_of(ACTIONS, None):
        yield from (one.code, one.code.replace("caution.", "caution-in-short."))
        yield from () if one.action == "all" else (f"caution-before.{one.action}",)


def notes_in_the_code():
    """Code, names of its quantities and place of every note that is made with literals alone."""
    for path, node in nodes(ast.Call):
        if not isinstance(node.func, ast.Name) or not node.args:
            continue
        names = {word.arg for word in node.keywords} | ({"place"} if len(node.args) > 1 else set())
        if node.func.id == "note" and isinstance(node.args[0], ast.Constant) and None not in names:
            yield node.args[0].value, names, f"{path}:{node.lineno}"


def test_every_code_has_words_and_every_word_a_code():
    used = codes_in_the_code() | {code for code, _, _ in notes_in_the_code()}
    used |= {name for name in names_in_the_code() if name.startswith("fact.") or name in templates()}
    used |= set(codes_of_cautions())
    assert used - set(templates()) == set(), "codes without words"
    assert set(templates()) - used == set(), "words without a code"


def asked(code):
    """Names and kinds of the quantities that a code's words ask for."""
    return {name: kind for name, kind in slots(templates()[code]) if name not in ("set", "run")}


def test_quantities_are_those_the_words_ask_for():
    made = list(notes_in_the_code())
    assert len(made) > 500
    lacking = [
        f"{where}: {code}: {set(asked(code)) - names}" for code, names, where in made if set(asked(code)) - names
    ]
    assert lacking == [], "the words ask for these"


def test_every_placeholder_is_filled():
    for code, template in templates().items():
        values = {name: sample(kind) for name, kind in asked(code).items()}
        assert "{" not in fill(template, values, command_line(), lambda *_: "N"), f"{code}: a placeholder was left"


def test_words_leave_units_to_their_quantities():
    # what a document prints keeps its unit and stands in the words between quotes
    bare = {code: re.sub(r"'[^']*'", "", re.sub(r"\{[^}]*\}", "N", said)) for code, said in templates().items()}
    assert len(bare) > 1000
    assert [(code, said) for code, said in bare.items() if UNIT.search(said)] == []


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_kinds_write_the_units_asked_for(kind):
    in_mm, in_inches = (fill(f"{{it:{kind}}}", {"it": sample(kind)}, command_line(units)) for units in ("mm", "in"))
    assert not re.search(r"\b(in|ft|gal|lb)\b", in_mm)
    assert not re.search(r"\b(mm|m|m²|litres|kg)(?!\w)", in_inches)


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


def test_counts_part_their_thousands_and_digits_never_become_powers_of_ten():
    assert fill("{n:count} of {m}, {step:length.3g}", {"n": 2000, "m": 2000, "step": metres(4.2)}) == (
        "2,000 of 2000, 4200 mm"
    )
    assert fill("{n:count}", {"n": (1200, 3)}) == "1,200, 3"


def test_a_place_as_a_table_names_it():
    assert fill("{at:xy}", {"at": (1.1, 0.25)}) == "x 1.100 m, y 0.250 m"
    assert fill("{at:xy}", {"at": (1.2192, 0.254)}, command_line("in")) == "x 4 ft 0 in, y 10 in"


def test_a_place_in_few_letters():
    assert fill("{at:spot}", {"at": (0.69, 1.754)}) == "0.69 / 1.75 m"
    assert fill("{at:spot}", {"at": (1.2192, 0.254)}, command_line("in")) == "4 ft 0 in / 10 in"
    assert fill("{size:sides}", {"size": (metres(2.4), metres(2.499))}) == "2.40 x 2.50 m"


def test_braces_in_a_name_are_left_alone():
    assert fill("{file}: {wrong}", {"file": "a{b}.ply"}) == "a{b}.ply: {wrong}"


def test_a_sign_is_written_where_it_is_asked_for():
    values = {"most": metres(0.0021), "least": metres(-0.0124), "lean": slope(0.002)}
    said = "{least:length.+1} to {most:length.+1}, {lean:slope.+1}"
    assert fill(said, values) == "-12.4 mm to +2.1 mm, +2.0 mm per m"
    assert fill(said, values, command_line("in")) == "-1/2 in to +1/16 in, +1/4 in in 10 ft"


def test_places_as_tables_name_them_and_lists():
    assert fill("{at:xy}", {"at": (1.2, 0.34)}) == "x 1.200 m, y 0.340 m"
    assert fill("{at:xy}", {"at": (1.2, 0.3)}, command_line("in")) == "x 3 ft 11 1/4 in, y 11 13/16 in"
    assert fill("{these:list}", {"these": ("a", "b")}) == "a; b"


def test_expanded_uncertainty_is_rounded_up():
    assert fill("{gap:length.1±}", {"gap": metres(0.0031, 0.00062)}) == "3.1 mm ± 1.3 mm"
    assert fill("{gap:length.1±}", {"gap": metres(0.0031)}) == "3.1 mm (± not known)"
    # one that is the same both ways is a ±, whichever way it is known
    assert fill("{gap:length.1±}", {"gap": metres(0.0031, 0.0002, (0.0019, 0.0043))}) == "3.1 mm ± 1.2 mm"
    # an interval that is not: its ends, as they stand in tables
    both = metres(0.0031, 0.0002, (0.00246, 0.00371))
    assert fill("{gap:length.1±}", {"gap": both}) == "3.1 mm (2.5 to 3.7)"
    assert fill("{gap:exact.1±}", {"gap": both}, command_line("in")) == "0.12 in (0.10 to 0.15)"


def test_a_sign_is_written_where_it_is_asked_for_and_never_on_nothing():
    assert fill("{error:share.+2}", {"error": share(0.02)}) == "+2.00 %"
    assert fill("{error:share.+1}", {"error": share(-0.0212)}) == "-2.1 %"
    assert fill("{at:length}", {"at": metres(-0.0004)}) == "0 mm"
    assert fill("{error:share.+1}", {"error": share(-0.0004)}) == "+0.0 %"


def test_spoken_reaches_notes_however_deep():
    it = (("a", note("jobs.coarse-step", step=metres(0.001), limit=metres(0.003))), Unknown("jobs.coarse-step"), 3)
    told = spoken(it)
    assert told[0][1].startswith("The file rounds")
    assert told[1] is None
    assert spoken(("a", 3)) == ("a", 3)
    assert isinstance(it[0][1], Note)


# words behind a number that end in s and are no plural
NO_PLURALS = {"is", "was", "has", "lies", "repeats", "stands", "agrees", "ties", "makes", "comes", "holds", "saves"}
NO_PLURALS |= {"pass", "as"}


def test_one_of_a_thing_is_singular():
    wrong = []
    for template in templates().values():
        asked = slots(template)
        counted = {name for name, kind in asked if kind == "count" or "|" in kind}
        values = {name: 1 if name in counted else sample(kind) for name, kind in asked if name not in ("set", "run")}
        said = fill(template, values, command_line(), lambda *_: "N")
        found = re.findall(r"(?<![\w.,-])1 (?:(?:low|further|laser|repeated|flat|straightedge) )?([a-z]+s)\b", said)
        wrong += [said] if set(found) - NO_PLURALS else []
    assert wrong == []


@pytest.mark.parametrize("count", [0, 1, 2, 12, "1", "2 + 1"])
def test_a_word_follows_its_number(count):
    singular = count in (1, "1")
    assert fill("{n} {n:place|places} {n:is|are} lower", {"n": count}) == (
        f"{count} place is lower" if singular else f"{count} places are lower"
    )


@pytest.mark.parametrize(
    "kind", ["length.1", "exact.1", "span.2", "area", "volume.1", "slope.1", "share.1", "number.2"]
)
@pytest.mark.parametrize("units", ["mm", "in"])
def test_what_rounds_to_nothing_has_no_sign(kind, units):
    base = kind.partition(".")[0]
    said = fill(f"{{it:{kind}}}", {"it": Quantity(-1e-9, None, KINDS[base])}, command_line(units))
    assert not said.startswith("-"), said


@pytest.mark.parametrize("digits", ["", ".0", ".1", ".2"])
@pytest.mark.parametrize("part", [0.9999, 0.999, 0.9986, 0.9951, 0.99, 0.96, 0.5, 0.004, 0.0014, 0.0004])
def test_a_part_is_never_all_nor_nothing_and_adds_up_with_the_rest(part, digits):
    done, left = (
        float(fill(f"{{it:share{digits}}}", {"it": share(one)}).removesuffix(" %")) for one in (part, 1 - part)
    )
    assert 0 < done < 100
    assert 0 < left < 100
    # as they are read, each to half of its last digit
    assert done + left == pytest.approx(100, abs=10 ** -int(digits[1:] or 0) + 1e-9)


def test_all_and_nothing_stay_what_they_are():
    assert fill("{it:share} {no:share.1}", {"it": share(1.0), "no": share(0.0)}) == "100 % 0.0 %"
