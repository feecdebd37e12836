"""Which captures a site has: folders and lists, and what is wrong with them."""

import json

import pytest
from click.testing import CliRunner
from site_builders import grid_text, make_site

from flatscan import cli
from flatscan.cli import site as module
from flatscan.core.errors import BadTable, BadValue, ReadError
from flatscan.jobs import Capturing
from flatscan.jobs.job_plan import PlanUsed
from flatscan.report.say import trouble
from flatscan.site.job import Capture, Row, Settings, Task, in_folder, in_list, keyed, slug_of, with_slugs


def settings_of(row: Row) -> Settings:
    return Settings(wall=len(row.options) or None)


def test_floors_and_rooms_are_folders(tmp_path):
    make_site(tmp_path / "scans", floors=("1 first/east",), rooms=1, walls=1)
    (tmp_path / "scans" / "stray.csv").write_text(grid_text())
    (tmp_path / "scans" / "notes.md").write_text("no capture")
    (tmp_path / "scans" / ".hidden").mkdir()
    (tmp_path / "scans" / ".hidden" / "x.csv").write_text(grid_text())
    (tmp_path / "scans" / "old-flatscan").mkdir()
    (tmp_path / "scans" / "old-flatscan" / "offsets.csv").write_text(grid_text())
    (tmp_path / "scans" / "out").mkdir()
    (tmp_path / "scans" / "out" / "site.csv").write_text(grid_text())
    found = in_folder(tmp_path / "scans", Settings(), tmp_path / "scans" / "out")
    assert [(c.floor, c.room, c.name) for c in found] == [("", "", "stray"), ("1 first east", "room 1", "wall-1")]
    assert [c.slug for c in found] == ["stray", "1-first-east-room-1-wall-1"]


def test_an_empty_folder(tmp_path):
    with pytest.raises(ReadError, match=r"no capture in it or below; needed: files named .*\.ply"):
        in_folder(tmp_path, Settings(), tmp_path / "out")


@pytest.mark.parametrize("name", ["../../etc/passwd", "..", "a/b", "C:\\x", "\0", " ", "漢字", "CON"])
def test_folder_names_are_never_paths(name):
    slug = slug_of(name)
    assert slug
    assert set(slug) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")


def test_equal_names_are_told_apart(tmp_path):
    names = ("a", "A", "a!", "a-2")
    slugs = [c.slug for c in with_slugs([Capture(tmp_path / "f", name) for name in names])]
    assert len(set(slugs)) == 4
    assert slugs[0] == "a"


@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("comma", [",", ";"])
def test_list(tmp_path, mark, comma):
    rows = [
        "Wall, File, Trade, Floor, options",
        'north, w/a.ply, mason, "0, east", --wall 2',
        "",
        "south, /x/b.ply, , , ",
    ]
    text = (
        "\r\n".join(row.replace(", ", comma) for row in rows).replace("0;east", "0, east").replace("0,east", "0, east")
    )
    (tmp_path / "list.csv").write_text(mark + text, encoding="utf-8", newline="")
    (one, two), doubts = in_list(tmp_path / "list.csv", settings_of)
    assert (one.name, one.path, one.trade, one.floor) == ("north", tmp_path / "w/a.ply", "mason", "0, east")
    assert one.settings.wall == len("--wall 2")
    assert (two.name, str(two.path), two.settings.wall) == ("south", "/x/b.ply", None)
    assert doubts == ()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no column for wall, file; the header reads nothing; needed: the columns wall, file"),
        ("wall\nnorth\n", "no column for file; the header reads wall; needed: the columns wall, file"),
        ("wall,file,colour\nn,a,red\n", "line 1: the unknown column 'colour'"),
        ("wall,file,file\nn,a,b\n", "line 1: the columns wall, file, file"),
        ("wall,file\n", "no rows under the header"),
        ("wall,file\nnorth\n", "line 2: no file"),
        ("wall,file\nnorth,a.ply\nsouth,\n", "line 3: no file"),
        ("wall,file\nnorth,a.ply,extra\n", "line 2: 3 values; needed: at most 2"),
        ('wall,file\n"north,a.ply\n', "unexpected end of data"),
    ],
)
def test_a_list_that_breaks_its_layout(tmp_path, text, words):
    (tmp_path / "list.csv").write_text(text)
    with pytest.raises(BadTable) as caught:
        in_list(tmp_path / "list.csv", settings_of)
    assert words in str(caught.value)


def test_a_list_that_is_no_text(tmp_path):
    (tmp_path / "list.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadTable, match="is not text; needed: a table as text. Save it as CSV, UTF-8"):
        in_list(tmp_path / "list.csv", settings_of)


def test_key_follows_everything_that_a_result_depends_on(tmp_path):
    system = tmp_path / "own.toml"
    system.write_text("a = 1")
    base = Task("wall", with_slugs([Capture(tmp_path / "f.ply", "n")])[0], "00")

    def key(**others):
        sha256 = others.pop("sha256", "00")
        number = others.pop("number", 1)
        capture = with_slugs([Capture(tmp_path / "f.ply", others.pop("name", "n"), settings=Settings(**others))])[0]
        return keyed(Task("wall", capture, sha256, number=number)).key

    assert key() == keyed(base).key
    others = [
        key(sha256="01"),
        key(number=2),
        key(name="m"),
        key(units="in"),
        key(how=Capturing(cell=0.02)),
        key(how=Capturing(tie=str(system))),
    ]
    system.write_text("a = 2")
    others.append(key(how=Capturing(tie=str(system))))
    assert len({*others, key()}) == 8


def flatscan(*words):
    return CliRunner().invoke(cli.group, ["site", *map(str, words)], standalone_mode=False)


def settings_by(row, *words):
    """Settings of a list's row beside options on the command line."""
    ctx = module.site.make_context("site", ["list.csv", *words])
    names = {option.name for option in module._row_command.params}
    base = {name: value for name, value in ctx.params.items() if name in names}
    return module._row_settings(row, base, chosen=False, plan=PlanUsed(), units="mm")


def test_options_of_a_row():
    """A row's own options stand over those of the command line."""
    whole = ("--limit", "3mm", "--least", "6mm", "--seen-from", "1,2,3", "--no-opening", "2")
    plain = settings_by(Row(2, "plain", "a"), *whole[:4])
    assert (plain.test.limit, plain.test.rule, plain.finish.plane.least, plain.wall) == (0.003, 1.8, 0.006, None)
    own = settings_by(Row(3, "own", "a", "--limit 5mm --rule 1.2m --least 8mm"), *whole[:4])
    assert (own.test.limit, own.test.rule, own.finish.plane.least, own.wall) == (0.005, 1.2, 0.008, None)
    assert settings_by(Row(4, "one", "a", "--wall 2"), *whole[:4]).wall == 2
    one = settings_by(Row(4, "one", "a", "--region 0,0,1,1"), *whole)
    assert (one.wall, one.how.region, one.how.seen_from) == (1, (0, 0, 1, 1), (1, 2, 3))


def test_a_tolerance_of_a_row_stands_instead_of_the_limit_of_all_and_the_other_way_round():
    tile = "ansi-a108-02-tile"
    made = settings_by(Row(2, "w", "a", "", tile), "--limit", "3mm", "--plumb-limit", "8mm")
    assert ([entry.id for entry in made.test.tolerances], made.test.plumb_limit) == ([tile], None)
    made = settings_by(Row(2, "w", "a", "--limit 4mm"), "--tolerance", tile)
    assert (made.test.tolerances, made.test.limit) == ((), 0.004)
    made = settings_by(Row(2, "w", "a", "", f"{tile} au-solid-plaster-plumb"))
    assert [entry.id for entry in made.test.tolerances] == [tile, "au-solid-plaster-plumb"]
    with pytest.raises(BadValue, match="one of the two"):
        settings_by(Row(2, "w", "a", "--limit 4mm", tile))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ("--no-such", "No such option"),
        ("--rule three", "is not a length"),
        ("'unclosed", "No closing quotation"),
        ("--out /tmp/x", "No such option"),
        ("--rule -1m", "--rule: -1000 mm"),
        ("--system marble", "marble"),
        ("--rates none.toml", "none.toml"),
        ("; rm now", "unexpected extra arguments (; rm now)"),
    ],
)
def test_options_of_a_row_that_make_no_sense(tmp_path, options, words):
    (tmp_path / "a.csv").write_text(grid_text())
    (tmp_path / "list.csv").write_text(f'wall,file,options\nnorth,a.csv,"{options}"\n')
    done = flatscan(tmp_path / "list.csv", "--out", tmp_path / "out")
    assert isinstance(done.exception, BadTable)
    assert "line 2" in str(done.exception)
    assert words.lower() in trouble(done.exception).lower()
    assert not (tmp_path / "out").exists()


def test_no_such_source(tmp_path):
    done = flatscan(tmp_path / "nothing")
    assert isinstance(done.exception, ReadError)
    assert "no such folder or list" in str(done.exception)


def test_options_of_one_wall_are_refused_for_a_folder(tmp_path):
    make_site(tmp_path / "scans", floors=("0",), rooms=1, walls=1)
    done = flatscan(tmp_path / "scans", "--region", "0,0,1,1", "--out", tmp_path / "out")
    assert "region belongs to one wall" in str(done.exception)


def test_a_results_folder_that_holds_somebody_elses_files(tmp_path):
    make_site(tmp_path / "scans", floors=("0",), rooms=1, walls=1)
    (tmp_path / "out/walls/0-room-1-wall-1").mkdir(parents=True)
    (tmp_path / "out/walls/0-room-1-wall-1/mine.txt").write_text("keep")
    (tmp_path / "out/walls/other").mkdir()
    (tmp_path / "out/captures").mkdir()
    (tmp_path / "out/captures/a.ply").write_text("keep")
    done = flatscan(tmp_path / "scans", "--out", tmp_path / "out", "--formats", "json", "--overwrite", "--jobs", "1")
    assert "a folder or file that is no result of ours" in str(done.exception)
    assert (tmp_path / "out/walls/0-room-1-wall-1/mine.txt").read_text() == "keep"
    assert (tmp_path / "out/captures/a.ply").read_text() == "keep"
    assert (tmp_path / "out/walls/other").exists()


def test_max_points_is_said_with_the_number(tmp_path):
    from site_builders import SAMPLES, InlinePool

    from flatscan.site import run

    (tmp_path / "scans").mkdir()
    (tmp_path / "scans" / "wall.ply").write_bytes((SAMPLES / "wall.ply").read_bytes())
    out = tmp_path / "out"
    made = run(in_folder(tmp_path / "scans", Settings(how=Capturing(max_points=1000)), out), out, InlinePool).document
    assert "150,000 points; needed: at most 1,000" in made["failed"][0]["error"]
    assert json.loads((out / "site.json").read_text())["totals"]["failed"] == 1


def test_a_folder_of_photos_is_one_capture_and_no_room_of_captures(tmp_path):
    for name in ("ground/hall/north", "ground/hall/south"):
        (tmp_path / name).mkdir(parents=True)
        for number in range(2):
            (tmp_path / name / f"IMG_{number}.jpg").write_bytes(b"\xff\xd8\xff" + bytes(20))
    (tmp_path / "ground" / "hall" / "east.csv").write_text(grid_text())
    found = in_folder(tmp_path, Settings(), tmp_path / "out")
    assert [(c.floor, c.room, c.name) for c in found] == [
        ("ground", "hall", "east"),
        ("ground", "hall", "north"),
        ("ground", "hall", "south"),
    ]
    (alone,) = in_folder(tmp_path / "ground" / "hall" / "north", Settings(), tmp_path / "out")
    assert (alone.name, alone.slug) == ("north", "north")
