"""Photos for the record, with time and place taken out unless their owner chooses to keep them."""

from __future__ import annotations

import hashlib
from pathlib import Path

from flatscan.core.errors import ReadError
from flatscan.evidence.contents import Photo

_QUALITY = 95


def take_photo(path: str | Path, target: Path, *, keep_metadata: bool) -> Photo:
    """Copy a photo to ``target`` without its suffix's metadata: as it is if kept, else its picture alone.

    The picture is turned as the camera's tag says and written anew as JPEG or PNG, so no time, place, device or
    thumbnail is left. Raises `ReadError` for a file that is no picture.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    path = Path(path)
    try:
        data = path.read_bytes()
        with Image.open(path) as picture:
            suffix = ".png" if picture.format == "PNG" else ".jpg"
            if keep_metadata:
                target = target.with_suffix(path.suffix.lower() or suffix)
                target.write_bytes(data)
            else:
                target = target.with_suffix(suffix)
                _bare(ImageOps.exif_transpose(picture)).save(target, quality=_QUALITY)
    except (UnidentifiedImageError, OSError, Image.DecompressionBombError) as reason:
        raise ReadError(
            path, f"not a picture that can be read ({' '.join(str(reason).split())[:80]})", needed="a JPEG or PNG",
            remedy="Export the photo as JPEG",
        ) from None  # fmt: skip
    return Photo(target, path.name, hashlib.sha256(data).hexdigest(), keep_metadata)


def _bare(picture):  # type: ignore[no-untyped-def]
    """The pixels alone in a new picture."""
    from PIL import Image

    shown = picture.convert("RGB")
    bare = Image.new("RGB", shown.size)
    bare.paste(shown)
    return bare
