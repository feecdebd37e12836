"""Starting the page: this machine alone unless shared, one clear message where it cannot start."""

import os
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from flatscan.cli import run
from flatscan.core.errors import OutputError, ReadError
from flatscan.desk import app, serving

ROOT = Path(__file__).parents[2]


def test_only_this_machine_can_reach_it(served):
    # on Linux all of 127/8 is this machine: a page that listened on every address would answer here too
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.2", served.port), timeout=2)
    with pytest.raises(urllib.error.HTTPError, match="401"):
        urllib.request.urlopen(served.base, timeout=5)


def test_a_port_that_is_taken(tmp_path, capsys):
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(OutputError, match="cannot be listened on"):
            serving._listen("127.0.0.1", port)
        assert run(["desk", "--folder", str(tmp_path), "--port", str(port), "--no-browser"]) == 1
    assert f"port {port}" in capsys.readouterr().err


@pytest.mark.parametrize("module", ["flask", "waitress", "segno"])
def test_a_missing_library_names_the_command_that_installs_it(monkeypatch, module):
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(ReadError, match=r"pip install 'flatscan\[desk\]'"):
        app.need(module)


def test_shared_it_warns_first_and_shows_a_code(tmp_path):
    command = [sys.executable, "-m", "flatscan", "desk", "--folder", str(tmp_path / "walls"), "--share"]
    process = subprocess.Popen(
        [*command, "--no-browser", "--port", "0"],
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1", "PYTHONIOENCODING": "utf-8"},
    )
    try:
        lines = []
        while not lines or not lines[-1].startswith("Open "):
            lines.append(process.stderr.readline())
            assert lines[-1], "it ended before it said its address"
    finally:
        process.terminate()
        process.wait(30)
        process.stderr.close()
    assert lines[0].startswith("Shared: everybody on this network")
    # at least the 21 modules of the smallest code, two to a line (ISO/IEC 18004, version 1)
    assert len([line for line in lines if "█" in line or "▄" in line]) >= 11
    assert "token=" in lines[-1]


def test_options_that_make_no_sense(capsys):
    assert run(["desk", "--port", "70000"]) == 2
    assert run(["desk", "--upload-limit", "0"]) == 2
    capsys.readouterr()
