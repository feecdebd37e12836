"""Sealing and rechecking: published vectors, every kind of tampering, hostile archives, reruns."""

import hashlib
import json
import re
import shutil
import stat
import zipfile
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from PIL import Image

from flatscan.cli import run
from flatscan.core.errors import BadValue, OutputError, ReadError, WallNotFound
from flatscan.core.notes import note
from flatscan.evidence import Job, load_key, recheck, seal
from flatscan.evidence.archive import FIRST, safe_name, write_archive
from flatscan.evidence.seal import digest, dumps, seal_record
from flatscan.evidence.signing import is_signed, key_of
from flatscan.jobs import Requirement
from flatscan.jobs.job_plan import JobPlan, JobRecord, PlanUsed
from flatscan.report import say
from flatscan.report.rechecked import recheck_record, recheck_text

GRID = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"
# FIPS 180-4 with the example values NIST publishes for SHA-256: "abc", and the 448-bit message
SHA256 = {
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
    b"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
}
# RFC 8032, 7.1, TEST 1 to 3: secret key, public key, message, signature
RFC8032 = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe"
        "24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302a"
        "eeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed2"
        "8dc027beceea1ec40a",
    ),
]


@pytest.mark.parametrize("message", SHA256, ids=["abc", "448 bits", "empty"])
def test_hash_by_fips_180_4(message, tmp_path):
    path = tmp_path / "message"
    path.write_bytes(message)
    assert digest(path) == SHA256[message]


@pytest.mark.parametrize(("secret", "public", "message", "signature"), RFC8032, ids=["1", "2", "3"])
def test_signature_by_rfc_8032(secret, public, message, signature):
    key = key_of(Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret)))
    assert key.public == public
    assert key.sign(bytes.fromhex(message)).hex() == signature
    assert is_signed(public, signature, bytes.fromhex(message))
    assert not is_signed(public, signature, bytes.fromhex(message) + b"x")
    assert not is_signed(public, "00" * 64, bytes.fromhex(message))
    assert not is_signed("zz", signature, b"")


def test_a_sealed_file_comes_out_the_same(sealed):
    report = recheck(sealed.path, seal=sealed.seal, key=sealed.manifest["signed_by"])
    assert report.status == "same"
    assert report.signed_by == sealed.manifest["signed_by"]
    assert report.reruns[0].same_bytes
    assert {row.state for row in report.reruns[0].rows} == {"same"}


def test_a_paper_is_matched_to_its_sealed_file_by_eye(tmp_path):
    """What the foot of the paper carries is said by recheck and on page one, by the capture's published hash."""
    plan = PlanUsed(JobPlan(job=JobRecord(number="12")))
    made = seal(tmp_path / "x.zip", [GRID], [Job("survey", (0,), plan=plan)])
    report = recheck(made.path)
    said = f"capture {digest(GRID)[:8]}, plan {plan.said.fingerprint}, report 12"
    assert f"Papers of this file carry: {said}\n" in recheck_text(report)
    assert recheck_record(report)["papers"] == [f"Papers of this file carry: {said}"]
    with zipfile.ZipFile(made.path) as archive:
        assert f"Papers of this file carry: {said}\n" in archive.read("README.txt").decode()


def test_the_same_input_gives_the_same_file(sealed, plain, tmp_path, key, photo):
    again = seal(tmp_path / "other-name.zip", [_grid(tmp_path)], [Job("survey", (0,))])
    assert again.seal == plain.seal
    assert again.path.read_bytes() == plain.path.read_bytes()
    assert sealed.seal != plain.seal


def _grid(folder):
    """The laser sample in another folder, as another party has it."""
    (folder / "deep").mkdir()
    return shutil.copy(GRID, folder / "deep" / "laser_grid.csv")


def flipped(source, target, position):
    data = bytearray(source.read_bytes())
    data[position] ^= 0x01
    target.write_bytes(data)
    return target


def test_any_byte_changed_is_found(plain, tmp_path):
    data = plain.path.read_bytes()
    with zipfile.ZipFile(plain.path) as archive:
        starts = [info.header_offset for info in archive.infolist()]
        directory = archive.start_dir
    # every second byte of the members' heads, a spread over the leading members, the rest and the directory
    places = {k for start in starts for k in range(start, start + 50, 2)}
    places |= set(range(starts[0], starts[3], 29)) | set(range(directory, len(data), 5)) | {len(data) - 1}
    places |= set(range(starts[3], directory, 19_973))
    target = tmp_path / "flipped.zip"
    unfound = []
    for place in sorted(places):
        try:
            if recheck(flipped(plain.path, target, place)).status != "altered":
                unfound.append(place)
        except ReadError:
            # its very first bytes gone, it does not look like a sealed file any more
            assert place < 4
    assert unfound == []


def rebuilt(source, target, change):
    """The file written anew in its proper form after ``change`` had its way with the members in a folder."""
    folder = target.parent / (target.stem + "-members")
    with zipfile.ZipFile(source) as archive:
        archive.extractall(folder)
    change(folder)
    write_archive(target, {str(p.relative_to(folder)): p for p in folder.rglob("*") if p.is_file()})
    return target


def test_a_member_changed_missing_or_added_is_named(sealed, tmp_path):
    def edit(folder):
        path = folder / "results/01-survey/survey-result.json"
        path.write_text(path.read_text().replace("2400.0", "2300.0"))

    cases = {
        "changed": (edit, "'results/01-survey/survey-result.json' has other bytes"),
        "capture": (lambda f: (f / "captures/01/laser_grid.csv").write_bytes(b"x"), "'captures/01/laser_grid.csv' has"),
        "missing": (lambda f: (f / "photos/01.jpg").unlink(), "'photos/01.jpg' is missing"),
        "added": (lambda f: (f / "photos/02.jpg").write_bytes(b"x"), "'photos/02.jpg' was added"),
        "no seal": (lambda f: (f / "seal.json").unlink(), "'seal.json' is missing"),
    }
    for name, (change, words) in cases.items():
        report = recheck(rebuilt(sealed.path, tmp_path / f"{name}.zip", change))
        assert report.status == "altered", name
        assert words in say(report.problems[0]), name
        assert report.reruns == ()


def resealed(folder, edit, signature=None):
    """Change the manifest and seal it anew, as a forger without the key can."""
    path = folder / "manifest.json"
    manifest = json.loads(path.read_text())
    edit(manifest)
    for member in manifest["members"]:
        source = folder / member["name"]
        member["bytes"], member["sha256"] = source.stat().st_size, digest(source)
    text = dumps(manifest)
    path.write_text(text)
    said = hashlib.sha256(text.encode()).hexdigest()
    (folder / "seal.json").write_text(dumps(seal_record(said, manifest["signed_by"], signature)))


def test_a_forged_manifest_fails_by_signature_key_or_seal(sealed, plain, tmp_path):
    old = json.loads(zipfile.ZipFile(sealed.path).read("seal.json"))
    kept = recheck(
        rebuilt(
            sealed.path,
            tmp_path / "kept.zip",
            lambda f: resealed(f, lambda m: m["notes"].append("x"), old["signature"]),
        )
    )
    assert kept.status == "altered"
    assert "signature does not hold" in say(kept.problems[0])

    def unsign(manifest):
        manifest["signed_by"] = None

    bare = rebuilt(sealed.path, tmp_path / "bare.zip", lambda f: resealed(f, unsign))
    # sealed anew without a signature it is a whole file: only what the checker expects tells it apart
    assert recheck(bare, key=sealed.manifest["signed_by"]).problems == (note("evidence.unsigned"),)
    assert "not the one expected" in say(recheck(bare, seal=sealed.seal).problems[0])
    assert recheck(bare).signed_by is None


def test_unchanged_but_recomputed_otherwise_is_not_called_altered(plain, tmp_path):
    def tamper(folder):
        path = folder / "results/01-survey/survey-result.json"
        made = json.loads(path.read_text())
        made["material"]["volume_l"] += 5.0
        made["plumb"]["lean_mm"] += 0.001
        made["capture"]["warnings"].clear()
        path.write_text(json.dumps(made, ensure_ascii=False, indent=2) + "\n")
        resealed(folder, lambda manifest: None)

    report = recheck(rebuilt(plain.path, tmp_path / "other.zip", tamper))
    assert report.status == "recomputes differently"
    states = {row.path: row.state for row in report.reruns[0].rows}
    numbers = {"material.volume_l", "plumb.lean_mm"}
    told = {path for path, state in states.items() if state != "same"}
    assert numbers <= told
    assert told - numbers == {path for path in states if path.startswith("capture.warnings")}


def test_a_job_that_cannot_be_run_again_is_told(plain, tmp_path):
    def tamper(manifest):
        manifest["jobs"][0]["settings"]["capturing"] = {"wall": 7}

    report = recheck(rebuilt(plain.path, tmp_path / "wall7.zip", lambda f: resealed(f, tamper)))
    assert report.status == "recomputes differently"
    assert isinstance(report.reruns[0].trouble, WallNotFound)
    for told in (recheck_text(report), recheck_record(report)["jobs"][0]["trouble"]):
        assert "it could not be run again: laser_grid.csv: one wall, not wall 7; needed: --wall 1." in told
    unknown = rebuilt(
        plain.path,
        tmp_path / "new.zip",
        lambda f: resealed(f, lambda m: m["jobs"][0]["settings"]["capturing"].update({"sonar": 1})),
    )
    assert "'sonar' of Capturing" in recheck_text(recheck(unknown))


@pytest.mark.parametrize(
    "name",
    ["../out.txt", "/etc/x", "a/../../b", "a\\b", "C:x", "a//b", "", ".", "a/", "a/./b", "x\n", "a/ /b", "é/../x"],
)
def test_names_that_leave_the_folder(name):
    assert not safe_name(name)


def test_names_that_stay():
    for name in ("README.txt", "captures/01/north wall (2).ply", "captures/01/Flur é.csv"):
        assert safe_name(name)


def hostile(source, target, *, name=None, mode=None, compress=None, data=b"x", twice=False):
    shutil.copy(source, target)
    info = zipfile.ZipInfo(name or "photos/99.jpg", (1980, 1, 1, 0, 0, 0))
    info.create_system, info.external_attr = 3, (mode or 0o100644) << 16
    with zipfile.ZipFile(target, "a") as archive:
        for _ in range(2 if twice else 1):
            archive.writestr(info, data, compress_type=compress)
    return target


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_hostile_archives_are_refused_and_write_nothing(plain, tmp_path):
    cases = {
        "outside": ({"name": "../outside.txt"}, "leaves the folder"),
        "absolute": ({"name": "/tmp/flatscan-outside.txt"}, "leaves the folder"),
        "link": ({"mode": stat.S_IFLNK | 0o777, "data": b"/etc/passwd"}, "is a link"),
        "bomb": ({"compress": zipfile.ZIP_DEFLATED, "data": bytes(50_000_000)}, "is compressed"),
        "twice": ({"twice": True}, "stands twice"),
        "case": ({"name": "readme.TXT"}, "stands twice"),
    }
    for case, (given, words) in cases.items():
        report = recheck(hostile(plain.path, tmp_path / f"{case}.zip", **given))
        assert report.status == "altered", case
        assert words in say(report.problems[0]), case
    assert not (tmp_path.parent / "outside.txt").exists()


def test_a_declared_size_that_lies_is_refused(plain, tmp_path):
    data = bytearray(plain.path.read_bytes())
    start = data.rindex(b"PK\x01\x02")
    # both sizes of the last member in the central directory: 1 GiB
    data[start + 20 : start + 28] = (2**30).to_bytes(4, "little") * 2
    path = tmp_path / "liar.zip"
    path.write_bytes(data)
    assert recheck(path).status == "altered"


def test_cut_off_padded_and_foreign_files(plain, tmp_path):
    data = plain.path.read_bytes()
    path = tmp_path / "x.zip"
    for changed in (data[:-1], data[: len(data) // 2], data + b"\0", b"MZ" + data, data[:-2] + b"\x05\x00comme"):
        path.write_bytes(changed)
        assert recheck(path).status == "altered"
    for foreign in (b"", b"ply\nformat ascii 1.0\n", b"\x00" * 5000):
        path.write_bytes(foreign)
        with pytest.raises(ReadError, match="not a sealed file"):
            recheck(path)
    with pytest.raises(ReadError, match="cannot be read"):
        recheck(tmp_path / "nowhere.zip")


def test_page_one_names_what_matters(sealed):
    text = zipfile.ZipFile(sealed.path).read("README.txt").decode()
    for words in (
        "origin and wall are not proven, nor the date unless a verified time stamp says so",
        "laser-readings", "laser set up by hand", "both foremen",
        "grid2.csv: the laser was knocked", "time and place taken out", "2.8 % of the wall, not measured",
        sealed.manifest["captures"][0]["sha256"], sealed.manifest["signed_by"],
    ):  # fmt: skip
        assert words in " ".join(text.split())
    for never in ("certified", "complies", "caused by", "owes"):
        assert never not in text.lower()


def test_page_one_speaks_the_units_of_the_sheets(tmp_path):
    job = Job("check", (0,), testing=Requirement.by(rule=1.8288, limit=0.0032))
    page = seal(tmp_path / "feet.zip", [GRID], [job], units="in").path
    text = " ".join(zipfile.ZipFile(page).read("README.txt").decode().split())
    assert "testing: rule: 6 ft 0 in" in text
    assert re.search(r"- flatness [a-z]*; limit 3.2 mm \(0.13 in\) under a 6 ft straightedge, ", text)
    assert not re.search(r"\bmm\b(?! \()", text)


def test_changed_defaults_and_openings_stand_on_page_one_and_survive_a_rerun(tmp_path, flatscan_cli):
    grid = tmp_path / "scan.ply"
    _scan(grid)
    code, _, err = flatscan_cli(
        "evidence",
        grid,
        "--limit",
        "3mm",
        "--rule",
        "1.5m",
        "--region",
        "0.1m,0.1m,1.9m,1.5m",
        "--opening",
        "0.5m,0.5m,0.8m,0.8m",
        "--capture-type",
        "scanner",
        "--out",
        tmp_path / "e.zip",
        "--cell",
        "20mm",
        "--up",
        "z",
    )
    assert code == 0, err
    text = " ".join(zipfile.ZipFile(tmp_path / "e.zip").read("README.txt").decode().split())
    assert "everything outside the region x 100 mm to 1900 mm, y 100 mm to 1500 mm" in text
    assert "Openings set by hand: - x 500 mm to 800 mm, y 500 mm to 800 mm" in text
    assert "testing: rule: 1500 mm" in text
    assert re.search("Judged by: - flatness [^;]*;.*? limit 3 mm under a 1.5 m straightedge, ", text)
    code, out, _ = flatscan_cli("recheck", tmp_path / "e.zip", "--json")
    assert code == 0
    assert json.loads(out)["jobs"][0]["same_bytes"] is True


def _scan(path):
    import numpy as np

    rng = np.random.default_rng(4)
    x, y = rng.uniform(0, 2.0, 40_000), rng.uniform(0, 1.6, 40_000)
    points = np.stack([x - 1, 2 - rng.normal(0, 0.0003, x.size), y], axis=1)
    header = "ply\nformat binary_little_endian 1.0\nelement vertex 40000\n"
    header += "property double x\nproperty double y\nproperty double z\nend_header\n"
    path.write_bytes(header.encode() + points.astype("<f8").tobytes())


@pytest.fixture
def flatscan_cli(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def call(*args):
        capsys.readouterr()
        code = run([str(arg) for arg in args])
        out, err = capsys.readouterr()
        return code, out, err

    return call


def test_exit_codes(sealed, plain, tmp_path, flatscan_cli):
    assert flatscan_cli("recheck", sealed.path, "--key", sealed.manifest["signed_by"], "--seal", sealed.seal)[0] == 0
    assert flatscan_cli("recheck", flipped(plain.path, tmp_path / "f.zip", 700))[0] == 3
    assert flatscan_cli("recheck", sealed.path, "--key", "00" * 32)[0] == 3
    assert flatscan_cli("recheck", tmp_path / "none.zip")[0] == 1
    assert flatscan_cli("recheck", sealed.path, "--seal", "abc")[0] == 1
    code, _, out = flatscan_cli("recheck", sealed.path)
    assert code == 0
    assert "material.volume_l" not in out
    assert "material.volume_l" in flatscan_cli("recheck", sealed.path, "--more")[2]
    assert "origin and wall are not proven, nor the date unless a verified time stamp says so" in out


def test_a_file_that_stands_is_kept(plain):
    before = plain.path.read_bytes()
    with pytest.raises(OutputError, match="there already"):
        seal(plain.path, [], [])
    assert plain.path.read_bytes() == before


def test_a_failed_seal_leaves_nothing(tmp_path):
    bad = tmp_path / "bad.ply"
    bad.write_text("nothing")
    with pytest.raises(ReadError):
        seal(tmp_path / "out" / "x.zip", [bad], [Job("survey", (0,))])
    assert not (tmp_path / "out").exists()
    with pytest.raises(ReadError, match="no such file"):
        seal(tmp_path / "x.zip", [tmp_path / "none.ply"], [Job("survey", (0,))])
    with pytest.raises(BadValue, match="0 jobs on 1 captures"):
        seal(tmp_path / "x.zip", [GRID], [])
    odd = shutil.copy(GRID, tmp_path / "a:b.csv")
    with pytest.raises(BadValue, match=r"a:b\.csv: a name that not every system can unpack"):
        seal(tmp_path / "x.zip", [odd], [Job("survey", (0,))])
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a:b.csv", "bad.ply"]


def test_photos_lose_time_and_place_unless_kept(sealed, photo, tmp_path):
    with zipfile.ZipFile(sealed.path) as archive:
        archive.extract("photos/01.jpg", tmp_path)
    with Image.open(tmp_path / "photos/01.jpg") as shown:
        assert dict(shown.getexif()) == {}
        # turned as the tag said: 64 x 48 lying is 48 x 64 standing
        assert shown.size == (48, 64)
    assert b"Exif" not in (tmp_path / "photos/01.jpg").read_bytes()
    from flatscan.evidence.contents import take_photo

    kept = take_photo(photo, tmp_path / "kept", keep_metadata=True)
    assert kept.path.read_bytes() == photo.read_bytes()
    assert kept.original_sha256 == hashlib.sha256(photo.read_bytes()).hexdigest()
    with pytest.raises(ReadError, match="not a picture"):
        take_photo(sealed.path, tmp_path / "no", keep_metadata=False)


def pem(private, encryption=None):
    encryption = encryption or serialization.NoEncryption()
    return private.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, encryption)


def test_keys_of_every_form_and_of_none(tmp_path):
    private = Ed25519PrivateKey.generate()
    path = tmp_path / "key"
    path.write_bytes(pem(private))
    public = private.public_key().public_bytes_raw().hex()
    assert load_key(path).public == public
    path.write_bytes(
        private.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.OpenSSH, serialization.NoEncryption()
        )
    )
    assert load_key(path).public == public
    path.write_bytes(pem(private, serialization.BestAvailableEncryption(b"words")))
    assert load_key(path, b"words").public == public
    with pytest.raises(BadValue, match="passphrase"):
        load_key(path)
    with pytest.raises(ReadError, match="wrong passphrase"):
        load_key(path, b"other")
    path.write_bytes(pem(generate_private_key(SECP256R1())))
    with pytest.raises(ReadError, match="another kind"):
        load_key(path)
    path.write_bytes(b"key")
    with pytest.raises(ReadError, match="not a private key"):
        load_key(path)
    with pytest.raises(ReadError, match="cannot be read"):
        load_key(tmp_path / "none")


def test_the_three_leading_members_come_first(plain):
    assert zipfile.ZipFile(plain.path).namelist()[:3] == list(FIRST)
