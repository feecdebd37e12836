"""The summary's sums by hand, its order, and what users wrote shown as text."""

import csv
import dataclasses
import io
import json
import re
from html.parser import HTMLParser

import pytest
from limit_words import in_own_units_alone
from numpy.testing import assert_allclose
from site_builders import InlinePool, grid_text

from flatscan.core.errors import ReadError
from flatscan.core.notes import note
from flatscan.core.quantity import metres
from flatscan.core.records import from_plain, to_plain
from flatscan.jobs import Requirement
from flatscan.plan.cautions import cautions_of
from flatscan.plan.coats import OrderLine, combined_order
from flatscan.report.limits import limit_how
from flatscan.report.result_document import cautioned
from flatscan.report.say import say
from flatscan.report.site_report import JudgedBy, WallSaid, site_lines
from flatscan.site import job, run, summary
from flatscan.site.job import Settings, in_folder
from flatscan.verdict import Criterion

SHEETS = ["site.html", "site.csv", "order.csv", "site.json"]
BULGE = note("stop.bulge-along", size=metres(0.031, 0.001), limit=metres(0.025), structure=note("stop.structure"))


# as the records of a site keep it
LIMIT = limit_how(Criterion("flatness", "outside", None, None, 0.003, rule=1.8, method="resting"))


CAUTIONS = cautioned(cautions_of(("hack", "mix", "lift"), ("gypsum", "bags")))


def record(
    name, *, floor="", room="", decision=None, upper=4.0, volume=100.0, system="gypsum", bags=(3.4, 4.3), **more
):
    verdict, judged = None, ()
    if decision:
        one = {"name": "flatness", "decision": decision, "value_mm": upper - 1, "upper_mm": upper, "limit_mm": 3.0}
        verdict = {"decision": decision, "criteria": [one], "restricted": more.pop("restricted", [])}
        judged = (JudgedBy("flatness", metres((upper - 1) / 1000, 0.0002), LIMIT),)
    signs = tuple(more.pop("stops", ()))
    material = {
        "system": system,
        "mean_mm": 10.0,
        "most_mm": 14.0,
        "volume_l": volume,
        "volume_low_l": volume - 5.0,
        "volume_high_l": volume + 20.0,
        "order_l": volume + 10.0,
        "bags_range": list(bags),
        "days": 0.5,
        "stops": [say(sign) for sign in signs],
    }
    made = {
        "cautions": CAUTIONS,
        "wall": {"area_m2": 10.0, "covered_share": 0.99},
        "flatness": {"gap_mm": upper - 1, "u_gap_mm": 0.4, "rule_mm": 1800},
        "material": material,
        "hacking": [{"saves_l": 8.0}, {"saves_l": 12.0}],
        "verdict": verdict,
    }
    order = [{"product": system, "unit": "25 kg bag", "kg": 100.0, "low": bags[0], "high": bags[1], "order": 5.0}]
    order[0]["wanted"] = bags[1] - 0.2
    head = {
        "schema": 1,
        "kind": "wall",
        "key": "k",
        "slug": name,
        "capture": name,
        "title": f"{floor} {name}",
        "part": "",
    }
    head |= {
        "file": f"{name}.ply",
        "number": 1,
        "floor": floor,
        "room": room,
        "name": name,
        "trade": more.pop("trade", ""),
    }
    done = {"document": made, "said": to_plain(WallSaid(signs, judged)), "order": order}
    return head | {"status": "done", "sheets": {"result.json": 1}} | done | more


def failed(name, **more):
    made = record(name, **more)
    error = ReadError(
        f"{name}.ply",
        "a wall {width:length} wide",
        needed="{least:length} or more",
        remedy="Scan it again",
        width=metres(0.2),
        least=metres(0.3),
    )
    bare = {key: made[key] for key in made if key not in ("document", "said", "order")}
    return bare | {"status": "failed", "error": to_plain(error)}


SITE = [
    record("a", floor="0", room="hall", decision="within", upper=2.0),
    record("b", floor="0", room="hall", decision="outside", upper=6.0, volume=250.5, bags=(8.2, 9.9), trade="mason"),
    record("c", floor="1", room="bed", decision="undecided", upper=9.0, system="lime", bags=(1.0, 2.2)),
    record("d", floor="1", room="bath", decision="outside", upper=7.0, stops=[BULGE], trade="mason"),
    failed("e", floor="2", room="loft"),
]


def test_worst_first():
    """Outside before undecided before within; among equals the one furthest over its limit; what failed apart."""
    made = summary.summed_up(SITE)
    assert [row["name"] for row in made["walls"]] == ["d", "b", "c", "a"]
    assert_allclose([row["over_limit"] for row in made["walls"]], [7 / 3, 6 / 3, 9 / 3, 2 / 3], atol=5e-4)
    assert [row["name"] for row in made["failed"]] == ["e"]
    assert [(row["floor"], row["room"]) for row in made["rooms"]] == [
        ("2", "loft"),
        ("1", "bath"),
        ("0", "hall"),
        ("1", "bed"),
    ]
    hall = made["rooms"][2]
    assert (hall["walls"], hall["outside"], hall["within"], hall["worst"]) == (2, 1, 1, "0 b")


def test_totals_by_hand():
    made = summary.summed_up(SITE)
    totals = made["totals"]
    assert [totals[n] for n in ("walls", "failed", "outside", "undecided", "within", "not_judged")] == [
        4,
        1,
        2,
        1,
        1,
        0,
    ]
    assert_allclose([totals["area_m2"], totals["days"]], [40, 2.0])
    volumes = [totals[name] for name in ("volume_l", "volume_low_l", "volume_high_l", "order_l")]
    assert_allclose(volumes, [550.5, 530.5, 630.5, 590.5])
    gypsum, lime = made["by_system"]
    assert (gypsum["system"], gypsum["walls"], lime["system"], lime["walls"]) == ("gypsum", 3, "lime", 1)
    assert_allclose([gypsum["volume_l"], gypsum["bags_low"], gypsum["bags_high"]], [450.5, 15.0, 18.5])
    assert_allclose([lime["volume_l"], lime["bags_low"], lime["bags_high"]], [100.0, 1.0, 2.2])
    assert [(row["trade"], row["outside"], row["walls"]) for row in made["by_trade"]] == [("", 0, 2), ("mason", 2, 2)]


def test_bags_are_rounded_up_once():
    """4.1 + 9.7 + 4.1 = 17.9 bags are enough nine times in ten: 18, not 5 + 10 + 5 = 20."""
    made = summary.summed_up(SITE)
    order = {line["product"]: line for line in made["order"]}
    assert order["gypsum"]["order"] == 18
    assert order["lime"]["order"] == 2
    floors = [(row["floor"], row["product"]) for row in made["order_by_floor"]]
    assert floors == [("0", "gypsum"), ("1", "gypsum"), ("1", "lime")]
    by_floor = sum(row["high"] for row in made["order_by_floor"] if row["product"] == "gypsum")
    assert_allclose(by_floor, order["gypsum"]["high"])


def test_order_is_that_of_the_material_room():
    one = tuple(OrderLine(**line) for line in SITE[0]["order"])
    (line,) = combined_order([one, one])
    made = summary.summed_up([SITE[0], SITE[0] | {"slug": "x"}])
    assert_allclose([made["order"][0][n] for n in ("low", "high", "order")], [line.low, line.high, line.order])


def test_the_order_of_records_does_not_matter():
    one, other = (summary.document(summary.summed_up(records)) for records in (SITE, SITE[::-1]))
    assert one == other


def test_unknown_sums_are_null_not_nought():
    nothing = record("n")
    nothing["document"]["material"]["volume_l"] = None
    made = summary.summed_up([SITE[0], nothing])
    assert made["totals"]["volume_l"] is None
    assert made["totals"]["not_judged"] == 1


def test_nothing_measured():
    made = summary.summed_up([SITE[4]])
    assert made["walls"] == []
    assert made["totals"]["walls"] == 0
    assert made["order"] == []
    assert set(summary.files(made, "mm")) == {"site.html", "site.csv", "order.csv", "site.json"}
    assert any("NOT MEASURED" in line for line in site_lines(made))


def test_cautions_stand_before_what_is_ordered():
    told = [
        {"code": f"caution.{code}", "action": action, "text": ""}
        for code, action in (("wet-lime", "mix"), ("bags", "lift"), ("hacking-dust", "hack"))
    ]
    walls = [record("a", system="lime", bags=(1.0, 2.0))]
    walls[0]["document"]["cautions"] = told
    table = summary.files(summary.summed_up(walls), "mm")["order.csv"].decode().splitlines()
    marks = [line.partition(",")[0] for line in table]
    assert marks[0] == "product"
    first = marks.index("lime")
    assert set(marks[1:first]) == {"!"}
    said = " ".join(table[1:first])
    assert "lime" in said.lower()
    assert "bag" in said.lower()
    # nobody hacks by an order
    assert "silica" not in said
    assert all(line.count(",") >= 5 for line in table)


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.links, self.open = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.links += [value for name, value in attrs if name in ("href", "src")]
        if tag not in ("meta", "br", "link"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


NASTY = '<script>alert("x")</script>=cmd|calc'


@pytest.mark.parametrize("units", ["mm", "in"])
def test_page_shows_what_users_wrote_as_text(units):
    site = [*SITE, record(NASTY, floor=NASTY, trade=NASTY), failed(NASTY, room=NASTY)]
    made = summary.summed_up(site, site=NASTY)
    text = summary.files(made, units)["site.html"].decode()
    page = Page(text)
    assert page.open == []
    assert "script" not in page.tags
    assert all(link.startswith("walls/") for link in page.links)
    assert text.index("structural engineer") < text.index("Material by system")
    assert text.index("Mixing: gypsum") < text.index("Order for the whole site")
    assert text.count("Hacking: cables and pipes") == 1
    assert json.loads(summary.files(made, units)["site.json"])["cautions"] == CAUTIONS
    assert ("litres" in text) == (units == "mm")


def test_tables_cannot_run_as_formulas():
    site = [record("=1+1", trade="@SUM(A1)"), failed("-2")]
    made = summary.summed_up(site, site="s")
    rows = list(csv.DictReader(io.StringIO(summary.files(made, "mm")["site.csv"].decode())))
    assert [row["name"] for row in rows] == ["'=1+1", "'-2"]
    assert rows[0]["trade"] == "'@SUM(A1)"
    assert [row["decision"] for row in rows] == ["not judged", "failed"]
    assert rows[1]["error"] == "'-2.ply: a wall 200 mm wide; needed: 300 mm or more. Scan it again."


def test_document_and_csv_carry_the_same_numbers():
    made = summary.summed_up(SITE, site="s")
    files = summary.files(made, "mm")
    back = json.loads(files["site.json"])
    rows = list(csv.DictReader(io.StringIO(files["site.csv"].decode())))
    for row, wall in zip(rows, back["walls"], strict=False):
        assert_allclose([float(row["volume_l"]), float(row["upper_mm"])], [wall["volume_l"], wall["upper_mm"]])


def test_one_screen_says_stop_first():
    told = list(site_lines(summary.summed_up(SITE, site="mill")))
    assert told[0] == "mill: 4 walls measured: 2 outside, 1 undecided, 1 within."
    stop = next(i for i, line in enumerate(told) if "bulges toward the room" in line)
    caution = next(i for i, line in enumerate(told) if line.startswith("Mixing: gypsum"))
    assert stop < caution < next(i for i, line in enumerate(told) if line.startswith("Order "))


def test_a_wall_is_said_with_its_doubt_in_the_words_of_all_sheets():
    summed = summary.summed_up(SITE)
    (line,) = (line for line in site_lines(summed) if line.startswith("  1 d:"))
    said = "  1 d: outside the limit as entered, on the 99 % measured; flatness 6.0 mm ± 0.4 mm, limit "
    assert line == said + "3 mm under a 1.8 m straightedge, resting"
    page = summary.files(summed, "mm")["site.html"].decode()
    assert "outside the limit as entered (flatness)" in page
    assert "<td>6.0 mm ± 0.4 mm</td><td>3 mm under a 1.8 m straightedge, resting</td>" in page
    assert "<td>6.0 mm ± 0.8 mm under 1800 mm</td>" in page
    assert "550 litres, order 590 litres (530 litres to 630 litres)" in page
    (line,) = (line for line in site_lines(summary.summed_up([record("n")])) if line.startswith("   n"))
    assert line == "   n: largest gap 3.0 mm ± 0.8 mm, not judged"


def test_a_decision_that_hangs_on_the_method_says_so():
    """On screen and page; the word itself, which others read, stays."""
    bow = record("bow", floor="1", room="hall", decision="undecided", upper=2.0)
    (said,) = from_plain(WallSaid, bow["said"]).criteria
    bow["said"] = to_plain(WallSaid((), (dataclasses.replace(said, depends=True),)))
    summed = summary.summed_up([bow, record("close", floor="2", decision="undecided", upper=3.2)], site="mill")
    told = {line.split(":")[0].strip(): line for line in site_lines(summed)}
    assert "undecided: depends on the method" in told["1 bow"]
    assert "depends" not in told["2 close"]
    page = summary.files(summed, "mm")["site.html"].decode()
    assert page.count("undecided: depends on the method") >= 2
    assert [row["decision"] for row in summed["walls"]] == ["undecided", "undecided"]


def test_a_restricted_test_is_no_plain_within():
    """On screen, page and in the table, in the count as well."""
    weak = record("weak", floor="1", decision="within", upper=2.0, restricted=["1 of 12 directions"])
    summed = summary.summed_up([weak, record("fine", floor="1", decision="within", upper=2.0)], site="mill")
    told = list(site_lines(summed))
    assert told[0] == "mill: 2 walls measured: 2 within (1 of them by a restricted test)."
    (line,) = (line for line in told if line.startswith("  1 weak:"))
    assert "within the limit as entered" in line
    assert "restricted test" in line
    (line,) = (line for line in told if line.startswith("  1 fine:"))
    assert "restricted" not in line
    files = summary.files(summed, "mm")
    assert files["site.html"].decode().count("restricted test") >= 3
    (row,) = (row for row in csv.DictReader(io.StringIO(files["site.csv"].decode())) if row["restricted"])
    assert (row["decision"], row["restricted"]) == ("within", "1 of 12 directions")


def test_the_document_says_all_in_mm_and_holds_only_plain_data():
    summed = summary.summed_up(SITE)
    made = summary.document(summed)
    assert json.loads(json.dumps(made)) == made
    assert made["stops"][0]["stop"] == say(BULGE)
    assert "200 mm wide" in made["failed"][0]["error"]
    assert made["walls"][0]["criterion"] == "flatness"
    assert "judged" not in made["walls"][0]


def test_a_site_in_inches_has_no_mm_on_page_and_screen(tmp_path):
    """A real wall that bulges by 60 mm, and one that is too narrow to be a wall: stop sign, error, numbers."""
    scans, out = tmp_path / "scans", tmp_path / "out"
    scans.mkdir()
    (scans / "bulges.csv").write_text(grid_text().replace("117, ", "57, ").replace("118", "58"))
    (scans / "narrow.csv").write_text(grid_text().replace("2.4 m", "0.01 m"))
    settings = Settings(units="in", test=Requirement.by(rule=1.8, limit=0.003), formats=("json",))
    done = run(in_folder(scans, settings, out), out, InlinePool, units="in")
    assert done.document["stops"]
    assert "mm" in done.document["stops"][0]["stop"]
    assert done.document["failed"]
    assert json.loads((out / "site.json").read_text()) == done.document | {"files": SHEETS}
    page, screen = (out / "site.html").read_text(), "\n".join(site_lines(done.summary, "in"))
    for text in map(in_own_units_alone, (page, screen)):
        assert "bulges toward the room" in text
        assert "narrow.csv" in text
        assert not re.search(r"\bmm\b|\blitres\b|m²|\d m\b", text)
        assert "3/8 in; needed: 11 13/16 in to" in text


def test_records_of_another_shape_are_done_again(tmp_path, monkeypatch):
    scans, out = tmp_path / "scans", tmp_path / "out"
    scans.mkdir()
    (scans / "wall.csv").write_text(grid_text())
    captures = in_folder(scans, Settings(formats=("json",)), out)
    with monkeypatch.context() as earlier:
        earlier.setattr(job, "SCHEMA", 1)
        first = run(captures, out, InlinePool)
    place = out / "walls" / "wall" / "record.json"
    old = json.loads(place.read_text())
    del old["said"]
    place.write_text(json.dumps(old))
    again = InlinePool()
    assert run(captures, out, lambda: again).document == first.document
    assert again.done == [("look", "wall"), ("wall", "wall")]
    assert "said" in json.loads(place.read_text())
