"""The same site on a real scheduler with two workers on this machine, one of them killed in the middle."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
import site_builders
from site_builders import InlinePool, make_site, tree

from flatscan.core.errors import BadValue
from flatscan.site import run
from flatscan.site.job import Settings, in_folder
from flatscan.site.pools import ClusterPool, LocalPool

pytest.importorskip("distributed")
HERE = Path(__file__).parent
# distributed leaves sockets and loops to be closed by the interpreter when a peer was killed
pytestmark = [
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


def start(*words):
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(HERE.parents[1]), str(HERE)])}
    environment |= {"DASK_DISTRIBUTED__DASHBOARD__LINK": "", "PYTHONWARNINGS": "ignore"}
    command = [sys.executable, "-m", "distributed.cli." + words[0], *map(str, words[1:])]
    return subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """Address of a scheduler, and its two workers' processes; the last test kills one of them."""
    tmp_path = tmp_path_factory.mktemp("cluster")
    address_file = tmp_path / "scheduler.json"
    processes = [
        start(
            "dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", address_file
        )
    ]
    processes += [
        start(
            "dask_worker",
            "--scheduler-file",
            address_file,
            "--no-nanny",
            "--nthreads",
            "1",
            "--no-dashboard",
            "--host",
            "127.0.0.1",
            "--name",
            name,
            "--local-directory",
            tmp_path / name,
        )
        for name in ("one", "two")
    ]
    try:
        until = time.monotonic() + 60
        while not address_file.exists() or not address_file.read_text().strip():
            assert time.monotonic() < until
            time.sleep(0.05)
        import json

        yield json.loads(address_file.read_text())["address"], processes[1:]
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()


def test_real_walls_on_the_cluster(cluster, tmp_path):
    make_site(tmp_path / "scans", floors=("ground",), rooms=1, walls=2)
    captures = in_folder(tmp_path / "scans", Settings(formats=("json",)), tmp_path / "out")
    run(captures, tmp_path / "here", InlinePool)
    made = run(captures, tmp_path / "there", lambda: ClusterPool(cluster[0]), shared_scratch=False)
    assert made.document["totals"]["walls"] == 2
    assert tree(tmp_path / "there") == tree(tmp_path / "here")


def test_same_as_here_with_a_worker_killed_in_the_middle(cluster, tmp_path):
    address, workers = cluster
    make_site(tmp_path / "scans", floors=("ground", "first"), rooms=2, walls=2)
    captures = in_folder(tmp_path / "scans", Settings(), tmp_path / "out")
    run(captures, tmp_path / "local", lambda: LocalPool(2, work=site_builders.slow))
    seen = []

    def watch(done, known, _share, _record):
        seen.append(done)
        if done == 5:
            workers[0].kill()

    made = run(
        captures,
        tmp_path / "cluster",
        lambda: ClusterPool(address, site_builders.slow),
        shared_scratch=False,
        watch=watch,
    )
    assert workers[0].poll() is not None
    assert seen == list(range(1, 17))
    assert made.document["failed"] == []
    assert tree(tmp_path / "cluster") == tree(tmp_path / "local")


def test_no_scheduler_there():
    with pytest.raises(BadValue, match=r"no scheduler answers at tcp://127\.0\.0\.1:9"):
        ClusterPool("tcp://127.0.0.1:9", patience="1s")
