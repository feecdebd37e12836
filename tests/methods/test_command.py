"""``flatscan methods`` on the command line."""

import json

from flatscan import methods
from flatscan.cli import run


def test_without_a_name_it_lists_them_a_line_each(capsys):
    assert run(["methods"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == list(methods.NAMES)
    assert all(methods.load(line.split()[0]).title in line for line in lines)


def test_a_name_prints_its_text_whole(capsys):
    assert run(["methods", "decision"]) == 0
    assert capsys.readouterr().out == methods.load("decision").text
    assert run(["methods", "decisions"]) == 0
    assert capsys.readouterr().out == methods.load("decision").text


def test_json_holds_names_and_titles(capsys):
    assert run(["methods", "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    listed = [{"name": t.name, "title": t.title} for t in methods.available()]
    assert made == {"schema": 1, "command": "methods", "methods": listed, "files": []}
    assert run(["methods", "tie", "--json"]) == 0
    (one,) = json.loads(capsys.readouterr().out)["methods"]
    assert one == {"name": "tie", "title": methods.load("tie").title, "text": methods.load("tie").text}


def test_an_unknown_name_is_one_message_and_1(capsys):
    assert run(["methods", "magic"]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("flatscan: methods: 'magic'; needed: one of record, ")
    assert err.count("\n") == 1
    assert run(["methods", "tie", "walls"]) == 2
