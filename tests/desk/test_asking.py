"""Questions in trade words: every "don't know" has its cost, and answers become what the commands take."""

import re
from types import SimpleNamespace

import pytest

from flatscan.core.errors import BadValue
from flatscan.desk import answering
from flatscan.desk.asking import PURPOSES, how_captured, questions, tape_cost
from flatscan.desk.folders import Jobs
from flatscan.desk.screens import take
from flatscan.desk.taking import FIELDS, shown, taken
from flatscan.jobs.job_plan import JobPlan
from flatscan.plan import systems
from flatscan.plan.coats import bags_per_m3
from flatscan.report.say import say, spoken


@pytest.fixture
def job(tmp_path):
    """A scanned wall whose answers are given; the capture's content does not matter here."""

    def make(units="mm", holds="points", **answers):
        jobs = Jobs(tmp_path / f"walls{len(list(tmp_path.iterdir()))}")
        new = jobs.new("", units)

        def put(settings):
            settings["capture"] = {"file": "capture.ply", "name": "scan.ply", "holds": holds}

        kept = jobs.keep(new.name, new.revision, put)
        return take(SimpleNamespace(jobs=jobs), kept.name, kept.revision, answers)

    return make


@pytest.mark.parametrize("units", ["mm", "in"])
@pytest.mark.parametrize("purpose", [one.name for one in PURPOSES])
@pytest.mark.parametrize("is_scan", [True, False])
def test_every_question_can_be_left_open_and_says_what_that_costs(purpose, is_scan, units):
    asked = spoken(questions(purpose, is_scan=is_scan, units=units), answering.manner(units))
    assert asked
    for question in asked:
        assert question.unknown
        assert question.cost
        assert "mm" not in question.unknown + question.cost if units == "in" else True


def test_costs_of_a_capture_not_known():
    """1.96 u on a gap under 2 m is about 9.8 mm for a walked phone and 0.9 mm for a scanner.

    See methods/uncertainty 7.
    """
    asked = spoken(how_captured(), "mm")
    assert "± 9.8 mm" in asked.cost
    scanner = next(choice for choice in asked.choices if choice.value == "scanner")
    assert float(re.search(r"± ([\d.]+) mm", scanner.small)[1]) == pytest.approx(0.9, abs=0.15)


def test_cost_of_not_taping():
    """Room captures repeat to ± 1 % of a length (k = 1); an area has twice that, and 1.96 times that is 95 %.

    See methods/uncertainty 9.
    """
    assert say(tape_cost("phone-walk")) == "lengths ± 2.0 %, areas and volumes ± 3.9 %"


def test_cost_of_a_material_not_known():
    """The bags of a litre, of all systems, over those of the one taken: by hand from the systems' own numbers."""
    asked = next(q for q in questions("quote", is_scan=True, units="mm") if q.name == "system")
    bags = {name: bags_per_m3(systems.load(name)) for name in systems.available()}
    low, high = (f"{pick(bags.values()) / bags['gypsum-undercoat']:.1f}" for pick in (min, max))
    assert f"{low} to {high} times" in say(asked.cost)


def test_cost_of_a_surface_not_known():
    """10 to 25 mm of old plaster (common practice) is 17.5 ± 7.5 mm: 7.5 litres on each m2."""
    asked = next(q for q in questions("quote", is_scan=True, units="mm") if q.name == "surface")
    assert "up to 7.5 litres either way of the middle on every square metre" in say(asked.cost)


def test_answers_become_the_settings_of_the_commands(job):
    made = job(
        purpose="hand-over",
        capture_type="scanner",
        wall="2",
        width="4.2",
        height="8 ft",
        no_opening=["2", "1"],
        rule="2",
        limit="5",
        plumb_limit="8 mm",
        least="6",
        seen=["damp"],
        surface="stays",
        system="lime",
        face="lean",
    )
    how, test, finish = answering.settings(made, "check")
    assert (how.wall, how.width, how.capture_type, how.no_opening) == (2, 4.2, "scanner", (1, 2))
    assert how.height == pytest.approx(8 * 0.3048)
    assert (test.rule, test.judges) == (2.0, True)
    assert [test.limit, test.plumb_limit, finish.plane.least] == pytest.approx([0.005, 0.008, 0.006])
    assert (finish.seen, finish.order.surface, finish.system) == (("damp",), "stays", "lime")
    assert finish.plane.lean_up_to == pytest.approx(0.003)


def test_nothing_known_is_what_a_command_without_options_does(job):
    from flatscan.jobs import Capturing, Finishing, Requirement

    made = job(purpose="quote", capture_type="dont-know", surface="dont-know", system="dont-know", least="", seen=[""])
    assert answering.settings(made, "survey") == (Capturing(), Requirement.by(rule=None), Finishing())
    assert [ask for ask, _ in answering.unknowns(made)] == [
        "How was it scanned?",
        "What did you measure?",
        "What goes on the wall?",
        "How much cover at the highest point, at least?",
        "Did you see any of these on the wall?",
        "Its size by tape",
    ]


def test_a_bare_length_keeps_the_unit_it_was_typed_in(job, tmp_path):
    made = job(least="6", width="3,5")
    held = answering.answers(made)
    assert (held["least"], held["width"]) == ("6 mm", "3.5 m")
    assert (made.folder / "plan.toml").read_text().splitlines()[1:] == ['least = "6 mm"', 'width = "3.5 m"']
    assert job(units="in", least="1/4").plan.least == pytest.approx(0.00635)


def test_a_field_that_shows_the_plan_changes_nothing_of_it():
    """A length that a field shows in sixteenths, a face that leans more, two documents: they stay as they are."""
    plan = JobPlan(least=0.0047625, lean_up_to=5.0, tolerance=("a", "b"), seen=("damp",), wall=(2, "a"), rule=1.8288)
    for units in ("mm", "in"):
        fields = {name: shown(plan, name, units) for name in FIELDS}
        assert taken(plan, fields, units) == (plan, dict.fromkeys(FIELDS, ""))


def test_a_tolerance_brings_its_own_rule_and_limit(job):
    made = job(purpose="dispute", tolerance="en-13914-2-2016-class-3", limit="9", rule="1 m", plumb_limit="8")
    _, test, _ = answering.settings(made, "check")
    assert (test.rule, test.limit, test.tolerances[0].id) == (2.0, 0.005, "en-13914-2-2016-class-3")


def test_readings_in_a_dropped_table_are_not_asked_how_they_were_scanned(job):
    made = job(purpose="quote", holds="stations", capture_type="scanner")
    assert "capture_type" not in [question.name for question in answering.asked(made)]


@pytest.mark.parametrize(
    "values",
    [
        {"revision": "1"},
        {"__class__": ""},
        {"least": 3},
        {"least": None},
        {"least": "1" * 300},
        {"seen": [["damp"]]},
        {"wall": ["1"]},
    ],
)
def test_fields_that_are_none_of_ours(job, values):
    with pytest.raises(BadValue):
        job(**values)


def test_lengths_that_are_none_are_told_by_their_field(job):
    made = job(purpose="hand-over", rule="long", limit="3 stone", width="-", least="5")
    wrong = answering.troubles(made)
    assert set(wrong) == {"rule", "limit", "width"}
    assert "3 stone" in wrong["limit"]
    # what was typed stands in its field still, and the plan holds only what is a length
    assert answering.answers(made)["limit"] == "3 stone"
    assert (made.plan.limit, made.plan.rule, made.plan.least) == (None, None, pytest.approx(0.005))
