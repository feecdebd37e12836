"""Small sheets put into a job's folder, and processes that die while they do."""

import json
import os
import random
import signal
import time
from pathlib import Path

from flatscan.cli import _end_in_order
from flatscan.report import staging
from flatscan.report.job_folder import Subject, put_sheets, sheet_name
from flatscan.report.staging import settle

HALL = Subject("hall.ply", "ab" * 32, "1")
SHEETS = ("sheets.pdf", "spots.csv", "result.json")


def sheets(command, generation, names=SHEETS):
    """Names and makers of sheets that hold their command and generation."""
    return [
        (sheet_name(command, name), lambda path: path.write_text(f"{command} {generation}") and None) for name in names
    ]


def put(folder, command, generation, *, names=SHEETS, subject=HALL, **more):
    """One command's sheets put into a folder."""
    return put_sheets(folder, command, sheets(command, generation, names), subject, **more)


def told(folder):
    """What stands in a folder, by name; whether it holds anything hidden of ours is part of it."""
    return {str(path.relative_to(folder)): path.read_text() for path in sorted(folder.rglob("*")) if path.is_file()}


def scramble(folder):
    """Leave a folder as a process does that died with two of three sheets aside and one new one in; its room."""
    room = folder / f"{staging.PREFIX}died"
    for name in ("new", "old"):
        (room / name).mkdir(parents=True)
    names = [sheet_name("survey", name) for name in SHEETS]
    for name in names:
        (room / "new" / name).write_text("survey 2")
    moves = {"come": {name: staging._stamp(room / "new" / name) for name in names}, "go": names}
    (room / "moves.json").write_text(json.dumps(moves))
    (room / "owner.json").write_text(json.dumps(staging._me() | {"started": "another start"}))
    for name in names[:2]:
        (folder / name).replace(room / "old" / name)
    (room / "new" / names[0]).replace(folder / names[0])
    return room


def _child(work):
    """Do the work in a process of its own and wait for its end."""
    child = os.fork()
    if child == 0:
        try:
            work()
        except KeyboardInterrupt:
            os._exit(130)
        except BaseException as fault:
            os.write(2, repr(fault).encode())
            os._exit(1)
        os._exit(0)
    return child


def die_at_every_move():
    """Print what a reader finds after a process was killed before its first move, its second, and so on."""
    rename = staging._rename
    for last in range(1, 100):
        folder = Path(f"out-{last}")
        put(folder, "survey", "1")
        moves = 0

        def counted(old, new, last=last):
            nonlocal moves
            moves += 1
            if moves == last:
                os.kill(os.getpid(), signal.SIGKILL)
            rename(old, new)

        def work(folder=folder, counted=counted):
            staging._rename = counted
            put(folder, "survey", "2")

        _, status = os.waitpid(_child(work), 0)
        # by turns a run that only reads, and one that puts sheets of its own
        settle(folder) if last % 2 else put(folder, "other", "1", names=("x",))
        found = {text for name, text in told(folder).items() if name.startswith("survey-")}
        _say({"survey 1": "old", "survey 2": "new"}[found.pop()] if len(found) == 1 else found)
        if list(folder.glob(f"{staging.PREFIX}*")):
            raise AssertionError("leftovers")
        if status == 0:
            return


def die_by_signals(times):
    """Print what the next run finds after a process that puts sheets over and over was stopped at a chance instant.

    By turns: Ctrl-C, a kill, the request to end and a closed terminal as a command hears them, and as a library does.
    """
    chance = random.Random(17)
    numbers = (signal.SIGINT, signal.SIGKILL, signal.SIGTERM, signal.SIGHUP)
    left = 0
    for turn in range(times):
        folder, number = Path(f"out-{turn}"), numbers[turn % 4]
        heard = turn % 8 < 4
        put(folder, "survey", "0")

        hears, tells = os.pipe()

        def work(folder=folder, tells=tells, heard=heard):
            if heard:
                _end_in_order()
            # what comes while a process is being made is lost
            os.write(tells, b"!")
            for generation in range(1, 1000):
                put(folder, "survey", str(generation))

        child = _child(work)
        os.read(hears, 1)
        time.sleep(chance.uniform(0.0, 0.06))
        os.kill(child, number)
        _, status = os.waitpid(child, 0)
        os.close(hears)
        os.close(tells)
        stopped = os.waitstatus_to_exitcode(status)
        unwinds = number == signal.SIGINT or (heard and number != signal.SIGKILL)
        if stopped != (130 if unwinds else -number):
            raise AssertionError((turn, stopped))
        left += unwinds and len(list(folder.glob(f"{staging.PREFIX}*")))
        # it leaves nothing for the next run to mend; between two lines of ours one may slip through and be swept later
        if unwinds and (len({*_survey(folder)}) != 1 or left > 1):
            raise AssertionError(told(folder))
        put(folder, "other", "1", names=("x",))
        found = _survey(folder)
        _say("whole" if len(found) == len(SHEETS) and len(set(found)) == 1 else found)
        if list(folder.glob(f"{staging.PREFIX}*")):
            raise AssertionError("leftovers")


def two_at_once(times):
    """Print what two processes leave that put their own generations into one folder, over and over."""
    folder = Path("out")
    children = [_child(lambda mine=mine: [put(folder, "survey", mine) for _ in range(times)]) for mine in "ab"]
    ended = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    left = [path.name for path in folder.iterdir() if path.name.startswith(staging.PREFIX)]
    _say(f"{ended} {len(_survey(folder))} {len(set(_survey(folder)))} {left}")


def _say(what):
    os.write(1, f"{what}\n".encode())


def _survey(folder):
    return [text for name, text in told(folder).items() if name.startswith("survey-")]
