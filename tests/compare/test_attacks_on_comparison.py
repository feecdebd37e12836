"""What somebody could do to two surveys so that a comparison says something else: it is refused, asked about, or said.

Nothing ends with exit code 0 and a wrong number: where nobody can tell, that stands among what was not judged.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from two_scans import HEIGHT, WIDTH, plastered, raw, scan, strips_left

from flatscan.cli import run

N = 6000
SIDES = ("--reference", "0,0,0.17m,2m", "--reference", "2.23m,0,2.4m,2m")
STATIONS = np.linspace(0.1, 2.3, 6), np.linspace(1.9, 0.1, 5)


@dataclass(frozen=True)
class Attack:
    """What was done, with which arguments; the exit code, and words that must be said.

    With exit code 0 ``truth`` [mm] must lie within the ± of the mean (None: no mean is told), or ``said`` stand among
    what was not judged (``told`` is then false).
    """

    name: str
    act: Callable[[Path], list[str]]
    code: int
    said: str
    truth: float | None = None
    told: bool = True


def survey(folder, name, surface, *, seed=2, n=N, **more):
    return scan(folder / f"{name}.ply", surface, seed=seed, n=n, **more).name


def pair(later, *options, earlier=raw, **more):
    """Two scans, by their surfaces."""

    def act(folder):
        return [survey(folder, "before", earlier, seed=1), survey(folder, "after", later, **more), *options]

    return act


def readings(folder, name, surface, head="", sense="hollow", width=WIDTH):
    """A table of readings, its scatter that of a laser."""
    xs, ys = STATIONS
    rng = np.random.default_rng(len(name))
    rows = [", ".join([f"{y:g}", *(f"{120 - 1000 * surface(x, y) + rng.normal(0, 0.5):.1f}" for x in xs)]) for y in ys]
    first = [
        "units, mm",
        f"sense, big = {sense}",
        f"width, {width} m",
        f"height, {HEIGHT} m",
        *([head] if head else []),
    ]
    table = "\n".join([*first, "", ", " + ", ".join(f"{x:g}" for x in xs), *rows]) + "\n"
    (folder / name).write_text(table)
    return name


def tables(later, *options, earlier=raw, **more):
    """Two tables of readings, by their surfaces."""
    return lambda folder: [
        readings(folder, "before.csv", earlier),
        readings(folder, "aft.csv", later, **more),
        *options,
    ]


def test_an_answer_is_kept_in_the_plan_and_listed(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    asked = ["compare", *tables(lambda x, y: raw(x, y) + 0.014, "--same-frame")(tmp_path), "--json"]
    assert run(asked) == 4
    capsys.readouterr()
    assert run([*asked, "--confirm", "even", "--keep"]) == 0
    (listed,) = (one for one in json.loads(capsys.readouterr().out)["settings"] if one["name"] == "confirm")
    assert listed["value"] == "even"
    assert 'confirm = ["even"]' in Path("aft-flatscan/plan.toml").read_text()
    # the plan answers the next time
    assert run(asked) == 0


def resaved(folder):
    """The earlier table, saved again with a remark."""
    name = readings(folder, "before.csv", raw)
    text = (folder / name).read_text().replace("width", "wall, read again\nwidth", 1)
    (folder / "again.csv").write_text(text)
    return [name, "again.csv", "--same-frame"]


def resampled(folder):
    """Half of the earlier scan's own points for a later survey."""
    survey(folder, "before", raw, seed=1)
    whole = (folder / "before.ply").read_bytes()
    head, body = whole.split(b"end_header\n")
    points = np.frombuffer(body, "<f8").reshape(-1, 3)[::2]
    head = head.replace(str(N).encode(), str(len(points)).encode())
    (folder / "after.ply").write_bytes(head + b"end_header\n" + points.tobytes())
    return ["before.ply", "after.ply", "--same-frame", "--cell", "60mm"]


def holed(folder):
    """A coat of which the middle was not surveyed again."""
    survey(folder, "before", raw, seed=1)
    survey(folder, "after", plastered, n=2 * N)
    head, body = (folder / "after.ply").read_bytes().split(b"end_header\n")
    points = np.frombuffer(body, "<f8").reshape(-1, 3)
    along = points[:, :2] @ [np.cos(0.4), np.sin(0.4)] + WIDTH / 2
    kept = points[(along < 0.8) | (along > 1.6)]
    head = head.replace(str(2 * N).encode(), str(len(kept)).encode())
    (folder / "after.ply").write_bytes(head + b"end_header\n" + kept.tobytes())
    return ["before.ply", "after.ply", "--same-frame"]


def targets(order, out=0.0):
    """Fixed points in both files, the later's in another order, or moved toward the room."""

    def act(folder):
        rng, places = np.random.default_rng(5), np.array([[-1.4, 1.9, 0.1], [1.3, 1.8, 2.2], [0.2, -1.0, 1.0]])
        toward = out * np.array([np.sin(0.4), -np.cos(0.4), 0.0])
        rows = np.hstack([places, places[order] + toward + rng.normal(0, 2e-4, places.shape)])
        head = "earlier_x_m,earlier_y_m,earlier_z_m,later_x_m,later_y_m,later_z_m\n"
        text = head + "\n".join(",".join(f"{v:.5f}" for v in row) for row in rows) + "\n"
        (folder / "targets.csv").write_text(text)
        return [*pair(plastered)(folder), "--points", "targets.csv"]

    return act


def other(x, y):
    return 0.006 * np.sin(5 * x + 1) * np.cos(4 * y) + 0.003 * np.cos(9 * x)


def hump(x, y):
    return strips_left(x, y) + 0.015 * ((np.abs(x - 1.2) < 0.2) & (np.abs(y - 1.0) < 0.2))


def raised(x, y):
    return strips_left(x, y) + 0.009 * ((x < 0.2) | (x > 2.2))


def mean_of(change, over=lambda x, y: x > 0):
    """Mean [mm] of a change over part of the wall."""
    x, y = np.meshgrid((np.arange(240) + 0.5) * WIDTH / 240, (np.arange(200) + 0.5) * HEIGHT / 200)
    return float((change(x, y) - raw(x, y))[over(x, y)].mean() * 1000)


FRAME = "--same-frame"
ATTACKS = (
    Attack("reference on worked area", pair(strips_left, "--reference", "0.6m,0.3m,1.8m,1.8m", yaw=-1.2), 1, "changed"),
    Attack("reference raised evenly", pair(raised, *SIDES, yaw=-1.2), 0, "reference was raised", told=False),
    Attack("reference raised, shared coordinates", pair(raised, *SIDES), 4, "reference itself moved by +9"),
    Attack("reference off the wall", pair(strips_left, "--reference", "5m,0,6m,2m"), 1, "at least three"),
    Attack("reference on worked stations", tables(plastered, "--reference", "0,0,2m,2m"), 4, "leans"),
    Attack("reference all over", tables(plastered, "--reference", "0,0,2.4m,2m"), 1, "covers all of the wall"),
    Attack("cropped wall, one coordinate system", pair(plastered, FRAME, width=1.5), 4, "another size"),
    Attack("cropped wall", pair(plastered, width=1.5, yaw=-1.2), 1, "apart in width"),
    Attack("scaled by 1.02", pair(plastered, FRAME, width=WIDTH * 1.02, height=HEIGHT * 1.02), 4, "another size"),
    Attack("swapped order", pair(raw, FRAME, earlier=plastered), 4, "wrong order"),
    Attack("swapped order of readings", tables(raw, FRAME, earlier=plastered), 4, "wrong order"),
    Attack("same file twice", lambda folder: [readings(folder, "one.csv", raw), "one.csv", FRAME], 4, "the same file"),
    Attack("same readings saved again", resaved, 4, "made out of the other"),
    Attack("later is the earlier resampled", resampled, 4, "made out of the other"),
    Attack("mirrored", pair(lambda x, y: raw(WIDTH - x, y), "--same-surface"), 4, "mirrored"),
    Attack("upside down", pair(lambda x, y: raw(x, HEIGHT - y), FRAME), 4, "upside down"),
    Attack("from behind", pair(lambda x, y: -raw(WIDTH - x, y), "--same-surface"), 4, "from behind"),
    Attack("shifted 30 mm everywhere", pair(lambda x, y: raw(x, y) + 0.03, FRAME), 4, "moved by the same +30"),
    Attack("readings shifted 30 mm", tables(lambda x, y: raw(x, y) + 0.03, FRAME), 4, "moved by the same +30"),
    Attack("other wall of the same size", pair(other, yaw=-1.2), 4, "little of their shape"),
    Attack("other wall in a dispute", pair(other, "--stage", "dispute", yaw=-1.2), 4, "little of their shape"),
    Attack("later in feet", pair(plastered, FRAME, width=WIDTH / 0.3048, height=HEIGHT / 0.3048), 1, "its unit"),
    Attack(
        "later in feet, read as metres", tables(plastered, FRAME, head="control, 90, 90", width=7.87), 4, "another size"
    ),
    Attack(
        "half-covered later survey", holed, 0, "nothing is said", mean_of(plastered, lambda x, _: abs(x - 1.2) > 0.4)
    ),
    Attack("sparse later survey", pair(plastered, FRAME, n=1500), 0, "measured again", mean_of(plastered)),
    Attack("hump outside the reference", pair(hump, *SIDES, yaw=-1.2), 0, "", mean_of(hump)),
    Attack("negative coat", pair(lambda x, y: raw(x, y) - 0.012 - 0.003 * x, FRAME), 4, "wrong order"),
    Attack("coat thinner than its ±", tables(lambda x, y: raw(x, y) + 0.0005, FRAME), 0, "no more than its ±", 0.5),
    Attack("no tie at all", pair(plastered, yaw=-1.2), 0, "thickness applied is not known"),
    Attack("later readings in the other sense", tables(plastered, FRAME, sense="proud"), 4, ""),
    Attack("fixed points in another order", targets([1, 2, 0]), 1, "off where all are laid"),
    Attack("fixed points moved", targets([0, 1, 2], out=0.02), 0, "fixed points moved", told=False),
    Attack("answer to nothing", tables(plastered, FRAME, "--confirm", "all"), 2, "confirm"),
)


@pytest.mark.parametrize("attack", ATTACKS, ids=lambda attack: attack.name)
def test_no_attack_ends_with_a_wrong_number(attack, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    asked = attack.act(tmp_path)
    kind = "laser-readings" if asked[0].endswith(".csv") else "scanner"
    code = run(["compare", *asked, "--capture-type", kind, "--directions", "0,90", "--json"])
    out, err = capsys.readouterr()
    assert code == attack.code, err
    assert "Traceback" not in err
    found = json.loads(out)["compare"] if out else None
    if code == 4:
        assert found["asked"]
    if code == 0 and not attack.told:
        assert any(attack.said in one for one in found["not_judged"])
        return
    assert attack.said in (out + err)
    if code == 0:
        assert (found["mean_mm"] is None) == (attack.truth is None)
        if attack.truth is not None:
            assert found["mean_mm"] == pytest.approx(attack.truth, abs=1.96 * found["u_mm"])
