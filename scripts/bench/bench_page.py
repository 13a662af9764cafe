"""The live page in a real browser on a large scan: first picture, turning, clicks and what follows a moved point.

The hull is half an ellipsoid of 6 m by 1.8 m by 0.6 m, so that a point on it is known by its formula. Places of clicks and
the points that come of them are held against each other by a camera fitted to them (direct linear transformation, Hartley
and Zisserman 2004, section 7.1): what is left over is how far a click lands from the ray it was made along.
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import jobs
import numpy as np

AXES = np.array([3000.0, 900.0, 600.0])


def hull(triangles: int) -> tuple[np.ndarray, np.ndarray]:
    """Give the upper half of the ellipsoid: points, mm, and about so many triangles."""
    along = round(np.sqrt(triangles / 2.0))
    t, p = np.meshgrid(np.linspace(0.002, np.pi - 0.002, along), np.linspace(0.0, np.pi, along), indexing="ij")
    points = np.stack([np.cos(t), np.sin(t) * np.cos(p), np.sin(t) * np.sin(p)], axis=-1).reshape(-1, 3) * AXES
    at = np.arange(along * along).reshape(along, along)
    a, b, c, d = (q.ravel() for q in (at[:-1, :-1], at[1:, :-1], at[1:, 1:], at[:-1, 1:]))
    return points, np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])


def upon(x: float, y: float) -> list[float]:
    """Give the point of the hull above a place, mm."""
    return [x, y, float(AXES[2] * np.sqrt(1.0 - (x / AXES[0]) ** 2 - (y / AXES[1]) ** 2))]


def off_the_ray(pixels: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Give how far points lie from where a camera fitted to all of them sees them, pixels."""
    middle, size = points.mean(axis=0), np.ptp(points, axis=0).max()
    q = np.column_stack([(points - middle) / size, np.ones(len(points))])
    centre, span = pixels.mean(axis=0), np.ptp(pixels)
    u, v = ((pixels - centre) / span).T
    none = np.zeros_like(q)
    rows = np.concatenate([np.hstack([q, none, -u[:, None] * q]), np.hstack([none, q, -v[:, None] * q])])
    camera = np.linalg.svd(rows)[2][-1].reshape(3, 4)
    seen = q @ camera.T
    return np.hypot(*((seen[:, :2] / seen[:, 2:]) * span + centre - pixels).T)


def serve(job: Path) -> tuple[subprocess.Popen[str], str, float]:
    """Start the page; give its process, its address and how long that took, s."""
    start = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-m", "plyflat", "page", str(job), "--no-browser"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    for line in process.stdout or ():
        found = re.search(r"http://\S+", line)
        if found:
            return process, found.group(0), time.monotonic() - start
    raise RuntimeError("the page did not start")


def turning(page: Any, seconds: float) -> float:
    """Turn the hull by dragging and give how many pictures a second came."""
    box = page.locator(".picture img").bounding_box()
    x, y = box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"]
    page.evaluate(
        """() => { window.frames_seen = 0;
        new MutationObserver(() => { window.frames_seen += 1; }).observe(document.querySelector('.picture img'), { attributes: true }); }"""
    )
    page.mouse.move(x, y)
    page.mouse.down()
    start, n = time.monotonic(), 0
    while time.monotonic() < start + seconds:
        n += 1
        page.mouse.move(x + 120.0 * np.sin(0.2 * n), y + 20.0 * np.sin(0.13 * n))
        page.wait_for_timeout(30)
    count = page.evaluate("window.frames_seen")
    page.mouse.up()
    return count / (time.monotonic() - start)


def clicks(page: Any) -> tuple[np.ndarray, np.ndarray]:
    """Mark fourteen points of a new region; give their pixels and the points, mm."""
    page.click("text=above")
    page.fill("#new_name", "clicked")
    page.click("text=Mark it on the hull")
    page.wait_for_function("document.querySelectorAll('.points li').length == 0")
    box = page.locator(".picture img").bounding_box()
    pixels = []
    for k in range(14):
        a = 2.0 * np.pi * k / 14.0
        r = 0.6 + 0.4 * (k % 2)
        # A browser tells whole pixels.
        x, y = box["width"] * (0.5 + 0.06 * r * np.cos(a)), box["height"] * (0.5 + 0.3 * r * np.sin(a))
        pixels.append((round(box["x"] + x), round(box["y"] + y)))
        page.mouse.click(*pixels[-1])
        page.wait_for_function(f"document.querySelectorAll('.points li').length == {k + 1}", timeout=60_000)
    points = [[float(c) for c in t.input_value().split()[:3]] for t in page.locator(".points input").all()]
    page.click("text=Leave as it was")
    return np.array(pixels), np.array(points)


def moved_point(page: Any) -> tuple[float, float]:
    """Move an outline point by numbers; give the time to the rough shape and to the template, s."""
    page.wait_for_selector("label:has-text('Templates of this region')", timeout=300_000)
    page.evaluate(
        """() => { window.when = {};
        const look = () => { const l = document.querySelector('.shape label'); if (l && window.from) window.when[l.innerText + (document.querySelector('.shape .row .said') ? ' old' : '')] ??= performance.now() - window.from; };
        new MutationObserver(look).observe(document.body, { childList: true, subtree: true, characterData: true }); }"""
    )
    field = page.locator(".points input").first
    x, y, z = upon(-380.0, -170.0)
    field.fill(f"{x:.1f} {y:.1f} {z:.1f} mm")
    page.evaluate("window.from = performance.now()")
    field.press("Enter")
    page.wait_for_function("'Not final' in window.when && 'Templates of this region' in window.when", timeout=300_000)
    when = page.evaluate("window.when")
    return when["Not final"] / 1e3, when["Templates of this region"] / 1e3


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--triangles", type=int, default=2_000_000)


def run(given: argparse.Namespace) -> None:
    """Print what was measured."""
    import trimesh
    from playwright.sync_api import sync_playwright

    browser_file = next((shutil.which(name) for name in ("chromium", "chromium-browser") if shutil.which(name)), None)
    if browser_file is None:
        raise SystemExit("no chromium on this machine")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        v, f = hull(given.triangles)
        trimesh.Trimesh(v, f, process=False).export(folder / "hull.ply")
        outline = [upon(x, y) for x, y in ((-400.0, -200.0), (400.0, -200.0), (400.0, 200.0), (-400.0, 200.0))]
        corners = jobs.outline(*(np.round(p, 1).tolist() for p in outline))
        head = jobs.head("half an ellipsoid", "hull.ply", corners, 'tolerance = "60 mm"')
        (folder / "job.toml").write_text(head + jobs.PLY + jobs.GLASS + 'weave = "mat"\n')
        process, address, ready = serve(folder / "job.toml")
        print(f"{len(f)} triangles; address told after {ready:.1f} s")
        try:
            with sync_playwright() as play:
                browser = play.chromium.launch(executable_path=browser_file, args=["--no-sandbox"])
                page = browser.new_page(viewport={"width": 1400, "height": 900})
                start = time.monotonic()
                page.goto(address)
                page.wait_for_function("document.querySelector('.preview img')?.naturalWidth > 0", timeout=300_000)
                print(f"the mesh as its file has it after {time.monotonic() - start:.1f} s")
                page.wait_for_function("document.querySelector('.picture img')?.naturalWidth > 0", timeout=300_000)
                print(f"first picture of the hull after {time.monotonic() - start:.1f} s, the mesh read and mended meanwhile")
                page.wait_for_selector("text=panel: ", timeout=300_000)
                again = time.monotonic()
                page.reload()
                page.wait_for_function("document.querySelector('.picture img')?.naturalWidth > 0", timeout=300_000)
                print(f"picture after a reload, the mesh being there: {time.monotonic() - again:.1f} s")
                rough, fine = moved_point(page)
                print(f"a point moved: rough shape after {rough:.2f} s, templates after {fine:.1f} s")
                print(f"turning: {turning(page, 4.0):.1f} pictures a second")
                pixels, points = clicks(page)
                inside = np.abs(((points / AXES) ** 2).sum(axis=1) - 1.0) * 0.5 * AXES[2]
                print(f"fourteen clicks: at most {inside.max():.3f} mm off the hull, {off_the_ray(pixels, points).max():.3f} pixels off the ray")
                browser.close()
        finally:
            process.terminate()
            process.wait(timeout=30)
