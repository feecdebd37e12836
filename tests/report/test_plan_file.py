"""The plan of a job as a file: what it may say, what two plans have in common, and what a person wrote stays."""

import math
from dataclasses import fields, replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some
from numpy.testing import assert_allclose

from flatscan.core.choices import STAGES
from flatscan.core.errors import BadTable, ReadError
from flatscan.jobs.job_plan import JobPlan, JobRecord, Statement
from flatscan.jobs.plan_file import load_plan, read_plan
from flatscan.plan.cutting import Cut
from flatscan.report.plan_text import plan_text

# every key that a plan may have, each once
WHOLE = """
stage = "set-out"
system = "lime"
least = "6 mm"
most = "1/2 in"
finish = "2 mm"
strip = "8 mm"
rule = "6 ft"
limit = "3 mm"
method = "resting"
cut = ["h1", { x = "1.2 m", y = 0.8, depth = "4 mm" }]
start = "7:30"
rates = "rates.toml"
mix = "1:4"
surface = "stays"
seen = ["damp", "blown"]
plumb_limit = "8 mm"
laser = "115 mm"
capture_type = "scanner"
up = "z"
seen_from = [1, 2.5, 0]
file_unit = "mm"
width = "4.2 m"
height = "8 ft"
no_opening = [2]
wall = "2a"
region = "0, 0, 2 m, 2.4 m"
crop = "0,0,0,1000,1000,1000"
accept = ["1.1,0.1", "0.5 m, 200 mm"]
accept_source = true
same_wall = ["left.ply"]
tie = "readings.csv"
repeats = ["again.ply"]
confirm = ["order"]
[face]
lean_up_to = 2
turn_up_to = 1.5
parallel_to = 3
[[opening]]
left = 1.0
bottom = "900 mm"
width = "1.2 m"
height = "4 ft"
[[pocket]]
left = 0.2
bottom = 0
width = "100 mm"
height = 2.4
[[skip]]
left = 0
bottom = 0
width = 3
height = "100 mm"
[[fixed]]
x = 0.1
y = 1
offset = "12 mm"
band = "1 mm"
beside = true
[[fixed]]
x = 3
y = 1
reading = "104 mm"
[[object]]
x = 1
y = 2
is = "wall"
[[object]]
x = 2
y = 2
is = "not wall"
[[shave]]
x = 0.4
y = 1.1
depth = "2 mm"
[[statement]]
text = "measured before any work of ours"
by = "the foreman"
date = "3 March"
[job]
client = "the client"
issued = "4 March"
"""


def plan_in(tmp_path, text):
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return load_plan(path)


def test_every_key_says_what_it_stands_for(tmp_path):
    plan = plan_in(tmp_path, WHOLE)
    assert (plan.stage, plan.system, plan.method, plan.mix, plan.start) == ("set-out", "lime", "resting", "1:4", "7:30")
    assert_allclose([plan.least, plan.most, plan.finish, plan.strip, plan.rule], [0.006, 0.0127, 0.002, 0.008, 1.8288])
    assert_allclose([plan.limit, plan.laser], [0.003, 0.115])
    assert_allclose(plan.opening, [(1.0, 0.9, 2.2, 2.1192)])
    assert_allclose(plan.pocket, [(0.2, 0.0, 0.3, 2.4)])
    assert_allclose(plan.skip, [(0.0, 0.0, 3.0, 0.1)])
    assert plan.cut == ("H1", Cut(1.2, 0.8, 0.004))
    assert plan.fix == ((0.1, 1.0, 0.012, 0.001, True),)
    assert_allclose(plan.fix_reading, [(3.0, 1.0, 0.104)])
    assert (plan.as_wall, plan.not_wall, plan.accept) == (((1.0, 2.0),), ((2.0, 2.0),), ((1.1, 0.1), (0.5, 0.2)))
    assert (plan.wall, plan.seen_from, plan.accept_source) == ((2, "a"), (1.0, 2.5, 0.0), True)
    assert (plan.surface, plan.seen, plan.no_opening) == ("stays", ("damp", "blown"), (2,))
    assert_allclose([plan.plumb_limit, plan.width, plan.height], [0.008, 4.2, 8 * 0.3048])
    assert plan.shave == (Cut(0.4, 1.1, 0.002),)
    assert plan.statement == (Statement("measured before any work of ours", "the foreman", "3 March"),)
    assert plan.job == JobRecord(client="the client", issued="4 March")
    beside = [str(tmp_path / name) for name in ("rates.toml", "readings.csv", "again.ply", "left.ply")]
    assert [plan.rates, plan.tie, *plan.repeat, *plan.same_wall] == beside


def test_the_whole_plan_leaves_nothing_out(tmp_path):
    said = plan_in(tmp_path, WHOLE).options.keys() | {"tolerance", "square_to"}
    assert said == {item.name for item in fields(JobPlan)}


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('colour = "white"', "colour"),
        ("least = 5", "least"),
        ('least = "5"', "least"),
        ('stage = "later"', "stage"),
        ('cut = ["X1"]', "cut"),
        ('[[cut]]\nx = 1\ny = 1\ndepth = "0 mm"', "cut"),
        ('start = "25:00"', "start"),
        ("wall = 1.5", "wall"),
        ("wall = true", "wall"),
        ("accept_source = 1", "accept_source"),
        ("[face]\nlean = 2", "lean"),
        ("[face]\nlean_up_to = nan", "lean_up_to"),
        ("[face]\nlean_up_to = -1", "lean_up_to"),
        ("face = 3", "face"),
        ("[[opening]]\nleft = 1\nbottom = 1\nwidth = 0\nheight = 1", "opening"),
        ("[[opening]]\nleft = 1", "opening"),
        ("[[fixed]]\nx = 1\ny = 1", "fixed"),
        ('[[fixed]]\nx = 1\ny = 1\noffset = "1 mm"\nreading = "100 mm"', "fixed"),
        ('[[object]]\nx = 1\ny = 1\nis = "door"', "object"),
        ("[[statement]]\nby = 'me'", "statement"),
        ("[job]\nname = 'x'", "job"),
        ("region = '0,0,1'", "region"),
        ("crop = [1,2,3]", "crop"),
        ("least = ", "not TOML"),
    ],
)
def test_what_is_no_plan_is_refused_by_its_key(tmp_path, text, key):
    with pytest.raises(BadTable, match=key):
        plan_in(tmp_path, text)


def test_a_plan_that_is_not_there_is_said(tmp_path):
    with pytest.raises(ReadError):
        load_plan(tmp_path / "plan.toml")


def test_a_fingerprint_is_of_what_is_planned_and_nothing_else():
    plain = JobPlan()
    same = [
        JobPlan(stage="quote", system="gypsum-undercoat", least=0.005, rule=1.8),
        JobPlan(job=JobRecord(client="another")),
        JobPlan(start="8:00"),
        JobPlan(least=0.005 + 1e-9),
    ]
    assert {one.fingerprint for one in same} == {plain.fingerprint}
    other = [
        JobPlan(stage="dispute"),
        JobPlan(least=0.006),
        JobPlan(cut=("H1",)),
        JobPlan(cut=(Cut(1.0, 1.0, 0.004),)),
        JobPlan(opening=((0.0, 0.0, 1.0, 1.0),)),
        JobPlan(pocket=((0.0, 0.0, 1.0, 1.0),)),
        JobPlan(strip=0.008),
        JobPlan(accept=((1.0, 1.0),)),
    ]
    assert len({one.fingerprint for one in (plain, *other)}) == len(other) + 1
    assert len(plain.fingerprint) == 8
    assert int(plain.fingerprint, 16) >= 0


def test_the_same_plan_in_other_units_has_the_same_fingerprint(tmp_path):
    metric = plan_in(tmp_path, 'least = "6.35 mm"\nrates = "a/rates.toml"')
    inches = plan_in(tmp_path, 'least = "1/4 in"\nrates = "b/rates.toml"')
    assert metric.fingerprint == inches.fingerprint


LENGTHS = some.integers(1, 9000).map(lambda tenths: tenths / 10000)
PLACES = some.integers(0, 40000).map(lambda tenths: tenths / 10000)
RECTANGLES = some.tuples(PLACES, PLACES, LENGTHS, LENGTHS).map(lambda it: (it[0], it[1], it[0] + it[2], it[1] + it[3]))
CUTS = some.builds(Cut, PLACES, PLACES, LENGTHS)


# the first plan is drawn slowly on a busy machine, which is no fault of a plan
@settings(suppress_health_check=[HealthCheck.too_slow])
@given(
    some.builds(
        JobPlan,
        stage=some.sampled_from([None, *STAGES]),
        least=some.none() | LENGTHS,
        strip=some.none() | LENGTHS,
        cut=some.lists(CUTS | some.just("H2"), max_size=3).map(tuple),
        opening=some.lists(RECTANGLES, max_size=2).map(tuple),
        fix=some.lists(some.tuples(PLACES, PLACES, LENGTHS, some.just(0.0), some.booleans()), max_size=2).map(tuple),
        turn_up_to=some.none() | some.just(1.5),
        not_wall=some.lists(some.tuples(PLACES, PLACES), max_size=2).map(tuple),
        wall=some.none() | some.just((2, "b")),
        repeat=some.just(()) | some.just(("/jobs/again.ply",)),
        statement=some.just(()) | some.just((Statement("as found", "me", "today"),)),
        job=some.builds(JobRecord, client=some.text("abc \"'\\", max_size=5)),
    ),
    some.sampled_from(["", '# mine\nleast = "0.5 cm"  # asked for\n[job]\nclient = "him"\n']),
)
def test_what_is_kept_reads_back_as_it_was(plan, before):
    kept = plan_text(plan, before, "/jobs/hall-flatscan/plan.toml")
    back = read_plan(kept, "/jobs/hall-flatscan/plan.toml")
    assert back.fingerprint == replace(plan, job=back.job).fingerprint
    assert (back.job, back.statement) == (plan.job, plan.statement)
    if before:
        assert kept.startswith("# mine")


def test_only_what_changed_is_written_anew(tmp_path):
    opening = "[[opening]]\nleft = 1\nbottom = 1\nwidth = 1\nheight = 1\n"
    before = f'# the job\nleast = "0.6 cm"   # asked for by the client\n\n{opening}'
    plan = replace(plan_in(tmp_path, before), strip=0.008)
    kept = plan_text(plan, before, tmp_path / "plan.toml")
    assert kept.replace('strip = "8 mm"\n', "") == before
    assert math.isclose(plan_in(tmp_path, kept).strip, 0.008)
    # what is taken back leaves the file
    assert "least" not in plan_text(replace(plan, least=None), kept, tmp_path / "plan.toml")
