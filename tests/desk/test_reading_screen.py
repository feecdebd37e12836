"""The reading screen on a phone: touched, cut off from its program, twice at once, and killed at any key."""

import random
from contextlib import suppress

import pytest

pytest.importorskip("selenium", reason="selenium is not installed")
from selenium.webdriver.common.by import By
from thumb import (
    DESK,
    PHONE,
    WALL,
    begin,
    begin_here,
    cut_off,
    entered,
    kept_by,
    key,
    keys,
    read,
    said,
    tap,
    tap_at,
    text,
    type_in,
    until,
    value,
)

from flatscan.desk.folders import Jobs
from flatscan.desk.station_states import CONFIRMED, places


@pytest.fixture
def phone(chrome):
    yield chrome
    cut_off(chrome, off=False)


@pytest.mark.parametrize("screen", [PHONE, (360, 600), DESK])
def test_no_key_ever_moves(served, phone, sized, screen):
    begin(phone, served, sized, screen)
    at = keys(phone)
    assert len(at) == 15
    # with them, what is not sent yet stands on the screen
    assert phone.execute_script("return document.getElementById('count').getBoundingClientRect().bottom <= innerHeight")

    def same():
        return keys(phone) == at

    for number in ("116", "1170"):
        for sign in number:
            key(phone, sign)
            assert same()
        key(phone, "next")
        assert same()
        until(lambda n=number: n in entered(served))
        assert same()
    # a second tap on Next, as fast as a thumb is, types nothing wherever the doubt appears
    for number in ("116", "115", "117"):
        read(phone, number)
        assert same()
    until(lambda: "Station 2" in text(phone, "#doubt"), lambda: text(phone, "#doubt"))
    assert same()
    type_in(phone, "11.6")
    x, y, wide, high = next(place[1:] for place in at if place[0] == "next")
    for _ in range(2):
        tap_at(phone, x + wide / 2, y + high / 2)
    until(lambda: "11.6" in entered(served))
    until(lambda: text(phone, "#now").startswith("Station 7") or "11.6" in said(phone))
    assert same()
    assert entered(served)[:6] == ["116", "1170", "116", "115", "117", "11.6"]
    cut_off(phone)
    type_in(phone, "118")
    key(phone, "next")
    until(lambda: "1 not sent yet" in text(phone, "#count"))
    assert same()
    cut_off(phone, off=False)
    until(lambda: text(phone, "#count").endswith("all sent"))
    assert same()


def test_beginning_below_the_long_list_shows_the_station_and_its_keys(served, phone, sized):
    begin(phone, served, sized)
    # as a thumb comes to it: scrolled down to the button below the list
    phone.refresh()
    until(lambda: phone.find_element(By.ID, "begin").is_displayed())
    phone.execute_script("document.getElementById('begin').scrollIntoView({block: 'end'})")
    assert phone.execute_script("return scrollY") > 100
    tap(phone, "#begin")
    until(lambda: phone.find_element(By.ID, "entry").is_displayed())
    for part, edge in (("now", "top >= 0"), ("count", "bottom <= innerHeight")):
        assert phone.execute_script(f"return document.getElementById('{part}').getBoundingClientRect().{edge}"), part
    # the longest of them is not cut off below its second line
    for word in phone.execute_script("return JSON.parse(document.getElementById('stations').textContent).stations"):
        phone.execute_script("document.getElementById('now').textContent = arguments[0]", word["spoken"])
        assert phone.execute_script(
            "const n = document.getElementById('now'); return n.scrollHeight <= n.clientHeight + 1"
        )


def test_cut_off_it_goes_on_reading_says_what_is_not_sent_and_sends_it(served, phone, sized):
    begin(phone, served, sized)
    read(phone, "116")
    until(lambda: entered(served)[0] == "116")
    cut_off(phone)
    numbers = ["117", "1150", "116", "115", "117", "116"]
    for number in numbers:
        read(phone, number)
    type_in(phone, "11")
    until(lambda: "6 not sent yet" in text(phone, "#count"))
    until(lambda: "do not close this page" in text(phone, "#doubt"))
    assert "6 readings wait here" in text(phone, "#doubt")
    assert entered(served)[1:7] == [""] * 6
    assert kept_by(phone) == [["entered", number] for number in numbers] + [["typing", "11"]]
    assert text(phone, "#now").startswith("Station 8")
    cut_off(phone, off=False)
    until(lambda: entered(served)[:8] == ["116", *numbers, ""])
    until(lambda: text(phone, "#count").endswith("all sent"))
    until(lambda: kept_by(phone) == [])
    # the doubt of a reading among its neighbours comes with what was sent, and names its station
    until(lambda: text(phone, "#doubt").startswith("Station 3: "), lambda: text(phone, "#doubt"))
    assert value(phone) == "11"
    tap(phone, "#choices button")
    assert text(phone, "#now").startswith("Station 3")
    assert value(phone) == "1150"


def test_a_page_that_was_closed_with_readings_not_sent_sends_them_when_it_is_opened(served, phone, sized):
    begin(phone, served, sized)
    read(phone, "116")
    cut_off(phone)
    read(phone, "117")
    until(lambda: "1 not sent yet" in text(phone, "#count"))
    # whatever the page would say: the phone was switched off
    phone.execute_cdp_cmd("Page.navigate", {"url": "about:blank"})
    until(lambda: phone.execute_script("return location.href") == "about:blank" or dismissed(phone))
    cut_off(phone, off=False)
    # any page of the program will do
    phone.get(served.url)
    until(lambda: entered(served)[:2] == ["116", "117"])


def dismissed(browser):
    from selenium.common.exceptions import NoAlertPresentException

    with suppress(NoAlertPresentException):
        browser.switch_to.alert.accept()
    return browser.execute_script("return location.href") == "about:blank"


def test_two_phones_on_one_wall(served, phone, second, sized, axe):
    begin(phone, served, sized)
    sized(second, *PHONE)
    second.get(served.url)
    second.get(served.base + WALL)
    begin_here(second)
    second.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    read(phone, "116")
    # the other phone is elsewhere on the wall: neither is in the other's way
    second.execute_script("document.querySelector('[data-station=\"5\"]').dispatchEvent(new Event('click'))")
    read(second, "117")
    read(phone, "115")
    until(lambda: entered(served)[:5] == ["116", "115", "", "", "117"])
    # both enter station 3, one of them while it is cut off
    cut_off(phone)
    read(phone, "118")
    second.execute_script("document.querySelector('[data-station=\"3\"]').dispatchEvent(new Event('click'))")
    read(second, "112")
    until(lambda: entered(served)[2] == "112")
    at = keys(phone)
    cut_off(phone, off=False)
    until(lambda: text(phone, "#doubt").startswith("Station 3: read on two devices"), lambda: text(phone, "#doubt"))
    tap(phone, "#choices button")
    until(lambda: "Somebody else entered 112 here, you 118" in text(phone, "#doubt"))
    assert [one.text for one in phone.find_elements(By.CSS_SELECTOR, "#choices button")] == ["112: theirs", "118: mine"]
    assert keys(phone) == at
    assert entered(served)[2] == "112"
    tap(phone, "#choices button:last-child")
    until(lambda: entered(served)[2] == "118")
    until(lambda: "to look at" not in text(phone, "#count"))
    # and the other one sees it when it looks
    second.execute_script("document.dispatchEvent(new Event('visibilitychange'))")
    until(lambda: second.find_element(By.NAME, "r-3").get_attribute("value") == "118")


def test_killed_at_any_key_every_station_is_there_afterwards(served, phone, sized):
    """As a dead battery ends the program, thirteen times at keys drawn by lot, in the middle of numbers too."""
    dice = random.Random(22)
    begin(phone, served, sized)
    wanted = [f"{115 + dice.randrange(4)}.{dice.randrange(1, 10)}" for _ in range(12)]
    signs = sum(len(one) + 1 for one in wanted)
    fatal, pressed = set(dice.sample(range(signs), 13)), 0
    for number in wanted:
        for sign in (*number, "next"):
            if pressed in fatal:
                served.kill()
                key(phone, sign)
                served.start()
            else:
                key(phone, sign)
            pressed += 1
        until(lambda n=number: value(phone) != n, lambda n=number: f"{n}: {text(phone, '#doubt')}")
    phone.get(served.url)
    phone.get(served.base + WALL)
    until(lambda: entered(served) == [*wanted, ""], lambda: f"{entered(served)} {wanted}")
    served.kill()
    served.start()
    held = Jobs(served.folder).get("wall-001").settings["readings"]
    assert [one.state for one in places(held)] == [CONFIRMED] * 12 + ["open"]
    kept = (served.folder / "wall-001" / "readings.csv").read_text().splitlines()
    assert [line.rpartition(", ")[2] for line in kept[-12:]] == wanted
