"""The wheel holds all that an installed flatscan needs, and runs from it alone."""

import os
import subprocess
import sys
import time
import tomllib
import venv
import zipfile
from importlib import metadata
from pathlib import Path

import pytest

from flatscan import __version__
from flatscan.cli import COMMANDS

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """A clean environment with nothing of flatscan but the wheel; its dependencies are borrowed from this one."""
    place = tmp_path_factory.mktemp("install")
    build = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "--quiet",
        "--disable-pip-version-check",
        "--no-deps",
        "-w",
        place,
        ROOT,
    ]
    subprocess.run(build, check=True)
    (wheel,) = place.glob("*.whl")
    home = place / "env"
    venv.create(home, with_pip=False)
    python = home / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    install = ["--quiet", "--disable-pip-version-check", "--no-deps", "--no-index", wheel]
    subprocess.run([sys.executable, "-m", "pip", "--python", python, "install", *install], check=True)
    site = Path(
        subprocess.check_output(
            [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"], text=True
        ).strip()
    )
    # only the libraries: a path file of this environment would bring the checkout back
    borrowed = Path(metadata.distribution("numpy").locate_file(""))
    (site / "borrowed.pth").write_text(f"{borrowed}\n")
    return wheel, python


def run(python, *words, cwd, **environment):
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    return subprocess.run(
        [python, *map(str, words)],
        cwd=cwd,
        env=kept | environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )


def test_the_wheel_holds_every_file_of_the_package(installed):
    with zipfile.ZipFile(installed[0]) as wheel:
        names = set(wheel.namelist())
    tracked = subprocess.check_output(
        ["git", "ls-files", "flatscan", "sample_clouds"], cwd=ROOT, text=True
    ).splitlines()
    wanted = {
        f"flatscan/{name}" if name.startswith("sample_clouds") else name for name in tracked if (ROOT / name).exists()
    }
    assert wanted <= names
    assert {"flatscan/py.typed", "flatscan/sample_clouds/wall.ply"} <= names
    assert any(name.endswith(".mplstyle") for name in names)
    assert any(name.startswith("flatscan/standards/") and name.endswith(".toml") for name in names)
    assert any(name.endswith("page.html.j2") for name in names)
    assert not any(name.startswith(("tests/", "scripts/")) or "__pycache__" in name for name in names)


def test_runs_from_the_wheel_and_not_from_the_checkout(installed, tmp_path):
    _, python = installed
    where = run(python, "-c", "import flatscan; print(flatscan.__file__)", cwd=tmp_path)
    assert Path(where.stdout.strip()).is_relative_to(python.parents[1]), where.stderr
    script = python.parent / "flatscan"
    done = subprocess.run([script, "--help"], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert all(name in done.stdout for name in COMMANDS)


def test_every_command_and_every_data_file_loads(installed, tmp_path):
    _, python = installed
    every = "import sys; from flatscan.cli import COMMANDS, run; sys.exit(max(run([it, '--help']) for it in COMMANDS))"
    done = run(python, "-c", every, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("Usage: ") == len(COMMANDS)
    done = run(python, "-m", "flatscan", "tolerances", cwd=tmp_path)
    assert done.returncode == 0
    assert "13914" in done.stdout


def test_the_bundled_readings_are_surveyed(installed, tmp_path):
    _, python = installed
    sample = "import flatscan, pathlib; print(pathlib.Path(flatscan.__file__).parent / 'sample_clouds/laser_grid.csv')"
    path = run(python, "-c", sample, cwd=tmp_path).stdout.strip()
    done = run(python, "-m", "flatscan", "survey", path, "--out", tmp_path / "out", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out" / "survey-result.json").exists()


def test_version_says_what_it_computes_with():
    started = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "flatscan", "--version"], capture_output=True, text=True, check=True
    )
    assert time.perf_counter() - started < 30
    lines = done.stdout.splitlines()
    assert lines[0] == f"flatscan {__version__}"
    for name in ("numpy", "scipy", "numba", "open3d", "opencv-python", "matplotlib"):
        assert f"{name} {metadata.version(name)}" in lines
    imported = {line.rsplit("|", 1)[1].strip().split(".")[0] for line in done.stderr.splitlines() if "|" in line}
    assert not imported & {"numpy", "scipy", "open3d", "cv2", "numba", "matplotlib", "rich"}


def test_help_imports_nothing_heavy():
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "flatscan", "--help"], capture_output=True, text=True, check=True
    )
    imported = {line.rsplit("|", 1)[1].strip().split(".")[0] for line in done.stderr.splitlines() if "|" in line}
    assert "click" in imported
    assert not imported & {"numpy", "scipy", "open3d", "cv2", "numba", "matplotlib", "rich", "jinja2"}


def test_versions_agree_and_pythons_are_those_tested():
    assert PROJECT["version"] == __version__
    assert PROJECT["requires-python"] == ">=3.11"
    versions = {
        word.rsplit(" ", 1)[1] for word in PROJECT["classifiers"] if word.count("::") == 2 and "Python ::" in word
    }
    assert versions == {"3.11", "3.12", "3.13"}


def test_no_dependency_pulls_in_what_only_tests_need():
    core = " ".join(PROJECT["dependencies"])
    for name in ("pytest", "hypothesis", "mypy", "ruff", "selenium", "distributed"):
        assert name not in core


@pytest.mark.parametrize(("words", "wanted"), [("flatscan si", "site"), ("flatscan site --clu", "--cluster")])
def test_the_tab_key_completes(words, wanted):
    environment = os.environ | {
        "_FLATSCAN_COMPLETE": "bash_complete",
        "COMP_WORDS": words,
        "COMP_CWORD": str(words.count(" ")),
    }
    done = subprocess.run(
        [sys.executable, "-m", "flatscan"], env=environment, capture_output=True, text=True, check=False
    )
    assert f"plain,{wanted}" in done.stdout.splitlines()


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts(shell):
    done = subprocess.run(
        [sys.executable, "-m", "flatscan", "completion", shell], capture_output=True, text=True, check=True
    )
    assert "_FLATSCAN_COMPLETE" in done.stdout
    if shell == "bash":
        subprocess.run(["bash", "-n"], input=done.stdout, text=True, check=True)


def test_the_lean_install_has_every_dependency_but_two_and_the_desk():
    """What is left out of it is open3d, and of OpenCV only its windows."""
    lines = (ROOT / "scripts" / "lean.txt").read_text().splitlines()
    lean = {line for line in lines if line and not line.startswith("#")}
    wanted = {one.replace("opencv-python", "opencv-python-headless") for one in PROJECT["dependencies"]}
    wanted |= set(PROJECT["optional-dependencies"]["desk"])
    assert wanted - lean == {one for one in wanted if one.startswith("open3d")}
    assert lean <= wanted
