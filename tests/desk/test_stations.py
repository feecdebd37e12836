"""Readings typed at the wall: walking order, each checked by the reader of laser grids as it is entered."""

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose

from flatscan import capture, jobs
from flatscan.desk import make_app
from flatscan.desk.station_states import places
from flatscan.report.form import Blank, stations
from flatscan.report.say import say


def send(client, *entries, mark=None):
    """Entries as (station, kind, text, texts seen before), sent as a phone sends them."""
    mark = client.settings()["readings"]["mark"] if mark is None else mark
    sent = [{"key": key_at(client, key), "kind": kind, "text": text, "was": was} for key, kind, text, was in entries]
    return client.post("/wall/wall-001/reading", json={"mark": mark, "entries": sent})


def key_at(client, number):
    """What a phone calls a station, which the tests call by its number."""
    every = places(client.settings()["readings"])
    return next((one.key for one in every if str(one.number or "again") == number), number)


def put(client, key, text, kind="entered"):
    held = client.settings()["readings"]
    was = [text for _, _, text in held["stations"]] + [held["again"]]
    made = send(client, (key, kind, text, was)).get_json()
    return made | {one["key"]: one for one in made.get("stations", ())}


def doubts(client, made, key):
    return made[key_at(client, key)]["doubts"]


def states(client):
    return {str(one.number or "again"): one.state for one in places(client.settings()["readings"])}


def csv(client):
    return (client.folder / "wall-001" / "readings.csv").read_text()


def read_all(client, value=lambda k: 116 + k % 3):
    send(client, *((str(k + 1), "entered", str(value(k)), [""]) for k in range(12)))


def test_stations_stand_in_the_walking_order_of_the_form(laser):
    page = laser.get("/wall/wall-001/readings").text
    shown = json.loads(page.partition('id="stations">')[2].partition("</script>")[0])["stations"]
    order = stations(Blank(width=2.4, height=2.4))
    assert [one["number"] for one in shown] == [str(k + 1) for k in range(len(order))] + ["again"]
    assert shown[1]["spoken"] == "Station 2 of 12: 100 mm from the left, 1000 mm up."
    assert shown[-1]["spoken"].startswith("Station 1 again: 100 mm from the left")


def test_a_doubt_is_the_readers_own_sentence(laser):
    read_all(laser)
    assert doubts(laser, put(laser, "6", "117"), "6") == []
    (doubt,) = doubts(laser, put(laser, "6", "11.7"), "6")
    put(laser, "6", "11.7", "kept")
    kept = jobs.see(laser.folder / "wall-001" / "readings.csv", jobs.Capturing()).notes
    own = next(text for text in map(say, kept) if text.startswith("station x 1.200 m, y 1.800 m"))
    assert doubt.rstrip(".").lower() in own.lower()
    assert "another unit" in doubt


def test_a_doubt_about_another_station_does_not_stop_this_one(laser):
    read_all(laser)
    assert doubts(laser, put(laser, "6", "11.7"), "6")
    made = put(laser, "11", "117")
    assert doubts(laser, made, "11") == []
    # and the one that waits still does
    assert doubts(laser, made, "6")


def test_the_first_station_read_again(laser):
    read_all(laser, lambda k: 116)
    assert doubts(laser, put(laser, "again", "116.5"), "again") == []
    (doubt,) = doubts(laser, put(laser, "again", "118"), "again")
    assert "2.0 mm apart, more than 1 mm: the laser moved" in doubt


@pytest.mark.parametrize("text", ["8o", "1.2.3", "1,165", "1,1,6", "mm", "1e999", "12 stone", "<b>"])
def test_what_is_no_reading_is_kept_said_and_not_measured(laser, text):
    read_all(laser)
    made = put(laser, "3", text)
    assert "is not a reading: type one number of mm" in doubts(laser, made, "3")[0]
    assert not made[key_at(laser, "3")]["keepable"]
    assert put(laser, "3", text, "kept")[key_at(laser, "3")]["state"] == "doubtful"
    assert laser.settings()["readings"]["stations"][2][2] == text
    assert len(capture.read(laser.folder / "wall-001" / "readings.csv").x) == 11


def test_a_dash_is_a_station_that_cannot_be_read(laser):
    made = put(laser, "1", "-")
    assert (doubts(laser, made, "1"), made["done"]) == ([], 1)


def test_every_key_is_on_disk_before_the_answer_and_none_counts_before_it_is_entered(laser):
    before, state, revision = csv(laser), laser.job().state, laser.settings()["revision"]
    for text in ("1", "11", "116"):
        put(laser, "1", text, "typing")
        assert laser.settings()["readings"]["typing"] == {key_at(laser, "1"): text}
        assert states(laser)["1"] == "typing"
        # nothing that depends on readings may move, nor may other windows have to be opened again
        assert (csv(laser), laser.job().state, laser.settings()["revision"]) == (before, state, revision)
    put(laser, "1", "116")
    assert "0.1, 0.1, 116\n" in csv(laser)
    assert laser.settings()["readings"]["typing"] == {}
    assert (states(laser)["1"], laser.settings()["revision"]) == ("confirmed", revision + 1)


def test_half_a_reading_over_a_confirmed_one_leaves_that_standing(laser):
    read_all(laser)
    before = csv(laser)
    for text in ("1", ""):
        put(laser, "4", text, "typing")
        assert states(laser)["4"] == "typing"
        assert csv(laser) == before
    # typed back to what stood there, nothing is open any more
    put(laser, "4", "116", "typing")
    assert states(laser)["4"] == "confirmed"


def test_what_is_doubtful_counts_once_somebody_keeps_it(laser):
    read_all(laser)
    put(laser, "6", "11.7")
    assert states(laser)["6"] == "doubtful"
    assert "1.2, 1.8, -\n" in csv(laser)
    assert put(laser, "6", "11.7", "kept")["done"] == 12
    assert states(laser)["6"] == "confirmed"
    assert "1.2, 1.8, 11.7\n" in csv(laser)
    # kept once, not kept for whatever is typed there later
    put(laser, "6", "11.8")
    assert states(laser)["6"] == "doubtful"


def test_a_neighbour_entered_later_brings_the_doubt_and_takes_it(laser):
    send(laser, *((str(k), "entered", text, [""]) for k, text in ((1, "116"), (2, "1170"))))
    assert states(laser)["2"] == "confirmed"
    made = send(laser, *((str(k), "entered", str(115 + k % 3), [""]) for k in (3, 4, 5, 6, 7))).get_json()
    one = next(one for one in made["stations"] if one["key"] == key_at(laser, "2"))
    assert one["state"] == "doubtful"
    assert "117" in one["doubts"][0]
    assert "0.1, 1, -\n" in csv(laser)
    put(laser, "2", "117")
    assert "doubtful" not in states(laser).values()


def test_reopened_it_goes_on_at_what_is_not_confirmed(laser):
    read_all(laser)
    put(laser, "again", "116")
    laser.send("wall-001", "purpose", purpose="quote")
    assert laser.get("/wall/wall-001/").location.endswith("/answers")
    put(laser, "6", "11", "typing")
    assert laser.get("/wall/wall-001/").location.endswith("/readings")
    put(laser, "6", "11.7")
    assert laser.get("/wall/wall-001/").location.endswith("/readings")
    put(laser, "6", "117")
    # left open on purpose, with the questions answered: no reason to go back
    put(laser, "7", "")
    assert laser.get("/wall/wall-001/").location.endswith("/answers")


def test_doubts_are_looked_for_again_when_the_page_is_opened(laser):
    read_all(laser)
    path = laser.folder / "wall-001" / "settings.json"
    # as a page left it that did not look
    path.write_text(path.read_text().replace('"117"', '"1170"', 1))
    before = path.read_bytes()
    page = laser.get("/wall/wall-001/readings").text
    shown = json.loads(page.partition('id="stations">')[2].partition("</script>")[0])["stations"]
    (doubtful,) = [one for one in shown if one["state"] == "doubtful"]
    assert doubtful["text"] == "1170"
    assert path.read_bytes() == before


def test_a_comma_before_one_or_two_figures_is_a_point(laser):
    put(laser, "1", "116,5")
    put(laser, "2", "116,25")
    assert states(laser)["1"] == states(laser)["2"] == "confirmed"
    assert_allclose(capture.read(laser.folder / "wall-001" / "readings.csv").offset, [-0.1165, -0.11625], rtol=1e-12)


def test_a_battery_that_dies_between_two_files_is_made_good_at_the_next_start(laser):
    read_all(laser)
    whole = csv(laser)
    (laser.folder / "wall-001" / "readings.csv").write_text(whole.replace("116", "1"))
    make_app(laser.folder, token="t", hosts=["localhost:1"])
    assert csv(laser) == whole


def test_inches_with_sixteenths(client):
    client.post("/new", {"title": "", "kind": "laser", "units": "in"})
    client.send("wall-001", "size", width="8 ft", height="96", spacing="4 ft", unit="in", sense="big = proud")
    page = client.get("/wall/wall-001/readings").text
    assert "more than 1/16 in apart means that the laser moved" in page
    assert "0.6 mm" not in page
    assert doubts(client, put(client, "1", "4 9/16"), "1") == []
    (doubt,) = doubts(client, put(client, "2", "116"), "2")
    assert "is in their unit?" in doubt
    put(client, "2", "116", "kept")
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
        ("width", "240"),
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


def test_a_phone_that_was_away_overwrites_nobody(laser):
    put(laser, "2", "117")
    revision = laser.settings()["revision"]
    made = send(laser, ("1", "entered", "116", [""]), ("2", "entered", "118", [""])).get_json()
    assert made["there"] == {key_at(laser, "2"): "117"}
    assert laser.settings()["revision"] == revision + 1
    assert [text for _, _, text in laser.settings()["readings"]["stations"][:2]] == ["116", "117"]
    # the same again, as after an answer that was lost, is no conflict, nor is one number typed twice
    assert send(laser, ("1", "entered", "116", [""]), ("2", "entered", "117", [""])).get_json()["there"] == {}
    # chosen by somebody who saw both
    assert send(laser, ("2", "entered", "118", ["", "117"])).get_json()["there"] == {}
    assert laser.settings()["readings"]["stations"][1][2] == "118"


def test_entries_of_another_wall_of_that_name_are_not_taken(laser):
    before = laser.settings()
    answer = send(laser, ("1", "entered", "116", [""]), mark="another")
    assert answer.status_code == 409
    assert answer.get_json()["other_wall"]
    assert laser.settings() == before


def test_an_entry_whose_station_went_is_named(laser):
    made = send(laser, ("9.0000,9.0000", "entered", "116", [""]), ("1", "entered", "116", [""])).get_json()
    assert made["there"] == {"9.0000,9.0000": ""}
    assert states(laser)["1"] == "confirmed"


def test_looking_is_no_editing(laser):
    read_all(laser)
    laser.send("wall-001", "purpose", purpose="quote")
    laser.send("wall-001", "questions", surface="bare")
    laser.wait("wall-001")
    laser.get("/wall/wall-001/answers")

    def written():
        return {
            path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in (laser.folder / "wall-001").iterdir()
        }

    before, revision = written(), laser.job().revision
    for step in ("", "size", "readings", "purpose", "questions", "answers", "sheets", "evidence", "plan"):
        assert laser.get(f"/wall/wall-001/{step}").status_code in (200, 302)
    assert send(laser).status_code == 200
    assert (written(), laser.job().revision) == (before, revision)


@pytest.mark.parametrize(("key", "text"), [("1", "1" * 21), ("1", "1\n2"), ("again", "\0")])
def test_what_no_reading_can_be_is_refused(laser, key, text):
    before = laser.settings()
    made = send(laser, (key, "entered", text, [""]))
    assert made.status_code == 422
    assert made.get_json()["found"]
    assert laser.settings() == before


@pytest.mark.parametrize(
    "sent",
    [
        [],
        {"mark": ""},
        {"mark": "", "entries": {}},
        {"entries": [{"key": "again", "kind": "sure", "text": "1", "was": []}]},
        {"entries": [{"key": 1, "kind": "entered", "text": "1", "was": []}]},
        {"entries": [{"key": "again", "kind": "entered", "text": "1", "was": "1"}]},
    ],
)
def test_what_no_page_sends(laser, sent):
    assert laser.post("/wall/wall-001/reading", json=sent).status_code == 422
