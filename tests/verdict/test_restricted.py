"""Settings that weaken a test show in its result, and some of them carry no decision (methods/decision 14)."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

import flatscan as fs
from flatscan import capture, report
from flatscan.core.warp import CommonError
from flatscan.jobs import Capturing, Comparing, Finishing, Requirement
from flatscan.jobs.changed import changed, warp_below_type
from flatscan.report.page import page
from flatscan.report.say import say

HOW = {"up": "z", "seen_from": (2.0, 2.0, 1.2), "file_unit": "m", "capture_type": "scanner"}
TEST = {"rule": "1.8 m", "limit": "3 mm"}


def points(surface=None, density=9000, noise=0.0005, seed=6):
    """A wall 3 m by 2.4 m in the plane y = 0, seen from + y, as x, y, z."""
    random = np.random.default_rng(seed)
    count = round(density * 3 * 2.4)
    x, up = random.uniform(0, 3, count), random.uniform(0, 2.4, count)
    proud = random.normal(size=count) * noise + (0.0 if surface is None else surface(x, up))
    return np.stack([3 - x, proud, up], axis=1)


def cloud(stands=None, **more):
    taken = capture.from_points(points(**more), file_unit="m")
    return dataclasses.replace(taken, stands=None if stands is None else np.array(stands, float) - taken.shift)


def hollow(x, up):
    """10 mm deep and half a metre wide, its middle 1 m along and 1.2 m up."""
    return -0.010 * np.exp(-((x - 1.0) ** 2 + (up - 1.2) ** 2) / (2 * 0.12**2))


@pytest.fixture(scope="module")
def flat():
    return cloud()


@pytest.fixture(scope="module")
def whole(flat):
    return fs.check(flat, **TEST, **HOW)


def codes(found):
    return [said.code for said in found.verdict.restricted]


def first_words(found):
    """The decision as it stands first on screen."""
    return say(report.report_of(found).section("verdict").headline[0])


def test_a_test_at_full_strength_is_not_restricted(whole):
    assert whole.verdict.decision == "within"
    assert whole.verdict.restricted == ()
    assert "restricted" not in first_words(whole)


WEAKER = {
    "verdict.few-directions": ({"directions": (0.0, 90.0)}, "2 of 12 directions"),
    "verdict.less-sure": ({"confidence": 0.92}, "92 % sure instead of 95 %"),
    "verdict.larger-cells": ({"cell": 0.05}, "cells of 50 mm"),
    "verdict.region-by-hand": ({"region": (0.2, 0.2, 2.4, 2.2)}, "a region drawn by hand"),
    "verdict.cropped": ({"crop": (0.0, -1.0, 0.0, 2.6, 1.0, 2.4)}, "a box drawn by hand"),
    "verdict.opening-over-wall": ({"opening": ((1.0, 0.9, 1.3, 1.2),)}, "over 0.09 m² of wall that was measured"),
}


@pytest.mark.parametrize("code", WEAKER)
def test_what_weakens_a_test_stands_in_its_decision(flat, code):
    more, words = WEAKER[code]
    found = fs.check(flat, **TEST, **HOW, **more)
    assert codes(found) == [code]
    assert words in first_words(found)
    assert "restricted test: " in first_words(found)


def test_the_wave_that_passed_by_its_settings_is_not_within():
    """A wave of 6 mm along, one direction, a confidence of 51 %, cells of 100 mm and no warp."""
    wave = cloud(surface=lambda x, up: 0.003 * np.sin(2 * np.pi * x / 1.2))
    how = HOW | {"cell": 0.1, "warp": (0.0, 2.0)}
    found = fs.check(wave, **TEST, **how, directions=(90.0,), confidence=0.51)
    assert found.verdict.decision == "undecided"
    assert found.verdict.criteria[0].value < 0.003
    assert codes(found) == [
        "verdict.few-directions",
        "verdict.less-sure",
        "verdict.larger-cells",
        "verdict.warp-below",
    ]
    assert fs.check(wave, **TEST, **HOW).verdict.decision == "outside"


def test_a_low_confidence_gives_the_numbers_and_no_decision(flat, whole):
    found = fs.check(flat, **TEST, **HOW, confidence=0.85, plumb_limit="20 mm")
    assert {one.decision for one in found.verdict.criteria} == {"undecided"}
    assert found.verdict.criteria[0].reasons[0].code == "verdict.too-unsure"
    assert_allclose(found.verdict.criteria[0].value, whole.verdict.criteria[0].value)


def test_a_warp_below_the_type_needs_repeats_or_readings_behind_it(flat):
    found = fs.check(flat, **TEST, **HOW, warp=(0.0001, 1.0))
    assert found.verdict.decision == "undecided"
    assert codes(found) == ["verdict.warp-below"]
    assert found.verdict.criteria[0].reasons[0].code == "verdict.warp-not-shown"
    seen = found.seen
    assert warp_below_type(dataclasses.replace(seen, how=Capturing(warp=(0.0001, 1.0), repeat=("again.ply",)))) is None
    assert warp_below_type(dataclasses.replace(seen, tie=object())) is None
    # what the type has, and more, is no less; as large, and so much longer that a chord feels less of it, is
    own = CommonError(0.4e-3 / 0.596, 1.0)
    assert warp_below_type(dataclasses.replace(seen, how=Capturing(warp=(own.sd, own.length)))) is None
    assert warp_below_type(dataclasses.replace(seen, how=Capturing(warp=(own.sd, 5.0)))) is not None


def test_a_side_against_the_evidence_is_named():
    stood = cloud(stands=[[1.5, 3.0, 1.5]])
    right = fs.check(stood, **TEST, **HOW)
    wrong = fs.check(stood, **TEST, **HOW | {"seen_from": (2.0, -2.0, 1.2)})
    assert codes(right) == []
    assert codes(wrong) == ["verdict.side-against"]
    assert "room side against what the capture shows" in first_words(wrong)


def test_an_opening_over_a_hollow_is_not_all_measured():
    """The hollow is drawn away: that much of the wall counts as not measured, and is named."""
    scan, away = cloud(surface=hollow), (0.7, 0.9, 1.3, 1.5)
    assert fs.check(scan, **TEST, **HOW).verdict.decision == "outside"
    found = fs.check(scan, **TEST, **HOW, opening=(away,))
    lost = sum(part.area for part in found.relief.aside)
    assert_allclose(lost, 0.36, rtol=0.02)
    assert found.relief.covered_share <= 1 - 0.36 / (found.relief.net_area + 0.37)
    assert "relief.drawn-over" in [part.code for part in found.verdict.parts_not_judged]
    assert codes(found) == ["verdict.opening-over-wall"]
    assert "100 % measured" not in report.summary(found)
    [drawn] = report.document(found)["wall"]["openings"]
    assert drawn["from"] == "given"


def test_an_opening_where_there_is_a_hole_sets_nothing_aside():
    holed = points()
    hole = (np.abs(3 - holed[:, 0] - 1.0) < 0.3) & (np.abs(holed[:, 2] - 1.2) < 0.3)
    found = fs.check(capture.from_points(holed[~hole], file_unit="m"), **TEST, **HOW, opening=((0.7, 0.9, 1.3, 1.5),))
    assert found.relief.aside == ()
    assert codes(found) == ["verdict.opening-by-hand"]


def test_a_scanner_that_the_file_does_not_show_is_declared(whole):
    lines = report.summary(whole).splitlines()
    assert lines[0].startswith("Said to be made as scanner, ")
    assert [said.code for said in whole.seen.against] == ["jobs.no-stands"]
    shown = fs.check(cloud(stands=[[1.5, 3.0, 1.5]]), **TEST, **HOW)
    assert shown.seen.against == ()
    assert "Said to be" not in report.summary(shown).splitlines()[0]
    rough = fs.check(cloud(stands=[[1.5, 3.0, 1.5]], noise=0.007), **TEST, **HOW)
    assert [said.code for said in rough.seen.against] == ["jobs.phone-like"]


@pytest.mark.parametrize("step", [0.0, 0.002, 0.005])
def test_sweeps_of_several_millimetres_apart_are_no_scanners(step):
    """Two sweeps that meet 1.6 m from the left along a slanting line; hollows and a bow of the wall itself are none."""

    def swept(x, up):
        return hollow(x, up) - 0.004 * (x - 1.5) ** 2 + step * (x + 0.15 * up > 1.6)

    found = fs.check(cloud(stands=[[1.5, 3.0, 1.5]], surface=swept), **TEST, **HOW)
    said = {one.code: one for one in found.seen.against}
    assert list(said) == (["jobs.sweeps-apart"] if step > 0.003 else [])
    if said:
        assert_allclose(said["jobs.sweeps-apart"].quantities["apart"].value, step, atol=0.001)
        assert report.summary(found).splitlines()[0].startswith("Said to be made as scanner, ")


DEFAULTS = (Capturing(), Requirement(), Finishing(), Comparing())


@pytest.mark.parametrize("usual", DEFAULTS, ids=lambda it: type(it).__name__)
def test_no_setting_stands_out_by_default(usual):
    assert changed(usual) == ()


def test_every_setting_that_is_not_the_default_is_told_with_it():
    """Whatever a field is changed to, it is told: no list of names can forget one."""
    other = {
        "wall": 3,
        "part": "b",
        "same_wall": True,
        "no_opening": (2,),
        "max_points": 9,
        "up": "z",
        "tie": "a/b.csv",
    }
    for item in dataclasses.fields(Capturing):
        value = other.get(item.name, ("x.ply",) if item.name == "repeat" else None)
        if value is None:
            continue
        told = changed(dataclasses.replace(Capturing(), **{item.name: value}))
        assert [one.name for one in told] == [item.name]
        assert told[0].default == getattr(Capturing(), item.name)
    [tie] = changed(Capturing(tie="a/b.csv"))
    assert tie.value == "b.csv"
    asked = changed(Requirement.by(rule="2 m", limit="5 mm", directions=(0.0,), confidence=0.9, method="resting"))
    assert [one.name for one in asked] == ["rule", "limit", "directions", "confidence", "method"]
    [entry] = changed(Requirement.by(tolerance="din-18202-2019-row-6"))
    assert (entry.name, entry.value) == ("tolerance", ("din-18202-2019-row-6",))
    planned = changed(Finishing.by(least="8 mm", hack_most="5 mm", waste=0.2, lean_up_to=0.001))
    assert [one.name for one in planned] == ["least", "lean_up_to", "hack_most", "waste"]


def test_settings_stand_in_the_document_with_their_defaults(flat):
    found = fs.check(flat, **TEST, **HOW, directions=(0.0, 90.0), confidence=0.92)
    document = report.document(found)
    told = {one["name"]: (one["value"], one["default"]) for one in document["settings"]}
    assert told["confidence"] == ("0.92", "0.95")
    assert told["directions"] == ("0 degrees, 90 degrees", "none given")
    assert "rule" not in told
    assert document["verdict"]["restricted"] == [say(said) for said in found.verdict.restricted]
    assert "Set otherwise than usual" in report.summary(found)
    assert "confidence: 0.92 (usual: 0.95)" in page(report.report_of(found))
