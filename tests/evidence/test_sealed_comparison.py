"""A comparison of two surveys sealed with its ties and rates, run again elsewhere."""

import json
import shutil
import zipfile

from two_scans import plastered, raw, scan

from flatscan.cli import run

POINTS = "earlier_x_m,earlier_y_m,earlier_z_m,later_x_m,later_y_m,later_z_m\n"


def test_a_sealed_comparison_runs_again_without_the_files_it_came_from(tmp_path, monkeypatch, capsys):
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    scan(work / "before.ply", raw, seed=1)
    scan(work / "after.ply", plastered, seed=2)
    places = ((-1.4, 1.9, 0.1), (1.3, 1.8, 2.2), (0.2, -1.0, 1.0))
    (work / "targets.csv").write_text(POINTS + "\n".join(",".join(map(str, p + p)) for p in places) + "\n")
    code = run(
        [
            "evidence",
            "before.ply",
            "after.ply",
            "--job",
            "compare",
            "--points",
            "targets.csv",
            "--quoted",
            "90l",
            "--capture-type",
            "scanner",
            "--out",
            str(tmp_path / "pair.zip"),
            "--quiet",
        ]
    )
    assert code == 0, capsys.readouterr().err
    monkeypatch.chdir(tmp_path)
    shutil.rmtree(work)
    names = zipfile.ZipFile(tmp_path / "pair.zip").namelist()
    assert {"captures/01/before.ply", "captures/02/after.ply", "inputs/01/targets.csv"} <= set(names)
    capsys.readouterr()
    assert run(["recheck", str(tmp_path / "pair.zip"), "--json"]) == 0
    (job,) = json.loads(capsys.readouterr().out)["jobs"]
    assert job["command"] == "compare"
    assert job["same_bytes"] is True


def test_a_comparison_needs_two_captures(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run(["evidence", "one.ply", "--job", "compare"]) == 2
    assert "two captures" in capsys.readouterr().err
    assert run(["evidence", "one.ply", "--job", "check"]) == 2
    assert run(["evidence", "one.ply"]) == 1
    assert list(tmp_path.iterdir()) == []
