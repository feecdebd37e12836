"""One thumb at 360 px: every page's targets are 44 px, and no word breaks letter by letter."""

from pathlib import Path

import pytest

pytest.importorskip("selenium", reason="selenium is not installed")
from browsing import PHONE, find, press, until

SAMPLES = Path(__file__).parents[2] / "sample_clouds"
SUPPORT = Path(__file__).parents[1] / "support"
# every control with less than 44 x 44 CSS px (WCAG 2.5.5); a link within a sentence is as high as its line
SMALL = (SUPPORT / "small_targets.js").read_text()
# words that are cut into two lines where there is no hyphen to cut them at, names and codes of the user's apart
BROKEN = (SUPPORT / "broken_words.js").read_text()


def thumbed(browser):
    """The page that is shown, looked over."""
    for script in (SMALL, BROKEN):
        seen, wrong = browser.execute_script(script)
        assert wrong == [], browser.current_url
        assert seen > 1
    assert browser.execute_script("return document.documentElement.scrollWidth") <= PHONE[0], browser.current_url


def begun(served, browser, units="mm"):
    """A table of readings dropped, up to its answers."""
    browser.get(served.url)
    find(browser, "#title").send_keys("stair, half landing")
    if units == "in":
        press(browser, "input[value='in']")
    find(browser, "#capture").send_keys(str(SAMPLES / "laser_grid.csv"))
    press(browser, "button[value=scan]")
    find(browser, "svg.plan")


@pytest.mark.parametrize("units", ["mm", "in"])
def test_every_page_of_a_wall_at_360_px(served, chrome, sized, units):
    sized(chrome, *PHONE)
    begun(served, chrome, units)
    thumbed(chrome)
    press(chrome, ".bar .main")
    find(chrome, "input[name=purpose]")
    thumbed(chrome)
    press(chrome, "input[value='set-out']")
    press(chrome, ".bar .main")
    find(chrome, ".question")
    thumbed(chrome)
    press(chrome, ".bar .main")
    find(chrome, "#wall")
    thumbed(chrome)
    # every tool has its own controls
    for tool in chrome.find_elements("css selector", "input[name=tool]"):
        if tool.is_displayed():
            chrome.execute_script("arguments[0].click()", tool)
            thumbed(chrome)
    for page, part in (
        ("", "#title"),
        ("capture", "#capture"),
        ("plan", "#plan-text"),
        ("sheets", "#make"),
        ("evidence", "#seal"),
        ("about", "main form"),
        ("prices", "main form"),
    ):
        chrome.get(served.base + (f"wall/wall-001/{page}" if page else ""))
        find(chrome, part)
        thumbed(chrome)
    chrome.get(served.base + "phones")
    find(chrome, "main h1")
    thumbed(chrome)
    chrome.get(served.base + "wall/wall-001/nowhere")
    find(chrome, ".told")
    thumbed(chrome)


def on_paper(browser, sized):
    """The page as A4 prints it: no word cut in two, nothing wider than the sheet less its margins of 10 mm."""
    sized(browser, 718, 1047)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    seen, wrong = browser.execute_script(BROKEN)
    wide = browser.execute_script(
        "return [...document.querySelectorAll('table, canvas, dl')].filter((e) => e.checkVisibility())"
        ".map((e) => Math.round(e.getBoundingClientRect().right))"
    )
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    sized(browser, *PHONE)
    assert wrong == []
    assert seen > 50
    assert max(wide) <= 718


@pytest.mark.parametrize("purpose", ["quote", "after-ruling", "hand-over", "dispute"])
def test_the_answers_of_every_job_at_360_px(served, chrome, sized, purpose):
    sized(chrome, *PHONE)
    begun(served, chrome)
    press(chrome, ".bar .main")
    press(chrome, f"input[value='{purpose}']")
    press(chrome, ".bar .main")
    find(chrome, ".question")
    press(chrome, ".bar .main")
    find(chrome, "#wall")
    thumbed(chrome)
    on_paper(chrome, sized)


def test_the_pages_of_readings_and_of_what_cannot_be_done_at_360_px(served, chrome, sized, two_humps):
    sized(chrome, *PHONE)
    chrome.get(served.url)
    press(chrome, "button[value=laser]")
    find(chrome, "#width").send_keys("2.4")
    find(chrome, "#height").send_keys("2.4")
    thumbed(chrome)
    press(chrome, ".bar .main")
    find(chrome, "#value, #begin")
    thumbed(chrome)
    for more in chrome.find_elements("css selector", "details"):
        chrome.execute_script("arguments[0].open = true", more)
    thumbed(chrome)
    # a scan that does not say which of its axes is up
    chrome.get(served.base)
    find(chrome, "#capture").send_keys(str(two_humps))
    press(chrome, "button[value=scan]")
    find(chrome, "#up")
    thumbed(chrome)
    # a plan that cannot be read
    plan = served.folder / "wall-002" / "plan.toml"
    plan.write_text("most = 20\n" + (plan.read_text() if plan.exists() else ""))
    chrome.get(served.base + "wall/wall-002/answers")
    until(lambda: chrome.find_elements("css selector", "#plan-text"))
    thumbed(chrome)
