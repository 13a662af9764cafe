"""Lengths of 5 m in every kind of file that is cut or printed by, read by programs that did not write them.

All files are of one piece, 5000 mm long and turned by 7 degrees, so that both axes and their scales count.
"""

import math
import shutil
import subprocess

import numpy as np
import plans
import pytest
import shapely
from shapely import LineString, Polygon, box
from shapely.affinity import rotate, translate

from plyflat.export.drawing import Look, draw_templates, lay_drawings
from plyflat.export.dxf import twin_path, write_dxf
from plyflat.export.paper import roll, sheet, write_paper
from plyflat.export.plotter import UNITS_PER_MM, write_plotter
from plyflat.export.sewn import write_sewn
from plyflat.export.svg import write_svg

LONG_MM, OFF_MM = 5000.0, 0.1
MM_PER_POINT, MM_PER_PIXEL = 25.4 / 72.0, 25.4 / 96.0
BROWSER = next((shutil.which(name) for name in ("chromium", "chromium-browser") if shutil.which(name)), None)
VIEWER = shutil.which("hp2xx")
needs_viewer = pytest.mark.skipif(VIEWER is None, reason="no hp2xx on this machine: plotter files are not tried in a viewer")


def long_template():
    """Return a strip of 5000 by 200 mm, turned by 7 degrees."""
    strip = translate(rotate(box(0, 0, LONG_MM, 200), 7.0, origin=(0, 0)), 30.0, 10.0)
    return plans.replace(plans.template("P1", "A", strip), cut=strip)


def long_drawing():
    return draw_templates("long", [long_template()], notch_mm=6.0)


def sides(points):
    """Return the two lengths of a ring's longest side and of the one over against it."""
    ring = np.asarray(points, dtype=float)
    lengths = np.sort(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1))
    return lengths[-2:]


@pytest.mark.reference(source="trimesh, its own DXF reader", kind="library")
def test_five_metres_of_dxf(tmp_path):
    import trimesh

    path = tmp_path / "x.dxf"
    write_dxf(long_drawing(), path)
    write_sewn("long", [long_template()], tmp_path / "x_sewn_mm.dxf", notch_mm=6.0)
    for file in (path, twin_path(path), tmp_path / "x_sewn_mm.dxf"):
        with file.open("rb") as text:
            read = trimesh.load_path(text, file_type="dxf", process=False)
        rings = [np.asarray(e.discrete(read.vertices))[:-1, :2] for e in read.entities if len(e.points) == 5]
        # The line to cut and the net line in it are one here; the square to measure is the other ring of four corners.
        long = [ring for ring in rings if Polygon(ring).area > 1e5]
        assert len(long) == 2
        for ring in long:
            assert sides(ring) == pytest.approx([LONG_MM, LONG_MM], abs=OFF_MM)
        if file == path:
            assert read.units in ("mm", "millimeters")


@pytest.mark.reference(source="a browser's own SVG: getTotalLength, getBBox and getScreenCTM; CSS: 96 pixels to the inch", kind="library")
@pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine: SVG is not tried in a browser")
def test_five_metres_of_svg_in_a_browser(tmp_path):
    from playwright.sync_api import sync_playwright

    write_svg(long_drawing(), tmp_path / "x.svg")
    asked = """() => {
        const path = document.querySelector("#CUT path"), screen = path.getScreenCTM(), box = path.getBBox()
        return [path.getTotalLength(), box.width, box.height, screen.a, screen.b, screen.c, screen.d]
    }"""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        page = browser.new_page()
        page.goto((tmp_path / "x.svg").as_uri())
        length, wide, high, a, b, c, d = page.evaluate(asked)
        browser.close()
    # What the browser draws a unit of the file as, in mm of a screen of 96 pixels to the inch.
    assert (b, c) == (0, 0)
    across, up = a * MM_PER_PIXEL, d * MM_PER_PIXEL
    turn = math.radians(7.0)
    assert length * across == pytest.approx(2 * (LONG_MM + 200.0), abs=2 * OFF_MM)
    assert wide * across == pytest.approx(LONG_MM * math.cos(turn) + 200.0 * math.sin(turn), abs=OFF_MM)
    assert high * up == pytest.approx(LONG_MM * math.sin(turn) + 200.0 * math.cos(turn), abs=OFF_MM)
    assert across == pytest.approx(1.0, abs=OFF_MM / LONG_MM)


def crosses(page):
    """Return the middles of the crosses of a page, mm from its lower left corner, from the left and from below."""
    arms = [np.array([(x, float(page.height) - y) for x, y in line["pts"]]) * MM_PER_POINT for line in page.lines]
    arms = [arm for arm in arms if np.linalg.norm(arm[1] - arm[0]) == pytest.approx(8.0, abs=0.01)]
    middles = {tuple(arm.mean(axis=0).round(2)) for arm in arms}
    return sorted(middles)


def long_ring(page):
    """Return the corners of the long strip on a page, mm from its lower left corner; none where it is not drawn."""
    rings = [np.array([(x, float(page.height) - y) for x, y in curve["pts"]]) * MM_PER_POINT for curve in page.curves]
    return next((ring[:4] for ring in rings if max(sides(ring[:4])) > 1000.0), np.zeros((0, 2)))


@pytest.mark.reference(source="pdfplumber reads the lines and pages; ISO 32000: a unit of 1/72 inch", kind="library")
@pytest.mark.parametrize("paper", [roll(914.4), sheet("A4"), sheet("A3")], ids=["36 in", "A4", "A3"])
def test_five_metres_of_paper_stuck_together_by_its_crosses(paper, tmp_path):
    """The strip's ends lie on other pages; the pages between are put together by frame and cross alone."""
    import pdfplumber

    drawing = draw_templates("long", [long_template()], notch_mm=6.0, look=Look(check=False))
    write_paper([drawing], tmp_path / "x.pdf", paper)
    ends = {}
    with pdfplumber.open(tmp_path / "x.pdf") as pdf:
        pages = pdf.pages[1:]
        margin, overlap = 10.0, 10.0
        for page in pages:
            row, column = (int(word.strip(",;")) for word in page.extract_text().replace("row", "").replace("column", "").split()[:2])
            found = crosses(page)
            assert len(found) == 4
            # From the frame's lower left corner, which lies on the cross of the page to the left and below.
            (left, low), (right, top) = found[0], found[-1]
            assert (left, low) == pytest.approx((margin + overlap, margin + overlap), abs=0.011)
            # A roll's last page is cut off short; only what comes before it is a whole step.
            ends[row, column] = (right - margin, top - margin, long_ring(page) - margin)
            sizes = np.array([float(page.width), float(page.height)]) * MM_PER_POINT
            assert np.abs(sizes - paper.width_mm).min() < 0.01
            assert sizes.max() < LONG_MM + 0.01
    # Steps from page to page, all read off the crosses of the first row and column there are.
    columns, rows = max(c for _, c in ends), max(r for r, _ in ends)
    across = {c: next(step for (_, k), (step, _, _) in ends.items() if k == c) for c in range(1, columns + 1)}
    up = {r: next(step for (k, _), (_, step, _) in ends.items() if k == r) for r in range(1, rows + 1)}
    corners = []
    for (row, column), (_, _, ring) in sorted(ends.items()):
        at = np.array([sum(across[c] for c in range(1, column)), sum(up[r] for r in range(row + 1, rows + 1))])
        window = box(-0.01, -0.01, across[column] + overlap + 0.01, up[row] + overlap + 0.01)
        # What lies beyond the page's own frame is clipped and not seen.
        corners += [tuple((p + at).round(2)) for p in ring if window.contains(shapely.Point(p))]
    found = shapely.convex_hull(shapely.MultiPoint(corners))
    seen = np.asarray(found.simplify(0.5).exterior.coords)[:-1]
    assert len(seen) == 4
    assert sides(seen) == pytest.approx([LONG_MM, LONG_MM], abs=OFF_MM)


# -- plotter files in a viewer that is not ours --------------------------------------------------------------------------
def seen_by_viewer(text, folder):
    """Return what hp2xx draws of a plotter file, as lines in mm by colour, and what it says of it.

    Its SVG has points of 1/72 inch, y from the top; pen 1 is black and pen 2 red.
    """
    (folder / "in.plt").write_bytes(text.encode("ascii"))
    words = [VIEWER, "-t", "-x0", "-y0", "-m", "svg", "-f", str(folder / "out.svg"), str(folder / "in.plt")]
    said = subprocess.run(words, capture_output=True, text=True, check=True, cwd=folder).stderr
    from lxml import etree

    root = etree.parse(folder / "out.svg").getroot()
    high = float(root.get("viewBox").split()[3])
    lines = {}
    for group in root.findall("{*}g"):
        for path in group.findall("{*}path"):
            points = np.array(path.get("d").replace("M", " ").replace("L", " ").replace(",", " ").split(), dtype=float).reshape(-1, 2)
            points[:, 1] = high - points[:, 1]
            colour = group.get("style").split(";")[0].removeprefix("stroke:")
            if len(points) > 1:
                lines.setdefault(colour, []).append(points * MM_PER_POINT)
    return lines, said


BLACK, RED = "rgb(0,0,0)", "rgb(255,0,0)"


@pytest.mark.reference(source="hp2xx 3.4.4, a viewer of plotter files", kind="library")
@needs_viewer
@pytest.mark.parametrize("language", ["plain", "hpgl2"])
def test_five_metres_of_a_plotter_file_in_a_viewer(language, tmp_path):
    drawing = long_drawing()
    write_plotter(drawing, tmp_path / "x.plt", language=language, frame_mm=10_000.0)
    lines, said = seen_by_viewer((tmp_path / "x.plt").read_text(encoding="ascii"), tmp_path)
    assert "command(s) ignored: 0" in said
    assert "Unexpected event(s):  0" in said
    (cut,) = lines[BLACK]
    # Past its first four corners it runs on over its start.
    assert sides(cut[:4]) == pytest.approx([LONG_MM, LONG_MM], abs=OFF_MM)
    wide, high = (float(v) for v in said.split("Width  x  height: ")[1].split(" mm")[0].split(" x "))
    turn = math.radians(7.0)
    assert wide == pytest.approx(LONG_MM * math.cos(turn) + 200.0 * math.sin(turn), abs=OFF_MM)
    assert high == pytest.approx(LONG_MM * math.sin(turn) + 200.0 * math.cos(turn), abs=OFF_MM)


@pytest.mark.reference(source="hp2xx 3.4.4, a viewer of plotter files", kind="library")
@needs_viewer
def test_frames_of_a_lay_put_end_to_end_are_what_the_viewer_draws_of_each(tmp_path):
    """A viewer knows no feed: each frame is shown to it by itself, and put where those before it end."""
    plan = plans.make(tmp_path)
    for _, drawing in lay_drawings(plan):
        write_plotter(drawing, tmp_path / "x.plt", frame_mm=650.0)
        text = (tmp_path / "x.plt").read_text(encoding="ascii")
        at, cut, drawn = 0.0, [], []
        for frame in text.split("FR;"):
            lines, said = seen_by_viewer(f"IN;{frame}", tmp_path)
            assert "command(s) ignored: 0" in said
            cut += [LineString(p + (at, 0.0)) for p in lines.get(BLACK, [])]
            drawn += [LineString(p + (at, 0.0)) for p in lines.get(RED, [])]
            # Where the pen waits for the feed.
            at += int(frame.strip().rpartition("PU")[2].split(",")[0]) / UNITS_PER_MM
        seen, marks = shapely.union_all(cut), shapely.union_all(drawn)
        notches = [LineString(s.points_mm) for s in drawing.strokes if s.layer == "NOTCH"]
        meant = shapely.union_all([*(outline.boundary for _, outline in drawing.pieces), *notches])
        assert shapely.hausdorff_distance(meant, seen) < OFF_MM
        inner = [LineString(s.points_mm) for s in drawing.strokes if s.layer in ("WARP", "FOLD", "JOIN")]
        assert shapely.union_all(inner).difference(marks.buffer(OFF_MM)).length == 0.0
