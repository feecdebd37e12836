"""The jobs, each a chain of stages: describe, check, plan, set out, find lows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from flatscan import relief, straightedge
from flatscan import verdict as verdicts
from flatscan.lows import LIMIT as LOW_LIMIT
from flatscan.lows import find_lows, find_ridges
from flatscan.material.finish import place
from flatscan.material.hacking import hacking_plan
from flatscan.material.order import bags_per_m3
from flatscan.material.stops import stops
from flatscan.material.systems import System
from flatscan.material.systems import load as load_system
from flatscan.material.takeoff import take_off
from flatscan.planes import patches_of, shape_of
from flatscan.quantity import Quantity, root_sum_square
from flatscan.setout import SetOutOptions
from flatscan.setout import set_out as set_out_screeds
from flatscan.straightedge.gaps import Gaps
from flatscan.survey.findings import Findings, Seen
from flatscan.survey.seeing import see
from flatscan.survey.settings import DEFAULT_SYSTEM, Capturing, Finishing, Progress, Testing, silent


def _look(command: str, seen: Seen, test: Testing, progress: Progress) -> Findings:
    """Smooth as far as the limit asks for, and describe the wall's shape."""
    progress("shape", None)
    smooth = relief.smooth(seen.relief, relief.choose_window(seen.relief, test.limit))
    shape = shape_of(smooth, seen.wall)
    return Findings(
        command=command, origin=seen.origin, capture_type=seen.capture_type, u_point=seen.relief.u_point,
        warnings=seen.notes, wall=seen.wall, relief=smooth, shape=shape, patches=patches_of(smooth, shape),
        title=seen.title, tie=seen.tie,
    )  # fmt: skip


def check(path: str | Path, how: Capturing, test: Testing, progress: Progress = silent) -> Findings:
    """Does the wall of a capture conform: every criterion that has a limit, each judged by itself."""
    return check_seen(see(path, how, progress), test, progress)


def check_seen(seen: Seen, test: Testing, progress: Progress = silent) -> Findings:
    """`check` of a wall already seen."""
    k = verdicts.coverage_factor(test.confidence)
    found = _look("check", seen, test, progress)
    progress("straightedge", None)
    gaps = _sweep(found, test, k)
    verdict = verdicts.judge(
        gaps=gaps, limit=test.limit, relief=found.relief, lean=_lean(found), height=found.wall.height,
        plumb_limit=test.plumb_limit, confidence=test.confidence,
    )  # fmt: skip
    return replace(found, gaps=gaps, verdict=verdict, method=test.method)


def survey(path: str | Path, how: Capturing, test: Testing, finish: Finishing, progress: Progress = silent) -> Findings:
    """Before quoting: what the wall is, which finish plane it takes, what to order and what hacking saves."""
    load_system(finish.system or DEFAULT_SYSTEM)  # a wrong name is said before the capture is read
    return survey_seen(see(path, how, progress), test, finish, progress)


def survey_seen(seen: Seen, test: Testing, finish: Finishing, progress: Progress = silent) -> Findings:
    """`survey` of a wall already seen."""
    found = _look("survey", seen, test, progress)
    progress("straightedge", None)
    found = replace(found, gaps=_sweep(found, test, verdicts.coverage_factor(test.confidence)))
    return plan(found, finish, progress)


def plan(found: Findings, finish: Finishing, progress: Progress = silent) -> Findings:
    """Findings with finish plane, order and hacking list added, whatever was found before."""
    progress("finish plane", None)
    return _planned(found, finish, load_system(finish.system or DEFAULT_SYSTEM))


def _planned(found: Findings, finish: Finishing, system: System) -> Findings:
    """Finish plane, stop signs, order and hacking list; what cannot be ordered is said instead of raised."""
    wall, smooth = found.wall, found.relief
    # a scan's plane is measured from the foot of the wall's own fit, a laser's from the laser plane
    foot = 0.0 if smooth.cell is None else float(found.shape.plane[0])
    build_up = place(smooth, wall, options=finish.plane, foot=foot)
    signs = stops(smooth, wall, found.shape, build_up)
    order = replace(finish.order, strict=finish.system is not None)
    take = take_off(build_up, smooth, system, options=order, stops=signs)
    hacking = replace(finish.hacking, bags_per_m3=bags_per_m3(system))
    plan = hacking_plan(smooth, wall, plane=finish.plane, options=hacking, standing=signs)
    notes = (*build_up.notes, *plan.notes, f"Hacking: {plan.ends_because}.")
    fixed = tuple((point.x, point.y, point.offset) for point in finish.plane.fixed)
    return replace(
        found, build_up=build_up, take_off=take, hacks=plan.hacks, fixed=fixed, warnings=(*found.warnings, *notes)
    )


def set_out(
    path: str | Path,
    how: Capturing,
    test: Testing,
    finish: Finishing,
    options: SetOutOptions,
    progress: Progress = silent,
) -> Findings:
    """Screeds, dots and packings of the finish plane that a survey of the same capture gives."""
    found = plan(_look("setout", see(path, how, progress), test, progress), finish, progress)
    assert found.build_up is not None
    progress("set-out", None)
    if found.relief.cell is None:
        options = replace(options, laser=0.0)
    made = set_out_screeds(found.relief, found.wall, found.build_up.plane, options=options)
    return replace(found, set_out=made)


def lows(
    path: str | Path, how: Capturing, test: Testing, limit: float = LOW_LIMIT, progress: Progress = silent
) -> Findings:
    """After ruling off: where the wall is under the straightedge by more than ``limit`` [m], and its high ridges."""
    found = _look("lows", see(path, how, progress), test, progress)
    progress("straightedge", None)
    gaps = _sweep(found, test, verdicts.coverage_factor(test.confidence))
    return replace(
        found, gaps=gaps, lows=find_lows(found.relief, gaps.deepest, limit=limit),
        ridges=find_ridges(found.relief, limit=limit),
    )  # fmt: skip


def _sweep(found: Findings, test: Testing, k: float) -> Gaps:
    return straightedge.sweep(found.relief, test.rule, directions=test.directions, k=k, method=test.method)


def _lean(found: Findings) -> Quantity:
    """Lean with its uncertainty: the points' own and how well plumb is known."""
    return Quantity(found.shape.lean, root_sum_square(found.shape.u_lean, found.wall.plumb.u_lean))
