"""Over TLS: trusted as a phone is told to trust, the reading screen opens and goes on without the program."""

import pytest

pytest.importorskip("selenium", reason="selenium is not installed")
from selenium.webdriver.common.by import By
from thumb import PHONE, WALL, begin, begin_here, cut_off, entered, kept_by, read, tap, text, until, value

from flatscan.desk.certificates import FOLDER


@pytest.fixture
def trusted(served_by_tls, new_home):
    """A browser whose system trusts this machine's certificate, by its own store: no flag, no click past a warning."""
    made = new_home(served_by_tls.folder / FOLDER / "root.pem")
    yield made
    made.quit()


def opens_offline(browser):
    return browser.execute_script("return document.body.dataset.opens") == "offline"


def test_a_browser_that_was_not_told_to_trust_is_warned(served_by_tls, chrome):
    chrome.get(served_by_tls.url)
    assert "ERR_CERT_AUTHORITY_INVALID" in text(chrome, "body")
    assert not chrome.execute_script("return isSecureContext")


def test_trusted_it_can_be_installed_and_reads_without_the_program(served_by_tls, trusted, sized):
    begin(trusted, served_by_tls, sized)
    assert trusted.execute_script("return isSecureContext")
    assert trusted.execute_cdp_cmd("Page.getInstallabilityErrors", {})["installabilityErrors"] == []
    until(lambda: opens_offline(trusted))
    read(trusted, "116")
    until(lambda: entered(served_by_tls)[0] == "116")
    # the program is gone, not only the network, and the page is opened anew
    served_by_tls.kill()
    trusted.get(served_by_tls.base + WALL)
    until(lambda: text(trusted, "#now").startswith("Station 2"))
    for number in ("117", "115"):
        read(trusted, number)
    until(lambda: "2 readings wait on this device" in text(trusted, "#doubt"), lambda: text(trusted, "#doubt"))
    assert kept_by(trusted) == [["entered", "117"], ["entered", "115"]]
    # opened once more, and by the list of what is kept
    trusted.get(served_by_tls.base)
    until(lambda: trusted.find_elements(By.CSS_SELECTOR, "#kept a"))
    assert "wall-001: Readings" in text(trusted, "#kept")
    trusted.find_element(By.CSS_SELECTOR, "#kept a").click()
    until(lambda: trusted.find_elements(By.ID, "now") and text(trusted, "#now").startswith("Station 4"))
    assert "2 not sent yet" in text(trusted, "#count")
    served_by_tls.start()
    # the pairing outlived the restart: what waited is sent by the page as it stands
    until(lambda: entered(served_by_tls)[:4] == ["116", "117", "115", ""])
    until(lambda: text(trusted, "#count") == "3 of 13 confirmed, all sent")


def test_cut_off_a_conflict_with_another_phone_comes_with_the_sync(served_by_tls, trusted, sized):
    begin(trusted, served_by_tls, sized)
    until(lambda: opens_offline(trusted))
    cut_off(trusted)
    trusted.get(served_by_tls.base + WALL)
    begin_here(trusted)
    read(trusted, "118")
    from flatscan.desk.folders import Jobs
    from flatscan.desk.station_states import enter, key_of

    # somebody else, meanwhile
    Jobs(served_by_tls.folder).note("wall-001", lambda held: enter(held["readings"], key_of(0.1, 0.1), "112"))
    cut_off(trusted, off=False)
    until(lambda: "read on two devices" in text(trusted, "#doubt"), lambda: text(trusted, "#doubt"))
    tap(trusted, "#choices button")
    assert value(trusted) == "118"
    tap(trusted, "#choices button:first-child")
    until(lambda: value(trusted) == "112")
    assert entered(served_by_tls)[0] == "112"
    until(lambda: kept_by(trusted) == [])


@pytest.fixture
def phone(sized):
    return PHONE


def test_a_phone_lets_itself_in_by_the_code_and_is_put_out(served_by_tls, trusted, sized, phone):
    sized(trusted, *phone)
    trusted.get(served_by_tls.url)
    trusted.get(served_by_tls.base + "phones")
    assert trusted.find_element(By.CSS_SELECTOR, ".code svg").is_displayed()
    address = text(trusted, ".faint .seal")
    trusted.delete_all_cookies()
    trusted.get(served_by_tls.base)
    assert "not let in" in text(trusted, "main")
    trusted.get(address)
    trusted.find_element(By.ID, "device").send_keys("site phone")
    trusted.find_element(By.CSS_SELECTOR, "button.main").click()
    until(lambda: "A new wall" in trusted.page_source)
    trusted.get(served_by_tls.base + "phones")
    (own,) = [one for one in trusted.find_elements(By.CSS_SELECTOR, ".change") if "the one you hold" in one.text]
    assert own.text.startswith("site phone")
    own.find_element(By.TAG_NAME, "button").click()
    until(lambda: "not let in" in trusted.page_source)
