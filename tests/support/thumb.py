"""A thumb on a phone that a driver drives: taps, numbers typed at the reading screen, and the driver's own network."""

import json
import time

from selenium.webdriver.common.by import By

PHONE, DESK = (360, 740), (1400, 900)
WALL = "wall/wall-001/readings"


def until(true, what="it did not come about", seconds=30):
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, what() if callable(what) else what
        time.sleep(0.03)


def text(browser, css):
    return browser.find_element(By.CSS_SELECTOR, css).text


def tap(browser, css):
    """A thumb on the middle of what is seen there, without looking whether it is the same as before."""
    x, y = browser.execute_script(
        "const box = document.querySelector(arguments[0]).getBoundingClientRect();"
        "return [box.x + box.width / 2, box.y + box.height / 2];",
        css,
    )
    tap_at(browser, x, y)


def tap_at(browser, x, y):
    browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def key(browser, name):
    tap(browser, f".keypad [data-key='{name}']")


def type_in(browser, number):
    for sign in number:
        key(browser, sign)


def read(browser, number):
    """A number and Next, until another station is shown or something is said of this one."""
    was = text(browser, "#now")
    type_in(browser, number)
    key(browser, "next")
    until(lambda: text(browser, "#now") != was or said(browser), lambda: f"{number}: still at {was}")


def said(browser):
    words = text(browser, "#doubt")
    return "" if words.startswith(("Being typed", "No connection")) else words


def value(browser):
    return browser.find_element(By.ID, "value").get_attribute("value")


def keys(browser):
    return browser.execute_script(
        "return [...document.querySelectorAll('.keypad button')].map((key) => {"
        "const box = key.getBoundingClientRect(); return [key.dataset.key, box.x, box.y, box.width, box.height]; });"
    )


def cut_off(browser, off=True):
    """The driver's own switch: nothing leaves or reaches this browser."""
    browser.execute_cdp_cmd("Network.enable", {})
    browser.execute_cdp_cmd(
        "Network.emulateNetworkConditions",
        {"offline": off, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1},
    )


def begin(browser, served, sized, screen=PHONE):
    """A wall of 2.4 x 2.4 m, its twelve stations laid, at the first of them."""
    sized(browser, *screen)
    browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    browser.get(served.url)
    browser.find_element(By.CSS_SELECTOR, "button[value=laser]").click()
    until(lambda: browser.find_elements(By.ID, "width"))
    for size in ("width", "height"):
        browser.find_element(By.ID, size).send_keys("2.4")
    browser.find_element(By.CSS_SELECTOR, ".bar .main").click()
    until(lambda: browser.find_elements(By.ID, "begin"))
    begin_here(browser)


def begin_here(browser):
    browser.execute_script("arguments[0].click()", browser.find_element(By.ID, "begin"))
    until(lambda: browser.find_element(By.ID, "entry").is_displayed())


def entered(served):
    held = json.loads((served.folder / "wall-001" / "settings.json").read_text())["readings"]
    return [text for _, _, text in held["stations"]] + [held["again"]]


def kept_by(browser):
    """What the browser's own store holds, oldest first."""
    return browser.execute_async_script(
        "const done = arguments[0], ask = indexedDB.open('flatscan');"
        "ask.onsuccess = () => { const all = ask.result.transaction('entries').objectStore('entries').getAll();"
        "all.onsuccess = () => { ask.result.close();"
        "done(all.result.sort((a, b) => a.order - b.order).map((one) => [one.kind, one.text])); }; };"
    )
