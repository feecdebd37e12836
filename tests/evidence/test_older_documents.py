"""A document sealed before a key existed says nothing under it, so a rerun that has the key does not contradict it."""

from flatscan.evidence.rechecking import compare_documents
from flatscan.report.sealed_page import Rerun

SEALED = {
    "wall": {"width_mm": 2400.0},
    "verdict": {"decision": "outside", "criteria": [{"name": "flatness", "value_mm": 5.3}]},
}
AGAIN = {
    "wall": {"width_mm": 2400.0, "objects": []},
    "verdict": {
        "decision": "outside",
        "criteria": [{"name": "flatness", "value_mm": 5.3, "lower_mm": 4.9}],
        "restricted": [],
    },
    "cautions": [],
    "notes": [{"code": "capture.unit-taken", "text": "taken as m"}],
}


def states(sealed, again):
    return {row.path: row.state for row in compare_documents(sealed, again) if row.state != "same"}


def test_keys_that_came_later_are_told_and_change_no_status():
    assert states(SEALED, AGAIN) == dict.fromkeys(
        ("wall.objects", "verdict.criteria.1.lower_mm", "verdict.restricted", "cautions", "notes"), "added"
    )
    assert not Rerun("check", compare_documents(SEALED, AGAIN), same_bytes=False).differs


def test_a_key_left_out_of_what_was_sealed_still_differs():
    without = {"wall": SEALED["wall"]}
    assert states(without, SEALED) == {"verdict": "different"}
    assert Rerun("check", compare_documents(without, SEALED), same_bytes=False).differs


def test_a_key_that_the_rerun_lacks_still_differs():
    assert states(AGAIN, SEALED)["verdict.restricted"] == "different"


def test_an_entry_more_in_a_list_still_differs():
    more = SEALED | {"verdict": SEALED["verdict"] | {"criteria": [*SEALED["verdict"]["criteria"], {"name": "plumb"}]}}
    assert set(states(SEALED, more).values()) == {"different"}


def test_another_value_under_a_later_key_still_differs():
    other = AGAIN | {"verdict": AGAIN["verdict"] | {"restricted": ["step"]}}
    assert set(states(AGAIN, other).values()) == {"different"}
