import dataclasses
from types import SimpleNamespace

import pytest
from limit_words import in_own_units_alone
from results import reported, summary

from flatscan.core.errors import Infeasible
from flatscan.core.notes import note
from flatscan.core.phrase import Manner, command_line, written
from flatscan.core.quantity import Quantity, metres
from flatscan.plan import stops
from flatscan.plan.hacking import Hack
from flatscan.plan.other_planes import Choice
from flatscan.report.say import finished, say, spoken
from flatscan.report.sections.plan_section import bags_needed
from flatscan.report.sections.seen_section import leaning


def test_no_line_is_wider_than_a_screen(anything):
    for units in ("mm", "in"):
        assert max(map(len, summary(anything, units).splitlines())) <= 79


def spread(u, units):
    return written(Quantity(0.0, u, "m"), "spread", Manner(units))


def joined(findings, units="mm"):
    return " ".join(summary(findings, units).split())


def test_a_survey_answers_how_thick_what_sets_it_and_what_to_order(survey):
    said = joined(survey)
    assert "least 5.3 mm" in said
    # 134 litres as it was built: 6 less and 10 more are the ends, 7 more are enough nine times in ten
    assert "134 litres, order 141 litres (128 litres to 144 litres) before waste" in said
    first = "What sets it: H1 at 800 mm from the left, 1700 mm up; cut 4.2 mm: saves 34 litres, 0.9 bags"
    assert f"{first}, 16 minutes' work." in said
    assert "gypsum undercoat 13.4 mm, then finish 2.0 mm" in said
    assert "Order: 4.4 to 5.8 bags needed, order 6" in said
    assert finished(stops.NO_STOP) in said


def test_a_check_names_each_criterion_with_its_uncertainty_and_limit(check):
    said = joined(check)
    # by hand: 1.96 times u: 0.4 mm gives 0.8 mm, plumb of 2 mm/m over 2.4 m 9.41 mm, rounded up
    assert "Flatness outside the limit as entered: 6.4 mm ± 0.8 mm " in said
    assert "Limit: 3 mm under a 1.8 m straightedge, resting; as entered" in said
    assert "Plumb undecided: neither pass nor fail: 5.0 mm ± 9.5 mm. Limit: 8 mm of plumb; as entered" in said
    assert "step (not judged)" in said
    assert say(note("report.record")) in said


def test_cautions_stand_before_what_they_warn_of(survey, findings_for):
    said = joined(survey)
    assert said.index("Hacking: cables and pipes") < said.index("What sets it")
    thick = dataclasses.replace(survey.build_up, most=0.031)
    deep = joined(findings_for("survey", build_up=thick))
    assert deep.index("over 25 mm only with the designer's word") < deep.index("most 31.0 mm")
    lows = joined(findings_for("lows"))
    assert lows.index("Mixing: read the bag") < lows.index("L1:")


def test_a_stop_sign_comes_before_all_quantities(survey, findings_for):
    order = dataclasses.replace(survey.take_off, stops=("a bulge of 31 mm: a structural engineer first",))
    said = joined(findings_for("survey", take_off=order))
    assert said.index("STOP: a bulge of 31 mm") < said.index("Build-up")
    assert finished(stops.NO_STOP) not in said


def test_inches_carry_no_millimetres(survey, check, findings_for):
    order = dataclasses.replace(survey.take_off, notes=())
    for findings in (check, findings_for("survey", take_off=order), findings_for("setout"), findings_for("lows")):
        assert " mm" not in in_own_units_alone(joined(findings, "in"))
    # 1.8 m are 70.866 in: 5 ft 10 7/8 in to the sixteenth
    assert "1.8 m (5 ft 10 7/8 in) straightedge" in joined(check, "in")


@pytest.mark.parametrize(
    ("u", "said"), [(None, "(± not known)"), (0.0004, "± 0.8 mm"), (0.00041, "± 0.9 mm"), (0.0, "± 0.0 mm")]
)
def test_an_uncertainty_is_never_rounded_down(u, said):
    assert spread(u, "mm") == said


def test_an_uncertainty_in_inches_is_never_zero():
    assert spread(0.0001, "in") == "± 0.008 in"
    # 2 x 1 mm are 0.0787 in: two sixteenths
    assert spread(0.001, "in") == "± 1/8 in"


def test_stations_are_said_to_leave_out_what_lies_between(stations):
    said = joined(stations)
    assert "everything between the stations" in said
    assert "could not be measured" in said


def test_no_hump_worth_cutting_is_said(findings_for):
    assert "no hump is worth cutting" in joined(findings_for("survey", hacks=()))


def test_a_hump_no_prouder_than_the_next_saves_nothing_by_itself(findings_for):
    """Of two equally proud humps either one alone takes no depth and frees no litre; both have to go."""
    first = Hack(0.8, 1.7, 0.0017, 0.05, 0.0, 0.0, 0.0, cut_so_far=0.0, minutes=12)
    both = Hack(3.2, 0.9, 0.0017, 0.05, 0.010, 0.3, 0.001, cut_so_far=0.0017, minutes=11)
    said = joined(findings_for("survey", hacks=(first, both)))
    assert "cut 1.7 mm: saves nothing until the next is cut as well" in said
    assert "saves 10 litres, 0.3 bags, 23 minutes' work in all" in said
    assert "0.0 mm (" not in said


def test_every_warning_is_said_once(findings_for):
    findings = findings_for("check", warnings=tuple(f"thing {k} happened" for k in range(30)))
    lines = summary(findings).splitlines()
    assert [line for line in lines if line.startswith("Mind: ")][1:] == [
        f"Mind: Thing {k} happened." for k in range(30)
    ]


def test_the_best_other_choice_of_plane_is_one_sentence(survey):
    built = survey.build_up
    lean = dataclasses.replace(built, volume=Quantity(0.121, 0.004))
    choices = (
        Choice("plumb and parallel", built, None, 0.0, 0.0, 0.0),
        Choice("turn allowed, 3 mm per m", lean, None, 0.0, 0.0072, 0.009),
        Choice("lean allowed, 3 mm per m", lean, None, 0.0075, 0.0, 0.013),
    )
    said = joined(dataclasses.replace(survey, choices=choices))
    assert "Or lean allowed, 3 mm per m: saves 13 litres, 7.5 mm out of plumb." in said
    assert "turn allowed" not in said
    # methods/finish-plane 5: nothing is turned or leant for a saving under a fiftieth
    small = (choices[0], dataclasses.replace(choices[1], saves=0.0026))
    assert "Or turn" not in joined(dataclasses.replace(survey, choices=small))


def test_no_stop_sign_is_said_with_its_limits_where_none_fired(survey):
    assert reported(survey).lead == (stops.NO_STOP,)
    assert "were not examined" in say(stops.NO_STOP)
    stopped = dataclasses.replace(survey.take_off, stops=(note("stop.damp"),))
    assert stops.NO_STOP not in reported(dataclasses.replace(survey, take_off=stopped)).lead


def test_a_caution_keeps_to_the_units_asked_for(survey):
    thick = dataclasses.replace(survey, build_up=dataclasses.replace(survey.build_up, most=0.031))
    cautions = reported(thick).cautions
    assert any("over 25 mm" in say(caution) for caution in cautions)
    assert any("over 1 in:" in say(caution, "in") for caution in cautions)


def test_an_error_kept_in_a_result_is_said_as_its_reader_knows_settings():
    error = Infeasible("{set:lean_up_to}", "{asked:length}", needed="less", remedy="Ask for less", asked=metres(0.0254))
    choice = Choice(note("plan.choice-plumb"), None, None, 0.0, 0.0, None, error)
    assert spoken(choice, "in").reason == "--lean-up-to: 1 in; needed: less. Ask for less."


@pytest.mark.parametrize(
    ("millimetres", "tape", "held"),
    [
        (0.2, "0.008 in", "0.008 in"),
        (3.0, "1/8 in", "0.12 in"),
        (5.5, "3/16 in", "0.22 in"),
        (6.35, "1/4 in", "1/4 in"),
    ],
)
def test_what_is_held_against_a_limit_does_not_round_to_it_in_inches(millimetres, tape, held):
    """A tape's sixteenths made '3/16 in, over the limit of 3/16 in' of 5.5 mm over 5 mm."""
    length = metres(millimetres / 1000)
    assert written(length, "length.1", command_line("in")) == tape
    assert written(length, "exact.1", command_line("in")) == held
    assert written(length, "exact.1", command_line("mm")) == f"{millimetres:.1f} mm"


def test_a_sentence_begins_with_a_capital_but_a_file_keeps_its_name():
    assert finished("stations only: nothing between them") == "Stations only: nothing between them."
    read = note("jobs.tie-file", file="laser_grid.csv", what=note("plan.nothing-left", limit=metres(0.003)))
    assert finished(read).startswith("laser_grid.csv: ")


def test_a_spread_in_inches_is_as_fine_as_its_value():
    # by hand: 2 x 4 mm are 0.315 in, 2 x 0.2 mm 0.0157 in, both rounded up
    assert written(metres(0.0566, 0.0041), "exact.1±", command_line("in")) == "2.23 in ± 0.32 in"
    assert written(metres(0.0066, 0.0002), "exact.1±", command_line("in")) == "0.26 in ± 0.016 in"
    assert written(metres(0.0566, 0.004), "length.1±", command_line("in")) == "2 1/4 in ± 5/16 in"


@pytest.mark.parametrize(
    ("top", "said"),
    [
        (0.0077, "leans 7.7 mm into the room at the top"),
        (-0.004, "leans 4.0 mm away from the room at the top"),
        (0.0, "plumb"),
    ],
)
def test_a_lean_says_where_the_top_stands(top, said):
    assert say(leaning(metres(top, 0.001))) == said


def test_bags_that_are_as_many_either_way_are_one_number():
    order = SimpleNamespace(bags_range=(3.0, 3.0))
    assert say(bags_needed(order)) == "about 3.0 bags needed, "
    assert say(bags_needed(SimpleNamespace(bags_range=(2.9, 3.1)))) == "2.9 to 3.1 bags needed, "
