"""Put the pictures of ``meshes_demo/ways.toml`` together for the README: ``python scripts/make_pictures.py``."""

from __future__ import annotations

import argparse
import subprocess
import tempfile
from pathlib import Path

from _setup import ROOT, ready

TILE = (520, 430)
COLUMNS = 3


def main() -> int:
    """Run the job with the command a user would type, and put its hull pictures on one sheet."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("-o", "--output", type=Path, default=ROOT / "meshes_demo" / "ways.png")
    target = ask.parse_args().output.resolve()
    python = ready("")
    with tempfile.TemporaryDirectory() as folder:
        job, out = ROOT / "meshes_demo" / "ways.toml", Path(folder) / "ways"
        code = subprocess.call([str(python), "-m", "plyflat", "plan", str(job), "-o", str(out)])
        if code:
            return code
        sheet = "import sys; from make_pictures import sheet; sheet(sys.argv[1], sys.argv[2])"
        code = subprocess.call([str(python), "-c", sheet, str(out / "pictures"), str(target)], cwd=ROOT / "scripts")
    print(f"{target}: {target.stat().st_size / 1000:.0f} kB")
    return code


def sheet(pictures: str, target: str) -> None:
    """Lay the pictures of regions on their hulls out in rows."""
    from PIL import Image

    tiles = [Image.open(p).convert("RGB") for p in sorted(Path(pictures).glob("*_hull.png"))]
    rows = -(-len(tiles) // COLUMNS)
    page = Image.new("RGB", (COLUMNS * TILE[0], rows * TILE[1]), "white")
    for k, tile in enumerate(tiles):
        tile.thumbnail((TILE[0] - 16, TILE[1] - 16), Image.Resampling.LANCZOS)
        page.paste(tile, ((k % COLUMNS) * TILE[0] + 8, (k // COLUMNS) * TILE[1] + 8))
    page.quantize(128, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).save(target, optimize=True)


if __name__ == "__main__":
    raise SystemExit(main())
