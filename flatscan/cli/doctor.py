"""``flatscan doctor``: what works on this machine, and what to install for the rest."""

from __future__ import annotations

import importlib
import platform
import re
from dataclasses import dataclass
from typing import Any

import click

from flatscan import __version__
from flatscan.cli import options
from flatscan.cli.speaking import hand_out, text_file
from flatscan.core.notes import note

# each use: the code of its words, the modules it needs, and what pip has to install where they are not there
_USES = (
    ("doctor.readings", ("numpy", "scipy", "numba", "cattrs"), "flatscan"),
    ("doctor.sheets", ("matplotlib", "contourpy", "PIL", "pypdf"), "flatscan"),
    ("doctor.photos", ("cv2",), "opencv-python-headless"),
    ("doctor.plain-photos", ("cv2", "pycolmap"), "'flatscan[photos]'"),
    ("doctor.frames", ("open3d",), "open3d"),
    ("doctor.las", ("laspy", "lazrs"), "'flatscan[las]'"),
    ("doctor.e57", ("pye57",), "'flatscan[e57]'"),
    ("doctor.drawings", ("ezdxf",), "'flatscan[dxf]'"),
    ("doctor.heic", ("pi_heif",), "'flatscan[heic]'"),
    ("doctor.sign", ("cryptography", "asn1crypto", "rfc3161_client"), "'flatscan[sign]'"),
    ("doctor.desk", ("flask", "segno", "waitress"), "'flatscan[desk]'"),
    ("doctor.cluster", ("distributed",), "'flatscan[cluster]'"),
)
# libraries of the system that wheels lean on, and Debian's packages with them
_SYSTEM = {
    "libGL.so.1": "libgl1",
    "libEGL.so.1": "libegl1",
    "libgomp.so.1": "libgomp1",
    "libX11.so.6": "libx11-6",
    "libgthread-2.0.so.0": "libglib2.0-0",
    "libusb-1.0.so.0": "libusb-1.0-0",
}
_SHARED = re.compile(r"(lib[\w.+-]+\.so[\w.]*): cannot open")


@dataclass(frozen=True, slots=True)
class Use:
    """A use of flatscan: the code of its words, why it does not work (empty: it does), and what installs the rest."""

    name: str
    lacks: str
    install: str


@click.command("doctor")
@options.output("Folder for it as files.  [default: none is written]")
def doctor(**given: Any) -> int:
    """What works on this machine, and the one line that installs each thing that does not.

    Example: flatscan doctor
    """
    from flatscan import report

    found = [examined(*use) for use in _USES]
    record: dict[str, object] = {
        "version": __version__,
        "python": platform.python_version(),
        "uses": [
            {
                "name": one.name.removeprefix("doctor."),
                "works": not one.lacks,
                "lacks": one.lacks,
                "install": one.install,
            }
            for one in found
        ],
    }
    said = [_said(one) for one in found]
    said.append(note("doctor.all") if not any(one.lacks for one in found) else note("doctor.rest"))
    text = "".join(f"{report.say(one, given['units'])}\n" for one in said)
    made = [("doctor.txt", text_file(text)), ("doctor-result.json", text_file(report.text(record)))]
    hand_out("doctor", given, record, text, made=made)
    return 0


def examined(name: str, modules: tuple[str, ...], install: str) -> Use:
    """Whether everything that a use needs can be loaded here; nothing is installed."""
    for module in modules:
        try:
            importlib.import_module(module)
        except (ImportError, OSError) as reason:
            return Use(name, f"{module}: {reason}", _install(str(reason), install))
    return Use(name, "", "")


def _install(reason: str, package: str) -> str:
    """The one line that helps: the system's library where one is missing, else the package."""
    shared = _SHARED.search(reason)
    if shared is None:
        return f"pip install {package}"
    return f"apt-get install {_SYSTEM.get(shared[1], shared[1])}"


def _said(use: Use) -> Any:
    what = note(use.name)
    if not use.lacks:
        return note("doctor.works", what=what)
    return note("doctor.lacks", what=what, lacks=use.lacks, install=use.install)
