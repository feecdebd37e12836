"""`--repeat` takes captures that were made again and refuses those that were not; copies in one file decide nothing."""

import numpy as np
import pytest

HOW = ("--up", "z", "--file-unit", "m", "--seen-from", "0,0,0", "--capture-type", "scanner")
LIMIT = ("--rule", "1.8m", "--limit", "3mm")


def bend(size, phase):
    return lambda x, y: size * (np.sin(2.1 * x + phase) * np.cos(1.7 * y - phase) + np.sin(1.3 * y + 2 * phase))


@pytest.fixture
def scan(plain_wall):
    """A scan of one and the same wall with its own noise and bend."""
    return lambda seed: plain_wall(bend(0.0004, seed), n=30_000, noise=0.001, seed=seed)


@pytest.mark.parametrize(
    ("made", "words"),
    [
        pytest.param(lambda p: (p, p), "the same points as capture 1", id="same"),
        pytest.param(lambda p: (p[::2], p[1::2]), "as parts of one scan do", id="halves"),
        pytest.param(lambda p: (p, p[::3] + 1e-4), "follow those of capture 1", id="thinned and moved"),
    ],
)
def test_a_copy_is_no_repeat(flatscan, scan, write_ply, tmp_path, made, words):
    one, two = made(scan(1))
    paths = [write_ply(tmp_path / f"{k}.ply", points, kind="double") for k, points in enumerate((one, two))]
    ran = flatscan("check", paths[0], "--repeat", paths[1], *HOW, *LIMIT, "--json")
    assert (ran.code, ran.out) == (1, "")
    assert ran.err.startswith("flatscan: capture 2: ")
    assert words in ran.err
    assert "walked again, or the instrument set up again" in ran.err


def test_a_scan_made_again_is_taken(flatscan, scan, write_ply, tmp_path):
    paths = [write_ply(tmp_path / f"{k}.ply", scan(k), kind="double") for k in (1, 2)]
    ran = flatscan("check", paths[0], "--repeat", paths[1], *HOW, *LIMIT, "--json")
    assert ran.code in (0, 4), ran.err
    assert any(note["code"] == "jobs.repeats" for note in ran.document["notes"])


def test_a_flat_wall_copied_ten_times_is_not_outside(flatscan, plain_wall, write_ply, tmp_path):
    rng = np.random.default_rng(6)
    points = np.repeat(plain_wall(n=12_000, noise=0.002), 10, axis=0)
    path = write_ply(tmp_path / "copies.ply", points + rng.normal(0, 0.0005, points.shape), kind="double")
    ran = flatscan("check", path, *HOW, *LIMIT, "--json")
    assert ran.code == 4
    assert ran.document["verdict"]["decision"] == "undecided"
    said = next(note["text"] for note in ran.document["notes"] if note["code"] == "relief.points-copies")
    assert "The points repeat each other" in said
    assert "no decision is made from them" in " ".join(ran.document["verdict"]["reasons"])
