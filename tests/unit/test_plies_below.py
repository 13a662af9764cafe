"""How plies lie on those below: when their shapes allow for it, what is stated, and where their edges stay."""

import jobs
import numpy as np
import pytest
import shapes
import trimesh
from jobs import PLY

from plyflat.export.planjson import plan_to_dict
from plyflat.job.reader import job_from_text
from plyflat.plan import make_plan
from plyflat.plies_below import Lying, cloth_thickness_mm, lie_on, lying_cautions, lying_words
from plyflat.surface._smooth import work_copy
from plyflat.surface.mesh import Surface
from plyflat.surface.region import cut_region, grow_regions

OUTLINE = jobs.outline((0, 0, 0), (1, 0, 0), (0, 1, 0))
THICK = 'thickness = "0.4 mm"\n'


def job_text(plies, text="", thick=THICK):
    head = jobs.head("stack", "none.stl", OUTLINE, region="area")
    return head + text + "".join(PLY + more for more in plies) + jobs.GLASS + thick


def job_of(plies, text="", thick=THICK):
    return job_from_text(job_text(plies, text, thick))


def lying(regions, plies, text=""):
    job = job_of(plies, text)
    return lie_on(job, job.regions[0], regions)


def square(surface, low, high, **options):
    """A region whose corners are seen from +z."""
    (x0, y0), (x1, y1) = low, high
    corners = surface.locate([[x0, y0, 1e4], [x1, y0, 1e4], [x1, y1, 1e4], [x0, y1, 1e4]]).points_mm
    return cut_region(surface, corners, **options)


@pytest.fixture(scope="module")
def cylinder():
    """A quarter of a tube on the whole of a longer one, so that no edge of the mesh is near."""
    v, f = shapes.cylinder(60.0, 200.0, 300.0, triangles=9000)
    surface = Surface(v, f)
    middle, turn = np.median(v[:, 2]), np.arctan2(*v.mean(axis=0)[1::-1])
    corners = [
        [60 * np.cos(turn + a), 60 * np.sin(turn + a), middle + z]
        for a, z in ((-0.785, -80), (0.785, -80), (0.785, 80), (-0.785, 80))
    ]
    return cut_region(surface, corners)


@pytest.fixture(scope="module")
def plate():
    return square(Surface(*shapes.noisy_sheet(noise=0.0, triangles=3000)[:2]), (300, 200), (700, 500))


def test_each_ply_round_a_tube_is_wider_by_the_thickness_below_it(cylinder):
    got = lying([cylinder] * 5, [""] * 5)
    assert [q.below_mm for q in got] == pytest.approx([0.0, 0.4, 0.8, 1.2, 1.6])
    assert [q.grown for q in got] == [False, True, True, True, True]
    for q in got:
        # (R + t) / R in area, t times the angle in length.
        assert q.region.area_mm2 / cylinder.area_mm2 == pytest.approx(1 + q.below_mm / 60.0, abs=2e-4)
        assert q.change_mm >= q.below_mm * np.pi / 2 * 0.99
        assert q.change_share == pytest.approx(q.below_mm / 60.0, rel=0.05, abs=1e-9)


def test_a_thin_ply_on_an_easy_bend_is_left_as_it_is_and_says_by_how_much(cylinder, plate):
    v, f = shapes.cylinder(600.0, 60.0, 300.0, triangles=3000)
    easy = Surface(v, f)
    turn = np.arctan2(*v.mean(axis=0)[1::-1])
    corners = [[600 * np.cos(turn + a), 600 * np.sin(turn + a), z] for a, z in ((-0.3, -80), (0.3, -80), (0.3, 80), (-0.3, 80))]
    region = cut_region(easy, easy.locate(np.array(corners) + [0, 0, np.median(v[:, 2])]).points_mm)
    got = lying([region, region], ["", ""])[1]
    assert not got.grown
    assert got.region is region
    assert got.change_mm == pytest.approx(0.4 * 0.6, rel=0.05)
    assert got.change_share == pytest.approx(0.4 / 600, rel=0.05)
    assert lying_words(got) == (
        "it lies on 0.40 mm of plies: they change lengths across it by 0.2 mm at most (0.1 % at most), which its shape leaves out"
    )
    flat = lying([plate, plate], ["", ""])[1]
    assert not flat.grown
    assert flat.change_mm == pytest.approx(0.0, abs=1e-9)
    assert flat.below_mm == pytest.approx(0.4)
    assert "less than 0.1 mm" in lying_words(flat)
    assert lying_words(lying([plate], [""])[0]) == ""


def test_the_job_decides(cylinder, plate):
    assert not lying([cylinder] * 3, [""] * 3, 'stack = "never"\n')[2].grown
    got = lying([plate] * 2, [""] * 2, 'stack = "always"\n')[1]
    assert got.grown
    assert got.region.surface.vertices_mm[:, 2] == pytest.approx(0.4, abs=1e-9)
    assert "its shape allows for that" in lying_words(got)


def test_copies_lie_on_each_other_and_are_cut_by_the_middle_one(cylinder):
    got = lying([cylinder] * 2, ["copies = 3\n", "copies = 2\n"])
    assert [q.below_mm for q in got] == pytest.approx([0.4, 1.4])


def test_a_ply_comes_down_on_the_hull_beyond_the_edge_of_the_one_below(cylinder):
    small, large = grow_regions(cylinder, [0.0, 15.0])
    got = lying([small, large], ["", ""])[1]
    assert got.grown
    moves = np.linalg.norm(got.region.surface.vertices_mm - large.surface.vertices_mm, axis=1)
    off = small.surface.locate(large.surface.vertices_mm).distance_mm
    assert moves[off < 0.01] == pytest.approx(0.4, abs=1e-3)
    assert (moves[off > 2.0] == 0).all()
    assert (off > 2.0).sum() > 100
    # Its edge is where it was measured on the hull, and the hull about it is the hull.
    rim = np.concatenate(large.loops)
    assert (got.region.surface.vertices_mm[rim] == large.surface.vertices_mm[rim]).all()
    away = small.surface.locate(large.parent.vertices_mm).distance_mm > 2.0
    assert (got.region.parent.vertices_mm[away] == large.parent.vertices_mm[away]).all()
    assert (got.region.parent.vertices_mm[large.vertex_of] == got.region.surface.vertices_mm).all()


def test_the_edge_of_a_smaller_ply_keeps_its_place_above_the_hull(cylinder):
    small, large = grow_regions(cylinder, [0.0, 15.0])
    got = lying([large, small], ["", ""])[1]
    rim = np.concatenate(small.loops)
    move = got.region.surface.vertices_mm[rim] - small.surface.vertices_mm[rim]
    normal = small.surface.vertices_mm[rim] * [1, 1, 0] / 60.0
    # Square to the hull, nothing along it.
    assert move == pytest.approx(0.4 * normal, abs=0.02)


def test_a_rough_hull_passes_its_evened_copy_on():
    p, f = shapes.rectangle(400.0, 300.0, 6000)
    flat = np.column_stack([p, np.zeros(len(p))])
    rough = Surface(shapes.rough(flat, f, 0.5, 5.0), f)
    region = square(rough, (80, 80), (320, 220))
    got = lying([region] * 2, [""] * 2, 'stack = "always"\n')[1]
    for before, after in ((region.surface, got.region.surface), (region.parent, got.region.parent)):
        assert work_copy(before) is not before.vertices_mm
        assert work_copy(after) - work_copy(before) == pytest.approx(after.vertices_mm - before.vertices_mm, abs=1e-9)
    # Noise does not make a stack matter.
    assert not lying([region] * 3, [""] * 3)[2].grown


def test_thickness_is_as_stated_or_by_mass():
    assert cloth_thickness_mm(job_of([""]), "glass") == 0.4
    # 300/2560 + 300/1150 mm at half resin by mass (the table of mass balances).
    by_mass = job_of([""], thick="")
    assert cloth_thickness_mm(by_mass, "glass") == pytest.approx(0.378, rel=2e-3)


def test_a_hollow_that_is_too_narrow_is_pointed_out_where_it_matters(plate):
    narrow = Lying(plate, 3.0, 2.0, 0.01, True, 0.0, (1.0, 2.0, 3.0))
    (text, do), = lying_cautions(narrow)
    assert "narrower than the 3.0 mm of plies in it, near (1, 2, 3) mm" in text
    assert "1.5 mm" in text
    assert do.startswith("Round the hollow")
    assert not list(lying_cautions(Lying(plate, 3.0, 2.0, 0.01, False, 0.0, (1.0, 2.0, 3.0))))
    assert not list(lying_cautions(Lying(plate, 3.0, 2.0, 0.01, True)))


def test_a_short_length_matters_by_its_share(cylinder):
    # 0.2 mm over a quarter turn is 0.3 mm, less than half a millimetre; but 0.33 % of the length.
    job = job_of(["", ""], thick='thickness = "0.2 mm"\n')
    got = lie_on(job, job.regions[0], [cylinder] * 2)[1]
    assert got.change_mm < 0.5
    assert got.grown


@pytest.mark.parametrize("weave", ["mat", "twill 2x2"])
def test_a_plan_cuts_each_ply_to_what_it_lies_on_and_states_it(tmp_path, weave):
    v, f = shapes.cylinder(60.0, 200.0, 260.0, triangles=5000)
    trimesh.Trimesh(v, f, process=False).export(tmp_path / "tube.ply")
    middle, turn = np.median(v[:, 2]), np.arctan2(*v.mean(axis=0)[1::-1])
    corners = [
        [60 * np.cos(turn + a), 60 * np.sin(turn + a), middle + z]
        for a, z in ((-0.7, -60), (0.7, -60), (0.7, 60), (-0.7, 60))
    ]
    text = jobs.changed(
        job_text(3 * [""], 'warp = "up"\n'),
        ("none.stl", "tube.ply"), (OUTLINE, jobs.outline(*np.round(corners, 3).tolist())),
        ('fibre = "glass"', f'fibre = "glass"\nweave = "{weave}"'),
    )  # fmt: skip
    path = tmp_path / "job.toml"
    path.write_text(text + jobs.QUICK, encoding="utf-8")
    plan = make_plan(path)
    plies = plan.regions[0].plies
    assert [ply.by_threads for ply in plies] == [weave != "mat"] * 3
    for ply, below in zip(plies, (0.0, 0.4, 0.8)):
        assert ply.area_mm2 == pytest.approx(plies[0].area_mm2, rel=1e-9)
        # (R + t) / R of what is cut without margin; along the tube nothing changes.
        assert ply.templates[0].net.area / plies[0].templates[0].net.area == pytest.approx(1 + below / 60.0, abs=5e-4)
        assert ply.lying.below_mm == pytest.approx(below)
    told = plan_to_dict(plan)["regions"][0]["plies"]
    assert [ply["stack"]["allowed_for"] for ply in told] == [False, True, True]
    assert told[2]["stack"]["change_share"] == pytest.approx(0.8 / 60, rel=0.05)
