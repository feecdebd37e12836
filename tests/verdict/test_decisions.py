"""Decision rules against published examples, and criteria other than flatness."""

import numpy as np
import pytest
from judging import in_words, judge
from numpy.testing import assert_allclose
from scipy import integrate, stats

from flatscan.core.errors import BadValue
from flatscan.core.notes import note
from flatscan.core.phrase import fill
from flatscan.core.quantity import Quantity
from flatscan.report.say import spoken
from flatscan.straightedge import lips
from flatscan.verdict import Criterion, coverage_factor, decide, single, together

POINTS = np.linspace(-8, 8, 1601)


def rates(prior, u, limit, k):
    """Chances that the rule accepts a bad item and does not accept a good one, over the prior (JCGM 106, 9.5)."""
    accepted = np.array([decide(value, u, limit, k) == "within" for value in POINTS])
    edge = POINTS[accepted].max()
    # the rule accepts up to limit - k u: found from the rule itself to a step of the grid, then exactly
    assert_allclose(edge, limit - k * u, atol=0.01)
    accept = lambda true: stats.norm.cdf((limit - k * u - true) / u)  # noqa: E731
    bad = integrate.quad(lambda true: prior.pdf(true) * accept(true), limit, limit + 12 * u)[0]
    good = integrate.quad(lambda true: prior.pdf(true) * (1 - accept(true)), 1e-9, limit, limit=200)[0]
    return bad, good


def test_jcgm_106_worked_example():
    # JCGM 106:2012, 9.5.4 (methods/decision 16): gamma(4, 1/4), limit 2, u 0.25
    prior = stats.gamma(4, scale=0.25)
    assert_allclose(prior.sf(2), 0.04238, atol=5e-6)
    assert_allclose(rates(prior, 0.25, 2.0, 0.0), (0.00802, 0.01744), atol=2e-5)
    # guard band 0.3282 brings the consumer's risk to 0.001 and the producer's to 0.0755
    assert_allclose(rates(prior, 0.25, 2.0, 0.3282 / 0.25), (0.001, 0.0755), atol=1e-4)


def test_iso_14253_1_factor():
    # ISO 14253-1 (methods/decision 16): 95 % one-sided is k = 1.645; U with k = 2 leaves under 2.5 % (ILAC-G8)
    assert coverage_factor(0.95) == pytest.approx(1.645, abs=5e-4)
    assert stats.norm.sf(2) < 0.025


@pytest.mark.parametrize("u", [0.1, 0.4])
def test_at_the_limit_each_wrong_word_is_one_in_twenty(u):
    random = np.random.default_rng(4)
    said = [decide(3.0 + error, u, 3.0, coverage_factor(0.95)) for error in random.normal(size=20_000) * u]
    assert_allclose([said.count("within") / 20_000, said.count("outside") / 20_000], 0.05, atol=0.005)


def test_a_single_quantity_is_judged_both_ways():
    for lean in (0.0048, -0.0048):
        got = single("plumb", Quantity(lean, 0.00024), 0.006)
        assert (got.decision, got.value) == ("within", pytest.approx(0.0048))
        # two-sided 95 %: 1.96 u either way
        assert_allclose([got.lower, got.upper], 0.0048 + np.array([-1.96, 1.96]) * 0.00024, rtol=1e-5)
        assert single("plumb", Quantity(lean, 0.00024), 0.004).decision == "outside"
        assert single("plumb", Quantity(lean, 0.0012), 0.0049).decision == "undecided"


def test_what_is_printed_of_a_quantity_is_what_decides():
    """The ± of the sheet, rounded up to a tenth, reaches from the value to both bounds, and is that of the lean."""
    for u in np.linspace(1e-4, 3e-3, 200):
        got = single("plumb", Quantity(0.0052, u), 0.006)
        shown = fill("{it:length.1±}", {"it": got.measured})
        assert shown == fill("{it:length.1±}", {"it": Quantity(0.0052, u)})
        wide = float(shown.split("±")[1].split()[0]) / 1000
        for bound in (got.upper - got.value, got.value - got.lower):
            assert -1e-8 <= wide - bound <= 1.001e-4


def test_a_single_quantity_with_no_known_u_is_undecided():
    got = single("plumb", Quantity(0.0024, None), 0.006, unknown=note("verdict.no-vertical"))
    assert (got.decision, got.upper) == ("undecided", None)
    assert "plumb" in spoken(got.reasons)[0]


def test_a_single_quantity_from_memory_is_not_decided():
    got = single("corner", Quantity(0.001, 1e-5), 0.005, barred=note("verdict.from-memory"))
    assert got.decision == "undecided"
    assert "memory" in spoken(got.reasons)[0]


def test_together():
    made = {word: Criterion(word, word, 0.0, 0.0, 1.0) for word in ("within", "outside", "undecided")}
    assert together([made["within"], made["within"]]).decision == "within"
    assert together([made["within"], made["undecided"]]).decision == "undecided"
    assert together([made["within"], made["undecided"], made["outside"]]).decision == "outside"
    assert together([]).decision == "undecided"


def test_each_criterion_is_named_apart(grid_relief):
    step = lips(grid_relief(lambda x, y: 0.006 * (x > 1.5), u=1e-5))
    verdict = judge(
        lean=Quantity(0.001, 1e-5), height=2.4, plumb_limit=0.008, step=step, step_limit=0.004,
        corner=Quantity(0.002, 0.001), corner_limit=0.003,
    )  # fmt: skip
    assert in_words(verdict) == "plumb within; step outside; corner undecided; flatness not judged"
    assert verdict.decision == "outside"
    assert spoken(judge(step_limit=0.004).criteria[0].reasons) == ("not measured",)


def test_small_step_is_within(grid_relief):
    step = lips(grid_relief(lambda x, y: 0.002 * (x > 1.5), u=1e-5))
    assert judge(step=step, step_limit=0.004).decision == "within"
    unknown = lips(grid_relief(lambda x, y: 0.002 * (x > 1.5), u=np.nan))
    assert judge(step=unknown, step_limit=0.004).decision == "undecided"


@pytest.mark.parametrize(
    "given",
    [
        {"plumb_limit": 0.0, "lean": Quantity(0.0, 0.1), "height": 2.4},
        {"step_limit": -0.001},
        {"corner_limit": float("nan")},
    ],
)
def test_limits_that_make_no_sense(given):
    with pytest.raises(BadValue, match="limit"):
        judge(**given)


def test_a_limit_for_what_was_not_measured_stays_open():
    (plumb,) = judge(plumb_limit=0.008).criteria
    assert (plumb.decision, plumb.value, plumb.limit) == ("undecided", None, 0.008)
