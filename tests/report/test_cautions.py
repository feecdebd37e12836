"""Cautions in every format: those of what it asks for, each once on a page, before what it warns of."""

import csv
import dataclasses
import io
import re

import pytest
from results import cautioned_in, reported, result_of

from flatscan.jobs.actions import cautions_in, laser_cautions
from flatscan.jobs.job_plan import JobPlan
from flatscan.plan.lows import Low
from flatscan.plan.systems import available, load
from flatscan.report import document, exchange, first_screen, summary
from flatscan.report.explain import explain
from flatscan.report.page import page
from flatscan.report.paper import sheets
from flatscan.report.parts import in_short, phrases
from flatscan.report.reporting import report_of
from flatscan.report.say import say

BURNS = re.compile(r"\b(cement|lime)\b", re.IGNORECASE)
RIDGE = Low(1, 1.0, 1.0, 0.003, 0.02, 0.00003, rank=1, u=0.00001)


def made_of(build, command, system="gypsum-undercoat"):
    """Findings of a job with everything in it that it can ask for, in one of the material systems."""
    found = build(command, cell=0.05, **({"ridges": (RIDGE,)} if command == "lows" else {}))
    if found.take_off is not None:
        return dataclasses.replace(
            found, take_off=dataclasses.replace(found.take_off, system=system, harms=load(system).cautions)
        )
    return found


def report_in(build, command, system="gypsum-undercoat"):
    result = result_of(made_of(build, command, system))
    return report_of(dataclasses.replace(result, job=JobPlan(system=system)) if command == "lows" else result)


def words_of(figures):
    return [" ".join(" ".join(text.get_text() for text in page.texts).split()) for page in figures]


LISTS = {"survey": sheets.survey_sheet, "setout": sheets.set_out_list, "lows": sheets.low_list}


@pytest.mark.parametrize(
    ("command", "system"), [*(("survey", name) for name in available()), ("setout", "lime"), ("lows", "lime")]
)
def test_each_caution_stands_once_on_a_list_before_what_it_warns_of(build, command, system):
    report = report_in(build, command, system)
    pages = words_of(LISTS[command](report, "mm", "a4"))
    assert set(cautioned_in(pages, report.cautions)) == {one.code for one in report.cautions}


@pytest.mark.parametrize("command", ["survey", "lows"])
def test_a_job_in_gypsum_says_nothing_of_cement_or_lime(build, command):
    report = report_in(build, command)
    assert [one.code for one in report.cautions if one.action == "mix"] == ["caution.gypsum"]
    said = [first_screen(report), summary(report, first=True), str(document(report)), page(report)]
    said += words_of(LISTS[command](report, "mm", "a4"))
    said += [exchange.spots(report)]
    if command == "survey":
        said.append(explain(result_of(made_of(build, command))))
    assert [BURNS.search(text) for text in said] == [None] * len(said)


def test_a_material_that_nobody_named_is_warned_of_without_a_guess(build):
    report = reported(build("lows", cell=0.05))
    assert [one.code for one in report.cautions] == ["caution.any-mix", "caution.local-rules"]


@pytest.mark.parametrize("system", available())
def test_a_systems_cautions_are_those_of_its_document(build, system):
    told = document(report_in(build, "survey", system))
    harms = [one["code"].removeprefix("caution.") for one in told["cautions"] if one["action"] in ("mix", "lift")]
    assert set(harms) == set(load(system).cautions)
    assert all(set(one) == {"code", "action", "text"} for one in told["cautions"])
    # before everything that it warns of
    assert list(told).index("cautions") < min(list(told).index(name) for name in ("patches", "material", "hacking"))


def test_spots_of_humps_are_warned_of_before_the_first(build):
    rows = list(csv.DictReader(io.StringIO(exchange.spots(report_in(build, "survey")))))
    warned = [row["what"] for row in rows if row["mark"] == "!"]
    assert [row["mark"] for row in rows[: len(warned)]] == ["!"] * len(warned)
    assert any("silica" in words for words in warned)
    assert not any("laser" in words or "bag" in words for words in warned)
    lows = list(csv.DictReader(io.StringIO(exchange.spots(report_in(build, "lows")))))
    assert "Shave ridges" in lows[0]["what"]
    assert not any("!" in row["mark"] for row in csv.DictReader(io.StringIO(exchange.spots(reported(build("check"))))))


def test_shaving_is_warned_of_in_lows_and_nowhere_else(build):
    lows, survey = report_in(build, "lows"), report_in(build, "survey")
    assert [one.action for one in lows.cautions] == ["shave", "mix", "all"]
    assert "shave" not in {one.action for one in survey.cautions}
    said = " ".join(first_screen(lows).split())
    assert said.index("ridges soft or wetted first") < said.index("then H1 at")
    assert said.index("goggles, mask at the bag") < said.index("then 2 lows")


def test_the_screen_says_each_once_with_its_first_lines_and_all_that_follows(build):
    report = report_in(build, "survey")
    said = " ".join(summary(report, first=True).split())
    for line in phrases(report.cautions):
        assert said.lower().count(say(line)) == 1, say(line)
    assert said.index("silica" if "silica" in said else "dust wetted") < said.index("then H1 at")


def test_a_page_has_each_once_before_its_drawing(build):
    report = report_in(build, "survey")
    made = page(report)
    for line in in_short(report.cautions):
        words = say(line)
        assert made.lower().count(words.lower()) == 1, words
        assert made.lower().index(words.lower()) < made.index('id="look"')
    assert not any(say(one) in made for one in report.cautions)


def test_a_check_asks_for_nothing_but_reading_high_up(build):
    check = build("check", cell=0.05)
    report = reported(check)
    assert [one.code for one in report.cautions] == ["caution.reading-high", "caution.local-rules"]
    low = dataclasses.replace(check.verdict, check_by_hand=((0.7, 1.3),))
    assert reported(dataclasses.replace(check, verdict=low)).cautions == ()


def test_whatever_is_read_with_a_laser_says_which(build):
    """EN 60825-1:2014, classes 1 and 2: no harm beyond what the blink reflex keeps off."""
    assert "Use class 1 or 2 only; read the label." in say(laser_cautions()[0])


def codes_with(result, plan):
    return [one.code.removeprefix("caution.") for one in cautions_in(dataclasses.replace(result, plan=plan))]


def test_what_a_plan_asks_for_decides(build):
    """Chases to fill, a coat over 25 mm, old plaster under it or off it, and none of them where nothing asks for it."""
    result = result_of(made_of(build, "survey"))
    plan, built, order = result.plan, result.plan.build_up, result.plan.take_off
    bare = codes_with(result, dataclasses.replace(plan, hacks=()))
    assert bare == ["gypsum", "bags", "height", "local-rules"]
    for changed, code in (
        ({"pockets": (object(),)}, "chase-services"),
        ({"build_up": dataclasses.replace(built, most=0.0251)}, "thick"),
        ({"take_off": dataclasses.replace(order, surface="stays")}, "old-plaster-stays"),
        ({"take_off": dataclasses.replace(order, surface="comes-off")}, "old-plaster-off"),
    ):
        found = codes_with(result, dataclasses.replace(plan, hacks=(), **changed))
        assert found == [code, *bare]
