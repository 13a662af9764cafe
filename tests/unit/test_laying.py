"""Plies of woven cloth in a plan: laid by their threads where that can be, flattened with a word where not."""

from __future__ import annotations

from dataclasses import replace

import jobs
import numpy as np
import pytest
import shapely
import shapes
from test_plan import JOB

from plyflat.cloth.locking import Locking, typical
from plyflat.cloth.opening import Opened
from plyflat.errors import OutlineError
from plyflat.job.reader import job_from_text
from plyflat.laying import Loom, _held_to_corners, laying_cautions, laying_checks, locking_of, wishes_of
from plyflat.plan import _cut_of_ply
from plyflat.shaping import Cut, shape, warp_way
from plyflat.surface.mesh import Surface
from plyflat.surface.region import region_of


def job_with(lines, **changes):
    text = JOB.replace('fibre = "glass"\n', f'fibre = "glass"\n{lines}\n', 1)
    for old, new in changes.items():
        text = text.replace(old, new)
    return job_from_text(text)


def cut_for(job, **changes):
    return replace(_cut_of_ply(job, job.regions[0], 0), **changes)


def lay_by_threads(region, opened, wishes):
    return [Loom(region, wishes).lay(opened, k) for k in range(len(opened.pieces))]


@pytest.fixture(scope="module")
def dome():
    """A cap of 40 degrees and 500 mm radius with the ball about it."""
    v, f = shapes.cap(80, 500.0, triangles=9000)
    middle = v[f].mean(axis=1)
    return region_of(Surface(v, f), middle[:, 2] > np.cos(np.radians(40)) * np.linalg.norm(middle, axis=1))


WOVEN = 'weave = "twill 2x2"'


# -- what the cloth's table says ---------------------------------------------------------------------------------------
def test_what_was_measured_stands_before_what_is_typical():
    def locking(lines):
        return locking_of(job_with(lines).cloths["glass"])

    assert locking(WOVEN) == typical("twill 2x2")
    stated = locking(WOVEN + '\nlock = "38 deg"\nlock_back = "25 deg"')
    assert (stated.lock_deg, stated.lock_back_deg, stated.measured) == (38, 25, True)
    square = 100 * np.sqrt(2)
    pulled = locking(WOVEN + f'\nbias_test = ["{square} mm", "{square / 2} mm"]')
    assert pulled.lock_deg == pytest.approx(90 - 2 * np.degrees(np.arctan(0.5)))
    assert pulled.lock_back_deg == pulled.lock_deg
    assert locking('cut_by = "drape"\ntows = ["1.6 mm", "2 mm"]').lock_deg == pytest.approx(np.degrees(np.arccos(0.8)))


def test_cloth_that_is_flattened_has_no_wishes():
    job = job_with("")
    assert _cut_of_ply(job, job.regions[0], 0).threads is None
    assert wishes_of(job.cloths["glass"], job.regions[0], warp=np.eye(3)[0], angle_deg=0, over_share=0.05) is None


def test_a_mirror_image_starts_on_the_other_side():
    text = JOB.replace('fibre = "glass"\n', f'fibre = "glass"\n{WOVEN}\n', 1)
    text = text.replace('mesh = "hull"\n', 'mesh = "hull"\ndrape = { start = "200 150 5 mm", steer = "never" }\n', 1)
    text = text.replace("[cloth.glass]", '[[region]]\nname = "other"\nmesh = "hull"\nmirror_of = "panel"\n[cloth.glass]', 1)
    one, other = job_from_text(text).regions
    assert one.drape.start_mm == (200, 150, 5)
    assert other.drape.start_mm == (200, -150, 5)
    assert other.drape.steer == "never"


# -- in a plan's ply ---------------------------------------------------------------------------------------------------
def test_a_dome_of_woven_cloth_is_laid_by_its_threads(dome):
    job = job_with(WOVEN, **{'"240 mm"': '"2 m"', '"1 m"': '"9 m"'})
    made = shape(job, job.regions[0], dome, cut_for(job, angle_deg=30.0, threads=wishes_at(job, 30.0)))
    (laying,) = made.layings
    (template,) = made.templates
    draped = laying.draped
    assert draped is not None
    # 6 % would be asked of a flattened cap; threads do not stretch.
    assert made.strain.largest < 0.01
    assert made.pieces[0].strain.max() < 0.01
    assert made.patches == ()
    # The template is the net as it lies, the warp along x, no turn added.
    assert shapely.Polygon(draped.flat.uv_mm[made.pieces[0].surface.boundary_loops[0]]).equals_exact(template.net, 0.02)
    assert template.net.area == pytest.approx(draped.area.cloth_mm2, rel=1e-3)
    assert np.abs(np.median(draped.drape.off_deg([1, 0, 0], turn_deg=30)[0])) < 1
    assert any("sheared cloth" in what for what, *_ in made.checks)
    assert not made.cautions


def wishes_at(job, angle_deg):
    spec = job.regions[0]
    return wishes_of(job.cloths["glass"], spec, warp=warp_way(job, spec), angle_deg=angle_deg, over_share=0.05)


def test_the_other_face_up_mirrors_a_draped_template(dome):
    job = job_with(WOVEN, **{'"240 mm"': '"2 m"', '"1 m"': '"9 m"'})
    out, under = (
        shape(job, job.regions[0], dome, cut_for(job, face_up=face)).templates[0] for face in ("out", "in")
    )
    assert shapely.affinity.scale(out.net, 1, -1, origin=(0, 0)).symmetric_difference(under.net).area < 1
    assert out.net.symmetric_difference(under.net).area > 10
    assert under.mirrored
    assert not out.mirrored


def test_darts_are_not_made_where_the_threads_lie_without_them(dome):
    job = job_with(WOVEN, **{'"240 mm"': '"2 m"', '"1 m"': '"9 m"', 'mesh = "hull"\n': 'mesh = "hull"\ndarts = 4\n'})
    assert shape(job, job.regions[0], dome, cut_for(job)).darts == ()


def test_cloth_that_locks_everywhere_is_flattened_and_says_so(dome):
    one = {"[cloth.glass]": "[limits]\npieces = 1\n[cloth.glass]"}
    job = job_with('weave = "spread tow"', **{'"240 mm"': '"2 m"', '"1 m"': '"9 m"'}, **one)
    steep = replace(cut_for(job), threads=replace(wishes_at(job, 0.0), locking=Locking(3, 3, 2, 2)))
    made = shape(job, job.regions[0], dome, steep)
    assert made.layings[0].draped is None
    assert not made.pieces[0].flat.along_warp
    text = next(text for text, _ in made.cautions if "cut by flatten" in text)
    assert "past locking" in text
    assert "it needs a cut" in text


def test_a_ply_in_pieces_is_laid_piece_by_piece(dome):
    surface = dome.surface
    right = surface.vertices_mm[surface.faces].mean(axis=1)[:, 0] > 40
    pieces = tuple(surface.sub(q)[0] for q in (right, ~right))
    job = job_with(WOVEN)
    found = lay_by_threads(dome, Opened(pieces), wishes_at(job, 0.0))
    assert [q.draped is not None for q in found] == [True, True]
    whole = lay_by_threads(dome, Opened((surface,)), wishes_at(job, 0.0))
    # The smaller the piece the less it shears.
    assert max(q.draped.drape.most_deg for q in found) < whole[0].draped.drape.most_deg - 2
    starts = [q.draped.drape.start_mm for q in found]
    assert starts[0][0] > 40 > starts[1][0]


def test_a_start_is_that_of_the_piece_it_lies_on_and_off_the_ply_a_fault(dome):
    surface = dome.surface
    right = surface.vertices_mm[surface.faces].mean(axis=1)[:, 0] > 0
    pieces = tuple(surface.sub(q)[0] for q in (right, ~right))
    at = surface.vertices_mm[surface.vertices_mm[:, 0] < -100][50]
    wishes = replace(wishes_at(job_with(WOVEN), 0.0), start_mm=at)
    found = lay_by_threads(dome, Opened(pieces), wishes)
    assert np.linalg.norm(found[1].draped.drape.start_mm - at) < 1
    assert found[0].draped.drape.start_mm[0] > 0
    with pytest.raises(OutlineError, match="off the ply"):
        lay_by_threads(dome, Opened(pieces), replace(wishes, start_mm=np.array([0, 0, 600.0])))


def test_locked_spots_are_told_with_what_would_help(dome):
    wishes = replace(wishes_at(job_with(WOVEN), 20.0), locking=Locking(12, 12, 8, 8), steer="never")
    found = lay_by_threads(dome, Opened((dome.surface,)), wishes)
    said = list(laying_cautions(found))
    assert found[0].draped is not None
    text, do = next((t, d) for t, d in said if "locks" in t)
    assert "past locking, at (" in text
    assert "dart" in do or "cut in two" in do


def test_a_net_is_held_to_the_curvature_and_the_agreement_is_told(dome):
    weaver = Loom(dome, wishes_at(job_with(WOVEN), 0.0))
    whole = Opened((dome.surface,))
    laying = weaver.lay(whole, 0)
    ((_, off, limit, unit),) = [c for c in laying_checks([laying]) if "curvature" in c[0]]
    assert 0 < off < 0.5 < limit
    assert unit == "deg"
    check = laying.draped.drape.check
    torn = replace(check, corners_deg=check.corners_deg + 6.0, worst_deg=check.worst_deg + 6.0)
    false = replace(laying, draped=replace(laying.draped, drape=replace(laying.draped.drape, check=torn)))
    refused = _held_to_corners(false, torn)
    assert refused.draped is None
    assert "disagree by 6 degrees, at (" in refused.refused


def test_jobs_without_a_weave_are_as_before():
    job = job_from_text(jobs.SMALL)
    assert isinstance(_cut_of_ply(job, job.regions[0], 0), Cut)
    assert _cut_of_ply(job, job.regions[0], 0).threads is None
