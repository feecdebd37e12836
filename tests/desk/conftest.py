"""The page without a server, the page served by its own process, and a browser without a window."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from flatscan.desk import make_app
from flatscan.desk.devices import Devices
from flatscan.desk.folders import Jobs

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_clouds"
HOST = "127.0.0.1:8765"
TOKEN = "a-token-for-the-tests"


class Client:
    """A browser as the test client of Flask plays it, let in by its token."""

    def __init__(self, folder, **options):
        self.folder = folder
        # beside the walls, so that tests see what is made of them alone
        devices = Devices(folder.parent / "let-in")
        self.app = make_app(folder, token=TOKEN, hosts=[HOST], devices=devices, **options)
        self.browser = self.app.test_client()
        self.base = {"base_url": f"http://{HOST}"}
        self.get(f"/?token={TOKEN}")

    def get(self, path, **more):
        return self.browser.get(path, **self.base, **more)

    def post(self, path, data=None, **more):
        headers = {"Origin": f"http://{HOST}", **more.pop("headers", {})}
        return self.browser.post(path, data=data, headers=headers, **self.base, **more)

    def settings(self, name="wall-001"):
        return json.loads((self.folder / name / "settings.json").read_text())

    def job(self, name="wall-001"):
        return Jobs(self.folder).get(name)

    def send(self, name, step, **fields):
        return self.post(f"/wall/{name}/{step}", {"revision": self.job(name).revision, **fields})

    def upload(self, path, **fields):
        from werkzeug.datastructures import FileStorage
        from werkzeug.test import encode_multipart

        with path.open("rb") as stream:
            sent = {"title": "north wall", "kind": "scan", "capture": FileStorage(stream, path.name), **fields}
            # encoded here: the test client's own way leaves a temporary file open
            boundary, body = encode_multipart(sent)
        return self.post("/new", body, content_type=f'multipart/form-data; boundary="{boundary}"')

    def wait(self, name, of="answers", seconds=120):
        end = time.monotonic() + seconds
        while not self.get(f"/wall/{name}/state?of={of}").get_json()["done"]:
            assert time.monotonic() < end, "the work did not end"
            time.sleep(0.1)

    def close(self):
        self.app.extensions["flatscan-desk"].bench.close()


@pytest.fixture(scope="session")
def two_humps(tmp_path_factory):
    """A scan of 1.5 x 1.2 m in cells of 40 mm with two humps, lying in the plane of two of its axes."""
    rng = np.random.default_rng(4)
    n = 13_000
    x, y = rng.uniform(0, 1.5, n), rng.uniform(0, 1.2, n)
    z = 0.004 * y + rng.normal(0, 0.0005, n)
    for a, b, high in ((0.5, 0.8, 0.012), (1.1, 0.4, 0.012)):
        z += high * np.exp(-((x - a) ** 2 + (y - b) ** 2) / (2 * 0.09**2))
    points = np.stack([x - 2, 2.5 - z, y - 1], axis=1).astype("<f4")
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {n}\n"
    head += "".join(f"property float {axis}\n" for axis in "xyz") + "end_header\n"
    path = tmp_path_factory.mktemp("scans") / "two_humps.ply"
    path.write_bytes(head.encode() + points.tobytes())
    return path


@pytest.fixture
def client(tmp_path):
    made = Client(tmp_path / "walls")
    yield made
    made.close()


@pytest.fixture(scope="module")
def new_client(tmp_path_factory):
    """Pages that several tests of a module look at."""
    made = []

    def make():
        made.append(Client(tmp_path_factory.mktemp("desk") / "walls"))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def limited(tmp_path):
    """The same, taking uploads up to 20 kB."""
    made = Client(tmp_path / "walls", upload_limit=20_000)
    yield made
    made.close()


@pytest.fixture
def laser(client):
    """A wall of 2.4 x 2.4 m with its stations laid and nothing read yet."""
    client.post("/new", {"title": "stair, half landing", "kind": "laser"})
    client.send("wall-001", "size", width="2.4", height="2.4", spacing="1.2", unit="mm", sense="big = hollow")
    return client


class Served:
    """``flatscan desk`` as its own process, that can be killed and started again on the same port."""

    def __init__(self, folder, *options):
        self.folder, self.port, self.process, self.options = folder, None, None, options
        self.start()

    def start(self):
        command = [sys.executable, "-m", "flatscan", "desk", "--folder", str(self.folder), "--no-browser"]
        command += ["--port", str(self.port or 0), *self.options]
        environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment
        )
        line, self.said = "", []
        while not line.startswith("Open "):
            line = self.process.stdout.readline()
            assert line, "it ended before it said its address"
            self.said.append(line)
        self.url = re.search(r"https?://\S+", line)[0]
        self.base = self.url.partition("?")[0]
        self.port = int(re.search(r":(\d+)/", self.url)[1])

    def kill(self):
        """As a dead battery ends it: no signal it could answer."""
        self.process.send_signal(signal.SIGKILL)
        self.end()

    def end(self):
        if self.process.poll() is None:
            self.process.terminate()
        self.process.wait(30)
        self.process.stdout.close()


@pytest.fixture
def served(tmp_path):
    made = Served(tmp_path / "walls")
    yield made
    made.end()


@pytest.fixture
def served_by_tls(tmp_path):
    """Over TLS, to the whole network as a phone reaches it."""
    pytest.importorskip("cryptography", reason="the extra sign is not installed")
    made = Served(tmp_path / "walls", "--https")
    yield made
    made.end()


def trusting(home, certificate):
    """A home for a browser whose system was told to trust a certificate; skips without certutil."""
    certutil = shutil.which("certutil")
    if certutil is None:
        pytest.skip("certutil is not installed (Debian: libnss3-tools)")
    store = home / ".pki" / "nssdb"
    store.mkdir(parents=True)
    for words in (["-N", "--empty-password"], ["-A", "-n", "walls", "-t", "C,,", "-i", str(certificate)]):
        subprocess.run([certutil, *words, "-d", f"sql:{store}"], check=True, capture_output=True, timeout=60)
    return home


def new_browser(home=None):
    """Chromium without a window, driven by selenium; skips where one of them is missing."""
    selenium = pytest.importorskip("selenium", reason="selenium is not installed")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    assert selenium
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    driver = shutil.which("chromedriver")
    if browser is None or driver is None:
        pytest.skip("no Chromium with its driver on this machine (Debian: chromium, chromium-driver)")
    options = webdriver.ChromeOptions()
    options.binary_location = browser
    for flag in ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(flag)
    # a certificate is good where the system trusts it, and nowhere else
    options.accept_insecure_certs = False
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    environment = None if home is None else os.environ | {"HOME": str(home), "XDG_DATA_HOME": str(home / ".local")}
    return webdriver.Chrome(options=options, service=Service(driver, env=environment))


@pytest.fixture(scope="module")
def browser():
    made = new_browser()
    yield made
    made.quit()


@pytest.fixture
def new_home(tmp_path):
    """Makes browsers on a system that was told to trust a certificate."""
    return lambda certificate: new_browser(trusting(tmp_path / "home", certificate))


@pytest.fixture
def second():
    """Another browser, which shares nothing with the first."""
    made = new_browser()
    yield made
    made.quit()


@pytest.fixture
def chrome(browser):
    """The browser; afterwards nothing of the test is left in it."""
    yield browser
    first, *others = browser.window_handles
    for other in others:
        browser.switch_to.window(other)
        browser.close()
    browser.switch_to.window(first)
    browser.get("about:blank")
    for command, settings in (
        ("Network.clearBrowserCookies", {}),
        ("Page.setBypassCSP", {"enabled": False}),
        ("Emulation.setEmulatedMedia", {"media": ""}),
        ("Emulation.clearDeviceMetricsOverride", {}),
    ):
        browser.execute_cdp_cmd(command, settings)
    browser.get_log("browser")


def size(browser, width, height):
    """Set the size of the page in CSS pixels, as a phone or a desk has it."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500},
    )


@pytest.fixture
def sized():
    return size


@pytest.fixture(scope="session")
def axe():
    """The source of axe-core, from the npm registry into a cache folder; skips where it cannot be had."""
    folder = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "flatscan-tests" / "axe"
    script = folder / "node_modules" / "axe-core" / "axe.min.js"
    if not script.exists():
        npm = shutil.which("npm")
        if npm is None:
            pytest.skip("axe-core cannot be had: no npm on this machine")
        folder.mkdir(parents=True, exist_ok=True)
        command = [npm, "install", "--no-save", "--ignore-scripts", "--no-audit", "--no-fund", "axe-core@4"]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120, check=False)
        if done.returncode or not script.exists():
            pytest.skip("axe-core cannot be had from the npm registry")
    return script.read_text(encoding="utf-8")
