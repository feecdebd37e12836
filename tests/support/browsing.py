"""What every test in a browser does: wait for a part of the page, press it, wait until something is so."""

import time

from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver.common.by import By

PHONE = (360, 740)


def find(browser, css, seconds=90):
    """The first element of that kind, once it is there to be seen."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            seen = [one for one in browser.find_elements(By.CSS_SELECTOR, css) if one.is_displayed()]
        except StaleElementReferenceException:
            seen = []
        if seen:
            return seen[0]
        time.sleep(0.05)
    raise AssertionError(f"no {css} on {browser.current_url}: {browser.find_element(By.TAG_NAME, 'body').text[:400]}")


def until(true, seconds=20):
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.05)


def press(browser, css):
    """Click what may lie under the bar at the foot of the page."""
    one = find(browser, css)
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", one)
    one.click()
