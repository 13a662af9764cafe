"""Make the pictures of the README: ``python scripts/make_pictures.py [ways demo page]``.

They are the report's own pictures of the demo job and of ``meshes_demo/ways.toml``, made smaller, and the live page as a browser
shows it; where there is no browser, it says so and leaves the old picture.
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from _setup import ROOT, ready

MESHES = ROOT / "meshes_demo"
WHAT = ("ways", "demo", "page")
TILE, COLUMNS = (520, 430), 3
#: The demo's pictures that the README shows, by the name they get there; all are made one shape.
SHOWN = {
    "look_region.png": "skeg-root_hull.png",
    "look_templates.png": "skeg-root_P1_templates.png",
    "look_pleats.png": "skeg-root_pleats.png",
    "look_lay.png": "carbon-twill-200_lay_1.png",
}
SHOWN_PX = (720, 930)
#: Size of the browser's window, pixels, the region that is shown in it, and what is shown of that.
WINDOW = (1280, 820)
REGION, SHADE = "bow panel", "P1: shear and threads"
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")


def main() -> int:
    """Run the jobs with the commands a user would type, and make the pictures from what they write."""
    ask = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    ask.add_argument("what", nargs="*", metavar="|".join(WHAT), help="which of them; all if left out")
    ask.add_argument("-o", "--output", type=Path, default=MESHES, help="folder for the pictures")
    ask.add_argument("--from", dest="planned", type=Path, help="folder of a plan of the demo, to spare a new one")
    told = ask.parse_args()
    if unknown := [what for what in told.what if what not in WHAT]:
        ask.error(f"there are no pictures called {unknown[0]}; there are {', '.join(WHAT)}")
    python = ready("test" if "page" in (told.what or WHAT) else "")
    code = 0
    for what in told.what or WHAT:
        with tempfile.TemporaryDirectory() as folder:
            code = code or _made(what, python, Path(folder), told.output.resolve(), told.planned)
    return code


def _made(what: str, python: Path, folder: Path, target: Path, planned: Path | None) -> int:
    """Make one kind of picture; return what the command that failed returned, or 0."""
    if what == "page":
        return _inside(python, "page", str(python), str(target))
    job = MESHES / ("ways.toml" if what == "ways" else "launch.toml")
    out = folder / "out" if what == "ways" or planned is None else planned.resolve()
    if not out.exists():
        code = subprocess.call([str(python), "-m", "plyflat", "plan", str(job), "-o", str(out)])
        if code:
            return code
    return _inside(python, what, str(out / "pictures"), str(target))


def _inside(python: Path, what: str, *words: str) -> int:
    """Call a function of this file with the interpreter that has the libraries."""
    code = f"import sys; sys.path.insert(0, {str(ROOT / 'scripts')!r}); import make_pictures; make_pictures.{what}(*sys.argv[1:])"
    return subprocess.call([str(python), "-c", code, *words])


def ways(pictures: str, target: str) -> None:
    """Lay the pictures of regions on their hulls out in rows."""
    from PIL import Image

    tiles = [Image.open(p).convert("RGB") for p in sorted(Path(pictures).glob("*_hull.png"))]
    rows = -(-len(tiles) // COLUMNS)
    page = Image.new("RGB", (COLUMNS * TILE[0], rows * TILE[1]), "white")
    for k, tile in enumerate(tiles):
        tile.thumbnail((TILE[0] - 16, TILE[1] - 16), Image.Resampling.LANCZOS)
        page.paste(tile, ((k % COLUMNS) * TILE[0] + 8, (k // COLUMNS) * TILE[1] + 8))
    _save(page, Path(target) / "ways.png")


def demo(pictures: str, target: str) -> None:
    """Make the demo's pictures small and of one shape, so that they stand in rows."""
    from PIL import Image

    for name, source in SHOWN.items():
        picture = Image.open(Path(pictures) / source).convert("RGB")
        picture.thumbnail(SHOWN_PX, Image.Resampling.LANCZOS)
        page = Image.new("RGB", SHOWN_PX, "white")
        page.paste(picture, ((SHOWN_PX[0] - picture.width) // 2, 0))
        _save(page, Path(target) / name)


def page(python: str, target: str) -> None:
    """Take a picture of the live page with a region of the demo and its templates."""
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        print(f"look_page.png is left as it is: there is no browser here (looked for {', '.join(BROWSERS)})")
        return
    import io

    from PIL import Image
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        # The page keeps unsaved work beside the job file, so it gets a copy.
        here = Path(shutil.copytree(MESHES, Path(folder) / "demo"))
        with _served(python, here) as address:
            window = play.chromium.launch(executable_path=browser, args=["--no-sandbox"])
            sheet = window.new_page(viewport={"width": WINDOW[0], "height": WINDOW[1]})
            sheet.goto(address)
            sheet.get_by_label("Region", exact=True).select_option(REGION, timeout=180_000)
            sheet.get_by_text("Templates of this region").wait_for(timeout=300_000)
            sheet.locator("#shade").select_option(label=SHADE, timeout=300_000)
            sheet.wait_for_timeout(5000)
            taken = Image.open(io.BytesIO(sheet.screenshot())).convert("RGB")
            window.close()
    _save(taken, Path(target) / "look_page.png")


@contextmanager
def _served(python: str, folder: Path) -> Iterator[str]:
    """The address of the live page of the demo's job in a folder, which ends with the block."""
    words = [python, "-m", "plyflat", "page", "launch.toml", "--no-browser"]
    server = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, cwd=folder)
    try:
        assert server.stdout is not None
        yield next(found.group(0) for line in server.stdout if (found := re.search(r"http://\S+", line)))
    finally:
        server.terminate()
        server.wait(timeout=30)


def _save(picture: Any, target: Path) -> None:
    from PIL import Image

    picture.quantize(128, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).save(target, optimize=True)
    print(f"{target}: {target.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    raise SystemExit(main())
