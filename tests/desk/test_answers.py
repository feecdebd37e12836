"""The answers are the report's own facts under trade questions, and failures are told in the words of the page."""

import re
from pathlib import Path

import pytest

from flatscan import jobs
from flatscan.core.errors import BadValue
from flatscan.core.quantity import metres
from flatscan.desk import answering
from flatscan.desk.telling import QUESTIONS, lead, lines
from flatscan.report import report_of
from flatscan.report.say import finished

SAMPLES = Path(__file__).parents[2] / "sample_clouds"


@pytest.fixture(scope="module")
def seen():
    """The sample of laser readings, which every job takes."""
    how = jobs.Capturing()
    return jobs.seen_in(jobs.read(SAMPLES / "laser_grid.csv", how, jobs.silent), how, jobs.silent)


def answered(result, units="mm"):
    return lines(report_of(result), answering.manner(units))


def test_a_survey_answers_how_much_first_and_how_it_stands_last(seen):
    test = jobs.Requirement.by(rule=1.8)
    looked, gaps = jobs.measured(seen, test, jobs.silent)
    survey = jobs.planned(looked, gaps, jobs.Finishing(), jobs.silent)
    asked = [ask for ask, _ in answered(survey)]
    assert asked == [
        "How many bags?",
        "How thick, plumb?",
        "How much stuff?",
        "Which hump sets it?",
        "In which coats?",
        "How long for one person?",
        "Is it plumb now?",
        "How flat is it now?",
        "How much was measured?",
    ]
    assert all(said[:1] == said[:1].upper() and said.endswith(".") for _, said in answered(survey))
    in_inches = " ".join(said for _, said in answered(survey, "in"))
    assert " mm" not in in_inches
    assert " in" in in_inches


def test_a_set_out_asks_where_and_not_how_much(seen):
    from flatscan.plan.screeds import SetOutOptions

    test = jobs.Requirement.by(rule=1.8)
    found = jobs.set_out_seen(seen, test, jobs.Finishing(), SetOutOptions(rule=1.8), jobs.silent)
    asked = [ask for ask, _ in answered(found)]
    assert {"Where do the screeds stand?", "How thick, plumb?"} <= set(asked)
    assert not {"How many bags?", "In which coats?", "Which hump sets it?"} & set(asked)


def test_a_check_answers_each_criterion_with_its_reason(seen):
    found = jobs.check_seen(seen, jobs.Requirement.by(rule=1.8, limit=0.003, plumb_limit=0.008), jobs.silent)
    asked = [ask for ask, _ in answered(found)]
    assert asked[:3] == ["Is it flat?", "Is it plumb?", "Why?"]
    assert "How flat is it now?" not in asked


def test_lows_are_told_one_by_one(seen):
    found = jobs.lows_seen(seen, jobs.Requirement.by(rule=1.8), 0.002, jobs.silent)
    told = answered(found)
    assert [ask for ask, _ in told].count("Fill") == min(len(found.lows), 5)
    assert "How many low spots?" in dict(told)


def leads(found):
    return " ".join(finished(part) for part in lead(report_of(found)))


def test_one_sentence_says_first_whether_it_can_be_quoted_built_or_proven(seen):
    test = jobs.Requirement.by(rule=1.8)
    looked, gaps = jobs.measured(seen, test, jobs.silent)
    survey = jobs.planned(looked, gaps, jobs.Finishing(), jobs.silent)
    report = report_of(survey)
    assert report.leading == "" or leads(survey) == finished(report.leading)
    judged = jobs.check_seen(seen, jobs.Requirement.by(rule=1.8, limit=0.0005, plumb_limit=0.008), jobs.silent)
    assert leads(judged).startswith(("Decided: ", "UNDECIDED until "))
    lows = jobs.lows_seen(seen, test, 0.002, jobs.silent)
    assert leads(lows).startswith(("This can be filled. Doubt: ", "NOT TO BE FILLED until "))


def test_half_read_a_moved_laser_and_a_gap_within_its_error_lead(tmp_path):
    """What makes an answer useless stands before it."""
    rows = (SAMPLES / "laser_grid.csv").read_text().splitlines()
    head = next(k for k, row in enumerate(rows) if row.split(",")[0].replace(".", "").isdigit())
    half = [",".join([row.split(",")[0], *["-"] * (len(row.split(",")) - 1)]) for row in rows[head + 2 :]]
    path = tmp_path / "half.csv"
    path.write_text("\n".join([*rows[: head + 2], *half]) + "\n")
    how = jobs.Capturing()
    unread = jobs.seen_in(jobs.read(path, how, jobs.silent), how, jobs.silent)
    test = jobs.Requirement.by(rule=1.8)
    looked, gaps = jobs.measured(unread, test, jobs.silent)
    survey = jobs.planned(looked, gaps, jobs.Finishing(), jobs.silent)
    assert re.match(r"NOT QUOTABLE until they are read: \d+ of \d+ stations were not read", leads(survey))


def test_every_question_is_that_of_a_fact():
    """No question can be left without an answer because a section calls its fact something else."""
    sections = Path(jobs.__file__).parents[1] / "report" / "sections"
    source = "".join(path.read_text() for path in sections.glob("*.py"))
    assert [key for key in QUESTIONS if f'"{key}"' not in source] == []


def test_a_failure_names_the_fields_of_the_page_in_its_units(tmp_path):
    trouble = BadValue(
        "{set:rule}",
        "{rule:length} on {folder}",
        needed="less than {set:cell}",
        remedy="Leave {set:lean_up_to} out, or see {run:survey --list}",
        rule=metres(1.8288),
        folder=f"{tmp_path}/capture.ply",
    )
    assert answering.in_four_parts(trouble, tmp_path, "in") == {
        "where": "“Straightedge”",
        "found": "6 ft 0 in on capture.ply",
        "needed": "less than “cell”",
        "remedy": "Leave “Lean” out, or see the step “The wall”",
    }
    # what no question asks stands in the plan, which the page shows
    assert answering.manner("mm").setting("square_to") == "“square to” in the plan"
    assert answering.manner("mm").setting("tie") == "“More captures”"
