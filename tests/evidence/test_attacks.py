"""What a dishonest party does to a sealed file, and what is said of it: none of it ends with exit code 0.

What he does to the comparison of two surveys stands in tests/compare/test_attacks_on_comparison.py.
"""

import io
import json
import stat
import zipfile
import zlib
from contextlib import nullcontext
from importlib.metadata import version
from pathlib import Path

import pytest
from attacking import Attack, Memory, carried_out
from PIL import Image, PngImagePlugin
from pypdf import PdfReader, PdfWriter
from undrawn import undrawn

from flatscan.evidence import Job, Statement, recheck, seal
from flatscan.jobs import Requirement
from flatscan.jobs.job_plan import JobPlan, JobRecord, PlanUsed

GRID = Path(__file__).parents[2] / "sample_clouds" / "laser_grid.csv"
RESULTS = "results/01-check"
RESULT, SHEETS, PICTURE, PAGE, OFFSETS, SPOTS = (
    f"{RESULTS}/check-{name}"
    for name in ("result.json", "sheets.pdf", "contour.png", "wall.html", "offsets.csv", "spots.csv")
)
OTHER_KEY = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511b"


@pytest.fixture(scope="module", autouse=True)
def _sealed_without_drawings():
    """Here everything is drawn: drawings are what is attacked."""


@pytest.fixture(scope="module")
def memory(tmp_path_factory):
    return Memory(tmp_path_factory.mktemp("drawn"))


@pytest.fixture(scope="module")
def files(tmp_path_factory, memory, photo, key):
    """The same wall sealed by nobody and by somebody."""
    folder = tmp_path_factory.mktemp("to-attack")
    hand = folder / "hand.csv"
    hand.write_text("x_m,y_m,direction,gap_mm\n1.2,1.2,0,2.0\n")
    test = Requirement.by(rule=1.8, limit=0.002, directions=(0.0, 90.0), hand=str(hand))
    plan = PlanUsed(JobPlan(limit=0.002, job=JobRecord(client="the housing office")))
    said = Statement("hall, north wall", "20 November", "read by hand", ("both foremen",), ("dry",), ("one is lost",))
    jobs = [Job("check", (0,), testing=test, plan=plan)]
    with memory.used():
        drawn = {
            signer: _sealed(folder / f"{signer}.zip", jobs, said, photo, signer and key) for signer in (False, True)
        }
    with undrawn():
        return drawn | {"undrawn": _sealed(folder / "undrawn.zip", jobs, said, photo, None)}


def _sealed(path, jobs, said, photo, key):
    return seal(path, [GRID], jobs, statement=said, photos=[photo], key=key or None)


@pytest.mark.parametrize("signed", [False, True], ids=["unsigned", "signed"])
def test_without_an_attack_all_of_it_comes_out_again_drawn_anew(files, signed):
    """Not out of memory: each picture and each page is drawn a second time."""
    found = recheck(files[signed].path, seal=files[signed].seal)
    assert found.status == "same"
    assert {sheet.state for sheet in found.sheets} == {"same"}
    held = set(zipfile.ZipFile(files[signed].path).namelist())
    assert {sheet.name for sheet in found.sheets} == held - {"manifest.json", "seal.json"}
    assert {SHEETS, PICTURE, PAGE, OFFSETS, SPOTS, RESULT, "README.txt", "plan-01.toml"} <= held


# --- the ways of changing a file -------------------------------------------------------------------------------------


def nothing(folder, manifest):
    pass


def text(name, old, new):
    """Another word in a member; ``old`` must stand in it."""

    def change(folder, manifest):
        said = (folder / name).read_text()
        assert old in said, f"{old} is not in {name}"
        (folder / name).write_text(said.replace(old, new, 1))

    return change


def of_result(edit):
    """Another result document, in the form that documents have."""

    def change(folder, manifest):
        made = json.loads((folder / RESULT).read_text())
        edit(made)
        (folder / RESULT).write_text(json.dumps(made, ensure_ascii=False, indent=2) + "\n")

    return change


def of_manifest(edit):
    return lambda folder, manifest: edit(manifest)


def setting(part, **values):
    """Other settings of the job, as the manifest has them."""
    return of_manifest(lambda m: m["jobs"][0]["settings"].setdefault(part, {}).update(values))


def without(*names):
    def change(folder, manifest):
        for name in names:
            for path in folder.glob(name):
                path.unlink()

    return change


def added(name, data=b"x"):
    def change(folder, manifest):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)

    return change


def both(*changes):
    def change(folder, manifest):
        for one in changes:
            one(folder, manifest)

    return change


def on_paper(edit):
    """Another PDF: ``edit`` is given the writer of a copy."""

    def change(folder, manifest):
        writer = PdfWriter(clone_from=str(folder / SHEETS))
        edit(writer)
        writer.write(folder / SHEETS)

    return change


def other_words(writer):
    """Page one without its last text."""
    page = writer.pages[0]
    from pypdf.generic import ContentStream, NameObject

    drawn = ContentStream(page.get_contents(), writer)
    last = max(k for k, (_, operator) in enumerate(drawn.operations) if operator == b"TJ")
    del drawn.operations[last]
    page[NameObject("/Contents")] = writer._add_object(drawn)


def more_lines(writer):
    from pypdf.generic import ContentStream, FloatObject, NameObject

    page = writer.pages[0]
    drawn = ContentStream(page.get_contents(), writer)
    drawn.operations += [([FloatObject(v) for v in (100, 100, 200, 60)], b"re"), ([], b"f")]
    page[NameObject("/Contents")] = writer._add_object(drawn)


def drawn_with(**entries):
    """Page one's drawing with other entries in its stream, its operations as they were."""

    def edit(writer):
        from pypdf.generic import NameObject

        page = writer.pages[0]
        drawn = page["/Contents"].get_object()
        for name, value in entries.items():
            drawn[NameObject(f"/{name}")] = value

    return on_paper(edit)


def packed_by(*ways):
    from pypdf.generic import ArrayObject, NameObject

    return drawn_with(Filter=ArrayObject([NameObject(f"/{way}") for way in ways]))


def elsewhere():
    from pypdf.generic import TextStringObject

    return drawn_with(F=TextStringObject("certificate.txt"))


def object_twice(folder, manifest):
    """Page one's drawing once more under its own number, empty: for programs that mend a PDF as they open it."""
    paper = (folder / SHEETS).read_bytes()
    number = PdfReader(io.BytesIO(paper)).pages[0].raw_get("/Contents").idnum
    (folder / SHEETS).write_bytes(paper + b"%d 0 obj\n<< /Length 0 >>\nstream\n\nendstream\nendobj\n" % number)


def words_before(folder, manifest):
    (folder / SHEETS).write_bytes(b"certified\n" + (folder / SHEETS).read_bytes())


def as_written(edit):
    """Another manifest, with the list of members as ``edit`` leaves it."""

    def change(folder, manifest):
        from flatscan.evidence.seal import dumps

        edit(manifest)
        (folder / "manifest.json").write_text(dumps(manifest))

    return change


def last_page_gone(writer):
    kept = PdfReader(io.BytesIO(_bytes(writer)))
    writer.__init__()
    for page in kept.pages[:-1]:
        writer.add_page(page)


def _bytes(writer):
    whole = io.BytesIO()
    writer.write(whole)
    return whole.getvalue()


def of_picture(edit):
    def change(folder, manifest):
        with Image.open(folder / PICTURE) as picture:
            shown, dots = picture.copy(), picture.info["dpi"]
        edit(shown, folder / PICTURE, dots)

    return change


def a_stain(shown, path, dots):
    shown.paste((0, 0, 0, 255), (10, 10, 14, 14))
    shown.save(path, dpi=dots)


def a_word_behind(shown, path, dots):
    behind = PngImagePlugin.PngInfo()
    behind.add_text("Comment", "certified flat")
    shown.save(path, dpi=dots, pnginfo=behind)


def of_chunks(edit):
    """Other chunks of the drawing: kinds and what is in them, each with a checksum that fits."""

    def change(folder, manifest):
        data, at, chunks = (folder / PICTURE).read_bytes(), 8, []
        while at < len(data):
            length = int.from_bytes(data[at : at + 4], "big")
            chunks.append([data[at + 4 : at + 8], data[at + 8 : at + 8 + length]])
            at += 12 + length
        edit(chunks)
        packed = (
            len(it).to_bytes(4, "big") + kind + it + zlib.crc32(kind + it).to_bytes(4, "big") for kind, it in chunks
        )
        (folder / PICTURE).write_bytes(data[:8] + b"".join(packed))

    return change


def words_in_its_data(chunks):
    last = max(k for k, (kind, _) in enumerate(chunks) if kind == b"IDAT")
    chunks[last][1] += b"certified flat"


def in_two_places(chunks):
    chunks.insert(-1, chunks.pop(1))
    chunks.insert(-1, [b"IDAT", b""])


def smaller(shown, path, dots):
    shown.resize((200, 200)).save(path, dpi=dots)


def in_zip(order, *, date=None, kind=zipfile.ZIP_STORED):
    """Another container of the same members, in another order, of another date, or compressed."""

    def raw(data):
        out = io.BytesIO()
        with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
            for info in order(old.infolist()):
                content = old.read(info)
                info.date_time = date or info.date_time
                new.writestr(info, content, compress_type=kind)
        return out.getvalue()

    return raw


def more_in_zip(name, data=b"x", mode=0o100644, kind=zipfile.ZIP_STORED):
    def raw(whole):
        out = io.BytesIO(whole)
        info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
        info.create_system, info.external_attr = 3, mode << 16
        with zipfile.ZipFile(out, "a") as archive:
            archive.writestr(info, data, compress_type=kind)
        return out.getvalue()

    return raw


def flipped(data):
    at = data.index(b"units, mm") + 60
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


def without_data_taken_out(folder, manifest):
    """A photo with the place in it, said to be without."""
    picture = Image.new("RGB", (40, 30))
    data = picture.getexif()
    data[0x0132] = "2026:11:20 08:15:00"
    picture.save(folder / "photos/01.jpg", exif=data)


def other_reading(folder, manifest):
    """A reading of 112 becomes 109: captures are hashed anew as well, as sealing does."""
    name = "captures/01/laser_grid.csv"
    text(name, "113, 112, 111", "113, 112, 109")(folder, manifest)
    from flatscan.evidence.seal import digest

    manifest["captures"][0]["sha256"] = digest(folder / name)


def first(name, value):
    return of_manifest(lambda m: m["captures"][0].update({name: value}))


def job(**values):
    return of_manifest(lambda m: m["jobs"][0].update(values))


def stated(name, value):
    return of_manifest(lambda m: m.update({name: value}))


CONTAINER = [
    Attack("a bit of the capture flipped", 3, "damaged", raw=flipped),
    Attack("cut off", 3, "damaged", raw=lambda d: d[: len(d) // 2]),
    Attack("more behind its end", 3, "container", raw=lambda d: d + b"certified"),
    Attack("more before its beginning", 3, "container", raw=lambda d: b"PK\x03\x04" + d),
    Attack("a comment of the container", 3, "container", raw=lambda d: d[:-2] + b"\x09\x00certified"),
    Attack("compressed", 3, "is compressed", raw=in_zip(list, kind=zipfile.ZIP_DEFLATED)),
    Attack("a bomb", 3, "is compressed", raw=more_in_zip("photos/09.jpg", bytes(10**7), kind=zipfile.ZIP_DEFLATED)),
    Attack("a link", 3, "is a link", raw=more_in_zip("photos/09.jpg", b"/etc/passwd", stat.S_IFLNK | 0o777)),
    Attack("a pipe", 3, "is a link", raw=more_in_zip("photos/09.jpg", b"", stat.S_IFIFO | 0o666)),
    Attack("a path out of the folder", 3, "leaves the folder", raw=more_in_zip("../../certificate.pdf")),
    Attack("an absolute path", 3, "leaves the folder", raw=more_in_zip("/etc/cron.d/x")),
    Attack("a device's name", 3, "leaves the folder", raw=more_in_zip("photos/C:x")),
    Attack("a name in other letters", 3, "stands twice", raw=more_in_zip("readme.TXT", b"certified")),
    Attack("members in another order", 3, "container", raw=in_zip(lambda infos: infos[::-1])),
    Attack("another date of the members", 3, "container", raw=in_zip(list, date=(1999, 1, 1, 0, 0, 0))),
    Attack("a member added and not listed", 3, "was added", added("certificate.pdf"), hasty=True),
    Attack("a sheet changed and not listed anew", 3, "has other bytes", text(OFFSETS, "0", "1"), hasty=True),
    Attack("page one taken out", 3, "'README.txt' is missing", without("README.txt")),
    Attack("the seal taken out", 3, "'seal.json' is missing", without("seal.json")),
    Attack("the seal of another manifest", 3, "does not have the SHA-256",
           text("manifest.json", "hall, north", "hall, south"), hasty=True),
    Attack("a manifest in another form", 3, "not in the form",
           lambda f, m: (f / "manifest.json").write_text(json.dumps(m))),
    Attack("a manifest that says a thing twice", 3, "not in the form",
           text("manifest.json", '"title": "hall', '"title": "certified",\n "title": "hall')),
    Attack("a manifest without an end", 3, "is damaged", lambda f, m: (f / "manifest.json").write_text("[" * 10**5)),
    Attack("a manifest of no text", 3, "is damaged", lambda f, m: (f / "manifest.json").write_bytes(b"\xff\xfe{}")),
    Attack("a file of another kind", 3, "not one of a sealed file", stated("kind", "a certificate")),
]  # fmt: skip
FORGED = [
    Attack("a decision on paper taken out", 3, f"{SHEETS}: page 1", on_paper(other_words)),
    Attack("something painted over on paper", 3, "drawn otherwise", on_paper(more_lines)),
    Attack("a page torn out", 3, "pages where the captures give", on_paper(last_page_gone)),
    Attack("a page put in", 3, "pages where the captures give", on_paper(lambda w: w.add_blank_page(595, 842))),
    Attack("a title of the paper", 3, "beside its pages",
           on_paper(lambda w: w.add_metadata({"/Title": "Certificate"}))),
    Attack("something attached to the paper", 3, "beside its pages",
           on_paper(lambda w: w.add_attachment("certificate.txt", b"flat"))),
    Attack("paper that is no paper", 3, "cannot be read", added(SHEETS, b"%PDF-1.4 certified")),
    Attack("paper far too large", 3, "far larger", added(SHEETS, b"%PDF-1.4\n" + bytes(8_000_000))),
    Attack("paper that a viewer shows as nothing", 3, "cannot be read", packed_by("FlateDecode", "DCTDecode")),
    Attack("paper packed in no known way", 3, "cannot be read", packed_by("Nonsense")),
    Attack("paper drawn by a file that is not there", 3, "beside its pages", elsewhere()),
    Attack("paper with a thing in it twice", 3, "cannot be read", object_twice),
    Attack("words before the paper begins", 3, "cannot be read", words_before),
    Attack("a stain on the drawing", 3, "points of the picture", of_picture(a_stain)),
    Attack("a word behind the drawing", 3, "beside the picture", of_picture(a_word_behind)),
    Attack("words behind the drawing's data", 3, "beside the picture", of_chunks(words_in_its_data)),
    Attack("a drawing in two places", 3, "cannot be read", of_chunks(in_two_places)),
    Attack("its chunks in another order", 3, "beside the picture",
           of_chunks(lambda chunks: chunks.insert(-1, chunks.pop(1)))),
    Attack("a smaller drawing", 3, "of another size", of_picture(smaller)),
    Attack("more behind the drawing", 3, "cannot be read",
           lambda f, m: (f / PICTURE).write_bytes((f / PICTURE).read_bytes() + b"certified")),
    Attack("a word on the page", 3, f"{PAGE}: line", text(PAGE, "</body>", "<p>certified</p></body>")),
    Attack("a program in the page", 3, f"{PAGE}: line", text(PAGE, "</body>", "<script>alert(1)</script></body>")),
    Attack("a number in the table", 3, f"{OFFSETS}: line", text(OFFSETS, "-117", "-107")),
    Attack("a row of the table taken out", 3, f"{OFFSETS}: line",
           lambda f, m: (f / OFFSETS).write_text("".join((f / OFFSETS).read_text().splitlines(True)[:-1]))),
    Attack("the spots emptied", 3, f"{SPOTS}: line", added(SPOTS, b"")),
    Attack("a sentence on page one", 3, "README.txt: line", text("README.txt", "undecided", "within")),
    Attack("a sentence more on page one", 3, "README.txt: line",
           text("README.txt", "Notes:", "Certified flat.\nNotes:")),
    Attack("page one empty", 3, "README.txt: line 1", added("README.txt", b"")),
    Attack("letters that steer a terminal", 3, "README.txt: line", text("README.txt", "Notes:", "\x1b[2JSAME\nNotes:")),
    Attack("a method in other words", 3, "methods/decision.md: line", text("methods/decision.md", "within", "inside")),
    Attack("the plan in other words", 3, "plan-01.toml: line", text("plan-01.toml", "housing", "heating")),
    Attack("another tolerance", 3, "tolerances.json: line", added("tolerances.json", b'{"limits": [9.0]}\n')),
    Attack("a decision", 4, "verdict.decision", of_result(lambda d: d["verdict"].update(decision="within"))),
    Attack("a gap", 4, "flatness.gap_mm", of_result(lambda d: d["flatness"].update(gap_mm=0.9))),
    Attack("a thousandth of a gap", 4, "flatness.gap_mm",
           of_result(lambda d: d["flatness"].update(gap_mm=round(d["flatness"]["gap_mm"] - 0.001, 3)))),
    Attack("no warnings", 4, "capture.warnings", of_result(lambda d: d["capture"]["warnings"].clear())),
    Attack("no notes", 4, "notes", of_result(lambda d: d["notes"].clear())),
    Attack("a warning in kinder words", 4, "capture.warnings.1",
           of_result(lambda d: d["capture"]["warnings"].__setitem__(0, "all is well"))),
    Attack("nothing said of a weakened test", 4, "verdict.restricted",
           of_result(lambda d: d["verdict"].pop("restricted"))),
    Attack("nothing said of what was set", 4, "settings", of_result(lambda d: d["settings"].clear())),
    Attack("another instrument's type", 4, "capture.type", of_result(lambda d: d["capture"].update(type="scanner"))),
    Attack("a word that no document has", 4, "certified", of_result(lambda d: d.update(certified=True))),
    Attack("a word that stands for no word", 4, "certified", of_result(lambda d: d.update(certified="(absent)"))),
    Attack("one sheet fewer in the document's list", 4, "files", of_result(lambda d: d["files"].pop())),
    Attack("a number said twice in the document", 3, "a form that sealing never writes",
           text(RESULT, '"flatness": {', '"flatness": {\n    "gap_mm": 0.1,')),
    Attack("a document that is no document", 3, "not describe captures", added(RESULT, b"[]")),
    Attack("a document without an end", 3, "not describe captures", added(RESULT, b"[" * 10**5)),
]  # fmt: skip
MEMBERS = [
    Attack("all sheets taken out", 3, f"'{SHEETS}' is missing", without(f"{RESULTS}/*.p*", f"{RESULTS}/*.[ch]*")),
    Attack("one sheet taken out", 3, f"'{SPOTS}' is missing", without(SPOTS)),
    Attack("the plan taken out", 3, "'plan-01.toml' is missing", without("plan-01.toml")),
    Attack("a certificate put in", 3, "'certificate.pdf' does not come from", added("certificate.pdf")),
    Attack("a certificate among the sheets", 3, "does not come from", added(f"{RESULTS}/check-certificate.pdf")),
    Attack("a sheet of another job", 3, "does not come from", added("results/02-survey/survey-sheets.pdf")),
    Attack("an input that nothing asks for", 3, "does not come from", added("inputs/02/hand.csv")),
    Attack("a photo that nobody listed", 3, "does not come from", added("photos/02.jpg")),
    Attack("a file beside the capture", 3, "does not come from", added("captures/01/certificate.txt")),
    Attack("a capture for no job", 3, "not describe captures",
           both(added("captures/02/flat.csv"),
                of_manifest(lambda m: m["captures"].append(m["captures"][0] | {"member": "captures/02/flat.csv"})))),
    Attack("a method more", 3, "does not come from",
           both(added("methods/flat.md"), of_manifest(lambda m: m["methods"].append("flat")))),
    Attack("a method fewer", 3, "not describe captures", of_manifest(lambda m: m["methods"].remove("decision"))),
    Attack("an input taken out", 3, "not written by sealing", without("inputs/01/hand.csv")),
    Attack("the photo taken out", 3, "not describe captures", without("photos/01.jpg")),
    Attack("the photo no longer listed", 3, "does not come from", stated("photos", [])),
    Attack("a photo with its place in it", 3, "is not what is said of it", without_data_taken_out),
    Attack("a photo said to be the original", 3, "is not what is said of it",
           of_manifest(lambda m: m["photos"][0].update(metadata="kept"))),
    Attack("a photo under another's name", 3, "not describe captures",
           of_manifest(lambda m: m["photos"][0].update(member=SHEETS))),
]  # fmt: skip
DESCRIBED = [
    Attack("no jobs", 3, "no job was sealed", stated("jobs", [])),
    Attack("no jobs and no sheets", 3, "no job was sealed", both(stated("jobs", []), without(f"{RESULTS}/*"))),
    Attack("a job of no kind", 3, "not describe captures", job(command="certify")),
    Attack("a job on a capture that is not there", 3, "not describe captures", job(captures=[7])),
    Attack("a job on a truth", 3, "not describe captures", job(captures=[False])),
    Attack("a job twice", 3, "jobs", of_manifest(lambda m: m["jobs"].append(m["jobs"][0]))),
    Attack("a result that is no result", 3, "not describe captures", job(result="captures/01/laser_grid.csv")),
    Attack("units of nobody", 3, "not describe captures", job(units="cubits")),
    Attack("other units than the sheets", 3, "README.txt: line", job(units="in"), drawn=False),
    Attack("other paper than the sheets", 3, SHEETS, job(paper="letter")),
    Attack("paper of nobody", 3, "not describe captures", job(paper="../a4")),
    Attack("sheets that were not sealed", 3, "check-explain.txt' is missing", job(also=["explain"]), drawn=False),
    Attack("another hundred jobs", 3, "not describe captures", of_manifest(lambda m: m.update(jobs=m["jobs"] * 101))),
    Attack("a weaker limit", 4, "verdict.limit_mm", setting("testing", limit=0.02), drawn=False),
    Attack("a weaker test", 3, "verdict.confidence", setting("testing", confidence=0.6), drawn=False),
    Attack("another wall", 4, "not wall 7", setting("capturing", wall=7)),
    Attack("another person's plan", 4, "record.client", of_manifest(
        lambda m: m["jobs"][0]["settings"]["plan"]["said"]["job"].update(client="a friend"))),
    Attack("the plan left out", 3, "does not come from", of_manifest(lambda m: m["jobs"][0]["settings"].pop("plan")),
           drawn=False),
    Attack("a default written out", 3, "'jobs' is not what sealing writes", setting("capturing", wall=1)),
    Attack("a setting that no version has", 4, "'sonar' of Capturing", setting("capturing", sonar=1)),
    Attack("a setting of another kind", 3, "not written by sealing", setting("capturing", wall="1")),
    Attack("a setting without an end", 3, "not written by sealing", setting("capturing", opening=[[[[[1.0]]]]])),
    Attack("a tie from this machine", 3, "not written by sealing", setting("capturing", tie="/etc/passwd")),
    Attack("a repeat from this machine", 3, "not written by sealing", setting("capturing", repeat=["/etc/passwd"])),
    Attack("a repeat within a repeat", 3, "not written by sealing", setting("capturing", repeat=[[["/etc/passwd"]]])),
    Attack("a file by a path out of it", 3, "not written by sealing",
           setting("capturing", tie={"file": "../../etc/passwd"})),
    Attack("a file by a device", 3, "not written by sealing", setting("testing", hand={"file": "/dev/stdin"})),
    Attack("a file by an address", 3, "not written by sealing", setting("testing", hand="file:///etc/passwd")),
    Attack("a file that is a table", 3, "not written by sealing", setting("testing", hand={"file": {"file": "x"}})),
    Attack("rates out of the sheets", 3, "not written by sealing", setting("finishing", rates={"file": SHEETS})),
    Attack("another version", 4, "Sealed, as stated, with flatscan 9.9.9",
           both(of_manifest(lambda m: m["versions"].update(flatscan="9.9.9")),
                text("README.txt", "flatscan 0.1.0", "flatscan 9.9.9"))),
    Attack("another library, page one as it was", 4, "Sealed, as stated, with numpy 0.0.1",
           of_manifest(lambda m: m["versions"].update(numpy="0.0.1"))),
    Attack("a version that is a sentence", 3, "not describe captures",
           of_manifest(lambda m: m["versions"].update(numpy="2.0, certified by its makers"))),
    Attack("no versions", 3, "not describe captures", stated("versions", {})),
    Attack("another title", 3, "README.txt: line", stated("title", "another wall")),
    Attack("another date", 3, "README.txt: line", stated("date", "1 January 1999")),
    Attack("other grounds", 3, "README.txt: line", stated("grounds", "certified instrument")),
    Attack("another witness", 3, "README.txt: line", stated("present", ["the judge"])),
    Attack("no notes of the maker", 3, "README.txt: line", stated("notes", [])),
    Attack("nothing left out", 3, "README.txt: line", stated("left_out", [])),
    Attack("a date that is no word", 3, "not describe captures", stated("date", {"certified": True})),
    Attack("an entry more", 3, "'certificate' is not what sealing writes", stated("certificate", "this wall is flat")),
    Attack("an entry fewer", 3, "not describe captures", of_manifest(lambda m: m.pop("grounds"))),
    Attack("another hash of the capture", 3, "'captures' is not what sealing writes", first("sha256", "0" * 64)),
    Attack("another name of the capture", 3, "'captures' is not what sealing writes", first("file", "certified.csv")),
    Attack("a capture that is no capture", 3, "not describe captures", first("member", "README.txt")),
    Attack("a capture out of the file", 3, "not describe captures", first("member", "captures/../../etc/passwd")),
    Attack("a word beside a member's name", 3, "list of members is damaged",
           as_written(lambda m: m["members"][0].update(says="certified flat"))),
    Attack("a member listed twice", 3, "list of members is damaged",
           as_written(lambda m: m["members"].append(m["members"][0]))),
    Attack("members listed in another order", 3, "list of members is damaged",
           as_written(lambda m: m["members"].reverse())),
    Attack("entries in another order", 3, "'manifest.json' is not in the form",
           of_manifest(lambda m: m.update(title=m.pop("title")))),
    Attack("a signer who did not sign", 3, "taken away, added or exchanged", stated("signed_by", OTHER_KEY)),
    Attack("another schema", 3, "not one of a sealed file", stated("schema", 99)),
]  # fmt: skip
CAPTURES = [
    Attack("a reading changed", 4, "plumb.lean_mm", other_reading, drawn=False),
    Attack("a reading changed, its old hash kept", 3, "'captures' is not what sealing writes",
           text("captures/01/laser_grid.csv", "113, 112, 111", "113, 112, 109"), drawn=False),
    Attack("a hand reading changed", 4, "hand.1.by_hand_mm", text("inputs/01/hand.csv", "2.0", "0.1"), drawn=False),
    Attack("an empty capture", 3, "not as sealing takes one in", added("captures/01/laser_grid.csv", b"")),
    Attack("a capture of nothing known", 4, "could not be run again",
           added("captures/01/laser_grid.csv", b"x" * 99)),
    Attack("a capture that promises what it does not hold", 4, "could not be run again",
           added("captures/01/laser_grid.csv", b"ply\nformat binary_little_endian 1.0\nelement vertex 99999999999\n"
                 b"property float x\nproperty float y\nproperty float z\nend_header\n")),
    Attack("a set-up that names a file of this machine", 3, "not as sealing takes one in",
           added("captures/01/laser_grid.csv", b'[laser]\npivot = ["1 m", "1 m", "1 m"]\n[targets]\n'
                 b'[[line]]\non = "/etc/passwd"\noff = "/dev/zero"\n')),
    Attack("a mesh that names a file of this machine", 3, "not as sealing takes one in",
           added("captures/01/laser_grid.csv",
                 b'{"asset": {"version": "2.0"}, "buffers": [{"uri": "../../../../etc/passwd", "byteLength": 9}]}')),
]  # fmt: skip
SIGNED = [
    Attack("its signature kept under other words", 3, "signature does not hold", stated("title", "x"), signed=True,
           signature="kept"),
    Attack("its signature taken out", 3, "taken away, added or exchanged", nothing, signed=True),
    Attack("a signature of zeros", 3, "signature does not hold", nothing, signed=True, signature="00" * 64),
    Attack("a signature that is a word", 3, "signature does not hold", nothing, signed=True, signature="certified"),
    Attack("another's name under it", 3, "signature does not hold", stated("signed_by", OTHER_KEY), signed=True,
           signature="kept"),
    Attack("sealed anew by nobody, where a signer is expected", 3, "it is not signed",
           both(stated("signed_by", None), text("README.txt", "hall", "HALL")), signed=True,
           expects={"key": OTHER_KEY}),
    Attack("sealed anew with another title, where a seal is expected", 3, "not the one expected", stated("title", "x"),
           expects={"seal": "0" * 64}),
    Attack("signed by another than expected", 3, "not the one expected", nothing, signed=True, signature="kept",
           expects={"key": OTHER_KEY}),
]  # fmt: skip
ATTACKS = [*CONTAINER, *FORGED, *MEMBERS, *DESCRIBED, *CAPTURES, *SIGNED]


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("attack", ATTACKS, ids=str)
def test_it_is_found_and_named(attack, files, memory, tmp_path):
    with nullcontext() if attack.drawn else undrawn():
        code, said = carried_out(attack, files[attack.signed if attack.drawn else "undrawn"].path, tmp_path, memory)
    assert code == attack.code, said
    assert attack.says in " ".join(said.split()), said
    # nothing of a stranger's steers the reader's terminal, and nothing of this machine is shown
    assert said.replace("\n", "").isprintable()
    assert "root:" not in said


def repacked(folder, manifest):
    """The same sheets as another version of the libraries packs them."""
    on_paper(lambda writer: [page.compress_content_streams(level=1) for page in writer.pages])(folder, manifest)
    of_picture(lambda shown, path, dots: shown.save(path, dpi=dots, compress_level=1))(folder, manifest)


def moved(by):
    """Every text on page one a little aside [mm]."""

    def edit(writer):
        from pypdf.generic import ContentStream, FloatObject, NameObject

        page = writer.pages[0]
        drawn = ContentStream(page.get_contents(), writer)
        for operands, operator in drawn.operations:
            if operator == b"Td":
                operands[0] = FloatObject(float(operands[0]) + by / 25.4 * 72)
        page[NameObject("/Contents")] = writer._add_object(drawn)

    return on_paper(edit)


def of_library(folder, manifest):
    # as long a word, so that page one breaks its lines alike
    other = version("matplotlib")[:-1] + "x"
    manifest["versions"]["matplotlib"] = other
    was = (folder / "README.txt").read_text()
    (folder / "README.txt").write_text(was.replace(f"matplotlib {version('matplotlib')}", f"matplotlib {other}"))


@pytest.mark.parametrize(
    ("change", "code", "says"),
    [
        (
            repacked,
            0,
            f"The same to a reader in other bytes, packed by another version of a library: {PICTURE}, {SHEETS}",
        ),
        (both(of_library, moved(0.3)), 0, "Sealed, as stated, with matplotlib "),
        (both(of_library, moved(0.7)), 4, f"{SHEETS}: "),
        (moved(0.3), 3, f"{SHEETS}: "),
    ],
    ids=["packed", "0.3 mm by another library", "0.7 mm by another library", "0.3 mm by the same"],
)
def test_what_a_reader_sees_alike_is_the_same_and_said(files, memory, tmp_path, change, code, says):
    ended, said = carried_out(Attack("", code, says, change), files[False].path, tmp_path, memory)
    assert (ended, says in " ".join(said.split())) == (code, True), said


def test_there_are_enough_of_them_and_none_ends_well():
    assert len({attack.name for attack in ATTACKS}) == len(ATTACKS) >= 60
    assert {attack.code for attack in ATTACKS} == {3, 4}
