"""Feet and inches as people write them, in every option that takes a length, in the plan and in tables."""

from pathlib import Path

import click
import pytest
from numpy.testing import assert_allclose

from flatscan.cli import COMMANDS, group
from flatscan.cli.kinds import VOLUME, CutPlace, Fixed, FixReading, Length, Places, Target
from flatscan.jobs.plan_file import read_plan

# written, and in metres: a foot is 304.8 mm and an inch 25.4 mm, exactly (international yard and pound, 1959)
WRITTEN = {
    "13ft9in": 4.191,
    "13' 9\"": 4.191,
    "13'-9\"": 4.191,
    "13 ft 9 1/2 in": 4.2037,
    "5 7/8": 0.149225,
    "5 7/8 in": 0.149225,
    '½"': 0.0127,
    "9/16": 0.0142875,
}
# what a length stands in, by the kind of option that takes it
AROUND = {
    Length: "{}",
    Fixed: "1,2,{}",
    CutPlace: "1,2,{}",
    FixReading: "1,2,{}",
    Target: "3,1,{}",
}


def length_options():
    """Each option of every command whose value holds a length: command, name, option."""
    for name in COMMANDS:
        for param in group.get_command(click.Context(group), name).params:
            if isinstance(param.type, (*AROUND, Places)):
                yield name, param


OPTIONS = [pytest.param(*one, id=f"{one[0]}-{one[1].name}") for one in length_options()]


@pytest.mark.parametrize(("command", "param"), OPTIONS)
def test_every_length_of_every_command(command, param):
    kind = param.type
    pattern = AROUND.get(type(kind)) or ",".join(["1"] * (kind.number - 1) + ["{}"])
    for text, metres in WRITTEN.items():
        value = kind.convert(pattern.format(text), param, None)
        found = value if isinstance(value, float) else value.depth if hasattr(value, "depth") else value
        found = found if isinstance(found, float) else found[2] if isinstance(kind, (Fixed, Target)) else found[-1]
        assert_allclose(found, metres, rtol=1e-12)


def test_all_length_options_are_there():
    names = {param.values[1].name for param in OPTIONS}
    assert {"width", "height", "limit", "least", "fix", "cut", "opening", "region", "old_plaster", "warp"} <= names
    assert {"size", "square", "spacing", "points_u", "target_size", "photo_target", "shave"} <= names
    assert len(OPTIONS) > 120


@pytest.mark.parametrize("text", WRITTEN)
def test_every_length_of_the_plan(text):
    quoted = text.replace('"', '\\"')
    plan = read_plan(
        f'least = "{quoted}"\nrule = "{quoted}"\nregion = ["{quoted}", 0, 9, 9]\n'
        f'[[opening]]\nleft = "{quoted}"\nbottom = 0\nwidth = "{quoted}"\nheight = 1\n'
        f'[[fixed]]\nx = "{quoted}"\ny = 1\noffset = "{quoted}"\n',
        "plan.toml",
    )
    found = [plan.least, plan.rule, plan.region[0], plan.opening[0][0], plan.fix[0][0], plan.fix[0][2]]
    assert_allclose(found, [WRITTEN[text]] * 6, rtol=1e-12)


def test_a_bare_number_is_no_thickness_and_metres_along_the_wall(flatscan):
    assert flatscan("form", "--width", "13").code == 2
    assert flatscan("form", "--width", "12 1/2", "--json").code == 1
    tall = flatscan("form", "--width", "13'-9\"", "--height", "7' 10 1/2\"", "--json").document
    assert (tall["width_mm"], tall["height_mm"]) == (4191.0, 2400.3)


def test_volumes_in_gallons():
    # the US gallon is 231 cubic inches (NIST Handbook 44, appendix C)
    for text in ("10gal", "10 US gal", "10 gallons"):
        assert_allclose(VOLUME.convert(text, None, None), 10 * 231 * 0.0254**3, rtol=1e-12)
    assert_allclose([VOLUME.convert(one, None, None) for one in ("120", "120l", "0.12m3", "120 litres")], 0.12)


def test_targets_in_inches_say_inches(flatscan):
    pypdf = pytest.importorskip("pypdf")
    assert flatscan("targets", "--size", "4 3/4", "--count", "1", "--units", "in", "--out", "t.pdf").code == 0
    text = " ".join(pypdf.PdfReader(Path("t.pdf")).pages[0].extract_text().split())
    assert "The black square is 4 3/4 in wide" in text
    assert "4 in: if a steel rule disagrees" in text
    assert "mm" not in text
