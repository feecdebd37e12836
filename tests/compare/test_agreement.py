"""Two parties in dispute: right surveys seldom disagree, a real difference is found, both say what they say."""

import json
import re

import numpy as np
import prove_agreement as proof
import pytest
from numpy.testing import assert_allclose
from pypdf import PdfReader
from two_scans import raw, scan

from flatscan import report
from flatscan.compare import Alignment, claimed, scores, together
from flatscan.core.notes import note
from flatscan.core.quantity import COVER
from flatscan.core.warp import CommonError
from flatscan.jobs import Capturing, Comparing, Finishing, Requirement, compare_surveys
from flatscan.jobs.belonging import in_job
from flatscan.jobs.job_plan import JobPlan, PlanUsed

STILL = Alignment(np.eye(3), np.zeros(3), note("compare.by-wall", walls=(2,)), 0.0)


def test_a_score_is_the_difference_over_both_expanded_uncertainties(relief_of):
    # ISO 13528 (from memory): En = |x1 - x2| / root(U1^2 + U2^2); a place is 25 cells of 20 mm
    first = relief_of(lambda x, y: 0 * x, u=3e-4)
    both = together(first, relief_of(lambda x, y: 0.002 + 0 * x, u=4e-4), STILL)
    u = np.hypot(5e-4, 6e-4) * np.ones(both.first.shape)
    found = scores(both, both.change, u)
    # what is random averages over the cells of a place, what is common does not
    expected = 0.002 / (COVER * np.hypot(6e-4, 5e-4 / 5))
    assert len(found.score) == 30 * 24
    assert_allclose(found.score, expected, rtol=1e-9)
    # the same all over is a bend of the lowest kind: no part of the wall is another
    assert_allclose(found.local, 0, atol=1e-9)


def test_the_limit_is_that_of_the_worst_of_so_many_places(relief_of):
    # 720 independent places, no common error: chance passes the limit somewhere in 5 % of walls (binomial(20) <= 4)
    passed = 0
    for seed in range(20):
        pair = [relief_of(lambda x, y: 0 * x, u=3e-4, noise=3e-4, seed=2 * seed + k) for k in range(2)]
        both = together(*pair, STILL)
        found = scores(both, both.change, np.hypot(both.u_first, both.u_second))
        passed += bool((found.score > found.limit).any())
    assert passed <= 4


@pytest.fixture
def coarse(monkeypatch):
    """The proof on cells of 100 mm."""
    monkeypatch.setattr(proof, "CELL", 0.1)


@pytest.mark.parametrize("kind", proof.KINDS)
def test_errors_that_are_no_model_of_ours_seldom_disagree(coarse, kind):
    """A short part of scripts/prove_agreement.py: doming, 1/f, drift, short warps, heavy tails."""
    # binomial(4, 0.05) is at or under 1 with 98.6 %
    assert proof.disagree(kind, ("scanner", "scanner"), 4, 500) <= 1


@pytest.mark.parametrize("kind", ["doming", "1/f"])
def test_a_dent_of_6_mm_over_three_tenths_of_a_square_metre_is_found(coarse, kind):
    assert proof.found(kind, 2, 700) == 2


def dented(x, y):
    return raw(x, y) - 0.006 * ((np.abs(x - 1.5) < 0.27) & (np.abs(y - 1.0) < 0.28))


@pytest.fixture(scope="module")
def dispute(tmp_path_factory):
    folder = tmp_path_factory.mktemp("dispute")
    ours, theirs = (
        str(scan(folder / f"{name}.ply", surface, seed=seed, yaw=yaw, n=8000))
        for name, surface, seed, yaw in (("ours", raw, 1, 0.4), ("theirs", dented, 2, -0.9))
    )
    how = Capturing(capture_type="scanner")
    asked = Comparing(finish=Requirement.by(limit=0.003, directions=(0.0, 90.0)))
    found = in_job(
        compare_surveys(ours, theirs, (how, how), asked, Finishing(stage="dispute")),
        PlanUsed(JobPlan(stage="dispute")),
    )
    report.write(found, folder / "out", formats=("pdf", "json"))
    return folder / "out"


def test_where_two_parties_disagree_and_what_each_says(dispute):
    made = json.loads((dispute / "compare-result.json").read_text())
    agreement = made["compare"]["agreement"]
    assert agreement["agree"] is False
    assert agreement["score"] > agreement["score_limit"] > 1
    (place,) = agreement["differ"]
    assert place["mark"] == "D1"
    assert place["difference_mm"] == pytest.approx(-6, abs=0.7)
    assert place["area_m2"] == pytest.approx(0.30, abs=0.1)
    ours, theirs = agreement["parties"]
    assert ours["file"] == "ours.ply"
    assert theirs["decision"] == made["verdict"]["decision"]
    assert theirs["gap_mm"] == made["flatness"]["gap_mm"]
    # both show the hump of 7 mm, theirs the dent beside it as well
    assert theirs["gap_low_mm"] > ours["gap_high_mm"] > 5
    assert made["plan"]["stage"] == "dispute"
    assert any("which of the two surveys is right" in one for one in made["compare"]["not_judged"])


def test_both_sign_one_page(dispute):
    first, *rest = (" ".join(page.extract_text().split()) for page in PdfReader(dispute / "compare-sheets.pdf").pages)
    for words in ("Agreement of two surveys", "D1", "ours.ply", "theirs.ply", "for one party", "for the other party"):
        assert words in first
    assert "ISO 13528" in first
    assert re.search(r"plan [0-9a-f]{8}, report number not stated dispute page 1", first)
    # the place has one depth on all pages
    depth = json.loads((dispute / "compare-result.json").read_text())["compare"]["agreement"]["differ"][0]
    assert f"{abs(depth['difference_mm']):.1f} mm" in first
    assert any(f"differ {abs(depth['difference_mm']):.1f} mm" in page for page in rest)
    assert sum("for one party" in page for page in rest) == 0


def test_a_common_error_is_not_taken_off_by_leveling(relief_of):
    pair = [relief_of(lambda x, y: 0 * x, u=3e-4, cell=0.1) for _ in range(2)]
    both = together(*pair, STILL)
    commons = (CommonError(0.003), CommonError(0.004))
    u = claimed(both, commons, np.full(both.first.shape, 1e-4))
    assert_allclose(u, np.sqrt(0.005**2 + 2 * 3e-4**2), rtol=1e-9)
