"""The whole job in a browser without a window: from dropping a real scan to the PDF, killed and returned to."""

import json
from pathlib import Path

import pytest

pytest.importorskip("selenium", reason="selenium is not installed")
from browsing import PHONE, find, press, until
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from flatscan.jobs.plan_file import load_plan

SAMPLES = Path(__file__).parents[2] / "sample_clouds"
DESK = (1400, 900)


def severe(browser):
    return [entry["message"] for entry in browser.get_log("browser") if entry["level"] == "SEVERE"]


def faults(browser, axe):
    """What axe-core finds against WCAG 2 A and AA, as (rule, elements)."""
    browser.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
    browser.execute_script(axe)
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']}).then(done);"
    )
    assert len(found["passes"]) > 5
    return [(one["id"], [node["html"][:160] for node in one["nodes"]]) for one in found["violations"]]


def no_wider_than_the_screen(browser, sized):
    for width, height in (PHONE, DESK):
        sized(browser, width, height)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width, browser.current_url


def look(browser, sized, axe):
    """Width, contrast and names of the page that is shown, at both widths."""
    no_wider_than_the_screen(browser, sized)
    for screen in (PHONE, DESK):
        sized(browser, *screen)
        assert faults(browser, axe) == [], browser.current_url


def drop(browser, css, path):
    """Let go of a file over a part of the page; the file comes out of a field that the test adds for it."""
    browser.execute_script(
        "const field = document.createElement('input'); field.type = 'file'; field.id = 'dragged';"
        "document.body.append(field);"
    )
    browser.find_element(By.ID, "dragged").send_keys(str(path))
    browser.execute_script(
        "const field = document.getElementById('dragged'), moved = new DataTransfer();"
        "moved.items.add(field.files[0]); field.remove();"
        "const zone = document.querySelector(arguments[0]);"
        "for (const name of ['dragenter', 'dragover', 'drop'])"
        "  zone.dispatchEvent(new DragEvent(name, {dataTransfer: moved, bubbles: true, cancelable: true}));",
        css,
    )


def test_from_dropping_the_scan_to_the_pdf(served, chrome, sized, axe):
    chrome.execute_cdp_cmd("Page.setBypassCSP", {"enabled": False})
    sized(chrome, *DESK)
    chrome.get(served.url)
    assert "token" not in chrome.current_url
    look(chrome, sized, axe)
    find(chrome, "#title").send_keys("tea room")
    drop(chrome, "[data-drop]", SAMPLES / "room.ply")
    find(chrome, "svg.plan")
    assert len(chrome.find_elements(By.CSS_SELECTOR, "input[name=wall]")) == 4
    look(chrome, sized, axe)
    press(chrome, "input[name=wall][value='2']")
    until(lambda: "Wall 2, seen from the room" in chrome.page_source)
    find(chrome, "#width").send_keys("3.4 m")
    press(chrome, ".bar .main")
    press(chrome, "input[value=quote]")
    look(chrome, sized, axe)
    press(chrome, ".bar .main")
    press(chrome, "input[value=scanner]")
    look(chrome, sized, axe)
    press(chrome, ".bar .main")
    find(chrome, "#wall")
    assert "How many bags?" in chrome.page_source
    look(chrome, sized, axe)
    press(chrome, ".bar .main")
    press(chrome, "#make .main")
    link = find(chrome, "a[href$='sheets.pdf']")
    look(chrome, sized, axe)
    kept = served.folder / "wall-001" / "survey-sheets.pdf"
    length = chrome.execute_async_script(
        "const done = arguments[1]; fetch(arguments[0]).then((a) => a.arrayBuffer()).then((b) => done(b.byteLength));",
        link.get_attribute("href"),
    )
    assert length == kept.stat().st_size > 10_000
    press(chrome, ".bar .main")
    find(chrome, "#seal")
    look(chrome, sized, axe)
    plan = load_plan(served.folder / "wall-001" / "plan.toml")
    assert (plan.wall, plan.width, plan.capture_type, plan.job.wall) == ((2, ""), 3.4, "scanner", "tea room")
    assert severe(chrome) == []


def test_killed_in_the_middle_and_returned_to(served, chrome, sized):
    sized(chrome, *PHONE)
    chrome.get(served.url)
    press(chrome, "button[value=laser]")
    find(chrome, "#width").send_keys("2.4")
    find(chrome, "#height").send_keys("2.4")
    press(chrome, ".bar .main")
    press(chrome, "#begin")
    value = find(chrome, "#value")
    for text in ("116", "117", "115"):
        value.send_keys(text, Keys.ENTER)
        until(lambda: chrome.switch_to.active_element.get_attribute("value") == "")
    # the fourth is being typed when the battery dies
    value.send_keys("11")

    def kept():
        held = json.loads((served.folder / "wall-001" / "settings.json").read_text())["readings"]
        return [text for _, _, text in held["stations"]][:5], list(held["typing"].values())

    until(lambda: kept() == (["116", "117", "115", "", ""], ["11"]))
    served.kill()
    value.send_keys("8")
    until(lambda: "do not close this page" in find(chrome, "#doubt").text)
    served.start()
    chrome.get(served.url)
    assert "laser readings" in chrome.page_source
    press(chrome, ".walls a")
    find(chrome, "#value")
    # what was typed while nobody answered was kept on the phone, is shown half as it was, and counts nowhere
    until(lambda: find(chrome, "#value").get_attribute("value") == "118")
    until(lambda: kept() == (["116", "117", "115", "", ""], ["118"]))
    assert "118" not in (served.folder / "wall-001" / "readings.csv").read_text()
    assert find(chrome, "#now").text.startswith("Station 4 of 12")


def test_a_doubtful_reading_is_flagged_before_moving_on_and_counts_once_it_is_kept(served, chrome, sized, axe):
    sized(chrome, *PHONE)
    chrome.get(served.url)
    press(chrome, "button[value=laser]")
    find(chrome, "#width").send_keys("2.4")
    find(chrome, "#height").send_keys("2.4")
    look(chrome, sized, axe)
    sized(chrome, *PHONE)
    press(chrome, ".bar .main")
    press(chrome, "#begin")
    for text in ("116", "117", "115", "116", "117", "11.6"):
        for sign in text:
            press(chrome, f".keypad [data-key='{sign}']")
        before = find(chrome, "#now").text
        press(chrome, "#on")
        until(lambda was=before: find(chrome, "#now").text != was or "mean" in find(chrome, "#doubt").text)
    assert "did you mean 116 mm" in find(chrome, "#doubt").text
    assert find(chrome, "#now").text.startswith("Station 6")
    look(chrome, sized, axe)
    sized(chrome, *PHONE)
    # a second tap goes on and leaves it to be looked at; only its own button makes it count
    press(chrome, "#on")
    until(lambda: find(chrome, "#now").text.startswith("Station 7"))
    assert "1 to look at" in find(chrome, "#count").text
    press(chrome, ".keypad [data-key=before]")
    press(chrome, "#choices button")
    until(lambda: find(chrome, "#now").text.startswith("Station 7"))
    assert find(chrome, "#count").text == "6 of 13 confirmed, all sent"
    # all keys are large enough for a thumb: 44 CSS pixels (WCAG 2.5.5)
    for key in chrome.find_elements(By.CSS_SELECTOR, ".keypad button"):
        assert key.rect["height"] >= 44
        assert key.rect["width"] >= 44
    assert severe(chrome) == []


def test_two_tabs_do_not_overwrite_each_other(served, chrome, sized):
    sized(chrome, *DESK)
    chrome.get(served.url)
    find(chrome, "#title").send_keys("one wall")
    find(chrome, "#capture").send_keys(str(SAMPLES / "laser_grid.csv"))
    press(chrome, "button[value=scan]")
    find(chrome, "svg.plan")
    press(chrome, ".bar .main")
    press(chrome, "input[value='quote']")
    press(chrome, ".bar .main")
    find(chrome, "#least")
    first = chrome.current_window_handle
    chrome.switch_to.new_window("tab")
    chrome.get(served.base + "wall/wall-001/questions")
    find(chrome, "#least").send_keys("7")
    until(lambda: find(chrome, "#saved").text == "saved")
    chrome.switch_to.window(first)
    find(chrome, "#least").send_keys("9")
    until(lambda: "changed in another window" in find(chrome, "#told").text)
    assert load_plan(served.folder / "wall-001" / "plan.toml").least == pytest.approx(0.007)
    press(chrome, ".bar .main")
    assert "changed in another window" in find(chrome, ".told p").text
    press(chrome, "a.main")
    assert find(chrome, "#least").get_attribute("value") == "7 mm"


def test_leaving_by_a_link_keeps_the_last_sign_typed(served, chrome, sized):
    sized(chrome, *PHONE)
    chrome.get(served.url)
    find(chrome, "#capture").send_keys(str(SAMPLES / "laser_grid.csv"))
    press(chrome, "button[value=scan]")
    find(chrome, "svg.plan")
    press(chrome, ".bar .main")
    press(chrome, "input[value='quote']")
    press(chrome, ".bar .main")
    # the answer to each sign takes longer than a thumb needs to the next
    chrome.execute_script(
        "const ask = fetch; fetch = (...a) => new Promise((d) => { setTimeout(d, 1500); }).then(() => ask(...a));"
    )
    find(chrome, "#least").send_keys("2,5")
    chrome.execute_script("document.querySelector('a[href$=\"/prices\"]').click()")
    find(chrome, "#currency")
    assert load_plan(served.folder / "wall-001" / "plan.toml").least == pytest.approx(0.0025)


def test_why_a_file_was_not_taken_is_seen_where_the_button_stands(served, chrome, sized):
    sized(chrome, *PHONE)
    chrome.get(served.url)
    find(chrome, "#capture").send_keys(
        "\n".join(str(SAMPLES / name) for name in ("laser_grid.csv", "lows_by_hand.csv"))
    )
    chrome.execute_script("document.querySelector('button[value=scan]').scrollIntoView({block: 'end'})")
    assert chrome.execute_script("return scrollY") > 100
    press(chrome, "button[value=scan]")
    until(lambda: "may each be the capture" in find(chrome, "#told").text)
    top, bottom, high = chrome.execute_script(
        "const told = document.getElementById('told').getBoundingClientRect();"
        "return [told.top, told.bottom, innerHeight];"
    )
    assert 0 <= top < bottom <= high


@pytest.mark.parametrize("screen", [PHONE, (1400, 757)])
def test_no_column_of_the_dots_is_out_of_sight(served, chrome, sized, screen):
    sized(chrome, *screen)
    chrome.get(served.url)
    find(chrome, "#capture").send_keys(str(SAMPLES / "laser_grid.csv"))
    press(chrome, "button[value=scan]")
    # the page of the work under way loads itself again: each page is known by what it alone has
    find(chrome, "svg.plan")
    press(chrome, ".bar .main")
    press(chrome, "input[value='set-out']")
    press(chrome, ".bar .main")
    find(chrome, "#strip")
    press(chrome, ".bar .main")
    find(chrome, "tr.noted")
    inside, frame = chrome.execute_script(
        "const list = document.querySelector('tr.noted').closest('.scroll');"
        "return [list.scrollWidth, list.clientWidth];"
    )
    assert inside <= frame
    assert find(chrome, "tr.noted + tr.note").text.startswith("START HERE")


def test_ticks_and_fixed_points_by_touch(served, chrome, sized, axe, two_humps):
    sized(chrome, *DESK)
    chrome.get(served.url)
    find(chrome, "#title").send_keys("drying room")
    find(chrome, "#capture").send_keys(str(two_humps))
    press(chrome, "button[value=scan]")
    # which of its axes is up is asked for: as the file says, x, y, z
    find(chrome, "#up option:nth-child(4)").click()
    press(chrome, "button[value=stay]")
    find(chrome, "svg.plan")
    press(chrome, ".bar .main")
    press(chrome, "input[value='quote']")
    press(chrome, ".bar .main")
    press(chrome, "input[value=scanner]")
    press(chrome, ".bar .main")
    path = served.folder / "wall-001" / "plan.toml"
    press(chrome, "#humps input")
    until(lambda: len(load_plan(path).cut) == 1, 60)
    # the page is shown anew by the plan with the hump cut, at the same place
    until(lambda: "1 as planned" in chrome.page_source, 60)
    assert find(chrome, "#humps input").is_selected()
    assert chrome.current_url.endswith("#hacking")
    press(chrome, "form[action$=undo] button")
    until(lambda: "all 2 save" in chrome.page_source, 60)
    assert load_plan(path).cut == ()
    # tapping a quarter across and a quarter up gives that place, in whole millimetres
    canvas = find(chrome, "#wall")
    chrome.execute_script("arguments[0].scrollIntoView({block: 'center'})", canvas)
    from selenium.webdriver import ActionChains

    box = canvas.rect
    spot = chrome.execute_script("return window.flatscan.spot(1.5 / 4, 1.2 / 4)")
    top = chrome.execute_script("return arguments[0].getBoundingClientRect().top", canvas)
    off = spot["x"] - box["x"] - box["width"] / 2, spot["y"] - top - box["height"] / 2
    ActionChains(chrome).move_to_element_with_offset(canvas, *map(round, off)).click().perform()
    x, y = (float(find(chrome, f"#fix-{axis}").get_attribute("value")) for axis in "xy")
    assert x == pytest.approx(1500 / 4, abs=5)
    assert y == pytest.approx(1200 / 4, abs=5)
    find(chrome, "#fix-z").send_keys("20")
    press(chrome, "#fix button")
    until(lambda: "20.0 mm proud of the wall beside it" in chrome.page_source, 60)
    look(chrome, sized, axe)
    # on a laptop the drawing and what it reads are seen together, clear of the bar at the foot, whatever the tool
    sized(chrome, 1400, 757)
    for tool in ("read", "edge", "measure", "box"):
        chrome.execute_script("window.flatscan.use(arguments[0]); window.scrollTo(0, 0)", tool)
        low, bar = chrome.execute_script(
            "return [document.querySelector('#reading').getBoundingClientRect().bottom,"
            " document.querySelector('.bar').getBoundingClientRect().top]"
        )
        assert 0 < low <= bar, tool
    # a plan that somebody breaks in the folder is shown with its line, and set back by one button
    whole = path.read_text()
    path.write_text("most = 20\n" + whole)
    chrome.refresh()
    find(chrome, "#plan-text")
    assert "plan.toml, line 1" in chrome.page_source
    look(chrome, sized, axe)
    press(chrome, "form[action$=undo] button")
    until(lambda: path.read_text() == whole)
    assert severe(chrome) == []


def touches(browser, kind, *places):
    """A touch as the screen itself gives it."""
    points = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(places)]
    browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": f"touch{kind}", "touchPoints": points})


def swipe(browser, start, end, steps=8):
    touches(browser, "Start", start)
    for k in range(1, steps + 1):
        touches(browser, "Move", tuple(a + (b - a) * k / steps for a, b in zip(start, end, strict=True)))
    touches(browser, "End")


def spot(browser, x, y):
    """Where a place of the wall is on the screen."""
    at = browser.execute_script("return window.flatscan.spot(arguments[0], arguments[1])", x, y)
    return at["x"], at["y"]


def test_an_opening_is_drawn_and_moved_by_finger(served, chrome, sized, two_humps):
    sized(chrome, *PHONE)
    chrome.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    chrome.get(served.url)
    find(chrome, "#capture").send_keys(str(two_humps))
    press(chrome, "button[value=scan]")
    find(chrome, "#up option:nth-child(4)").click()
    press(chrome, "button[value=stay]")
    find(chrome, "svg.plan")
    press(chrome, ".bar .main")
    press(chrome, "input[value='quote']")
    press(chrome, ".bar .main")
    press(chrome, "input[value=scanner]")
    press(chrome, ".bar .main")
    path = served.folder / "wall-001" / "plan.toml"
    press(chrome, "input[value=box]")
    canvas = find(chrome, "#wall")
    chrome.execute_script("arguments[0].scrollIntoView({block: 'center'})", canvas)
    swipe(chrome, spot(chrome, 0.2, 0.1), spot(chrome, 0.8, 0.7))

    def fields():
        return [
            float(find(chrome, f"#box-{side}").get_attribute("value")) for side in ("left", "bottom", "width", "height")
        ]

    until(lambda: "600 mm x 600 mm" in find(chrome, "#reading").text or fields()[2] > 590)
    assert fields() == pytest.approx([200, 100, 600, 600], abs=6)
    # the fields stand beside the finger, and what is typed there is drawn
    order = chrome.execute_script("return document.getElementById('reading').nextElementSibling.id")
    assert order == "box"
    find(chrome, "#box-width").clear()
    find(chrome, "#box-width").send_keys("450,5")
    assert chrome.execute_script("return window.flatscan.box().width") == pytest.approx(0.4505)
    press(chrome, "#box button")
    until(lambda: len(load_plan(path).opening) == 1)
    before = load_plan(path).opening[0]
    assert before[2] - before[0] == pytest.approx(0.4505)
    # moved by its middle, it stays as large
    press(chrome, "[data-box]")
    chrome.execute_script("arguments[0].scrollIntoView({block: 'center'})", find(chrome, "#wall"))
    swipe(chrome, spot(chrome, 0.4, 0.4), spot(chrome, 0.7, 0.5))
    press(chrome, "#box button")
    until(lambda: load_plan(path).opening[0] != before)
    (moved,) = load_plan(path).opening
    assert [moved[0] - before[0], moved[1] - before[1]] == pytest.approx([0.3, 0.1], abs=0.01)
    assert moved[2] - moved[0] == pytest.approx(0.4505, abs=0.001)
    chrome.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})


def test_by_keyboard_alone(served, chrome, sized):
    """Tab, arrows, space and Enter, from the first page to the answers; no pointer."""
    from selenium.webdriver import ActionChains

    def keys(*pressed):
        ActionChains(chrome).send_keys(*pressed).perform()

    def tab_to(css):
        for _ in range(60):
            keys(Keys.TAB)
            here = chrome.switch_to.active_element
            if chrome.execute_script("return arguments[0].matches(arguments[1])", here, css):
                outline = here.value_of_css_property("outline-style")
                assert outline not in ("none", "hidden"), f"the focus on {css} cannot be seen"
                return
        raise AssertionError(f"{css} cannot be reached by the tab key on {chrome.current_url}")

    sized(chrome, *DESK)
    chrome.get(served.url)
    tab_to("button[value=laser]")
    keys(Keys.ENTER)
    find(chrome, "#width")
    tab_to("#width")
    keys("1.2", Keys.TAB, "1.2")
    tab_to(".bar .main")
    keys(Keys.ENTER)
    find(chrome, "#begin")
    # the button that begins has the focus already, and then the field: number, Enter, number, Enter
    keys(Keys.ENTER)
    for number in range(1, 5):
        until(lambda k=number: find(chrome, "#now").text.startswith(f"Station {k} "))
        keys(str(115 + number % 2), Keys.ENTER)
    until(lambda: find(chrome, "#now").text.startswith("Station 1 again"))
    keys("116", Keys.ENTER)
    until(lambda: "All read" in chrome.page_source)
    tab_to(".bar .main")
    keys(Keys.ENTER)
    find(chrome, "input[name=purpose]")
    tab_to("input[name=purpose]")
    keys(Keys.SPACE)
    tab_to(".bar .main")
    keys(Keys.ENTER)
    find(chrome, "fieldset.question")
    tab_to(".bar .main")
    keys(Keys.ENTER)
    find(chrome, "#wall")
    tab_to("#wall")
    before = find(chrome, "#reading").text
    keys(Keys.ARROW_RIGHT)
    assert find(chrome, "#reading").text != before


def test_inches_and_printing(served, chrome, sized, axe):
    sized(chrome, *PHONE)
    chrome.get(served.url)
    find(chrome, "#title").send_keys("in inches")
    press(chrome, "input[value='in']")
    find(chrome, "#capture").send_keys(str(SAMPLES / "laser_grid.csv"))
    press(chrome, "button[value=scan]")
    find(chrome, "svg.plan")
    press(chrome, ".bar .main")
    press(chrome, "input[value='hand-over']")
    press(chrome, ".bar .main")
    find(chrome, "#limit").send_keys("1/8")
    look(chrome, sized, axe)
    press(chrome, ".bar .main")
    said = find(chrome, "dl.answers.first").text
    assert "1/8 in under" in said
    assert "mm" not in said + find(chrome, "dl.answers:not(.first)").text
    chrome.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    for css in (".bar", ".steps"):
        assert not chrome.find_element(By.CSS_SELECTOR, css).is_displayed()
    # what is printed is said in words and black on white: no line of the answers has a colour of its own
    colours = chrome.execute_script(
        "return [...document.querySelectorAll('dl.answers *')].map((e) => getComputedStyle(e).color)"
    )
    assert set(colours) == {"rgb(17, 17, 17)"}
    assert find(chrome, "dl.answers").is_displayed()
