"""Photos of a laser line without a set-up, asked about in a browser: by finger on a phone, and no wider than it."""

import pytest

pytest.importorskip("selenium", reason="selenium is not installed")
from browsing import PHONE, find, press, until
from line_scene import Scene

from flatscan.capture.lines.line_setup import read_setup


def no_wider(browser):
    assert browser.execute_script("return document.documentElement.scrollWidth") <= PHONE[0], browser.current_url


def touched(browser, one):
    """Touch the middle of a field, as a finger does; whether it can be typed into then."""
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", one)
    box = browser.execute_script(
        "const box = arguments[0].getBoundingClientRect(); return [box.x, box.y, box.width, box.height]", one
    )
    assert min(box[2:]) >= 24, box
    point = {"x": box[0] + box[2] / 2, "y": box[1] + box[3] / 2}
    for kind, points in (("touchStart", [point]), ("touchEnd", [])):
        browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    return browser.switch_to.active_element == one


def typed(browser, name, text):
    press(browser, f'[name="{name}"]')
    field = find(browser, f'[name="{name}"]')
    field.clear()
    field.send_keys(text)
    assert field.get_attribute("value") == text


def test_a_line_is_set_up_by_finger(served, chrome, sized, tmp_path):
    scene = Scene(width=1200, height=900, focal=873.6, size=0.25)
    scene.pictures(tmp_path)
    setup = read_setup(scene.setup(tmp_path))
    chrome.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    sized(chrome, *PHONE)
    chrome.get(served.url)
    files = "\n".join(str(tmp_path / name) for name in ("on1.png", "off1.png", "camera.json"))
    find(chrome, "#capture").send_keys(files)
    press(chrome, "button[value=scan]")
    find(chrome, "#size")
    assert chrome.current_url.endswith("/wall/wall-001/lines")
    no_wider(chrome)
    until(lambda: touched(chrome, find(chrome, "#width")))
    typed(chrome, "width", "wide")
    press(chrome, "button[form=step]")
    # what is missing or wrong is said above, and beside each field
    find(chrome, ".told")
    assert "is no length" in find(chrome, "#wrong-width").text
    assert "needed" in find(chrome, "#wrong-size").text
    no_wider(chrome)
    answers = {"width": "4 m", "height": "2.5 m", "size": "250 mm", "at-0": f"{setup.lines[0].at} m"}
    answers |= {f"pivot-{i}": f"{value} m" for i, value in enumerate(setup.lines[0].pivot)}
    for row, (number, place) in enumerate(setup.targets.items()):
        answers |= {
            f"target-{row}": str(number),
            f"target-{row}-x": f"{place[0]} m",
            f"target-{row}-y": f"{place[1]} m",
        }
    for name, text in answers.items():
        typed(chrome, name, text)
    press(chrome, "button[form=step]")
    until(lambda: chrome.current_url.endswith("/wall/wall-001/wall"))
    made = read_setup(served.folder / "wall-001" / "capture-1" / "line.toml")
    assert (made.width, made.lines[0].on.name, sorted(made.targets)) == (4.0, "on1.png", sorted(setup.targets))
    # the answer to a form that cannot be used yet is the one thing the browser minds
    said = [entry["message"] for entry in chrome.get_log("browser") if entry["level"] == "SEVERE"]
    assert all("422" in one for one in said)
