"""The methods a result relies on travel in its sealed file; a recheck says which of them are worded otherwise now."""

import json
import re
import zipfile
from pathlib import Path

import pytest

from flatscan import methods
from flatscan.cli import run
from flatscan.evidence import recheck
from flatscan.evidence.archive import write_archive
from flatscan.evidence.contents import relied_on
from flatscan.evidence.seal import digest, dumps, seal_record
from flatscan.report import say
from flatscan.report.rechecked import recheck_record, recheck_text

SURVEY = ("record", "definitions", "straightedge", "decision", "uncertainty", "finish-plane", "trade")
STATIONS = {"wall": {"cell_mm": None}, "capture": {"type": "laser-readings"}}
SCAN = {"wall": {"cell_mm": 20.0}, "capture": {"type": "scanner"}}


def rebuilt(source, target, change):
    """The file sealed anew after ``change`` had its way with its members and manifest."""
    folder = target.parent / (target.stem + "-members")
    with zipfile.ZipFile(source) as archive:
        archive.extractall(folder)
    path = folder / "manifest.json"
    manifest = json.loads(path.read_text())
    change(folder, manifest)
    manifest["members"] = [
        {"name": name, "bytes": (folder / name).stat().st_size, "sha256": digest(folder / name)}
        for name in sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file())
        if name not in ("manifest.json", "seal.json")
    ]
    path.write_text(dumps(manifest))
    (folder / "seal.json").write_text(dumps(seal_record(digest(path), manifest["signed_by"], None)))
    write_archive(target, {str(p.relative_to(folder)): p for p in folder.rglob("*") if p.is_file()})
    return target


def test_a_survey_carries_the_texts_it_relies_on(sealed):
    with zipfile.ZipFile(sealed.path) as archive:
        held = {Path(name).stem: archive.read(name).decode() for name in archive.namelist() if "methods/" in name}
        page = " ".join(archive.read("README.txt").decode().split())
    assert held == {name: methods.load(name).text for name in SURVEY}
    assert sealed.manifest["methods"] == list(SURVEY)
    assert "How it was computed and decided: - methods/record.md" in page


def test_a_recheck_lists_them_and_finds_them_the_same(sealed):
    report = recheck(sealed.path)
    assert [(text.name, text.same) for text in report.texts] == [(name, True) for name in SURVEY]
    assert recheck_record(report)["methods"] == [{"name": name, "same": True} for name in SURVEY]
    assert f"among them page one and {len(SURVEY)} texts on method" in recheck_text(report)


def test_another_wording_is_altered_and_of_another_version_recomputes_differently(plain, tmp_path):
    def reword(folder, manifest):
        path = folder / "methods/decision.md"
        path.write_text(path.read_text().replace("within", "inside"))

    def of_another_version(folder, manifest):
        reword(folder, manifest)
        manifest["versions"]["flatscan"] = "0.0.9"

    report = recheck(rebuilt(plain.path, tmp_path / "reworded.zip", reword))
    assert report.status == "altered"
    assert {text.name for text in report.texts if not text.same} == {"decision"}
    assert re.search(r"methods/decision.md: line \d+ says '.*inside.*' where the captures give", recheck_text(report))
    other = recheck(rebuilt(plain.path, tmp_path / "other.zip", of_another_version))
    assert other.status == "recomputes differently"
    assert "Sealed, as stated, with flatscan 0.0.9" in recheck_text(other)


def test_a_text_that_no_method_has_is_altered(plain, tmp_path):
    def add(folder, manifest):
        (folder / "methods/old-way.md").write_text("# gone\n")
        manifest["methods"].append("old-way")

    report = recheck(rebuilt(plain.path, tmp_path / "added.zip", add))
    assert report.status == "altered"
    assert "'methods/old-way.md' does not come from the captures" in recheck_text(report)


def test_a_text_exchanged_without_sealing_anew_is_altered(plain, tmp_path):
    folder = tmp_path / "members"
    with zipfile.ZipFile(plain.path) as archive:
        archive.extractall(folder)
    (folder / "methods/decision.md").write_text("# anything goes\n")
    target = tmp_path / "changed.zip"
    write_archive(target, {str(p.relative_to(folder)): p for p in folder.rglob("*") if p.is_file()})
    report = recheck(target)
    assert report.status == "altered"
    assert "'methods/decision.md' has other bytes" in say(report.problems[0])


@pytest.mark.parametrize(
    "change",
    [
        lambda folder, manifest: manifest["methods"].remove("decision"),
        lambda folder, manifest: manifest["methods"].append("../result"),
        lambda folder, manifest: manifest.update(methods=7),
        lambda folder, manifest: (folder / "methods/decision.md").unlink(),
    ],
    ids=["one not named", "a name outside", "no list", "one taken away"],
)
def test_a_list_that_does_not_fit_the_members_is_not_sealing(plain, tmp_path, change):
    assert recheck(rebuilt(plain.path, tmp_path / "odd.zip", change)).status == "altered"


@pytest.mark.parametrize(
    ("result", "more"),
    [
        (STATIONS, ()),
        (SCAN, ("walls",)),
        (SCAN | {"flatness": {}, "verdict": {"tolerance": None}}, ("straightedge", "decision", "walls")),
        (
            STATIONS | {"flatness": {}, "verdict": {"tolerance": "uk-plaster-3mm-1.8m"}},
            ("straightedge", "decision", "tolerances"),
        ),
        (SCAN | {"capture": {"type": "phone-walk", "tie": {"file": "ties.csv"}}}, ("walls", "tie")),
        (STATIONS | {"capture": {"type": "laser-line"}}, ("laser-line",)),
        (SCAN | {"setout": {}}, ("walls", "finish-plane", "trade")),
        (
            SCAN | {"compare": {"background": {"tolerance": "din-18202-2019-row-5"}}},
            ("walls", "tolerances", "comparison"),
        ),
        (SCAN | {"material": None, "lows": []}, ("straightedge", "walls")),
    ],
    ids=["readings", "scan", "limit", "tolerance", "tie", "laser line", "set-out", "compare", "lows"],
)
def test_what_a_result_relies_on(result, more):
    assert set(relied_on([result])) == {"record", "definitions", "uncertainty", *more}


def test_several_results_share_their_texts_in_reading_order():
    both = relied_on([SCAN | {"compare": {}}, STATIONS | {"hacking": []}])
    assert both == tuple(name for name in methods.NAMES if name in both)
    assert {"comparison", "walls", "trade"} <= set(both)


def test_the_command_line_says_them_too(sealed, capsys):
    assert run(["recheck", str(sealed.path), "--json", "--quiet"]) == 0
    assert [one["name"] for one in json.loads(capsys.readouterr().out)["methods"]] == list(SURVEY)
