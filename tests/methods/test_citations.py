"""Every citation in the code leads to a section that exists; the citations of old notes that are not here are gone."""

import io
import re
import tokenize
from functools import cache
from pathlib import Path

import pytest

from flatscan import methods

ROOT = Path(__file__).parents[2]
ROOMS = ("flatscan", "tests", "scripts")
SUFFIXES = (".py", ".toml", ".md", ".j2", ".js")
# methods/decision 3, methods/decision.md 3, methods/uncertainty 3 and 5, methods/decision 2, 3
NEW = re.compile(r"\bmethods/([a-z][a-z-]*)(?:\.md)? (\d+)((?:(?:, | and | to )\d+)*)")
OLD = re.compile(
    r"\bMETHODS(?:\.md)?(?:,| \d)|\b(?:TRADE|TOLERANCES|DESIGN|FINDINGS)\.md\b|\b(?:TRADE|TOLERANCES|DESIGN|FINDINGS)\b"
)


def places():
    """Files of the project that may cite, but for the texts themselves and their tests."""
    own = ROOT / "flatscan" / "methods", Path(__file__).parent
    for room in ROOMS:
        for path in sorted((ROOT / room).rglob("*")):
            kept = path.is_file() and (path.suffix in SUFFIXES or not path.suffix)
            if kept and not set(own) & set(path.parents) and "__pycache__" not in path.parts:
                yield path
    yield from (ROOT / name for name in ("README.md", "DEVELOPERS.md") if (ROOT / name).is_file())


@cache
def prose(path):
    """What is written for people in a file: of Python its comments and strings, line by line, else all of it."""
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return []
    if path.suffix != ".py":
        return list(enumerate(text.splitlines(), 1))
    return [
        line
        for token in tokenize.generate_tokens(io.StringIO(text).readline)
        if token.type in (tokenize.COMMENT, tokenize.STRING)
        for line in enumerate(token.string.splitlines(), token.start[0])
    ]


def cited(text):
    """(name, section) of every citation in a text."""
    return [
        (name, int(number)) for name, first, more in NEW.findall(text) for number in (first, *re.findall(r"\d+", more))
    ]


def lost(text):
    """Citations in a text that lead nowhere."""
    return [
        (name, number)
        for name, number in cited(text)
        if name not in methods.NAMES or number not in methods.load(name).sections
    ]


def test_every_citation_leads_to_a_section():
    found = [
        f"{path.relative_to(ROOT)}:{line}: methods/{name} {number}"
        for path in places()
        for line, text in prose(path)
        for name, number in lost(text)
    ]
    assert found == []


def test_citations_are_read_as_they_are_written():
    assert cited("as methods/decision 3 and 4, methods/tie.md 2") == [("decision", 3), ("decision", 4), ("tie", 2)]
    assert lost("methods/decision 3") == []
    assert lost("methods/decision 99; methods/magic 1") == [("decision", 99), ("magic", 1)]


@pytest.mark.parametrize("old", ["METHODS 3d", "METHODS.md 7.1", "TRADE, Materials", "(TOLERANCES)", "DESIGN, Lows"])
def test_old_citations_are_told_from_names_in_the_code(old, tmp_path):
    path = tmp_path / "some.py"
    path.write_text(f"# by {old}\nMETHODS = TOLERANCES = 1\nfrom x import DESIGN\n")
    assert [line for line, text in prose(path) if OLD.search(text)] == [1]
    assert not OLD.search("METHODS of reading")


def old_citations():
    """Lines that still cite notes which are not in the repository."""
    return [
        f"{path.relative_to(ROOT)}:{line}: {text.strip()}"
        for path in places()
        for line, text in prose(path)
        if OLD.search(text)
    ]


def test_no_old_citation_is_left():
    assert old_citations() == []
