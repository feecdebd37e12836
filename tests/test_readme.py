"""The README's commands on the bundled samples run as they are printed, and its Python as well."""

import re
import shlex
from pathlib import Path

import pytest

from flatscan.cli import COMMANDS, run

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8").replace("\\\n", " ")
BLOCKS = re.findall(r"```sh\n(.*?)```", TEXT, re.DOTALL)
PYTHON = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)
LINES = [line.split("#")[0].strip() for block in BLOCKS for line in block.splitlines()]
# the lines of the two jobs build on each other: test_stories runs them
TOLD = set(
    re.findall(r"^flatscan .*$", TEXT[TEXT.index("## Two jobs") : TEXT.index("## A tour by task")], re.MULTILINE)
)
SAMPLES = [line for line in LINES if line.startswith("flatscan ") and "sample_clouds/" in line and line not in TOLD]


@pytest.mark.parametrize("line", SAMPLES)
def test_a_command_of_the_readme_runs(line, tmp_path, monkeypatch, capsys, few_sheets):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_clouds").symlink_to(ROOT / "sample_clouds")
    # 3 and 4 are decisions about the sample wall, not failures
    assert run(shlex.split(line)[1:]) in (0, 3, 4), capsys.readouterr().err


@pytest.mark.parametrize("block", PYTHON)
def test_a_notebook_of_the_readme_runs(block, tmp_path, monkeypatch, capsys, few_sheets):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_clouds").symlink_to(ROOT / "sample_clouds")
    exec(compile(block, "README.md", "exec"), {})
    said = capsys.readouterr().out
    assert "undecided" in said
    assert (tmp_path / "north-wall" / "check-result.json").is_file()


def test_what_evidence_seals_recheck_finds_the_same(tmp_path, monkeypatch, capsys, few_sheets):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_clouds").symlink_to(ROOT / "sample_clouds")
    seal = next(line for line in SAMPLES if line.startswith("flatscan evidence"))
    check = next(line for line in LINES if line.startswith("flatscan recheck"))
    assert run(shlex.split(seal)[1:]) == 0, capsys.readouterr().err
    assert run(shlex.split(check)[1:]) == 0, capsys.readouterr().err


def test_every_command_named_exists():
    named = {line.split()[1] for line in LINES if line.startswith("flatscan ")}
    named |= set(re.findall(r"`flatscan ([a-z][a-z-]*)", TEXT))
    assert named <= set(COMMANDS), named - set(COMMANDS)


def test_every_picture_is_there():
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", TEXT)
    assert pictures
    for picture in pictures:
        assert (ROOT / picture).is_file(), picture
