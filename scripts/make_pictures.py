"""Make the README's pictures again from the bundled samples: .venv/bin/python scripts/make_pictures.py"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

SAMPLES = Path(__file__).parent.parent / "sample_clouds"
WIDE = 1100


def shrunk(source: Path, target: Path) -> None:
    """A picture small enough for a README: fewer pixels, and a palette that line drawings do not miss."""
    with Image.open(source) as picture:
        high = round(picture.height * WIDE / picture.width)
        small = picture.convert("RGB").resize((WIDE, high), Image.Resampling.LANCZOS)
    small.quantize(64).save(target, optimize=True)
    print(f"{target.name}: {target.stat().st_size:,} bytes")


def main() -> None:
    pictures = SAMPLES / "pictures"
    pictures.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as work:
        out = Path(work) / "survey"
        line = [sys.executable, "-m", "flatscan", "survey", str(SAMPLES / "wall.ply")]
        subprocess.run(
            [*line, "--capture-type", "scanner", "--quiet", "--out", str(out)], check=True, stdout=subprocess.DEVNULL
        )
        shrunk(out / "survey-contour.png", pictures / "contour.png")


if __name__ == "__main__":
    main()
