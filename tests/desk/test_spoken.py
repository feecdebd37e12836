"""Readings spoken: numbers from words, what the next word does, and why a browser cannot listen."""

import pytest

pytest.importorskip("selenium", reason="selenium is not installed")
from thumb import PHONE, begin, entered, text, until, value

NUMBERS = {
    "eighty two point five": "82.5",
    "eighty-two point five": "82.5",
    "eighty two comma five": "82.5",
    "Eighty two point five millimetres.": "82.5",
    "82.5": "82.5",
    "82,5": "82.5",
    "116,25": "116.25",
    "116": "116",
    "116 mm": "116",
    "one hundred and sixteen": "116",
    "a hundred sixteen": "116",
    "hundred and six": "106",
    "one hundred": "100",
    "nine hundred ninety nine point nine nine": "999.99",
    "one one six": "116",
    "one one six point oh five": "116.05",
    "1 1 6": "116",
    "nought point five": "0.5",
    "point five": "0.5",
    "zero": "0",
    "nineteen": "19",
    "twenty": "20",
    "minus three": "-3",
    "one hundred 16 point 5": "116.5",
    "eighty two point 5": "82.5",
}
# heard wrongly, said by halves, or two numbers: no reading is made of it
NONE = [
    "",
    "point",
    "eighty two point",
    "eighty eleven",
    "twenty zero",
    "two twenty",
    "eighty two five",
    "hundred hundred",
    "one hundred and",
    "ten hundred",
    "eighty two point five point five",
    "eighty two or eighty three",
    "82.5.5",
    "1,165",
    "and",
    "eight tea two",
    "next",
    "NaN",
    "1e3",
    "٨٢",
    "minus",
    "a",
]


def run(browser, script, *given):
    return browser.execute_script(f"return {script}", *given)


@pytest.fixture
def screen(served, chrome, sized):
    begin(chrome, served, sized)
    until(lambda: run(chrome, "Boolean(window.spoken)"))
    return chrome


def test_numbers_in_words_are_what_was_said_and_anything_else_is_none(screen):
    made = run(screen, "arguments[0].map(window.spoken.numberOf)", list(NUMBERS))
    assert dict(zip(NUMBERS, made, strict=True)) == NUMBERS
    assert run(screen, "arguments[0].map(window.spoken.numberOf)", NONE) == [None] * len(NONE)


def test_every_whole_number_to_999_by_the_words_it_has(screen):
    made = run(screen, "arguments[0].map(window.spoken.numberOf)", [in_words(number) for number in range(1000)])
    assert made == [str(number) for number in range(1000)]


ONES = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"]
ONES += [f"{one}teen" for one in ("thir", "four", "fif", "six", "seven", "eigh", "nine")]
TENS = [f"{ten}ty" for ten in ("twen", "thir", "for", "fif", "six", "seven", "eigh", "nine")]


def in_words(number):
    if number < 20:
        return ONES[number]
    if number < 100:
        return TENS[number // 10 - 2] + (f"-{ONES[number % 10]}" if number % 10 else "")
    return f"{ONES[number // 100]} hundred" + (f" and {in_words(number % 100)}" if number % 100 else "")


def test_the_next_word_confirms_or_takes_back(screen):
    def heard(said, waiting=""):
        return run(screen, "window.spoken.heard(arguments[0], arguments[1])", said, waiting)

    assert heard("eighty two point five") == {"take": "82.5", "say": "82 point 5. Next?"}
    for yes in ("next", "Yes.", "correct"):
        assert heard(yes, "82.5") == {"enter": "82.5"}
        # nothing waits: nothing is entered
        assert "enter" not in heard(yes)
    assert heard("no", "82.5")["clear"]
    assert heard("not readable")["take"] == "-"
    assert heard("stop", "82.5") == {"stop": True}
    # what is not understood neither enters nor changes what waits
    assert set(heard("eight tea two", "82.5")) == {"say"}
    # another number takes the place of the one that waits
    assert heard("eighty three", "82.5")["take"] == "83"


def test_what_is_spoken_goes_the_way_of_the_keys(screen, served):
    run(screen, "window.reading.type('82.5')")
    assert value(screen) == "82.5"
    assert entered(served)[0] == ""
    run(screen, "window.reading.next()")
    until(lambda: entered(served)[0] == "82.5")
    until(lambda: text(screen, "#now").startswith("Station 2"))


def test_where_it_cannot_listen_it_is_not_offered_and_the_reason_is_said(screen):
    deaf = "window.spoken.deaf(arguments[0], arguments[1])"
    assert "--https" in run(screen, deaf, False, True)
    assert run(screen, deaf, True, None) == "This browser cannot listen to readings."
    assert run(screen, deaf, True, True) == ""
    has = run(screen, "Boolean(window.SpeechRecognition || window.webkitSpeechRecognition)")
    assert run(screen, "isSecureContext")
    run(screen, "document.getElementById('voice').open = true")
    # this page is secure: whether it is offered hangs on the browser alone, and never is it on by itself
    assert screen.find_element("id", "listening").is_displayed() == has
    assert (text(screen, "#no-listening") == "") == has
    assert not screen.find_element("id", "listen").is_selected()
    assert PHONE[0] >= run(screen, "document.documentElement.scrollWidth")


def test_without_a_recogniser_the_page_says_so(served, chrome, sized):
    """The API taken out before the page runs, as in a browser that has none."""
    made = chrome.execute_cdp_cmd(
        "Page.addScriptToEvaluateOnNewDocument",
        {"source": "delete window.SpeechRecognition; delete window.webkitSpeechRecognition;"},
    )
    try:
        begin(chrome, served, sized)
        run(chrome, "document.getElementById('voice').open = true")
        assert text(chrome, "#no-listening") == "This browser cannot listen to readings."
        assert not chrome.find_element("id", "listening").is_displayed()
    finally:
        chrome.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", {"identifier": made["identifier"]})


# a listener that a test speaks for: nothing of the page's own is replaced but the browser's ears and mouth
EARS = """
window.said = [];
window.SpeechRecognition = class {
  start() { window.ear = this; }
  stop() { if (this.onend) this.onend(); }
};
window.hear = (words) => {
  const result = Object.assign([{ transcript: words }], { isFinal: true });
  window.ear.onresult({ resultIndex: 0, results: [result] });
};
Object.defineProperty(window, "speechSynthesis", { value: {
  cancel() {}, speak(words) { window.said.push(words.text); if (words.onend) words.onend(); },
} });
"""


def test_heard_repeated_and_confirmed_by_the_next_word(served, chrome, sized):
    """The way from an event of the listener to the station; the listener itself is played."""
    made = chrome.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": EARS})
    try:
        begin(chrome, served, sized)
        run(chrome, "document.getElementById('voice').open = true")
        assert run(chrome, "window.ear") is None
        run(chrome, "document.getElementById('listen').click()")
        for words, there in (("eighty two point five", "82.5"), ("no", ""), ("eighty three", "83")):
            run(chrome, "window.hear(arguments[0])", words)
            assert value(chrome) == there
        assert run(chrome, "window.said")[-1] == "83. Next?"
        assert entered(served)[0] == ""
        run(chrome, "window.hear('next')")
        until(lambda: entered(served)[0] == "83")
        until(lambda: text(chrome, "#now").startswith("Station 2"))
        # nothing was said of this station: nothing is entered
        run(chrome, "window.hear('next')")
        assert text(chrome, "#now").startswith("Station 2")
        run(chrome, "window.hear('stop')")
        assert text(chrome, "#heard") == "Not listening."
        assert not chrome.find_element("id", "listen").is_selected()
    finally:
        chrome.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", {"identifier": made["identifier"]})
