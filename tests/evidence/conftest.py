"""Sealed files of the small laser sample, made once."""

from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from PIL import Image
from undrawn import undrawn

from flatscan.evidence import Job, Statement, seal
from flatscan.evidence.signing import key_of

SAMPLES = Path(__file__).parents[2] / "sample_clouds"
GRID = SAMPLES / "laser_grid.csv"
# RFC 8032, 7.1, TEST 1: a key everybody knows, good for nothing but tests
SECRET = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")


@pytest.fixture(scope="session")
def key():
    return key_of(Ed25519PrivateKey.from_private_bytes(SECRET))


@pytest.fixture(scope="session")
def photo(tmp_path_factory):
    """A photo with time, place and a turn in its EXIF data."""
    path = tmp_path_factory.mktemp("photo") / "north.jpg"
    picture = Image.linear_gradient("L").resize((64, 48)).convert("RGB")
    data = picture.getexif()
    data[0x0112] = 6
    data[0x0132] = "2026:11:20 08:15:00"
    data.get_ifd(0x8825)[1] = "N"
    data.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
    picture.save(path, exif=data)
    return path


@pytest.fixture(scope="session")
def sealed(tmp_path_factory, key, photo):
    """A signed file with a photo and statements."""
    path = tmp_path_factory.mktemp("sealed") / "hall.zip"
    said = Statement(
        "hall, north wall",
        "20 November, as stated",
        "laser set up by hand",
        ("both foremen",),
        ("dry",),
        ("grid2.csv: the laser was knocked",),
    )
    with undrawn():
        return seal(path, [GRID], [Job("survey", (0,))], statement=said, photos=[photo], key=key)


@pytest.fixture(scope="session")
def plain(tmp_path_factory):
    """An unsigned file."""
    with undrawn():
        return seal(tmp_path_factory.mktemp("plain") / "hall.zip", [GRID], [Job("survey", (0,))])


@pytest.fixture(scope="module", autouse=True)
def _sealed_without_drawings():
    """That drawings are the same bytes twice is held elsewhere; here they would be files like any other."""
    with undrawn():
        yield
