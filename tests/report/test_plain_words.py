"""Every text is plain enough for somebody on a ladder: short sentences, no words of statistics, the rest explained.

At most 25 words a sentence: Government Digital Service, "Sentence length: why 25 words is our limit", Inside GOV.UK
blog, 4 August 2014.
"""

import re
import tomllib
from pathlib import Path

import pytest
from every_text import every_text, page_texts

from flatscan import methods
from flatscan.core.choices import METHODS

LONGEST = 25
RULES = tomllib.loads(Path(__file__).with_name("plain_words.toml").read_text(encoding="utf-8"))
# a number with its unit is read as one word, an empty line ends a sentence as a full stop does
VALUE = re.compile(
    r"[-+±−]?\d[\d,.]*(?:[ /]\d[\d,./]*)*(?: ?(?:US gal|sq ft|mm|m²|m|ft|in|%|kg|litres|lb|h|days)(?!\w))?"
    r"(?: (?:\d+ )?\d+/\d+ in| \d+ in)?"
)
END = re.compile(r"[.?!](?:\s|$)|\n\s*\n")
WORD = re.compile(r"[A-Za-z0-9±][\w'’.-]*")


def sentences(text):
    return [" ".join(part.split()) for part in END.split(text) if part.strip()]


def length(sentence):
    return len(WORD.findall(VALUE.sub("9", sentence)))


def pattern(word):
    """What finds a word of the list: at its beginning, with any ending where it ends in a star."""
    stem = re.escape(word.removesuffix("*"))
    ending = r"\w*" if word.endswith("*") else r"(?!\w)" if word[-1].isalnum() else ""
    return re.compile(rf"(?<![\w-]){stem}{ending}", re.IGNORECASE)


def excused(place, by):
    return any(place.startswith(beginning) for beginning in RULES[by])


def too_long(texts):
    return {
        (place, sentence)
        for place, text in texts
        for sentence in sentences(text)
        if length(sentence) > LONGEST and not excused(place, "may-be-long")
    }


def not_plain(texts):
    """Place, word and what to say instead, of every word that is not for people at a wall."""
    patterns = {word: pattern(word) for word in RULES["words"]}
    any_of_them = re.compile("|".join(found.pattern for found in patterns.values()), re.IGNORECASE)
    return {
        (place, word, RULES["words"][word])
        for place, text in texts
        # what somebody types, and names of settings, stay what they are
        if any_of_them.search(bare := re.sub(r"--[\w-]+|\[\w+\]|'[^']*'", "", text)) and not excused(place, "may-say")
        for word, found in patterns.items()
        if found.search(bare)
    }


def test_no_sentence_is_longer_than_people_follow():
    assert len(every_text()) > 3500
    assert too_long(every_text()) == set()


def test_no_word_is_one_of_statistics_where_people_work():
    assert not_plain(every_text()) == set()


def test_the_measure_itself_finds_what_is_wrong():
    long = "One two three. " + "and on " * 13 + "it goes"
    assert too_long([("a", long)]) == {("a", ("and on " * 13 + "it goes"))}
    assert too_long([("a", "and on " * 11 + "0.3 mm ± 1.2 mm.")]) == set()
    assert not_plain([("a", "its standard uncertainties, by --confidence 0.9")]) == {
        ("a", "uncertaint*", RULES["words"]["uncertaint*"])
    }
    assert not_plain([("a", "u(gap) is 2"), ("explain.odds", "a probability")]) == {("a", "u(", RULES["words"]["u("])}
    assert page_texts("<p>It is <b>flat</b>{% if x %} here{% endif %}</p><script>var x</script>{{ y }}") == [
        "It is flat here"
    ]


def glossary():
    """The words that methods/words explains, with their explanations."""
    return dict(re.findall(r"^- \*\*(.+?)\*\*: (.+?)(?=^- |^$)", methods.load("words").text, re.M | re.S))


def test_the_glossary_explains_what_is_needed_and_nothing_else():
    said = "\n".join((*METHODS, *(text for _, text in every_text())))
    assert set(RULES["explained"]["words"]) - set(glossary()) == set(), "not explained"
    unused = [word for word in glossary() if "range" not in word and not pattern(f"{word}*").search(said)]
    assert unused == [], "explained, but nobody says it"


def test_the_glossary_is_plain_itself():
    assert len(glossary()) > 70
    assert too_long(glossary().items()) == set()
    assert not_plain(glossary().items()) == set()


@pytest.mark.parametrize("by", ["may-say", "may-be-long", "words"])
def test_every_exception_has_a_reason_and_every_word_another(by):
    assert all(reason.strip() and reason != name for name, reason in RULES[by].items())
    places = {place for place, _ in every_text()}
    assert by == "words" or all(any(place.startswith(name) for place in places) for name in RULES[by])
