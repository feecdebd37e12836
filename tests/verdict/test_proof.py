"""A small, seeded version of the simulation that proves the verdict (scripts/prove_verdict.py)."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

PATH = Path(__file__).parents[2] / "scripts" / "prove_verdict.py"


@pytest.fixture(scope="module")
def prove():
    spec = importlib.util.spec_from_file_location("prove_verdict", PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    # a smaller wall than the script's keeps this short
    module.WIDTH, module.HEIGHT, module.VARIANTS = 2.6, 2.0, 4
    return module


def outcomes(prove, share, warp, walls):
    return [prove.prove(prove.Row(shape, share, 3.0, 20, warp), walls) for shape in prove.SHAPES]


def test_true_gap_is_the_one_asked_for(prove):
    from flatscan.straightedge import sweep

    for shape in prove.SHAPES:
        z = prove.surface(shape, 1) * 0.004
        assert sweep(prove.as_relief(z, np.zeros_like(z), 0.0), prove.RULE).worst.value == pytest.approx(0.004)


def test_warp_has_the_spread_it_is_said_to_have(prove):
    random = np.random.default_rng(1)
    fields = np.stack([prove.random_field(1.0, random) for _ in range(400)])
    left, right = fields[:, 40, 10], fields[:, 40, 110]
    # 2 m apart with the middle between: 0.596 of the warp's sd (methods/uncertainty 6)
    assert np.std((left + right) / 2 - fields[:, 40, 60]) == pytest.approx(0.596, rel=0.1)


@pytest.mark.parametrize("warp", [0.0, 0.6])
def test_at_the_limit_it_hardly_ever_decides(prove, warp):
    found = outcomes(prove, 1.0, warp, 10)
    # 5 % of 40 is 2; over 7 would come up once in a thousand
    assert sum(out.within for out in found) <= 7
    assert sum(out.outside for out in found) <= 7
    # plain thresholding decides every wall, and is wrong for half of them or more on one side
    assert sum(out.naive_within for out in found) < 0.3 * 40


def test_well_within_and_well_outside_it_decides(prove):
    good, bad = outcomes(prove, 0.4, 0.6, 6), outcomes(prove, 1.6, 0.6, 6)
    assert sum(out.within for out in good) >= 0.85 * 24
    assert sum(out.outside for out in bad) >= 0.75 * 24
    assert not any(out.outside for out in good)
    assert not any(out.within for out in bad)


def test_same_seed_same_outcome(prove):
    row = prove.Row("hump", 0.7, 3.0, 20, 0.6)
    assert prove.prove(row, 2) == prove.prove(row, 2)
