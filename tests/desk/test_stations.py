"""Readings typed at the wall: walking order, each checked by the reader of laser grids as it is entered."""

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan import capture, jobs
from flatscan.report.form import Blank, stations
from flatscan.report.say import say


def put(client, key, text):
    revision = client.job().revision
    return client.post("/wall/wall-001/reading", json={"revision": revision, "number": key, "text": text}).get_json()


def read_all(client, value=lambda k: 116 + k % 3):
    for k in range(12):
        put(client, str(k + 1), str(value(k)))


def test_stations_stand_in_the_walking_order_of_the_form(laser):
    page = laser.get("/wall/wall-001/readings").text
    shown = json.loads(page.partition('id="stations">')[2].partition("</script>")[0])["stations"]
    order = stations(Blank(width=2.4, height=2.4))
    assert [one["key"] for one in shown] == [str(k + 1) for k in range(len(order))] + ["again"]
    assert shown[1]["spoken"] == "Station 2 of 12: 100 mm from the left, 1000 mm up."
    assert shown[-1]["spoken"].startswith("Last: the first station again, 100 mm from the left")


def test_a_doubt_is_the_readers_own_sentence(laser):
    read_all(laser)
    assert put(laser, "6", "117")["doubts"] == []
    (doubt,) = put(laser, "6", "11.7")["doubts"]
    kept = jobs.see(laser.folder / "wall-001" / "readings.csv", jobs.Capturing()).notes
    own = next(text for text in map(say, kept) if text.startswith("station x 1.200 m, y 1.800 m"))
    assert doubt.rstrip(".").lower() in own.lower()
    assert "another unit" in doubt


def test_a_doubt_about_another_station_does_not_stop_this_one(laser):
    read_all(laser)
    assert put(laser, "6", "11.7")["doubts"]
    assert put(laser, "11", "117")["doubts"] == []


def test_the_first_station_read_again(laser):
    read_all(laser, lambda k: 116)
    assert put(laser, "again", "116.5")["doubts"] == []
    (doubt,) = put(laser, "again", "118")["doubts"]
    assert "2.0 mm apart, more than 1 mm: the laser moved" in doubt


@pytest.mark.parametrize("text", ["8o", "1.2.3", "116,5", "mm", "1e999", "12 stone", "<b>"])
def test_what_is_no_reading_is_kept_said_and_not_measured(laser, text):
    read_all(laser)
    made = put(laser, "3", text)
    assert "is not a reading: type one number of mm" in made["doubts"][0]
    assert laser.settings()["readings"]["stations"][2][2] == text
    assert len(capture.read(laser.folder / "wall-001" / "readings.csv").x) == 11


def test_a_dash_is_a_station_that_cannot_be_read(laser):
    made = put(laser, "1", "-")
    assert (made["doubts"], made["done"]) == ([], 1)


def test_every_key_is_on_disk_before_the_answer(laser):
    for text in ("1", "11", "116"):
        put(laser, "1", text)
        assert laser.settings()["readings"]["stations"][0][2] == text
        assert f"0.1, 0.1, {text}\n" in (laser.folder / "wall-001" / "readings.csv").read_text()


def test_inches_with_sixteenths(client):
    client.post("/new", {"title": "", "kind": "laser", "units": "in"})
    client.send("wall-001", "size", width="8 ft", height="96", spacing="4 ft", unit="in", sense="big = proud")
    page = client.get("/wall/wall-001/readings").text
    assert "more than 1/16 in apart means that the laser moved" in page
    assert "0.6 mm" not in page
    assert put(client, "1", "4 9/16")["doubts"] == []
    (doubt,) = put(client, "2", "116")["doubts"]
    assert "is in their unit?" in doubt
    taken = capture.read(client.folder / "wall-001" / "readings.csv")
    assert taken.width == taken.height == pytest.approx(8 * 0.3048)
    assert_allclose(taken.offset, np.array([4 + 9 / 16, 116]) * 0.0254, rtol=1e-12)


def test_a_high_spot_between_the_stations(laser):
    made = laser.send("wall-001", "readings", go="add", across="0.62", up="1.4 m")
    assert made.headers["Location"].endswith("readings?at=13")
    assert laser.settings()["readings"]["stations"][12] == [0.62, 1.4, ""]
    off = laser.send("wall-001", "readings", go="add", across="2.5", up="1")
    assert off.status_code == 422
    assert "lies off the wall" in off.text
    assert len(laser.settings()["readings"]["stations"]) == 13


def test_another_size_keeps_what_was_read(laser):
    read_all(laser)
    laser.send("wall-001", "size", width="3.6", height="2.4", spacing="1.2", unit="mm", sense="big = hollow")
    kept = {(x, y): text for x, y, text in laser.settings()["readings"]["stations"]}
    assert kept[(0.1, 0.1)] == "116"
    assert sum(text != "" for text in kept.values()) == 12
    small = laser.send("wall-001", "size", width="1.2", height="2.4", spacing="1.2", unit="mm", sense="big = hollow")
    assert small.status_code == 422
    assert "would lie beyond it" in small.text


def test_a_size_that_makes_no_sense_is_refused_by_the_fields_of_the_page(laser):
    sizes = {"width": "2.4", "height": "2.4", "unit": "mm", "sense": "big = hollow"}
    said = laser.send("wall-001", "size", spacing="0.01", **sizes)
    assert said.status_code == 422
    assert "“Most distance between columns”" in said.text
    assert "--spacing" not in said.text


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("width", "2400"),
        ("height", "0"),
        ("spacing", "0.01"),
        ("unit", "furlong"),
        ("sense", "x"),
        ("width", ""),
        ("height", "1e400"),
    ],
)
def test_sizes_that_make_no_sense(client, field, value):
    client.post("/new", {"title": "", "kind": "laser"})
    sizes = {"width": "2.4", "height": "2.4", "spacing": "1.2", "unit": "mm", "sense": "big = hollow", field: value}
    made = client.send("wall-001", "size", **sizes)
    assert made.status_code == 422
    assert client.settings()["readings"] is None


def test_without_scripts_the_whole_table_is_sent_as_one_form(laser):
    fields = {f"r-{k}": str(115 + k % 4) for k in range(1, 13)} | {"r-again": "116"}
    assert laser.send("wall-001", "readings", **fields).status_code == 303
    laser.send("wall-001", "purpose", purpose="quote")
    laser.send("wall-001", "questions", surface="bare")
    laser.wait("wall-001")
    page = laser.get("/wall/wall-001/answers").text
    assert "How many bags?" in page
    assert "everything between the stations" in page


@pytest.mark.parametrize(
    ("key", "text"), [("0", "1"), ("13", "1"), ("-1", "1"), ("x", "1"), ("1", "1" * 21), ("1", "1\n2")]
)
def test_stations_there_are_not(laser, key, text):
    made = laser.post("/wall/wall-001/reading", json={"revision": laser.job().revision, "number": key, "text": text})
    assert made.status_code == 422
    assert made.get_json()["found"]
