"""A bare size is what a person means by a number of its size; what may be either is asked for, at its field."""

import re

import pytest
from numpy.testing import assert_allclose

from flatscan.core.errors import BadValue
from flatscan.desk.sizes import parse_size


@pytest.mark.parametrize(
    ("text", "units", "metres"),
    [
        ("3600", "mm", 3.6),
        ("3,6", "mm", 3.6),
        ("2.4", "mm", 2.4),
        (" 4 ", "mm", 4.0),
        ("50", "mm", 50.0),
        ("12000", "mm", 12.0),
        ("360 cm", "mm", 3.6),
        ("2 400 mm", "mm", None),
        ("112,5 mm", "mm", 0.1125),
        ("13ft 9in", "mm", 4.191),
        ("165", "in", 4.191),
        ("72", "in", 1.8288),
        ("13 ft", "in", 3.9624),
        ("13' 9\"", "in", 4.191),
        ("2.4 m", "in", 2.4),
    ],
)
def test_sizes_as_people_type_them(text, units, metres):
    if metres is None:
        with pytest.raises(BadValue):
            parse_size(text, where="Width", units=units)
        return
    assert_allclose(parse_size(text, where="Width", units=units), metres, rtol=1e-9)


@pytest.mark.parametrize(("text", "units"), [("360", "mm"), ("99", "mm"), ("13", "in"), ("8", "in")])
def test_what_may_be_either_is_asked_for(text, units):
    with pytest.raises(BadValue, match=f"'{text}' may be") as asked:
        parse_size(text, where="Width", units=units)
    assert text in asked.value.remedy


def test_a_place_near_the_corner_is_no_question_in_inches():
    assert_allclose(parse_size("6", where="Up", units="in", place=True), 0.1524, rtol=1e-9)


def test_the_size_page_says_each_error_at_its_field_and_keeps_all_entries(client):
    client.post("/new", {"title": "a", "kind": "laser"})
    sent = {"width": "360", "height": "2 stone", "spacing": "1,2", "unit": "cm", "sense": "big = proud"}
    answer = client.send("wall-001", "size", **sent)
    assert answer.status_code == 422
    assert re.search(r'id="width"[^>]*value="360"[^>]*aria-invalid', answer.text)
    assert "may be cm or mm" in answer.text
    assert re.search(r'id="height"[^>]*value="2 stone"[^>]*aria-invalid', answer.text)
    assert re.search(r'id="spacing"[^>]*value="1,2"(?![^>]*aria-invalid)', answer.text)
    assert re.search(r'value="cm" checked', answer.text)
    assert re.search(r'value="big = proud" checked', answer.text)
    assert client.settings()["readings"] is None
    sent |= {"width": "3600", "height": "2,5"}
    assert client.send("wall-001", "size", **sent).status_code == 303
    held = client.settings()["readings"]
    assert_allclose([held["width"], held["height"], held["spacing"]], [3.6, 2.5, 1.2])


def test_what_no_field_says_alone_is_said_above_them(client):
    client.post("/new", {"title": "a", "kind": "laser"})
    answer = client.send("wall-001", "size", width="40", height="30", spacing="0,1", unit="mm", sense="big = hollow")
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text
    assert re.search(r'id="width"[^>]*value="40"', answer.text)


def test_inches_throughout(client):
    client.post("/new", {"title": "a", "kind": "laser", "units": "in"})
    page = client.get("/wall/wall-001/size").text
    assert re.search(r'id="spacing"[^>]*value="4 ft"', page)
    assert not re.search(r"\d m\b|\d mm\b", page.partition("<main")[2])
    client.send("wall-001", "size", width="13' 9\"", height="8 ft", spacing="4 ft", unit="in", sense="big = hollow")
    assert_allclose(client.settings()["readings"]["width"], 4.191)
    page = client.get("/wall/wall-001/size").text.partition("<main")[2]
    assert not re.search(r"\d m\b|\d mm\b", page)
    width = re.search(r'id="width"[^>]*value="([^"]+)"', page)[1].replace("&#39;", "'").replace("&#34;", '"')
    # shown as it was meant: sent again it is the same wall
    assert_allclose(parse_size(width, where="Width", units="in"), 4.191, atol=2e-4)


def test_a_rule_and_a_taped_size_are_taken_the_same_way(client, two_humps):
    client.upload(two_humps)
    client.send("wall-001", "wall", wall="1", width="1500", height="1,2")
    client.send("wall-001", "purpose", purpose="hand-over")
    client.send("wall-001", "questions", rule="1800", limit="3")
    plan = client.job().plan
    assert_allclose([plan.width, plan.height, plan.rule, plan.limit], [1.5, 1.2, 1.8, 0.003])
    client.send("wall-001", "questions", rule="180")
    page = client.get("/wall/wall-001/questions").text
    assert re.search(r'id="rule"[^>]*value="180"', page)
    assert "may be cm or mm" in page
