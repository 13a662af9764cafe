"""The live page in a real browser: clicks on the hull become points, the job file is written, strangers are refused."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import igl
import numpy as np
import pytest
import shapes
import trimesh

from plyflat.job.reader import read_job

BROWSER = next((shutil.which(name) for name in ("chromium", "chromium-browser") if shutil.which(name)), None)

#: No step fails for being slow: other work may take the processor meanwhile.
PATIENCE_MS = 300_000

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine: the live page is not tried in a browser")

JOB = """\
version = 1
name = "test sheet"

[mesh.hull]
file = "hull.ply"
unit = "mm"

[[region]]
name = "panel"
mesh = "hull"
outline = { unit = "mm", points = [[200, 200, 15], [400, 200, 15], [400, 400, 15], [200, 400, 15]] }
tolerance = "60 mm"

[[region.ply]]
cloth = "glass"
angle = "0 deg"

[cloth.glass]
areal_weight = "300 g/m^2"
roll_width = "1 m"
roll_length = "10 m"
fibre = "glass"
face_up = "out"

[lay]
seconds = "1 s"
"""


DEMO = Path(__file__).parents[2] / "meshes_demo"


def _serve(target):
    process = subprocess.Popen(
        [sys.executable, "-m", "plyflat", "page", str(target), "--no-browser"],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    for line in process.stdout:
        found = re.search(r"http://\S+", line)
        if found:
            return process, found.group(0)
    raise AssertionError("the page did not start")


def _end(process):
    process.terminate()
    process.wait(timeout=120)
    process.stdout.close()


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page")
    v, f = shapes.smooth_patch(600.0, rise=40.0, triangles=8000)
    (folder / "hull.ply").write_bytes(trimesh.Trimesh(v, f, process=False).export(file_type="ply"))
    (folder / "job.toml").write_text(JOB)
    process, address = _serve(folder / "job.toml")
    yield folder, address, process
    _end(process)


@pytest.fixture(scope="module")
def sheet(served):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1400, "height": 900})
        page.set_default_timeout(PATIENCE_MS)
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        outside: list[str] = []
        page.on("request", lambda r: outside.append(r.url) if "127.0.0.1" not in r.url and r.url.startswith("http") else None)
        page.goto(served[1])
        page.wait_for_selector("text=panel: ", timeout=PATIENCE_MS)
        yield page
        assert faults == []
        assert outside == []
        browser.close()


def _status(url, **headers):
    try:
        with urllib.request.urlopen(urllib.request.Request(url, headers=headers), timeout=60) as answer:
            return answer.status
    except urllib.error.HTTPError as error:
        error.close()
        return error.code


def test_strangers_are_refused(served):
    _, address, _ = served
    bare = address.partition("?")[0]
    assert _status(address) == 200
    assert _status(bare) == 403
    assert _status(address, Origin="http://evil.example") == 403
    assert _status(address, Host="evil.example") == 403
    assert _status(bare + "ws", Upgrade="websocket") == 403
    assert _status(bare + "../../etc/passwd") == 403


def _points(sheet):
    return [np.array(t.input_value().split()[:3], dtype=float) for t in sheet.locator(".points input").all()]


def test_clicks_on_the_hull_become_points_of_the_job(served, sheet):
    folder = served[0]
    sheet.click("text=above")
    sheet.fill("#new_name", "patch")
    sheet.click("text=Mark it on the hull")
    sheet.wait_for_function("document.querySelectorAll('.points li').length == 0", timeout=PATIENCE_MS)
    box = sheet.locator(".picture img").bounding_box()
    for k, (x, y) in enumerate(((0.45, 0.45), (0.55, 0.45), (0.55, 0.55), (0.45, 0.55))):
        sheet.mouse.click(box["x"] + x * box["width"], box["y"] + y * box["height"])
        sheet.wait_for_function(f"document.querySelectorAll('.points li').length == {k + 1}", timeout=PATIENCE_MS)
    points = _points(sheet)
    hull = trimesh.load(folder / "hull.ply", process=False)
    squared = igl.point_mesh_squared_distance(np.array(points), np.array(hull.vertices), np.array(hull.faces))[0]
    assert squared.max() < 0.1**2  # written to a tenth of a mm
    # Seen from above the four clicks are the corners of a rectangle.
    a, b, c, d = (p[:2] for p in points)
    np.testing.assert_allclose(b - a, c - d, atol=6.0)
    sheet.click("button:text-is('Done')")
    sheet.wait_for_selector("text=patch: ", timeout=PATIENCE_MS)
    sheet.click("button:has-text('Save')")
    sheet.wait_for_function("!document.querySelector('.file').innerText.includes('not saved')", timeout=PATIENCE_MS)
    assert [r.name for r in read_job(folder / "job.toml").regions] == ["panel", "patch"]


@pytest.mark.reference(source="axe-core, its rules of WCAG 2 and of good practice", kind="library")
def test_everyone_can_find_their_way_on_the_page(sheet):
    from axe_playwright_python.sync_playwright import Axe

    def faults():
        found = Axe().run(sheet).response
        assert len(found["passes"]) > 20
        return [(f["id"], f["impact"], f["nodes"][0]["html"]) for f in found["violations"]]

    assert faults() == []
    sheet.select_option("#say", "round_hole")
    sheet.click("text=Mark it >> nth=0")
    sheet.wait_for_selector(".marking", timeout=PATIENCE_MS)
    assert faults() == []
    sheet.click("text=Leave as it was")
    sheet.wait_for_selector(".marking", state="detached", timeout=PATIENCE_MS)
    assert faults() == []


def _send(tab, path, size=None):
    """Choose a file, made with so many bytes where a size is given, and return what the page says of it."""
    if size is not None:
        with path.open("wb") as file:
            file.truncate(size)
    tab.set_input_files("#upload", path)
    tab.wait_for_function("document.getElementById('sending').textContent.match(/is there|\\. /)", timeout=PATIENCE_MS)
    return tab.inner_text("#sending")


def test_the_demo_scan_is_sent_and_a_patch_marked_on_it(sheet, tmp_path):
    room = tmp_path / "room"
    room.mkdir()
    process, address = _serve(room)
    tab = sheet.context.browser.new_page()
    tab.set_default_timeout(PATIENCE_MS)
    try:
        tab.goto(address)
        tab.wait_for_selector("text=no mesh file in this folder", timeout=PATIENCE_MS)
        assert _send(tab, tmp_path / "empty.stl", 0) == "empty.stl: the file is empty. Save the scan again, and send it then."
        assert _send(tab, tmp_path / "large.stl", 2_000_000_000) == "large.stl: more than 300 MB. Thin the mesh first."
        assert _send(tab, DEMO / "skeg_scan.ply") == "skeg_scan.ply is there."
        begin = "text=Write a first job and open it"
        tab.click(begin)
        tab.wait_for_selector("text=the unit of length is not known", timeout=PATIENCE_MS)
        tab.select_option("#chosen_unit", "m")
        tab.click(begin)
        tab.fill("#new_name", "patch", timeout=PATIENCE_MS)
        tab.click("text=Mark it on the hull")
        tab.wait_for_selector(".marking", timeout=PATIENCE_MS)
        box = tab.locator(".picture img").bounding_box()
        for k, (x, y) in enumerate(((0.45, 0.53), (0.55, 0.53), (0.55, 0.6), (0.45, 0.6))):
            tab.mouse.click(box["x"] + x * box["width"], box["y"] + y * box["height"])
            tab.wait_for_function(f"document.querySelectorAll('.points li').length == {k + 1}", timeout=PATIENCE_MS)
        tab.click("button:text-is('Done')")
        tab.wait_for_selector("text=patch: ", timeout=PATIENCE_MS)
        tab.fill("[aria-label='Angle of ply 1']", "45 deg")
        tab.press("[aria-label='Angle of ply 1']", "Enter")
        tab.wait_for_selector("text=warp line at 45 deg", timeout=PATIENCE_MS)
        tab.keyboard.press("Control+s")
        tab.wait_for_function("!document.querySelector('.file').innerText.includes('not saved')", timeout=PATIENCE_MS)
        tab.reload()
        tab.wait_for_selector("text=patch: ", timeout=PATIENCE_MS)
        assert tab.input_value("[aria-label='Angle of ply 1']") == "45 deg"
    finally:
        tab.close()
        _end(process)
    assert sorted(p.name for p in room.iterdir()) == ["skeg_scan.ply", "skeg_scan.toml"]
    job = read_job(room / "skeg_scan.toml")
    assert job.meshes["hull"].unit == "m"
    patch = job.regions[1]
    assert [ply.angle_deg for ply in patch.plies] == [45.0]
    # The clicks were the corners of a rectangle in the picture, which looks square at the hull there.
    a, b, c, d = np.array(patch.outline_mm)
    np.testing.assert_allclose(b - a, c - d, atol=0.1 * np.linalg.norm(b - a))


def test_a_point_that_moves_shows_a_rough_shape_and_then_the_template(served, sheet):
    sheet.wait_for_selector("label:has-text('Templates of this region')", timeout=PATIENCE_MS)
    first = sheet.inner_html(".shape .sheet")
    sheet.evaluate("""() => {
        window.seen = [];
        const look = () => { const l = document.querySelector(".shape label"); if (l) window.seen.push(l.innerText); };
        new MutationObserver(look).observe(document.body, { childList: true, subtree: true, characterData: true });
    }""")
    field = sheet.locator(".points input").first
    x, y, z = field.input_value().split()[:3]
    field.fill(f"{float(x) + 12} {float(y) + 7} {z} mm")
    field.press("Enter")
    sheet.wait_for_function("window.seen.includes('Not final')", timeout=PATIENCE_MS)
    sheet.wait_for_selector("label:has-text('Templates of this region')", timeout=PATIENCE_MS)
    last = sheet.inner_html(".shape .sheet")
    assert last != first
    assert "CUT" in last
    sheet.click("text=Undo")
    sheet.wait_for_function("html => document.querySelector('.shape .sheet').innerHTML == html", arg=first, timeout=PATIENCE_MS)


def test_turning_the_hull_adds_no_point(sheet):
    count = len(_points(sheet))
    box = sheet.locator(".picture img").bounding_box()
    x, y = box["x"] + 0.7 * box["width"], box["y"] + 0.7 * box["height"]
    sheet.mouse.move(x, y)
    sheet.mouse.down()
    for k in range(10):
        sheet.mouse.move(x - 8 * k, y - 3 * k)
        time.sleep(0.03)
    sheet.mouse.up()
    time.sleep(1.0)
    assert len(_points(sheet)) == count


def _touch(fingers, places):
    """Put fingers down, move them from place to place and lift them."""
    for kind, points in [("touchStart", places[0]), *(("touchMove", p) for p in places[1:]), ("touchEnd", [])]:
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(points)]})
        time.sleep(0.03)


def _mm_per_pixel(tab):
    return float(re.search("one pixel here is ([0-9.e-]+) mm", tab.inner_text(".hint")).group(1))


def test_a_reload_and_a_second_tab_lose_nothing(served, sheet):
    sheet.select_option("#say", "round_hole")
    sheet.click("text=Mark it >> nth=0")
    sheet.wait_for_selector(".marking", timeout=PATIENCE_MS)
    sheet.fill("#typed", "300 300 30")
    sheet.press("#typed", "Enter")
    sheet.wait_for_function("document.querySelectorAll('.points li').length == 1", timeout=PATIENCE_MS)
    sheet.reload()
    sheet.wait_for_selector(".marking .points li", timeout=PATIENCE_MS)
    np.testing.assert_allclose(_points(sheet), [[300, 300, 30]])
    # On a tablet in a second tab: the notice is there, and a tap puts the point anew.
    tablet = sheet.context.browser.new_context(viewport={"width": 820, "height": 1180}, has_touch=True)
    tablet.set_default_timeout(PATIENCE_MS)
    other = tablet.new_page()
    other.goto(served[1])
    other.wait_for_selector("text=is open in 2 tabs", timeout=PATIENCE_MS)
    assert other.evaluate("document.documentElement.scrollWidth") <= 820
    box = other.wait_for_selector(".picture img").bounding_box()
    time.sleep(1.0)
    other.touchscreen.tap(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    other.wait_for_function("!document.querySelector('.points input').value.startsWith('300 300 30')", timeout=PATIENCE_MS)
    # Two fingers come nearer and put no point; one finger beside the point turns and puts none either.
    point = other.input_value(".points input")
    far = _mm_per_pixel(other)
    fingers = tablet.new_cdp_session(other)
    x, y = box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"]
    _touch(fingers, [[(x - 40 - 8 * k, y), (x + 40 + 8 * k, y)] for k in range(8)])
    _touch(fingers, [[(x + 120 + 4 * k, y + 90 + 3 * k)] for k in range(8)])
    time.sleep(0.5)
    assert other.input_value(".points input") == point
    other.touchscreen.tap(x - 90, y - 60)
    other.wait_for_function("was => document.querySelector('.points input').value != was", arg=point, timeout=PATIENCE_MS)
    assert 0.3 * far < _mm_per_pixel(other) < 0.6 * far
    tablet.close()
    sheet.wait_for_selector("text=is open in 2 tabs", state="detached", timeout=PATIENCE_MS)
    sheet.click("text=Leave as it was")
    sheet.wait_for_selector(".marking", state="detached", timeout=PATIENCE_MS)


def test_the_keyboard_takes_a_step_back_and_makes_it_again(sheet):
    sheet.click("text=Add a ply")
    sheet.wait_for_function("document.querySelectorAll('.plies tr').length == 2", timeout=PATIENCE_MS)
    sheet.focus("text=Add a ply")
    sheet.keyboard.press("Control+z")
    sheet.wait_for_function("document.querySelectorAll('.plies tr').length == 1", timeout=PATIENCE_MS)
    sheet.keyboard.press("Control+y")
    sheet.wait_for_function("document.querySelectorAll('.plies tr').length == 2", timeout=PATIENCE_MS)
    sheet.keyboard.press("Control+z")
    sheet.wait_for_function("document.querySelectorAll('.plies tr').length == 1", timeout=PATIENCE_MS)


def test_a_point_of_an_opening_is_dragged_and_put_back(sheet):
    sheet.click("text=above")
    sheet.select_option("#say", "hole")
    sheet.click("text=Mark it >> nth=0")
    sheet.wait_for_selector(".marking", timeout=PATIENCE_MS)
    box = sheet.locator(".picture img").bounding_box()
    places = [(box["x"] + x * box["width"], box["y"] + y * box["height"]) for x, y in ((0.47, 0.47), (0.53, 0.47), (0.5, 0.53))]
    for k, place in enumerate(places):
        sheet.mouse.click(*place)
        sheet.wait_for_function(f"document.querySelectorAll('.points li').length == {k + 1}", timeout=PATIENCE_MS)
    marked = [t.input_value() for t in sheet.locator(".points input").all()]
    sheet.click("button:text-is('Done')")
    sheet.click("summary:text-is('Its points')", timeout=PATIENCE_MS)
    corners = sheet.locator(".of_area input")
    before = [t.input_value() for t in corners.all()]
    numbers = [[[float(c) for c in text.split()[:3]] for text in texts] for texts in (before, marked)]
    assert numbers[0] == numbers[1]
    # The list of points lies further down, so that the page was scrolled.
    box = sheet.locator(".picture img").bounding_box()
    x, y = box["x"] + 0.53 * box["width"], box["y"] + 0.47 * box["height"]
    sheet.mouse.move(x, y)
    sheet.mouse.down()
    sheet.mouse.move(x + 6, y - 20, steps=4)
    sheet.mouse.up()
    sheet.wait_for_function(f"document.querySelectorAll('.of_area input')[1].value != '{before[1]}'", timeout=PATIENCE_MS)
    after = [t.input_value() for t in corners.all()]
    assert (after[0], after[2]) == (before[0], before[2])
    sheet.focus("text=Add a ply")
    sheet.keyboard.press("Control+z")
    sheet.wait_for_function(f"document.querySelectorAll('.of_area input')[1].value == '{before[1]}'", timeout=PATIENCE_MS)
    sheet.keyboard.press("Control+z")
    sheet.wait_for_selector(".of_area", state="detached", timeout=PATIENCE_MS)


def test_the_plan_is_worked_out_while_the_page_stays_alive(served, sheet):
    sheet.click("text=Work it out")
    sheet.wait_for_selector("progress", timeout=PATIENCE_MS)
    sheet.click("text=port")  # the page still answers
    sheet.wait_for_selector(".results", timeout=PATIENCE_MS)
    assert (served[0] / "job_plan" / "report.html").is_file()
    assert "patch / P1" in sheet.locator("#drawing").inner_text()


def test_nothing_is_lost_when_the_server_is_killed(served, sheet):
    folder, _, process = served
    sheet.click("text=Add a ply")
    sheet.wait_for_function("document.querySelectorAll('.plies tr').length == 2", timeout=PATIENCE_MS)
    process.send_signal(signal.SIGKILL)
    process.wait(timeout=120)
    from plyflat.page.draft import Draft

    again = Draft.open(folder / "job.toml")
    assert again.recovered
    assert again.steps[-1] == "one more ply of patch"
    # The page that is still open says so in words of its own.
    sheet.wait_for_selector("text=The program behind this page has ended", timeout=PATIENCE_MS)
