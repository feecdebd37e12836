"""A job in inches: no page speaks of millimetres, and what is drawn stands in the fields as a tape has it."""

import re
from fractions import Fraction
from pathlib import Path

import pytest

pytest.importorskip("selenium", reason="selenium is not installed")
from browsing import PHONE, find, press

from flatscan.jobs.plan_file import load_plan

GRID = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"
METRIC = re.compile(r"\d ?(?:mm|cm|m)\b|\bmm\b|m²")
PAGES = ("purpose", "questions", "answers", "sheets", "evidence", "prices", "more", "about", "compare")


def words_of(page):
    """What a page says, its examples too."""
    text = re.sub(r"<script.*?</script>", "", page, flags=re.S)
    return re.sub(r"<[^>]+>", "\n", re.sub(r'<[^>]*placeholder="([^"]*)"[^>]*>', r"\n\1\n", text))


@pytest.mark.parametrize("purpose", ["quote", "set-out", "after-ruling"])
def test_no_page_speaks_of_millimetres(client, purpose):
    client.upload(GRID, units="in")
    client.upload(GRID, units="in", title="the same again")
    client.send("wall-001", "purpose", purpose=purpose)
    client.wait("wall-001")
    found = []
    for page in PAGES:
        answer = client.get(f"/wall/wall-001/{page}")
        assert answer.status_code == 200, page
        found += [(page, line) for line in words_of(answer.text).splitlines() if METRIC.search(line)]
    assert found == []


def inches(text):
    """What a tape has, such as 17 3/8; anything else raises."""
    assert re.fullmatch(r"\d+|(?:\d+ )?\d+/(?:2|4|8|16)", text), text
    return float(sum(map(Fraction, text.split())))


def test_an_opening_drawn_in_inches_stands_in_sixteenths(served, chrome, sized):
    sized(chrome, *PHONE)
    chrome.get(served.url)
    press(chrome, "input[value='in']")
    find(chrome, "#capture").send_keys(str(GRID))
    press(chrome, "button[value=scan]")
    find(chrome, "svg.plan")
    press(chrome, ".bar .main")
    press(chrome, "input[value='quote']")
    press(chrome, ".bar .main")
    find(chrome, "#least")
    press(chrome, ".bar .main")
    press(chrome, "input[value=box]")
    drawn = {"left": 0.4415, "bottom": 0.3, "width": 0.9, "height": 0.0072}
    chrome.execute_script(
        "document.getElementById('wall').dispatchEvent(new CustomEvent('drawn', { detail: arguments[0] }))", drawn
    )
    for side, metres in drawn.items():
        shown = find(chrome, f"#box-{side}").get_attribute("value")
        assert inches(shown) == pytest.approx(metres / 0.0254, abs=1 / 32), side
    # a fraction that is typed is drawn
    for side, text in (("left", "17 3/8"), ("bottom", "3/4"), ("width", "20,5"), ("height", "12-1/2")):
        find(chrome, f"#box-{side}").clear()
        find(chrome, f"#box-{side}").send_keys(text)
    box = chrome.execute_script("return window.flatscan.box()")
    got = [box[side] / 0.0254 for side in ("left", "bottom", "width", "height")]
    assert got == pytest.approx([17.375, 0.75, 20.5, 12.5])
    # and it is what goes into the plan, to a tenth of a millimetre
    press(chrome, "#box button")
    find(chrome, "[data-box]")
    (left, bottom, right, top) = load_plan(served.folder / "wall-001" / "plan.toml").opening[0]
    assert [one / 0.0254 for one in (left, bottom, right - left, top - bottom)] == pytest.approx(got, abs=0.004)


def test_an_error_has_an_example_in_inches(client):
    client.upload(GRID, units="in")
    client.send("wall-001", "purpose", purpose="quote")
    answer = client.post(
        "/wall/wall-001/keep", json={"revision": client.job().revision, "values": {"least": "a bit"}}
    ).get_json()
    assert "such as 1/8in" in answer["troubles"]["least"]
