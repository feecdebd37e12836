"""The page says what the commands say: one way of computing, reached by hand and eye."""

import json
import re
import zipfile
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from flatscan.cli import run
from flatscan.plan.cautions import cautions_of
from flatscan.report.parts import in_short
from flatscan.report.say import finished

SAMPLES = Path(__file__).parents[2] / "sample_clouds"


@pytest.fixture(scope="module")
def asked(new_client, two_humps):
    """A scan on the page, priced with what its user knows; what was measured stays in the page's memory."""
    client = new_client()
    client.upload(two_humps)
    client.send("wall-001", "wall", wall="1", width="1.5 m", up="z")
    client.send("wall-001", "purpose", purpose="quote")
    client.send("wall-001", "questions", capture_type="scanner", least="6 mm", surface="bare")
    client.wait("wall-001")
    return client


@pytest.fixture
def priced(asked):
    """That page; afterwards its folder is again what it was."""
    folder = asked.folder / "wall-001"
    before = {path: path.read_bytes() for path in folder.iterdir()}
    yield asked
    for path in folder.iterdir():
        if path not in before:
            path.unlink()
        elif path.read_bytes() != before[path]:
            path.write_bytes(before[path])


def by_the_plan(client, capsys, command, *options):
    """Exit code and document of a command on the capture and the plan in the job's folder, up to its list of files."""
    job = client.job()
    capsys.readouterr()
    code = run([command, str(job.capture), "--plan", str(job.folder / "plan.toml"), *options, "--json", "--quiet"])
    return code, capsys.readouterr().out.rpartition('"files": [')[0]


def of_the_desk(client, command):
    """The document of a command in the job's folder, as text, up to its list of files."""
    return (client.folder / "wall-001" / f"{command}-result.json").read_text().rpartition('"files": [')[0]


def test_the_sheets_hold_the_numbers_of_the_command(priced, capsys, few_sheets):
    """One plan, one document: byte for byte what the command line says by the plan in the job's folder."""
    ticked = re.findall(r'type="checkbox" value="([^"]+)"', priced.get("/wall/wall-001/answers").text)
    priced.post("/wall/wall-001/cut", json={"revision": priced.job().revision, "cut": ticked[:1]})
    priced.send("wall-001", "boxes", kind="skip", left="1300", bottom="1000", width="200", height="200")
    priced.wait("wall-001")
    make(priced, "sheets", paper="a4")
    code, said = by_the_plan(priced, capsys, "survey")
    assert (code, said) == (0, of_the_desk(priced, "survey"))
    document = json.loads(said + '"files": []}')
    plan = document["plan"]
    assert (plan["fingerprint"], len(plan["cut"])) == (priced.job().plan.fingerprint, 1)
    assert [row["name"] for row in document["settings"]].count("skip") == 1
    # a change of the plan, here by hand, makes them stale: one button makes all of them again
    path = priced.folder / "wall-001" / "plan.toml"
    assert "older plan" not in _sheets(priced)
    path.write_text(path.read_text().replace('stage = "quote"', 'stage = "hand-over"\nlimit = "4 mm"'))
    page = _sheets(priced)
    assert "These sheets are of an older plan" in page
    assert plan["fingerprint"] in page
    make(priced, "sheets", paper="a4")
    page = _sheets(priced)
    assert "older plan" not in page
    assert [page.count(f"{made}: plan ") for made in ("Price the job", "Hand the wall over")] == [1, 1]
    assert {"check-spots.csv", "survey-spots.csv"} <= set(re.findall(r"file/([\w.-]+)", page))
    for command in ("check", "survey"):
        assert by_the_plan(priced, capsys, command)[1] == of_the_desk(priced, command)


def make(client, what, **fields):
    """Have sheets or a seal made, and wait for them."""
    assert client.send("wall-001", {"seal": "evidence"}.get(what, what), **fields).status_code == 303
    client.wait("wall-001", of=what)


def _sheets(client):
    client.wait("wall-001")
    return client.get("/wall/wall-001/sheets").text


def test_a_sheet_is_served_as_what_it_is(priced):
    make(priced, "sheets", paper="a4")
    with priced.get("/wall/wall-001/file/survey-sheets.pdf") as pdf:
        assert (pdf.status_code, pdf.mimetype, pdf.data[:5]) == (200, "application/pdf", b"%PDF-")
    with priced.get("/wall/wall-001/file/survey-wall.html") as page:
        assert page.headers["Content-Security-Policy"] == "sandbox allow-scripts"


def test_every_caution_stands_open_before_the_action_it_belongs_to(priced):
    page = priced.get("/wall/wall-001/answers").text
    cautions = in_short(cautions_of(("hack", "mix", "lift"), ("gypsum", "bags")))
    hack, mix, lift = (finished(line) for line in cautions[:3])
    # each once, and not where somebody would have to open it
    open_parts = re.sub(r"<details.*?</details>", "", page, flags=re.DOTALL)
    assert [open_parts.count(line) for line in (hack, mix, lift)] == [1, 1, 1]
    assert page.index("<dt>Cut first</dt>") < page.index(hack) < page.index("H1 at ")
    asked = page.index("<dt>How many bags?</dt>")
    assert asked < page.index(mix) < page.index(lift) < page.index(" bags needed", asked)
    # a sign seen on site stops the job, and is said before everything else
    priced.send("wall-001", "questions", capture_type="scanner", seen="moving crack")
    priced.wait("wall-001")
    page = priced.get("/wall/wall-001/answers").text
    assert re.search(r'<p class="lead">\s*STOP: a moving crack', page, re.IGNORECASE)
    assert page.index("STOP: a moving crack") < page.index(mix) < page.index(" bags needed")
    assert 'id="humps"' not in page


def test_ticks_are_the_cuts_of_the_plan(priced):
    """Ticked one after the other, humps are cut as deep as the list says all of them go; a depth by hand stays."""
    page = priced.get("/wall/wall-001/answers").text
    keys = re.findall(r'type="checkbox" value="([^"]+)"', page)
    # each alone, and in brackets if all are cut
    rows = re.findall(r"<strong>H\d</strong> cut ([\d.]+) mm(?: \(([\d.]+) mm)?", page)
    depths = [float(all_go or alone) for alone, all_go in rows]
    saved = float(re.findall(r"with those before it saves ([\d.]+) litres", page)[-1])
    assert len(keys) >= 2

    def tick(*chosen):
        sent = priced.post("/wall/wall-001/cut", json={"revision": priced.job().revision, "cut": chosen})
        assert sent.status_code == 200
        priced.wait("wall-001")
        return priced.job().plan.cut

    def volume():
        return priced.app.extensions["flatscan-desk"].bench.result(priced.job(), 60.0).plan.build_up.volume.value

    before, first = volume(), tick(keys[0])
    assert_allclose([one.depth * 1000 for one in first], [float(rows[0][0])], atol=0.051)
    both = tick(*keys)
    assert_allclose([one.depth * 1000 for one in both], depths, atol=0.051)
    page = priced.get("/wall/wall-001/answers").text
    assert page.count(" checked> <span><strong>H") == len(keys)
    assert before - volume() == pytest.approx(saved / 1000, abs=1e-4)
    # somebody cuts the first one deeper, in the file: ticking goes on without touching that
    path = priced.folder / "wall-001" / "plan.toml"
    path.write_text(re.sub(r'depth = "[\d.]+ mm"', 'depth = "7.5 mm"', path.read_text(), count=1))
    priced.wait("wall-001")
    assert [round(one.depth * 1000, 3) for one in tick(keys[0])] == [7.5]
    assert tick() == ()
    assert tick("9.0000,9.0000") == ()


def test_a_fixed_point_moves_the_face_through_it(priced):
    before = priced.get("/wall/wall-001/answers").text
    priced.send("wall-001", "fix", x="400", y="1 m", proud="25")
    priced.wait("wall-001")
    page = priced.get("/wall/wall-001/answers").text
    assert "400 mm from the left, 1000 mm up: 25.0 mm proud" in page
    assert re.search(r"mean ([\d.]+) mm", page)[1] != re.search(r"mean ([\d.]+) mm", before)[1]
    priced.send("wall-001", "fix", remove="fix-0")
    priced.wait("wall-001")
    assert (
        re.search(r"mean ([\d.]+) mm", priced.get("/wall/wall-001/answers").text)[1]
        == (re.search(r"mean ([\d.]+) mm", before)[1])
    )


def test_an_impossible_plan_is_shown_with_the_nearest_and_mended_in_place(priced):
    priced.send("wall-001", "fix", x="400", y="1000", proud="-40")
    priced.send("wall-001", "purpose", purpose="set-out")
    priced.wait("wall-001")
    page = priced.get("/wall/wall-001/answers")
    # the nearest plan that can be stands there, led by why the one asked for cannot, also for a set-out
    assert page.status_code == 200
    assert "THIS PLAN CANNOT BE BUILT" in page.text.partition("<dl")[0]
    assert "The nearest plan that works" in page.text
    # no sheets are made of it: there it is put right
    assert priced.get("/wall/wall-001/sheets").location.endswith("/wall/wall-001/answers")
    priced.send("wall-001", "fix", number="fix-0", x="400", y="1000", proud="25")
    priced.wait("wall-001")
    assert "CANNOT" not in priced.get("/wall/wall-001/answers").text
    assert priced.job().plan.fix == ((0.4, 1.0, 0.025, 0.0, True),)


def test_a_point_off_the_wall_is_refused_at_its_field_with_the_entry_kept(priced):
    priced.send("wall-001", "fix", x="9000", y="10 stone", proud="25")
    priced.send("wall-001", "boxes", kind="opening", left="1000", bottom="0", width="900", height="1000")
    page = priced.get("/wall/wall-001/answers").text
    assert priced.job().plan.fix == priced.job().plan.opening == ()
    assert re.search(r'id="fix-y"[^>]*value="10 stone"[^>]*aria-invalid', page)
    assert re.search(r'id="box-width"[^>]*value="900"[^>]*aria-invalid', page)
    assert "off the wall, which is 1.5 m wide" in page
    priced.send("wall-001", "fix", x="9000", y="1000", proud="25")
    page = priced.get("/wall/wall-001/answers").text
    assert re.search(r'id="fix-x"[^>]*value="9000"[^>]*aria-invalid', page)
    # it holds up no other page, and no answer that is typed there
    kept = {"revision": priced.job().revision, "values": {"least": "6 mm"}}
    assert priced.post("/wall/wall-001/keep", json=kept).status_code == 200
    for page_name in ("wall", "purpose", "questions", "sheets", "evidence", "plan"):
        assert priced.get(f"/wall/wall-001/{page_name}").status_code == 200, page_name
    priced.send("wall-001", "fix", x="900", y="1000", proud="25")
    assert priced.job().settings["entries"].get("fix-x") is None
    assert len(priced.job().plan.fix) == 1


def test_whatever_stands_in_the_plan_can_be_put_right(priced):
    path = priced.folder / "wall-001" / "plan.toml"
    whole = path.read_text()
    # broken: every page shows its error and line, and the plan to be mended
    path.write_text("most = 20\n" + whole)
    for step in ("", "wall", "purpose", "questions", "answers", "sheets", "evidence", "plan"):
        page = priced.get(f"/wall/wall-001/{step}", follow_redirects=True)
        assert "wall-001/plan.toml, line 1" in page.text, step
    assert "north wall" in priced.get("/").text
    page = priced.send("wall-001", "plan", text="most = 21\n" + whole)
    assert "most = 21" in page.text.partition("<textarea")[2]
    assert path.read_text() == "most = 20\n" + whole
    assert priced.send("wall-001", "undo", to="answers").location.endswith("/answers")
    assert path.read_text() == whole
    # sound, but nothing can be done by it
    for text in ('system = "gold"', 'cut = ["H9"]', '[[fixed]]\nx = 9\ny = 1\noffset = "1 mm"', "wall = 7"):
        assert priced.send("wall-001", "plan", text=f'stage = "quote"\n{text}\n').status_code == 303
        priced.wait("wall-001")
        page = priced.get("/wall/wall-001/answers")
        assert (page.status_code, "the plan cannot be done" in page.text) == (200, True), text
    priced.send("wall-001", "undo", to="plan")
    assert "[[fixed]]" in path.read_text()


def test_looking_changes_nothing(priced):
    before = {path: path.read_bytes() for path in (priced.folder / "wall-001").iterdir()}
    for step in ("", "wall", "purpose", "questions", "answers", "sheets", "evidence", "plan", "state"):
        assert priced.get(f"/wall/wall-001/{step}").status_code in (200, 302)
    for step in ("fix", "boxes", "cut", "accept", "undo", "redo", "keep"):
        assert priced.get(f"/wall/wall-001/{step}").status_code == 405
    assert {path: path.read_bytes() for path in (priced.folder / "wall-001").iterdir()} == before


def test_a_reading_that_others_deny_is_settled_by_a_tap(client, capsys):
    """One reading of the sample's grid typed with a digit lost: quoted only once somebody says that it is right."""
    text = (SAMPLES / "laser_grid.csv").read_text()
    sheet = client.folder.parent / "grid.csv"
    lines = text.splitlines()
    row = lines.index("") + 3
    cells = lines[row].split(",")
    cells[4] = str(float(cells[4]) + 100)
    lines[row] = ",".join(cells)
    sheet.write_text("\n".join(lines) + "\n")
    client.upload(sheet)
    client.send("wall-001", "purpose", purpose="quote")
    client.wait("wall-001")
    page = client.get("/wall/wall-001/answers").text
    place = re.search(r'name="place" value="([^"]+)"', page)[1]
    assert "NOT QUOTABLE until" in page.partition("<dl")[0]
    client.send("wall-001", "accept", place=place)
    client.wait("wall-001")
    assert len(client.job().plan.accept) == 1
    assert 'name="place"' not in client.get("/wall/wall-001/answers").text


def test_the_sealed_file_carries_the_plan(priced):
    priced.send("wall-001", "fix", x="400", y="1000", proud="25")
    make(priced, "seal", title="a wall")
    with zipfile.ZipFile(priced.folder / "wall-001" / "evidence.zip") as sealed:
        manifest = json.loads(sealed.read("manifest.json"))
        result = next(sealed.read(name) for name in sealed.namelist() if name.endswith("result.json"))
    assert json.loads(result)["plan"]["fingerprint"] == priced.job().plan.fingerprint
    assert manifest["jobs"][0]["settings"]["plan"]["file"] == "plan.toml"
