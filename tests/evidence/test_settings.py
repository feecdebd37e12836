"""Settings come back from plain JSON as they went in."""

import dataclasses
import json
import typing

import pytest

from flatscan import jobs
from flatscan.core.errors import ReadError
from flatscan.core.phrase import command_line
from flatscan.evidence.contents import Overlay, PhotoTarget, from_plain, to_plain
from flatscan.jobs import Comparing
from flatscan.plan.finish import FixedPoint, PlaneOptions
from flatscan.report.sealed_page import setting_lines

CASES = [
    jobs.Capturing(),
    jobs.Capturing(wall=3, cell=0.02, up="-x", seen_from=(0.0, 1.5, 2.0), crop=(-1.0, -2.0, 0.0, 4.5, 3.0, 2.75),
                     region=(0.1, 0.1, 2.0, 2.0),
                     opening=((0.5, 0.5, 0.8, 0.9), (1.0, 1.0, 1.5, 1.5)), no_opening=(1, 2), capture_type="scanner"),
    jobs.Requirement.by(rule=1.5, limit=0.0035, directions=(0.0, 45.0, 90.0), confidence=0.9),
    jobs.Requirement.by(tolerance=["uk-plaster-3mm-1.8m", "din-18202-2019-row-6"]),
    jobs.Finishing(
        plane=PlaneOptions(least=0.006, fixed=(FixedPoint(1.0, 2.0, 0.01, name="lining"),)), seen=("damp",)
    ),
    Comparing(reference=((0.0, 0.0, 0.2, 2.0),), quoted=0.12,
              background=jobs.Requirement.by(tolerance="din-18202-2019-row-5")),
    Overlay(corners=((1.0, 9.0), (8.0, 9.0), (8.0, 1.0), (1.0, 1.0))),
    Overlay(targets=(PhotoTarget(3, 0.2, 1.5),), target_size=0.08),
]  # fmt: skip


def in_words(plain, units="mm"):
    return setting_lines(plain, command_line(units))


def no_files(path, is_capture):
    raise AssertionError(path)


@pytest.mark.parametrize("settings", CASES, ids=lambda s: type(s).__name__)
def test_there_and_back(settings):
    plain = json.loads(json.dumps(to_plain(settings, no_files)))
    assert from_plain(type(settings), plain, {}) == settings


@pytest.mark.parametrize("kind", [jobs.Capturing, jobs.Requirement, jobs.Finishing, Comparing])
def test_every_field_is_of_a_kind_that_comes_back(kind):
    plain = (int, float, str, bool, type(None))

    def known(hint):
        if hint in plain or dataclasses.is_dataclass(hint) or hint is Ellipsis:
            return True
        return all(known(part) for part in typing.get_args(hint)) and bool(typing.get_args(hint))

    assert [name for name, hint in typing.get_type_hints(kind).items() if not known(hint)] == []


def test_files_that_settings_name_travel_along(tmp_path):
    rates = tmp_path / "my rates.toml"
    rates.write_text("x")
    packed = []

    def pack(path, is_capture):
        packed.append(path)
        return "inputs/01/my rates.toml"

    settings = jobs.Finishing(rates=str(rates), system="gypsum-undercoat")
    plain = to_plain(settings, pack)
    assert plain == {"rates": {"file": "inputs/01/my rates.toml"}, "system": "gypsum-undercoat"}
    assert packed == [rates]
    back = from_plain(jobs.Finishing, plain, {"inputs/01/my rates.toml": tmp_path / "other"})
    assert back.rates == str(tmp_path / "other")
    assert sorted(in_words(plain)) == ["rates: file inputs/01/my rates.toml", "system: gypsum-undercoat"]


@pytest.mark.parametrize(
    ("kind", "plain"),
    [
        (jobs.Capturing, {"sonar": 1}),
        (jobs.Capturing, {"wall": "1"}),
        (jobs.Capturing, {"wall": True}),
        (jobs.Capturing, {"cell": [0.01]}),
        (jobs.Capturing, {"region": [0.0, 1.0]}),
        (jobs.Capturing, {"opening": {"x": 1}}),
        (jobs.Capturing, []),
        (jobs.Capturing, {"tie": "/etc/passwd"}),
        (jobs.Capturing, {"tie": "scan.ply"}),
        (Overlay, {"photo": "wall.jpg"}),
        (jobs.Capturing, {"tie": {"file": "../../etc/passwd"}}),
        (jobs.Capturing, {"repeat": [{"file": "inputs/09/none.ply"}]}),
        (jobs.Finishing, {"system": "../rates.toml"}),
        (jobs.Finishing, {"plane": {"fixed": [{"x": 1.0}]}}),
    ],
    ids=str,
)
def test_settings_that_sealing_does_not_write_are_refused(kind, plain):
    with pytest.raises(ReadError):
        from_plain(kind, plain, {"inputs/01/x.csv": None})


def test_a_setting_from_another_version_is_named():
    with pytest.raises(ReadError, match="'sonar' of Capturing"):
        from_plain(jobs.Capturing, {"sonar": 1}, {})


def test_words_carry_their_units():
    settings = jobs.Capturing(wall=2, cell=0.02, region=(0.1, 0.2, 1.0, 2.0), opening=((0.5, 0.5, 0.8, 0.9),))
    assert in_words(to_plain(settings, no_files)) == [
        "wall: 2",
        "cell: 20 mm",
        "region: 100 mm, 200 mm, 1000 mm, 2000 mm",
        "opening: (500 mm, 500 mm, 800 mm, 900 mm)",
    ]
    finish = jobs.Finishing(plane=PlaneOptions(least=0.006, lean_up_to=0.002))
    assert in_words(to_plain(finish, no_files)) == ["plane, least: 6 mm", "plane, lean up to: 2.0 mm per m"]
    assert in_words(to_plain(Comparing(quoted=0.12, same_frame=True), no_files)) == [
        "same frame: yes",
        "quoted: 120.0 litres",
    ]
    assert in_words({"cell": 0.0254, "quoted": 0.12}, "in") == ["cell: 1 in", "quoted: 31.70 US gal"]
    by = jobs.Requirement.by(tolerance="din-18202-2019-row-6", confidence=0.9)
    assert "tolerances: din-18202-2019-row-6" in in_words(to_plain(by, no_files))
    assert "confidence: 0.9" in in_words(to_plain(by, no_files))
