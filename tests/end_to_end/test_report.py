"""The report in a real browser without a network: a region is turned where its picture was."""

from __future__ import annotations

import io
import shutil
import time

import numpy as np
import pytest
import stacks
from PIL import Image

from plyflat.report.page import report_html
from plyflat.report.style import Picture
from plyflat.report.turn import turnables

BROWSER = next((shutil.which(name) for name in ("chromium", "chromium-browser") if shutil.which(name)), None)

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine: the report is not tried in a browser")

NO_NETWORK = "--host-resolver-rules=MAP * ~NOTFOUND"


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    plan = stacks.make(folder)
    out = io.BytesIO()
    Image.new("RGB", (600, 400), "grey").save(out, "PNG")
    shown = Picture("hull", "The region on the hull", "A grey picture", out.getvalue(), ("hull", plan.regions[0].name))
    lay = Picture("lay", "The lay", "A grey picture", out.getvalue(), ("lay", plan.rolls[0].material, "1"))
    turned = turnables(plan)
    (folder / "report.html").write_text(report_html(plan, (shown, lay), turns=turned), encoding="utf-8")
    return folder / "report.html", turned[0].triangles


def seen(report, *flags, width=1100):
    """Open the report, press the button, and yield the page and what it asked for."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=BROWSER, args=["--no-sandbox", NO_NETWORK, *flags])
        page = browser.new_page(viewport={"width": width, "height": 900})
        asked, faults = [], []
        page.on("request", lambda request: asked.append(request.url))
        page.on("pageerror", lambda fault: faults.append(str(fault)))
        page.goto(report[0].as_uri())
        page.locator(".turn button").click()
        yield page, asked, faults
        browser.close()


def picture(frame):
    return Image.open(io.BytesIO(frame.screenshot())).convert("RGB").tobytes()


def changed(frame, before):
    """Whether a picture changes within a while: a browser draws when it gets round to it."""
    end = time.monotonic() + 60
    while picture(frame) == before and time.monotonic() < end:
        time.sleep(0.1)
    return picture(frame) != before


def test_it_is_turned_in_place_of_its_picture(report):
    for page, asked, faults in seen(report, "--use-angle=swiftshader", "--enable-unsafe-swiftshader", width=400):
        page.wait_for_selector("body[data-ready]", timeout=300_000)
        assert page.locator("body").get_attribute("data-ready") == f"{report[1]} triangles"
        assert not page.locator(".turn img").first.is_visible()
        frame = page.locator(".turn iframe")
        before = Image.open(io.BytesIO(frame.screenshot())).convert("RGB")
        assert len(before.getcolors(1 << 20)) > 1000
        box = frame.bounding_box()
        page.mouse.move(box["x"] + 200, box["y"] + 150)
        page.mouse.down()
        page.mouse.move(box["x"] + 120, box["y"] + 80, steps=3)
        page.mouse.up()
        assert changed(frame, before.tobytes())
        page.locator(".turn button").click()
        assert page.locator(".turn img").first.is_visible()
        assert asked == [report[0].as_uri(), *(a for a in asked if a.startswith(("data:", "blob:", "about:")))]
        assert faults == []


#: What stands in the corner of the scene: words with their boxes, and each arrow from foot to head beside its way as the viewer
#: itself carries points of the scene to the picture.
ARROWS = """([across, over]) => {
  const renderer = window.global.renderWindow.getRenderers().find((r) => r.getActors().length), camera = renderer.getActiveCamera();
  camera.azimuth(across), camera.elevation(over), camera.orthogonalizeViewUp();
  const middle = camera.getFocalPoint(), shape = window.innerWidth / window.innerHeight;
  const shown = (p) => renderer.worldToNormalizedDisplay(...p, shape).map((c, k) => c * (k ? -window.innerHeight : window.innerWidth));
  const lines = document.querySelectorAll("#ways line"), [x, y] = shown(middle);
  return [...document.querySelectorAll("#ways text")].map((word, k) => {
    const at = word.getBoundingClientRect(), box = [at.left, at.top, at.right, at.bottom];
    const name = word.textContent.split(":")[0], way = told.ways.find((w) => w.text === name).way;
    const [u, v] = shown(middle.map((c, j) => c + 0.1 * way[j]));
    const line = lines[k] && ["x1", "y1", "x2", "y2"].map((n) => +lines[k].getAttribute(n));
    const near = camera.getDirectionOfProjection().reduce((sum, c, j) => sum + c * way[j], 0) < 0;
    return { name, box, words: word.textContent, near, seen: [u - x, v - y], line };
  });
}"""


def test_arrows_forward_and_up_turn_with_the_hull(report):
    for page, _, faults in seen(report, "--use-angle=swiftshader", "--enable-unsafe-swiftshader", width=400):
        page.wait_for_selector("body[data-ready]", timeout=300_000)
        high = page.locator(".turn iframe").bounding_box()["height"]
        body = page.frame_locator(".turn iframe").locator("body")
        told = [body.evaluate(f"() => ({ARROWS})({step})") for step in ([0, 0], *[[25, 8]] * 14)]
        assert all({t["name"] for t in two} == {"forward", "up"} for two in told)
        for (a, b, c, d), (e, f, g, h) in ([t["box"] for t in two] for two in told):
            assert c <= e or g <= a or d <= f or h <= b
            assert min(a, e) >= 0
            assert max(d, h) <= high
        drawn = [t for two in told for t in two if t["line"]]
        assert len(drawn) > len(told)
        for t in drawn:
            way = np.subtract(t["line"][2:], t["line"][:2])
            np.testing.assert_allclose(way / np.hypot(*way), t["seen"] / np.hypot(*t["seen"]), atol=0.02)
        # This hull's crown is seen from above at first.
        said = [t["words"] for two in told for t in two if not t["line"]]
        assert said[0] == "up: towards you"
        assert all(("towards you" in t["words"]) == t["near"] for two in told for t in two if not t["line"])
        assert faults == []


@pytest.mark.reference(source="axe-core, its rules of WCAG 2 and of good practice", kind="library")
def test_everyone_can_find_their_way_on_it(report):
    from axe_playwright_python.sync_playwright import Axe

    for page, _, _ in seen(report, "--disable-gpu", "--disable-3d-apis", width=400):
        page.get_by_text("This browser cannot draw it").wait_for(timeout=300_000)
        found = Axe().run(page).response
        assert len(found["passes"]) > 20
        assert [(f["id"], f["impact"], f["nodes"][0]["html"]) for f in found["violations"]] == []


def test_on_a_phone_nothing_is_wider_than_the_screen_and_what_is_folded_opens(report):
    for page, asked, faults in seen(report, "--disable-gpu", "--disable-3d-apis", width=390):
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        outside = "[...document.querySelectorAll('main *')].filter((e) => !e.closest('.wide, .turn') && e.getBoundingClientRect().right > 391).length"
        assert page.evaluate(outside) == 0
        # A word of a table's first column stands on one line.
        broken = """[...document.querySelectorAll('tbody th')].flatMap((e) => [...e.textContent.matchAll(/[^\\s-]+/g)].filter((word) => {
          const range = document.createRange();
          range.setStart(e.firstChild, word.index), range.setEnd(e.firstChild, word.index + word[0].length);
          return range.getClientRects().length > 1;
        }).map((word) => word[0]))"""
        assert page.evaluate(broken) == []
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = false; })")
        folded = page.locator("details.deep").first
        assert not folded.locator("table, figure").first.is_visible()
        folded.locator("summary").click()
        assert folded.locator("table, figure").first.is_visible()
        page.locator("a.up").click()
        assert page.url.endswith("#parts")
        assert [a for a in asked if not a.startswith(("file:", "data:", "blob:", "about:"))] == []
        assert faults == []


def test_where_nothing_can_be_drawn_the_picture_stays(report):
    for page, _, faults in seen(report, "--disable-gpu", "--disable-3d-apis"):
        page.get_by_text("This browser cannot draw it").wait_for(timeout=300_000)
        assert page.locator(".turn img").first.is_visible()
        assert page.locator(".turn iframe").count() == 0
        assert faults == []
