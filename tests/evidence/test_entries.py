"""Two result documents entry by entry: another value, sentence, entry or key is another result."""

import pytest

from flatscan.evidence.entries import compare_documents
from flatscan.report.rechecked import Rerun

SEALED = {
    "wall": {"width_mm": 2400.0, "number": 1},
    "verdict": {"decision": "outside", "reasons": ["the gap is 5.3 mm"], "restricted": ["directions"]},
}


def states(sealed, again, **how):
    return {row.path: row.state for row in compare_documents(sealed, again, **how) if row.state != "same"}


@pytest.mark.parametrize(
    ("part", "change", "expected"),
    [
        ("wall", {"width_mm": 2400.001}, {"wall.width_mm": "different"}),
        ("wall", {"number": 2}, {"wall.number": "different"}),
        ("wall", {"width_mm": 2400}, {"wall.width_mm": "different"}),
        ("wall", {"objects": []}, {"wall.objects": "different"}),
        ("verdict", {"decision": "within"}, {"verdict.decision": "wording"}),
        ("verdict", {"reasons": []}, {"verdict.reasons.1": "different"}),
        ("verdict", {"reasons": ["the gap is 2.3 mm"]}, {"verdict.reasons.1": "wording"}),
        ("verdict", {"restricted": ["directions", "x"]}, {"verdict.restricted.2": "different"}),
    ],
    ids=str,
)
def test_another_value_is_another_result_whichever_side_has_it(part, change, expected):
    other = SEALED | {part: SEALED[part] | change}
    # an empty list is an entry, and so is what stands in it
    for sealed, again in ((SEALED, other), (other, SEALED)):
        found = states(sealed, again)
        assert expected.items() <= found.items()
        assert Rerun("check", compare_documents(sealed, again), same_bytes=False).differs


def test_a_key_left_out_differs():
    without = {"wall": SEALED["wall"], "verdict": {k: v for k, v in SEALED["verdict"].items() if k != "restricted"}}
    assert states(without, SEALED)["verdict.restricted"] == "different"
    assert states(SEALED, without)["verdict.restricted"] == "different"


def test_with_other_libraries_a_number_may_be_a_step_of_rounding_off_and_nothing_else():
    near, far = (SEALED | {"wall": {"width_mm": value, "number": 1}} for value in (2400.001, 2400.002))
    assert states(SEALED, near, rounding=True) == {"wall.width_mm": "rounding"}
    assert states(SEALED, far, rounding=True) == {"wall.width_mm": "different"}
    counted = SEALED | {"wall": {"width_mm": 2400.0, "number": 2}}
    assert states(SEALED, counted, rounding=True) == {"wall.number": "different"}


@pytest.mark.parametrize("name", ["confidence", "rule_mm", "waste_share"])
def test_with_other_libraries_what_was_entered_is_what_it_was(name):
    one, two = ({"verdict": {name: value}} for value in (0.95, 0.951))
    assert states(one, two, rounding=True) == {f"verdict.{name}": "different"}
