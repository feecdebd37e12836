"""The texts: all listed, numbered, with a mark beside every figure, true to the numbers the program uses."""

import re
from importlib.resources import files

import pytest

from flatscan import methods, standards
from flatscan.core.errors import BadValue
from flatscan.methods import NAMES
from flatscan.relief import capture_type
from flatscan.relief.common_errors import TYPES

KINDS = "read|abstract|memory|practice|estimate|derived|simulated|measured|setting|definition"
MARK = re.compile(rf"\[[^\[\]]*\b(?:{KINDS})\b[^\[\]]*\]")
NUMBERED = re.compile(r"\b(?:read|abstract) (\d+)")
# "decision 5", "uncertainty 3 and 5", "finish-plane 1 to 8" inside a text point to another text's sections
CROSS = re.compile(rf"(?<![\w/-])({'|'.join(NAMES)})((?: (?:and|to) \d+| \d+)+)")
SOURCE = re.compile(r"^(\d+)\. ", re.MULTILINE)
NEVER = re.compile(r"\.\./|shared/|\bTODO\b|PLACEHOLDER|METHODS\.md|TRADE\.md|TOLERANCES\.md|DESIGN\.md")


def bodies(text):
    """(number, body) of the numbered sections, and the body of the sources."""
    parts = re.split(r"^## (?:(\d+)\. [^\n]+|(Sources))\n", text, flags=re.MULTILINE)[1:]
    numbered, sources = [], ""
    for number, is_sources, body in zip(parts[::3], parts[1::3], parts[2::3], strict=True):
        if is_sources:
            sources = body
        else:
            numbered.append((int(number), body))
    return numbered, sources


def figures(body):
    """Digits that are figures: not numbers of sections or sources, file names or code."""
    bare = re.sub(r"`[^`]*`", "", body)
    bare = CROSS.sub("", MARK.sub("", bare))
    bare = re.sub(r"\bsections? \d+(?: (?:and|to) \d+)?|\bsources? \d+(?: and \d+)?", "", bare)
    bare = re.sub(r"^\d+\. ", "", bare, flags=re.MULTILINE)
    return re.findall(r"\d+(?:\.\d+)?", bare)


def paragraphs(body):
    """Paragraphs and items of a list; formulas, which are set in by four spaces, and tables are left out."""
    kept = [line for line in body.splitlines() if not line.startswith(("    ", "|"))]
    return re.split(r"\n\n|\n(?=- |\d+\. )", "\n".join(kept))


def without_mark(text):
    """(section, beginning) of the paragraphs with a figure and no mark, and of sections whose table has none near."""
    for number, body in bodies(text)[0]:
        yield from ((number, part.strip()[:60]) for part in paragraphs(body) if figures(part) and not MARK.search(part))
        if figures(body) and not MARK.search(body):
            yield number, "table"


def unknown_sources(text):
    """Numbers of sources that marks name and the list at the end does not hold."""
    numbered, sources = bodies(text)
    named = {int(n) for _, body in numbered for mark in MARK.findall(body) for n in NUMBERED.findall(mark)}
    return named - {int(n) for n in SOURCE.findall(sources)}


def lost_crossings(text):
    """References to sections of other texts that do not exist."""
    found = [(name, int(n)) for name, tail in CROSS.findall(text) for n in re.findall(r"\d+", tail)]
    return [(name, n) for name, n in found if n not in methods.load(name).sections]


def test_every_file_is_a_text_and_every_text_a_file():
    there = {item.name for item in files("flatscan.methods").iterdir() if item.name.endswith(".md")}
    assert there == {f"{name}.md" for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_sections_run_from_one_and_end_with_sources(name):
    text = methods.load(name)
    assert text.text.startswith(f"# {text.title}\n\n## 1. ")
    assert list(text.sections) == list(range(1, len(text.sections) + 1))
    sources = bodies(text.text)[1]
    assert [int(n) for n in SOURCE.findall(sources)] == list(range(1, len(SOURCE.findall(sources)) + 1))
    assert text.text.rstrip().endswith(sources.rstrip())
    assert SOURCE.search(sources)


@pytest.mark.parametrize("name", NAMES)
def test_every_section_with_a_figure_says_where_it_comes_from(name):
    text = methods.load(name).text
    assert list(without_mark(text)) == []
    assert unknown_sources(text) == set()
    assert lost_crossings(text) == []
    assert NEVER.findall(text) == []


def test_the_checks_themselves_find_what_is_wrong():
    bad = (
        "# T\n\n## 1. A\n\n5 mm.\n\n- 6 mm [setting]\n- 7 mm\n\n## 2. B\n\n8 mm [read 3].\n\n"
        "## 3. C\n\nsee decision 99\n\n## 4. D\n\n| 9 mm |\n\n## Sources\n\n1. X.\n"
    )
    assert list(without_mark(bad)) == [(1, "5 mm."), (1, "- 7 mm"), (4, "table")]
    assert unknown_sources(bad) == {3}
    assert lost_crossings(bad) == [("decision", 99)]
    assert figures("in `--cell 10mm` and section 3, source 4, uncertainty 5") == []


def rows(name, section):
    """Cells of the rows of the table in a section."""
    body = dict(bodies(methods.load(name).text)[0])[section]
    lines = [line.strip("|").split("|") for line in body.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line] for line in lines[2:]]


def test_capture_types_are_those_of_the_program():
    table = {row[0]: row[1:4] for row in rows("uncertainty", 7)}
    assert set(table) == set(TYPES)
    for name, (chord, lean, scale) in table.items():
        kind = capture_type(name)
        assert float(chord) == pytest.approx(kind.chord * 1000)
        assert float(lean) == pytest.approx(kind.lean * 1000)
        assert float(scale.rstrip(" %")) == pytest.approx(kind.scale * 100)


def test_the_tolerances_text_names_every_document_and_what_is_from_memory():
    text = methods.load("tolerances").text
    for entry in standards.available():
        words = re.findall(r"[A-Z]{2,}[ -]?[A-Z0-9.]*\d+", entry.document) or [entry.document.split()[0]]
        assert any(word.split()[-1] in text for word in words), entry.document
    marked = [line for line in text.splitlines() if "[memory]" in line]
    unsure = {entry.document for entry in standards.available() if entry.read_as == "memory"}
    # beside the line that says what the mark means
    assert len(marked) - 1 == len({"GB": 1, "EN 1996": 1}) == len(unsure)


def test_an_unknown_name_is_answered_with_all_there_are():
    with pytest.raises(BadValue) as wrong:
        methods.load("methods{x}")
    assert "'methods{x}'" in str(wrong.value)
    assert all(name in str(wrong.value) for name in NAMES)
