"""A folder of photos placed in space: looked at, matched, mapped, adjusted, laid on what was taped."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from flatscan.capture.photos.adjustment import Adjusted, Priors, adjust
from flatscan.capture.photos.bundle import Bundle, Indices, LeftOut, Placed
from flatscan.capture.photos.doubt_modes import Modes, modes_of, other_lens
from flatscan.capture.photos.lens_priors import first_focal, priors_of
from flatscan.capture.photos.mapping import mapped
from flatscan.capture.photos.matching import Matches, library, match
from flatscan.capture.photos.photo_features import Features, features_of
from flatscan.capture.photos.photo_files import PhotoFile, common_camera, photo_file, upright
from flatscan.capture.photos.photo_format import photos_in
from flatscan.capture.photos.photo_notes import placing_notes
from flatscan.capture.photos.photo_refusals import (
    FEWEST,
    not_placed,
    refuse_apart,
    refuse_bare,
    refuse_few,
    refuse_one_place,
    texture_faults,
)
from flatscan.capture.photos.photo_setup import PhotoSetup, photo_setup
from flatscan.capture.photos.pure_turns import one_place
from flatscan.capture.photos.same_lens import odd_photos, without
from flatscan.capture.photos.target_ties import marks_of, with_targets
from flatscan.capture.photos.ties import Sights, Ties, camera_of
from flatscan.capture.photos.wall_axes import on_wall_axes, uprights_of
from flatscan.core.errors import ReadError
from flatscan.core.notes import note

# stages by name, each with how far it is: for a line of progress
Told = Callable[[str, float], None]
LOOKING, PAIRING, PLACING, DOUBTING = "photos", "pairs", "places", "doubts"
# two files at a time are opened: a photo of 12 megapixels takes 200 MB while it is looked at
_LANES = 2
# the eighth-power term that this model of lenses does not have, as large as phones' lenses leave (engineering estimate)
_UNKNOWN_TERM, _UNKNOWN = "k4", 0.3


@dataclass(frozen=True, eq=False)
class _Folder:
    """Photos that can be used, what they show, which lens each has, and those left out so far."""

    path: Path
    setup: PhotoSetup
    photos: tuple[PhotoFile, ...]
    features: tuple[Features, ...]
    lens_of: tuple[int, ...]
    left_out: tuple[LeftOut, ...]

    def only(self, kept: Sequence[int], more: Sequence[LeftOut]) -> _Folder:
        """The same with those photos alone."""
        return replace(
            self,
            photos=tuple(self.photos[i] for i in kept),
            features=tuple(self.features[i] for i in kept),
            lens_of=tuple(self.lens_of[i] for i in kept),
            left_out=(*self.left_out, *more),
        )

    @property
    def lenses(self) -> list[PhotoFile]:
        """A photo of each lens."""
        return [self.photos[self.lens_of.index(lens)] for lens in range(max(self.lens_of) + 1)]


def place_photos(folder: Path, told: Told = lambda _stage, _part: None, *, scale_elsewhere: bool = False) -> Bundle:
    """All photos of a folder that can be placed, in one frame; ``told`` hears which stage it is at and how far.

    Without anything that tells a length it raises `ReadError`, unless ``scale_elsewhere``; likewise where texture,
    places, overlap or sharpness do not make a wall. Raises `BadTable` for a ``wall.toml`` that cannot be.
    """
    library()
    setup = photo_setup(folder)
    given = _looked_at(folder, setup, told)
    if not scale_elsewhere:
        _refuse_without_scale(given)
    priors = priors_of(given.lenses, setup)
    with tempfile.TemporaryDirectory(prefix="flatscan-") as room:
        database = Path(room) / "photos.db"
        focals = [first_focal(one, setup) for one in given.lenses]
        matches = match(database, given.photos, given.features, given.lens_of, focals, lambda part: told(PAIRING, part))
        first = given.lenses[0]
        middle = np.array([first.width - 1, first.height - 1]) / 2
        refuse_one_place(folder, one_place(database, given.features, middle, focals[0]))
        parts = mapped(database, given.features, given.lens_of)
    numbers = parts[0][2] if parts else []
    refuse_apart(folder, given.photos, matches, numbers)
    told(PLACING, 0.5)
    fitted, used, odd = _fitted(given, parts[0], priors)
    told(PLACING, 1.0)
    left = _left_out(given, matches, parts, odd, numbers)
    return _bundle(given, fitted, used, priors, left, told, scale_elsewhere=scale_elsewhere)


def _looked_at(folder: Path, setup: PhotoSetup, told: Told) -> _Folder:
    """Every photo opened once: its features, or why it cannot be used."""
    paths = photos_in(folder)
    refuse_few(folder, len(paths))
    left, files = list[LeftOut](), list[PhotoFile]()
    for path in paths:
        try:
            one = photo_file(path)
        except ReadError as reason:
            left.append(LeftOut(path.name, note("photo.unreadable", reason=reason.found)))
            continue
        if one.mirrored:
            left.append(LeftOut(path.name, note("photo.mirrored")))
        else:
            files.append(one)
    refuse_few(folder, len(files))
    seen = list[tuple[PhotoFile, Features]]()
    with ThreadPoolExecutor(_LANES) as pool:
        for number, (one, found) in enumerate(zip(files, pool.map(_features, files), strict=True), 1):
            told(LOOKING, number / len(files))
            if isinstance(found, LeftOut):
                left.append(found)
            else:
                seen.append((one, found))
    refuse_few(folder, len(seen))
    given = _Folder(
        folder, setup, tuple(one for one, _ in seen), tuple(found for _, found in seen), (0,) * len(seen), tuple(left)
    )
    faults = texture_faults(given.features)
    refuse_bare(folder, given.features, faults)
    kept = [i for i in range(len(seen)) if i not in faults]
    given = given.only(kept, [LeftOut(given.photos[i].name, why) for i, why in faults.items()])
    return _by_lens(given)


def _features(photo: PhotoFile) -> Features | LeftOut:
    try:
        return features_of(photo)
    except ReadError as reason:
        return LeftOut(photo.name, note("photo.unreadable", reason=reason.found))


def _by_lens(given: _Folder) -> _Folder:
    """One lens for each camera, zoom and size; photos of one that took too few to tell its lens are left out."""
    main, many = common_camera(given.photos)
    order = [main, *sorted(camera for camera in many if camera != main and many[camera] >= FEWEST)]
    kept = [i for i, one in enumerate(given.photos) if one.camera in order]
    other = [i for i in range(len(given.photos)) if i not in kept]
    left = [LeftOut(given.photos[i].name, note("photo.other-lens", count=many[given.photos[i].camera])) for i in other]
    given = given.only(kept, left)
    refuse_few(given.path, len(given.photos))
    return replace(given, lens_of=tuple(order.index(one.camera) for one in given.photos))


def _refuse_without_scale(given: _Folder) -> None:
    """Raise `ReadError` where nothing will tell how long a metre is, before hours of work."""
    setup = given.setup
    seen = [number for one in given.features for number in one.targets]
    often = {number for number in seen if seen.count(number) > 1}
    taped = sum(number in often for number, _ in setup.targets) > 1
    between = any({one.first, one.second} <= often for one in setup.distances)
    if taped or between or (setup.target_size is not None and often):
        return
    found = (
        "no printed target is seen on two photos" if not often else "targets are seen, but nothing was taped of them"
    )
    raise ReadError(
        given.path,
        "nothing tells how large the wall is: " + found,
        needed="a length: {set:width} or {set:height}, taped targets, or a distance between two of them",
        remedy="Give {set:width}, or put the targets' size and places into wall.toml",
    )


def _fitted(
    given: _Folder, part: tuple[Ties, Sights, list[int]], priors: Priors
) -> tuple[Adjusted, list[int], list[LeftOut]]:
    """The photos adjusted together, without those that do not fit; their numbers, and why others were left out."""
    ties, sights, numbers = part
    lenses = sorted({given.lens_of[i] for i in numbers})
    own = Priors(priors.lenses[lenses], priors.u[lenses])
    ties, sights = with_targets(ties, sights, numbers, given.features)
    fitted = adjust(ties, sights, own)
    odd = odd_photos(fitted, [given.features[i] for i in numbers])
    if not odd or len(numbers) - len(odd) < FEWEST:
        return fitted, numbers, []
    left = [LeftOut(given.photos[numbers[i]].name, why) for i, why in odd.items()]
    ties, sights = without(fitted, list(odd))
    return adjust(ties, sights, own), [one for i, one in enumerate(numbers) if i not in odd], left


def _left_out(
    given: _Folder, matches: Matches, parts: Sequence[tuple[Ties, Sights, list[int]]], odd: list[LeftOut],
    placed: Sequence[int],
) -> tuple[LeftOut, ...]:  # fmt: skip
    others = [numbers for _, _, numbers in parts[1:]]
    missing = not_placed(given.photos, given.features, matches, placed, others)
    return tuple(sorted((*given.left_out, *missing, *odd), key=lambda one: one.name))


def _bundle(
    given: _Folder, fitted: Adjusted, used: Sequence[int], priors: Priors, left: tuple[LeftOut, ...], told: Told, *,
    scale_elsewhere: bool,
) -> Bundle:  # fmt: skip
    photos = [given.photos[i] for i in used]
    lenses = sorted({given.lens_of[i] for i in used})
    own = Priors(priors.lenses[lenses], priors.u[lenses])
    quarter = [upright(one, camera_of(np.zeros(10) + 1.0, one.width, one.height))[1] for one in photos]
    axes = on_wall_axes(fitted.ties, uprights_of(fitted.ties.turns, quarter), given.setup)
    if axes.scale_u is None and not scale_elsewhere:
        raise ReadError(
            given.path,
            "targets are seen, but no two photos placed agree where they are",
            needed="targets flat on the wall, each number once",
            remedy="Give {set:width}, or print and hang the targets anew",
        )
    fitted = replace(fitted, ties=axes.ties)
    modes = _modes(fitted, own)
    told(DOUBTING, 1.0)
    return Bundle(
        photos=_placed(photos, axes.ties),
        left_out=left,
        points=axes.ties.points,
        point_photos=_seen_by(fitted),
        modes=tuple(_placed(photos, axes.ties.moved(change)) for change in modes.changes),
        mode_names=modes.names,
        scale_u=axes.scale_u,
        scale_from=axes.scale_from,
        u_reprojection=fitted.residual,
        axes_from=axes.axes_from,
        u_up=axes.u_up,
        notes=placing_notes(fitted, axes, modes, given.setup, left),
        targets=marks_of(axes.ties).corners,
    )


def _modes(fitted: Adjusted, priors: Priors) -> Modes:
    near = np.abs(fitted.ties.points[:, 2]) < 0.02 * float(np.median(fitted.ties.centres[:, 2]))
    modes = modes_of(fitted, priors, near)
    beyond = other_lens(fitted, priors, _UNKNOWN_TERM, _UNKNOWN)
    return replace(modes, changes=np.vstack([modes.changes, beyond]), names=(*modes.names, "lens model"))


def _placed(photos: Sequence[PhotoFile], ties: Ties) -> tuple[Placed, ...]:
    """Every photo with the camera of its upright picture."""
    found = []
    for i, photo in enumerate(photos):
        lens = ties.lenses[ties.lens_of[i]]
        camera, turn = upright(photo, camera_of(lens, photo.width, photo.height))
        found.append(Placed(photo.name, photo.path, camera, turn @ ties.turns[i], ties.centres[i].copy()))
    return tuple(found)


def _seen_by(fitted: Adjusted) -> tuple[Indices, Indices]:
    sights = fitted.sights
    order = np.lexsort((sights.photo, sights.point))
    starts = np.searchsorted(sights.point[order], np.arange(len(fitted.ties.points) + 1))
    return starts.astype(np.int64), sights.photo[order]
