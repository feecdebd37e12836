"""Which cautions an action has with which material: a table by hand, from the sources that methods/trade 14 names."""

import re
from importlib.resources import files

import pytest

from flatscan.plan.cautions import ACTIONS, cautions_of, codes_of_materials
from flatscan.plan.systems import available, load

HACKING = ["hacking-services", "hacking-coatings", "hacking-dust", "hacking-cracks"]
LASER = ["laser", "laser-stand"]
EVERYWHERE = {
    "strip": ["old-plaster-off"],
    "cover": ["old-plaster-stays"],
    "hack": HACKING,
    "chase": ["chase-services"],
    "load": ["thick"],
    "shave": ["shave-dust"],
    "laser": LASER,
    "height": ["height"],
    "read": ["reading-high"],
}
# a material is mixed and carried in bags; cement burns, lime burns, gypsum does neither, and bags are heavy
WITH_MATERIAL = {
    ("mix", ("wet-cement", "bags")): ["wet-cement"],
    ("mix", ("wet-lime", "bags")): ["wet-lime"],
    ("mix", ("gypsum", "bags")): ["gypsum"],
    ("mix", ("wet-cement", "gypsum", "bags")): ["wet-cement", "gypsum"],
    ("mix", ()): [],
    ("mix", None): ["any-mix"],
    ("lift", ("gypsum", "bags")): ["bags"],
    ("lift", ("gypsum",)): [],
    ("lift", None): [],
}
SYSTEMS = {
    "gypsum-undercoat": ["gypsum", "bags"],
    "one-coat-gypsum": ["gypsum", "bags"],
    "lime": ["wet-lime", "bags"],
    "sand-cement-inside": ["wet-cement", "gypsum", "bags"],
    "sand-cement-outside": ["wet-cement", "bags"],
}


def codes(actions, materials=()):
    return [one.code.removeprefix("caution.") for one in cautions_of(actions, materials)]


@pytest.mark.parametrize("materials", [(), ("gypsum", "bags"), ("wet-cement", "bags"), ("wet-lime",), None])
@pytest.mark.parametrize("action", EVERYWHERE)
def test_what_an_action_has_with_any_material(action, materials):
    assert codes((action,), materials) == [*EVERYWHERE[action], "local-rules"]


@pytest.mark.parametrize(("action", "materials"), WITH_MATERIAL)
def test_what_an_action_has_with_one_material(action, materials):
    wanted = WITH_MATERIAL[action, materials]
    assert codes((action,), materials) == (wanted and [*wanted, "local-rules"])


def test_every_action_stands_in_the_table():
    tabled = {*EVERYWHERE, *(action for action, _ in WITH_MATERIAL), "all"}
    assert tabled == set(ACTIONS)
    assert codes(()) == codes(("all",)) == []


def test_each_once_the_weightiest_first_and_local_rules_last():
    every = codes(ACTIONS, codes_of_materials())
    assert len(every) == len(set(every))
    assert every[:2] == ["old-plaster-off", "old-plaster-stays"]
    assert every[-1] == "local-rules"
    # whoever names several actions gets them in the same order
    assert codes(("mix", "hack", "mix"), ("gypsum",)) == [*HACKING, "gypsum", "local-rules"]


@pytest.mark.parametrize("name", available())
def test_a_systems_own(name):
    wanted = SYSTEMS.get(name)
    found = codes(("mix", "lift"), load(name).cautions)
    assert found[:-1] == wanted if wanted else set(found[:-1]) == set(load(name).cautions)


def test_every_caution_has_its_source_in_the_methods():
    """A row for each code in methods/trade 14, with what was read, or tagged common practice."""
    trade = files("flatscan.methods").joinpath("trade.md").read_text()
    section = trade[trade.index("## 14.") : trade.index("## 15.")]
    rows = dict(re.findall(r"^\| ([a-z-]+) \| [a-z]+ \| (.+\]) \|$", section, re.M))
    every = {*codes(ACTIONS, codes_of_materials()), *codes(("mix",), None)}
    assert set(rows) == every
    assert all(re.search(r"\[(read \d+(, \d+)*|practice)\]", said) for said in rows.values()), rows
