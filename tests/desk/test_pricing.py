"""Prices typed into a form: they are the rates of the plan, and the job has a price."""

import re
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from flatscan.desk.pricing import PRICED, with_prices
from flatscan.plan.rates import load_rates

GRID = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"
BLANK = dict.fromkeys((price.key for price in PRICED), "")


def typed(**more):
    return {**BLANK, "currency": "", "basis": "area", "allowance_mm": "", **more}


def price_of(client):
    client.wait("wall-001")
    page = client.get("/wall/wall-001/answers").text
    found = re.search(r"price ([\d ]+) ", page)
    return None if found is None else float(found[1].replace(" ", ""))


@pytest.fixture
def wall(client):
    client.upload(GRID)
    client.send("wall-001", "purpose", purpose="quote")
    return client


def test_prices_make_a_price(wall):
    assert price_of(wall) is None
    assert "Put in your prices" in wall.get("/wall/wall-001/answers").text
    assert "Without them there is no price" in wall.get("/wall/wall-001/questions").text
    answer = wall.send("wall-001", "prices", **typed(currency="crowns", m2="14,5", call_out="90", allowance_mm="13"))
    assert (answer.status_code, answer.location) == (303, "/wall/wall-001/answers")
    job = wall.job()
    assert job.plan.rates == str(job.folder / "rates.toml")
    assert 'rates = "rates.toml"' in job.text
    first = price_of(wall)
    found = wall.app.extensions["flatscan-desk"].bench.result(job, 60.0)
    assert_allclose(first, found.quote.total, atol=0.5)
    # the area alone: twice the price of a square metre is as much more as all of them cost
    area = sum(line.amount for line in found.quote.lines if line.rate == 14.5) / 14.5
    wall.send("wall-001", "prices", **typed(m2="29", call_out="90", allowance_mm="13"))
    assert_allclose(price_of(wall) - first, 14.5 * area, atol=1.01)
    assert 5.0 < area < 6.1


def test_a_price_that_is_none_is_said_at_its_field_and_everything_typed_stays(wall):
    answer = wall.send(
        "wall-001", "prices", **typed(currency="crowns", m2="fourteen", bag="7,80", day="-3", hack="1e9")
    )
    assert answer.status_code == 422
    for key, text in (("m2", "fourteen"), ("day", "-3"), ("hack", "1e9")):
        assert re.search(rf'id="{key}"[^>]*value="{text}"[^>]*aria-invalid', answer.text), key
        assert re.search(rf'id="wrong-{key}"[^>]*>[^<]*no amount', answer.text), key
    assert 'value="7,80"' in answer.text
    assert 'value="crowns"' in answer.text
    assert wall.job().plan.rates is None
    assert not (wall.folder / "wall-001" / "rates.toml").exists()


def test_they_stand_there_again_and_on_the_next_wall(wall):
    wall.send("wall-001", "prices", **typed(currency="crowns", basis="day", day="320", allowance_mm="15 mm"))
    page = wall.get("/wall/wall-001/prices").text
    assert re.search(r'id="day"[^>]*value="320"', page)
    assert re.search(r'id="allowance_mm"[^>]*value="15 mm"', page)
    assert "These are the prices of" not in page
    wall.upload(GRID, title="other")
    page = wall.get("/wall/wall-002/prices").text
    assert re.search(r'id="day"[^>]*value="320"', page)
    assert "These are the prices of north wall" in page
    # shown, not kept: the other wall has none until somebody says so
    assert wall.job("wall-002").plan.rates is None


def test_in_inches_they_are_for_feet(client):
    client.upload(GRID, units="in")
    client.send("wall-001", "purpose", purpose="quote")
    page = client.get("/wall/wall-001/prices").text
    assert "Each square foot of wall" in page
    assert "m²" not in page
    assert " mm" not in page
    sent = typed(m2="1.35", extra_mm_m2="0.10", reveal_m="3", chase_l="20", allowance_mm="1/2")
    assert client.send("wall-001", "prices", **sent).status_code == 303
    rates = load_rates(client.folder / "wall-001" / "rates.toml")
    assert_allclose(rates.m2, 1.35 / 0.3048**2, rtol=1e-8)
    assert_allclose(rates.extra_mm_m2, 0.10 / 1.5875 / 0.3048**2, rtol=1e-8)
    assert_allclose(rates.reveal_m, 3 / 0.3048, rtol=1e-8)
    assert_allclose(rates.chase_l, 20 / 3.785411784, rtol=1e-8)
    assert_allclose(rates.allowance, 0.0127, rtol=1e-8)
    page = client.get("/wall/wall-001/prices").text
    for key, text in (("m2", "1.35"), ("extra_mm_m2", "0.1"), ("reveal_m", "3"), ("chase_l", "20")):
        assert re.search(rf'id="{key}"[^>]*value="{text}"', page), key


def test_what_the_form_does_not_know_stays_in_the_file(tmp_path):
    text = '# mine\ncurrency = "x"\nbasis = "area"\nday = 0\nm2 = 1 # since May\nallowance_mm = 13\nextra_mm_m2 = 0\n'
    text += 'hack = 0\nbag = 9\ncall_out = 0\n[products]\n"gypsum finish" = 11\n'
    path = tmp_path / "rates.toml"
    path.write_text(with_prices(text, {"m2": 2.5, "sand_m3": 40.0, "bead_m": 0.0}))
    rates = load_rates(path)
    assert (rates.m2, rates.sand_m3, rates.bead_m, rates.bag) == (2.5, 40.0, 0.0, 9)
    assert rates.products == {"gypsum finish": 11}
    assert "# mine" in path.read_text()
    assert "# since May" in path.read_text()


def test_another_tab_is_not_overwritten(wall):
    old = wall.job().revision
    wall.send("wall-001", "questions", least="7 mm")
    answer = wall.post("/wall/wall-001/prices", {"revision": old, **typed(m2="14")})
    assert answer.status_code == 409
    assert not (wall.folder / "wall-001" / "rates.toml").exists()


def test_most_last_coat_mix_and_start_are_fields(wall):
    page = wall.get("/wall/wall-001/questions").text
    assert all(f'name="{name}"' in page.partition("<details")[2] for name in ("most", "finish", "mix", "start"))
    wall.send("wall-001", "questions", system="sand-cement-inside", most="25", finish="2,5", mix="1:4", start="7:30")
    plan = wall.job().plan
    assert_allclose([plan.most, plan.finish], [0.025, 0.0025])
    assert (plan.mix, plan.start) == ("1:4", "7:30")
    # kept as typed and said at the field where they are none
    wall.send("wall-001", "questions", system="sand-cement-inside", most="thick", mix="one to four", start="25:70")
    page = wall.get("/wall/wall-001/questions").text
    for name, text in (("most", "thick"), ("mix", "one to four"), ("start", "25:70")):
        assert re.search(rf'id="{name}"[^>]*value="{text}"', page), name
        assert re.search(rf'id="wrong-{name}"[^>]*>[^<]*needed: ', page), name
    assert wall.job().plan == plan
