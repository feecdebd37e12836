"""In a browser: what is stated survives a reload, a wall that hangs is stopped by its button, too much is not sent."""

import os
import signal
from pathlib import Path

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

GRID = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"


def until(chrome, found, seconds=60):
    return WebDriverWait(chrome, seconds).until(found)


def measure(chrome, served, title):
    """A wall begun with a table dropped into the form, up to its purpose."""
    chrome.get(served.url)
    chrome.find_element(By.ID, "title").send_keys(title)
    chrome.find_element(By.ID, "capture").send_keys(str(GRID))
    # the day the file was written is offered, and can be seen before anything is sent
    assert chrome.find_element(By.ID, "captured").get_attribute("value")[:2] == "20"
    chrome.find_element(By.CSS_SELECTOR, 'button[value="scan"]').click()
    until(chrome, lambda it: "/wall/wall-" in it.current_url and it.find_elements(By.CSS_SELECTOR, ".steps"))
    base = chrome.current_url.rpartition("/")[0]
    chrome.get(f"{base}/purpose")
    chrome.find_element(By.CSS_SELECTOR, 'input[value="quote"]').click()
    chrome.find_element(By.CSS_SELECTOR, ".bar .main").click()
    until(chrome, lambda it: it.current_url.endswith("/questions"))
    return base


@pytest.mark.parametrize("width", [360, 1400])
def test_what_is_stated_survives_a_reload(chrome, served, sized, width):
    sized(chrome, width, 757)
    base = measure(chrome, served, "gable")
    chrome.get(f"{base}/evidence")
    chrome.find_element(By.ID, "e-present").send_keys("the foreman, the owner")
    chrome.find_element(By.ID, "e-note").send_keys("north light")
    until(chrome, lambda it: it.find_element(By.ID, "saved").text == "saved")
    chrome.get(f"{base}/evidence")
    assert chrome.find_element(By.ID, "e-present").get_attribute("value") == "the foreman, the owner"
    button = chrome.find_element(By.CSS_SELECTOR, "#seal .main")
    # as a thumb scrolls to it, above the bar
    chrome.execute_script("arguments[0].scrollIntoView({ block: 'center' })", button)
    button.click()
    until(chrome, lambda it: it.find_elements(By.CSS_SELECTOR, ".seal"), 120)
    assert chrome.find_element(By.ID, "e-note").get_attribute("value") == "north light"
    assert len(chrome.find_element(By.CSS_SELECTOR, ".seal").text) == 64
    assert chrome.execute_script("return document.documentElement.scrollWidth") <= width


def children_of(pid):
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            number, _, rest = path.read_text().partition(" (")
        except OSError:
            continue
        if int(rest.rpartition(") ")[2].split()[1]) == pid:
            found += [int(number), *children_of(int(number))]
    return found


def test_a_wall_that_hangs_is_stopped_by_its_button(chrome, served):
    base = measure(chrome, served, "gable")
    # whatever works on the wall is halted by the system; what only hands processes on does not mind
    workers = children_of(served.process.pid)
    for pid in workers:
        os.kill(pid, signal.SIGSTOP)
    try:
        chrome.get(f"{base}/answers")
        until(chrome, lambda it: it.find_elements(By.ID, "working"))
        chrome.find_element(By.XPATH, "//button[text()='Stop']").click()
        until(chrome, lambda it: it.find_element(By.TAG_NAME, "h1").text == "Stopped")
    finally:
        for pid in workers:
            try:
                os.kill(pid, signal.SIGCONT)
            except ProcessLookupError:
                continue
    chrome.find_element(By.XPATH, "//button[text()='Go on with it']").click()
    until(chrome, lambda it: "the answers" in it.find_element(By.TAG_NAME, "h1").text, 120)


def test_too_much_is_not_sent(chrome, served, tmp_path):
    chrome.get(served.url)
    chrome.execute_script("""
        document.body.dataset.most = 1000;
        window.sent = 0;
        const open = XMLHttpRequest.prototype.open;
        XMLHttpRequest.prototype.open = function (...all) { window.sent += 1; return open.apply(this, all); };
    """)
    big = tmp_path / "big.ply"
    big.write_bytes(bytes(5000))
    chrome.find_element(By.ID, "capture").send_keys(str(big))
    chrome.find_element(By.CSS_SELECTOR, 'button[value="scan"]').click()
    until(chrome, lambda it: "Export it thinner" in it.find_element(By.ID, "told").text)
    assert chrome.execute_script("return window.sent") == 0
    # nor where the browser is not let in any more
    chrome.execute_script("document.body.dataset.most = 1e9")
    chrome.delete_all_cookies()
    chrome.find_element(By.CSS_SELECTOR, 'button[value="scan"]').click()
    until(chrome, lambda it: "no longer let in" in it.find_element(By.ID, "told").text)
    assert chrome.execute_script("return window.sent") == 0
