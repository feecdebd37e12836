"""The one sentence for a limit: every shipped entry in both units, and the same words in every rendering."""

import dataclasses
import json
import re
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from pypdf import PdfReader

from flatscan import standards
from flatscan.core.geometry import Frame
from flatscan.core.notes import in_unit
from flatscan.core.quantity import metres
from flatscan.jobs import Capturing, Requirement, check
from flatscan.jobs.belonging import in_job
from flatscan.jobs.declared import stood_before
from flatscan.jobs.job_plan import JobPlan, JobRecord, PlanUsed, Statement
from flatscan.jobs.results import Stood
from flatscan.report import document, say
from flatscan.report.limits import limit_how, limit_sentence
from flatscan.report.page import page
from flatscan.report.paper import pdf, record
from flatscan.report.reporting import report_of
from flatscan.report.screen import first_screen, summary
from flatscan.report.site_report import JudgedBy, site_lines
from flatscan.standards import Tolerance
from flatscan.straightedge import Gap, Gaps
from flatscan.straightedge.sweeping import Stair
from flatscan.verdict import Measured, judge

TOTALS = dict.fromkeys(("walls", "outside", "undecided", "within", "not_judged", "within_restricted"), 0)
NONE = ("cautions", "failed", "questions", "kept", "stops", "rooms", "by_system", "order")

# by hand: 1 in is 25.4 mm (1959), 1/4 in 6.35 mm, 10 ft 3.048 m, 3 mm 0.118 in, 1.8 m 5 ft 10.866 in
BY_HAND = [
    ("mm", 0.003, "mm", "3 mm"),
    ("mm", 0.00635, "in", "1/4 in (6.35 mm)"),
    ("in", 0.00635, "in", "1/4 in"),
    ("in", 0.003, "mm", "3 mm (0.12 in)"),
    ("mm", 0.0015875, "in", "1/16 in (1.587 mm)"),
    ("in", 0.375 * 0.0254, "in", "3/8 in"),
    ("mm", 1.8, "m", "1.8 m"),
    ("in", 1.8, "m", "1.8 m (5 ft 10 7/8 in)"),
    ("mm", 3.048, "ft", "10 ft (3.05 m)"),
    ("in", 3.048, "ft", "10 ft"),
    ("mm", 0.01, "cm", "1 cm"),
]


@pytest.mark.parametrize(("units", "length", "unit", "words"), BY_HAND)
def test_a_length_stands_in_its_documents_unit(units, length, unit, words):
    assert say(in_unit(length, unit), units) == words


@pytest.mark.parametrize("entry", standards.available(), ids=lambda entry: entry.id)
@pytest.mark.parametrize("units", ["mm", "in"])
def test_every_entry_says_document_edition_clause_method_and_value_in_its_unit(entry, units):
    for length, limit in zip(entry.lengths, entry.limits, strict=True):
        span = (0.0, length) if entry.method == "chord" else (length,)
        said = say(limit_sentence(entry, limit, span), units)
        for words in (entry.document, entry.edition, entry.clause):
            assert words in said
        value = re.match(r"(?:(\d+) )?(\d+/\d+|[\d.]+) (mm|cm|m|in)\b", said)
        whole, part, unit = value.groups()
        number = float(whole or 0) + float(Fraction(part))
        assert unit == entry.unit
        assert number * {"mm": 1e-3, "cm": 1e-2, "m": 1.0, "in": 0.0254}[unit] == pytest.approx(limit, rel=1e-3)
        # a reader of other units has the value in brackets in his own
        assert (" (" in said.split(" ", 3)[2] or " (" in said[:25]) == ((entry.unit == "in") != (units == "in"))
        assert ("straightedge" in said) == (entry.criterion == "flatness" and entry.method != "chord")
        assert ("contacts" in said) == (entry.method == "chord")
        assert entry.method == "chord" or entry.method in said
        assert ("out of plumb over" in said) == (entry.criterion == "plumb")
        assert ("value from memory" in said) == (entry.read_as == "memory")
        assert "-0" not in said
        assert "((" not in said


def _swept(rule, size, method="resting"):
    """A gap of that size under a straightedge, its interval a tenth of it to either side."""
    gap = Gap(size, size / 20, (1.0, 1.0), (0.5, 1.0), (1.5, 1.0), 0.0, size / 20, 0.0)
    lone = {"worst": gap, "balanced": gap, "equal_offset": gap, "method": method, "gap": size}
    ends = {"lower": 0.9 * size, "upper": 1.1 * size}
    return Gaps(rule, (0.0,), positions=9, coverage=1.0, deepest=np.zeros((1, 1)), **lone, **ends)


def _reasons(entry, part):
    """Why a wall whose deviations are that part of each limit was decided so, by method and length."""
    entry = dataclasses.replace(entry, accepted=True)
    sizes = [part * limit for limit in entry.limits]
    if entry.criterion == "step":
        measured = Measured(step=metres(sizes[0], sizes[0] / 20))
    elif entry.criterion != "flatness":
        measured = Measured(quantity=metres(sizes[0], sizes[0] / 20), over=entry.lengths[0])
    elif entry.method == "chord":
        ends = zip((0.0, *entry.lengths), entry.lengths, entry.limits, sizes, strict=False)
        measured = Measured(stairs=tuple(Stair(a, b, limit, _swept(b, size)) for a, b, limit, size in ends))
    else:
        sweeps = [_swept(length, size, entry.method) for length, size in zip(entry.lengths, sizes, strict=True)]
        # more than the limit when balanced, so that the method decides
        other = [_swept(length, 2 * limit) for length, limit in zip(entry.lengths, entry.limits, strict=True)]
        measured = Measured(sweeps=tuple(sweeps), balanced=tuple(other) if part < 1 else ())
    return judge(entry, measured)


@pytest.mark.parametrize("entry", standards.available(), ids=lambda entry: entry.id)
@pytest.mark.parametrize("units", ["mm", "in"])
def test_reasons_and_a_sites_lines_have_every_entrys_limit_in_its_unit(entry, units):
    seen = 0
    for part in (0.5, 1.0, 2.0):
        found = _reasons(entry, part)
        for criterion in found.criteria:
            value = say(in_unit(criterion.limit, entry.unit), units)
            for reason in criterion.reasons:
                said = say(reason, units)
                if "limit" in reason.quantities:
                    assert value in said
                    seen += 1
                assert entry.criterion == "flatness" or "straightedge" not in said
            how = say(limit_how(criterion), units)
            assert how.startswith(value)
            assert ("straightedge" in how or "contacts" in how) == (entry.criterion == "flatness")
            assert ("out of plumb" in how) == (entry.criterion == "plumb")
            judged = JudgedBy(criterion.name, criterion.measured, limit_how(criterion), criterion.depends)
            row = {"title": "w", "judged": judged, "covered_share": 1.0, "decision": criterion.decision}
            row |= {"restricted": [], "balanced_end_gap_mm": None}
            summary_of = {"totals": TOTALS, "walls": [row]} | dict.fromkeys(NONE, ())
            assert how in " ".join(site_lines({"site": "s", "not_examined": "", **summary_of}, units))
    assert (seen > 0) == (entry.criterion == "flatness")


def test_what_is_entered_keeps_the_unit_it_was_meant_in():
    for limit, length, words in (
        (0.003, 1.8, "3 mm under a 1.8 m straightedge, resting; as entered"),
        (0.00635, 3.048, "1/4 in (6.35 mm) under a 10 ft (3.05 m) straightedge, resting; as entered"),
        (0.0127, 1.8288, "1/2 in (12.7 mm) under a 6 ft (1.83 m) straightedge, resting; as entered"),
        # 5 in is 127 mm to the millimetre, and may be meant so
        (0.127, 2.0, "127 mm under a 2 m straightedge, resting; as entered"),
    ):
        entry = Tolerance.entered("flatness", limit, length, "resting")
        assert say(limit_sentence(entry, limit, (length,))) == words


@pytest.fixture(scope="module")
def flat_check():
    """A check of the laser sample by an entry in inches."""
    grid = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"
    asked = Requirement.by(tolerance="astm-c926-base")
    return check(grid, Capturing(), asked)


def test_screen_paper_page_and_document_have_the_same_sentence(flat_check):
    report = report_of(flat_check)
    values = json.loads(json.dumps(document(flat_check, ())))
    (limit,) = values["verdict"]["limits"]
    assert limit.startswith("1/4 in (6.35 mm) under a 10 ft (3.05 m) straightedge, resting; ASTM C926")
    assert limit in " ".join(first_screen(report).split())
    assert limit in " ".join(summary(report).split())
    assert limit in " ".join(page(report, "mm").split())
    assert any(limit in say(said) for section in report.sections for said in section.headline)


FULL = JobRecord(**{item.name: f"the {item.name}" for item in dataclasses.fields(JobRecord)})


def _printed(found, job, tmp_path, units="mm", **plan):
    path = tmp_path / "record.pdf"
    report = report_of(in_job(found, PlanUsed(JobPlan(job=job, **plan))))
    pdf.write(report, path, units)
    return report, [" ".join(one.extract_text().split()) for one in PdfReader(path).pages]


def test_the_record_prints_every_field_and_says_what_nobody_stated(flat_check, tmp_path):
    report, sheets = _printed(flat_check, FULL, tmp_path, stage="hand-over")
    front = sheets[0]
    for item in dataclasses.fields(JobRecord):
        assert f"the {item.name}" in front, item.name
    assert "hand-over" in front
    assert "guarded acceptance and guarded rejection" in front
    assert "95 % interval" in front
    for words in sheets:
        assert "report the number" in words
        assert f"plan {report.fingerprint}" in words
    report, sheets = _printed(flat_check, JobRecord(), tmp_path)
    # all but the time, which could have stood in the file
    assert sheets[0].count("not stated") == len(dataclasses.fields(JobRecord)) + 1
    assert "not known" in sheets[0]
    assert all("report number not stated" in words for words in sheets)
    assert document(flat_check, ())["record"] == {"captured": "not known"}


def test_nobody_is_told_that_work_had_not_begun_unless_somebody_said_so(flat_check, tmp_path, monkeypatch):
    monkeypatch.setattr(record, "record", record.front)
    stated = Statement("No work of ours was done before this.", "A. Mason", "2026-11-20")
    assert flat_check.verdict.decision != "within"
    for plan, notice, before in (
        ({}, False, False),
        ({"stage": "hand-over"}, False, False),
        ({"stage": "dispute", "statement": (stated,)}, False, False),
        ({"stage": "quote"}, True, True),
        ({"statement": (stated,)}, True, False),
    ):
        _, sheets = _printed(flat_check, JobRecord(), tmp_path, **plan)
        words = " ".join(sheets)
        assert ("Notice of background" in words) == notice, plan
        assert ("Measured before the work" in words) == before, plan
        assert ("Stated by A. Mason, 2026-11-20: No work of ours was done before this." in words) == (
            "statement" in plan
        )


def test_where_scanners_stood_is_told_from_their_places():
    # by hand: 3 m before a wall of 4 m x 2.4 m, level with its foot and 1 m in: the far corner is the root of 3 squared
    # and 2.4 squared, 3.842 m, aside, which 3 m away is seen atan(3.842 / 3) = 52.01 degrees off square
    frame = Frame(np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), np.array([0, -1.0, 0]))
    wall = SimpleNamespace(frame=frame, outline=np.array([[0, 0], [4, 0], [4, 2.4], [0, 2.4]], float))
    cloud = SimpleNamespace(stands=np.array([[1.0, -3.0, 0.0], [2.0, -7.5, 1.0], [2.0, 4.0, 1.0]]))
    stood = stood_before(cloud, wall)
    assert (stood.count, stood.nearest, stood.farthest) == (2, 3.0, 7.5)
    assert stood.askew == pytest.approx(52.01, abs=0.01)
    # behind the wall nothing was measured from, and many files give no place at all
    assert stood_before(SimpleNamespace(stands=np.array([[1.0, 3.0, 0.0]])), wall) is None
    assert stood_before(SimpleNamespace(stands=None), wall) is None


def test_the_record_fills_in_what_the_file_tells(flat_check, tmp_path):
    origin = dataclasses.replace(flat_check.origin, captured="2011-09-14 01:46 UTC")
    seen = dataclasses.replace(flat_check.seen, origin=origin, stood=Stood(2, 3.0, 7.5, 52.01))
    found = dataclasses.replace(flat_check, seen=seen)
    facts = {fact.key: say(fact.text) for fact in report_of(found).section("record").facts}
    assert facts["job-captured"] == "2011-09-14 01:46 UTC (from the file)"
    assert facts["job-distance"] == "3.00 m to 7.50 m off the wall (from the file)"
    assert facts["job-incidence"] == "up to 52 degrees off square, at the farthest corner (from the file)"
    told = in_job(found, PlanUsed(JobPlan(job=JobRecord(captured="14 September", distance="3 m"))))
    facts = {fact.key: say(fact.text) for fact in report_of(told).section("record").facts}
    assert (facts["job-captured"], facts["job-distance"]) == ("14 September", "3 m")
