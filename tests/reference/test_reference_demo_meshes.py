"""The demo meshes against the formulas they are made from, and the tape on the scan against its true line."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import dblquad
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from plyflat.surface.load import load_surface
from plyflat.surface.mesh import Surface, closed_length
from plyflat.surface.tape import find_tape

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "meshes_demo"
SEED = (-2260.0, 106.0, -697.0)


@pytest.fixture(scope="module")
def demo():
    """The script that makes the meshes."""
    spec = importlib.util.spec_from_file_location("make_demo_meshes", ROOT / "scripts" / "make_demo_meshes.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def scan():
    """The committed scan, read by hand: vertices in mm, faces, colours."""
    head, _, body = (DEMO / "skeg_scan.ply").read_bytes().partition(b"end_header\n")
    nv, nf = (int(line.split()[2]) for line in head.decode().splitlines() if line.startswith("element"))
    vertex = np.frombuffer(body, [("p", "<f4", 3), ("c", "u1", 3)], nv)
    face = np.frombuffer(body, [("n", "u1"), ("v", "<i4", 3)], nf, offset=vertex.nbytes)
    assert (face["n"] == 3).all()
    return vertex["p"] * 1000.0, face["v"].astype(np.int64), vertex["c"]


@pytest.fixture(scope="module")
def clean(demo):
    """The scan before holes, scraps, seams and flips: painted, lit and noisy."""
    rng = np.random.default_rng(demo.SEED)
    made = demo._with_noise(demo.true_surface(rng), rng)
    return Surface(made.vertices_mm, made.faces, made.colors)


def _pieces(edges):
    """How many connected pieces some edges (k, 2) make."""
    link = csr_matrix((np.ones(len(edges)), edges.T), shape=(edges.max() + 1,) * 2)
    return len(np.unique(connected_components(link, directed=False)[1][np.unique(edges)]))


def _area(points, faces):
    p = points[faces]
    return 0.5 * np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1).sum()


def _wigley_area(length, beam, draught):
    def density(z, x):
        yx = -beam / 2 * 8 * x / length**2 * (1 - (z / draught) ** 2)
        yz = -beam / 2 * (1 - (2 * x / length) ** 2) * 2 * z / draught**2
        return np.sqrt(1 + yx**2 + yz**2)

    return 2 * dblquad(density, -length / 2, length / 2, -draught, 0)[0]


@pytest.mark.reference(source="adaptive quadrature (scipy dblquad) of the Wigley hull formula", kind="derived")
def test_wigley_area_against_quadrature(demo):
    points, faces = demo.wigley_mesh(240, 120)
    true = _wigley_area(demo.LENGTH_MM, demo.BEAM_MM, demo.DRAUGHT_MM)
    assert _area(points, faces) == pytest.approx(true, rel=1e-4)


@pytest.mark.reference(source="trapezium rule on a smooth grid: error falls as h^2", kind="derived")
def test_wigley_area_converges_with_the_square_of_the_step(demo):
    true = _wigley_area(demo.LENGTH_MM, demo.BEAM_MM, demo.DRAUGHT_MM)
    error = [abs(_area(*demo.wigley_mesh(2 * n, n)) - true) for n in (15, 30, 60)]
    assert np.log2(error[0] / error[1]) == pytest.approx(2, abs=0.15)
    assert np.log2(error[1] / error[2]) == pytest.approx(2, abs=0.15)


@pytest.mark.reference(source="Wigley hull, L/B 10, B/T 1.6: block coefficient 4/9 in closed form", kind="derived")
def test_wigley_volume_is_four_ninths_of_its_box(demo):
    points, faces = demo.wigley_mesh(200, 100, length=1.0, beam=0.1, draught=0.0625)
    p = points[faces]  # divergence theorem; the open waterline lies in z = 0 and adds nothing to z dA
    volume = (p[:, :, 2].mean(1) * np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])[:, 2] / 2).sum()
    assert volume == pytest.approx(4 / 9 * 1.0 * 0.1 * 0.0625, rel=2e-4)


@pytest.mark.reference(source="Wigley hull, L/B 10, B/T 1.6: wetted surface 0.661 L (2T + B)", kind="memory")
def test_wigley_wetted_surface_coefficient(demo):
    points, faces = demo.wigley_mesh(200, 100, length=1.0, beam=0.1, draught=0.0625)
    assert _area(points, faces) / (2 * 0.0625 + 0.1) == pytest.approx(0.661, abs=0.0005)


@pytest.mark.reference(source="NACA Report 824 (1945), ordinates of section 0012", kind="memory")
def test_foil_thickness_against_its_table(demo):
    station = np.array([1.25, 2.5, 5, 10, 20, 30, 40, 50, 60, 80]) / 100
    ordinate = np.array([1.894, 2.615, 3.555, 4.683, 5.737, 6.002, 5.803, 5.294, 4.563, 2.623]) / 100
    assert demo.foil_half_thickness(station, 0.12) == pytest.approx(ordinate, abs=1.1e-5)


def test_files_keep_to_their_size(demo, scan):
    assert sum(p.stat().st_size for p in DEMO.iterdir()) < 6e6
    assert 150_000 <= len(scan[1]) <= 250_000
    raw = (DEMO / "bow_panel.stl").read_bytes()
    count = int.from_bytes(raw[80:84], "little")
    assert count == len(demo.bow_panel()[1])
    assert len(raw) == 84 + 50 * count


def test_script_writes_the_same_bytes_twice(demo, tmp_path):
    demo.write(tmp_path / "a")
    demo.skeg_scan.cache_clear()
    demo.write(tmp_path / "b")
    for name in ("skeg_scan.ply", "bow_panel.stl", "bilge.stl"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


@pytest.mark.reference(source="the hull formula the scan is made from", kind="derived")
def test_scan_lies_on_the_hull_within_its_noise(demo, scan):
    v = scan[0]
    away = cKDTree(demo.corner_curve(np.linspace(0, 1200, 600))).query(v)[0]
    hull = v[(away > 60) & (away < 250) & (np.abs(v[:, 1]) > 60)]
    z, slope = demo._hull_z(hull[:, 0], hull[:, 1])
    off = (hull[:, 2] - z) / np.hypot(1, slope)
    off = off[np.abs(off) < 6]  # scraps hang farther off
    assert len(off) > 20_000
    assert 0.5 < off.std() < 1.0
    assert abs(off.mean()) < 0.1


def test_scan_has_the_faults_it_is_meant_to_have(scan):
    v, f, _ = scan
    place, inverse = np.unique(v, axis=0, return_inverse=True)
    assert len(v) - len(place) > 300  # vertices doubled along seams
    merged = inverse.reshape(-1)[f]
    sides = merged[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    _, directed = np.unique(sides, axis=0, return_counts=True)
    assert (directed > 1).sum() > 50  # flipped faces beside faces that are not
    assert _pieces(np.sort(sides, axis=1)) == 7  # the sheet and six scraps
    rim, count = np.unique(np.sort(sides, axis=1), axis=0, return_counts=True)
    assert _pieces(rim[count == 1]) == 11  # edges of the sheet, of four holes and of six scraps


def test_clean_scan_is_one_sheet_without_folds(clean):
    e = np.sort(clean.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    unique, count = np.unique(e, axis=0, return_counts=True)
    assert count.max() == 2
    assert len(clean.boundary_loops) == 1
    assert len(np.unique(clean.faces)) - len(unique) + len(clean.faces) == 1


@pytest.mark.reference(source="the skeg and hull formulas: angle at the corner", kind="derived")
def test_corner_is_concave_all_round(demo):
    plan, normal, along = demo._root_plan()
    at = np.linspace(0, len(along), 60, endpoint=False).astype(int)
    foot = demo.corner_curve(along[at])
    up = demo.skeg_point(along[at], np.full(60, 2.0)) - foot
    out = demo.hull_point(plan[at] + 2 * normal[at]) - foot
    angle = np.degrees(np.arccos((up * out).sum(1) / np.linalg.norm(up, axis=1) / np.linalg.norm(out, axis=1)))
    assert angle.min() > 88
    assert angle.max() < 130


@pytest.mark.reference(source="the curves the tape was painted along", kind="derived")
def test_tape_on_the_scan_is_found(demo, clean):
    tape = find_tape(clean, colour="blue", seed_mm=SEED, edge="centre")
    assert len(tape.loops_mm) == 2
    for line, curve in zip(tape.loops_mm, (demo.hull_tape_curve(6000), demo.skeg_tape_curve(6000))):
        assert np.sqrt((cKDTree(curve).query(line)[0] ** 2).mean()) < 1.0  # of this 0.6 is the scan's own noise
        assert closed_length(line) == pytest.approx(closed_length(curve), rel=0.01)
    assert tape.width_mm == pytest.approx(demo.TAPE_WIDTH_MM, abs=0.8)
    assert not tape.to_the_edge


@pytest.mark.reference(source="the curves the tape was painted along", kind="derived")
def test_tape_is_found_on_the_file_as_it_is_loaded(demo):
    surface = load_surface(DEMO / "skeg_scan.ply", unit="m", fill_holes_mm=60, smooth_mm=8)
    tape = find_tape(surface, colour="blue", seed_mm=SEED, edge="centre")
    assert len(tape.loops_mm) == 2
    for line, curve in zip(tape.loops_mm, (demo.hull_tape_curve(6000), demo.skeg_tape_curve(6000))):
        assert np.sqrt((cKDTree(curve).query(line)[0] ** 2).mean()) < 1.0
    assert tape.width_mm == pytest.approx(demo.TAPE_WIDTH_MM, abs=0.8)
    assert surface.locate(np.concatenate(tape.loops_mm)).distance_mm.max() < 1e-6


@pytest.mark.reference(source="the curves the tape was painted along", kind="derived")
def test_near_edges_of_the_tape_face_the_corner(demo, clean):
    hull, skeg = find_tape(clean, colour="blue", seed_mm=SEED, edge="inner").loops_mm
    plan = demo._root_plan()[0]
    x, girth = hull[:, 0], demo._girth(hull[:, 0], hull[:, 1])
    reach = cKDTree(plan).query(np.column_stack([x, girth]))[0]
    assert reach.mean() == pytest.approx(demo.TAPE_HULL_MM - demo.TAPE_WIDTH_MM / 2, abs=1.0)
    true = demo.skeg_point(demo._section()[1], np.full(16000, demo.TAPE_SKEG_MM - demo.TAPE_WIDTH_MM / 2))
    assert np.sqrt((cKDTree(true).query(skeg)[0] ** 2).mean()) < 1.5


@pytest.mark.reference(source="a plane cuts a circular cylinder in an ellipse of half axes r and r / cos(tilt)", kind="derived")
def test_the_tube_meets_the_bottom_in_an_ellipse(demo):
    _, axis = demo.tube_axis()
    slope = np.radians(demo.BILGE_DEADRISE_DEG)
    normal = np.array([0.0, -np.sin(slope), np.cos(slope)])
    corner = demo.tube_corner(20000)
    assert np.abs((corner - corner.mean(0)) @ normal).max() < 1e-9
    off = np.linalg.norm(corner - corner.mean(0), axis=1)
    assert off.min() == pytest.approx(demo.TUBE_RADIUS_MM, abs=1e-4)
    assert off.max() == pytest.approx(demo.TUBE_RADIUS_MM / (axis @ normal), abs=1e-4)


@pytest.mark.reference(source="areas of flat plates less an ellipse, and of a right cylinder's wall cut by a plane", kind="derived")
def test_the_bilge_is_one_sheet_of_the_plates_areas(demo):
    bilge = load_surface(DEMO / "bilge.stl", unit="mm")
    assert len(bilge.boundary_loops) == 2  # the outer rim, and the tube's top
    up = demo.BILGE_CHINE_MM / np.cos(np.radians(demo.BILGE_DEADRISE_DEG))
    keel = -demo.BILGE_KEEL_MM / np.cos(np.radians(demo.BILGE_DEADRISE_DEG))
    z1 = demo.bilge_z(demo.BILGE_CHINE_MM)
    side = (demo.BILGE_TOP_MM + 120 - z1) / np.cos(np.radians(demo.BILGE_FLARE_DEG))
    y1 = demo.bilge_side_y(demo.BILGE_TOP_MM)
    section = np.array([[demo.BILGE_KEEL_MM, demo.bilge_z(demo.BILGE_KEEL_MM)], [0, 0], [demo.BILGE_CHINE_MM, z1],
                        [y1, demo.BILGE_TOP_MM], [demo.BILGE_KEEL_MM, demo.BILGE_TOP_MM]])  # fmt: skip
    nxt = np.roll(section, -1, axis=0)
    bulkhead = 0.5 * (section[:, 0] * nxt[:, 1] - section[:, 1] * nxt[:, 0]).sum()
    _, axis = demo.tube_axis()
    r = demo.TUBE_RADIUS_MM
    cosine = axis @ [0.0, -np.sin(np.radians(demo.BILGE_DEADRISE_DEG)), np.cos(np.radians(demo.BILGE_DEADRISE_DEG))]
    plates = demo.BILGE_LENGTH_MM * (up + keel + side) + bulkhead
    exact = plates - np.pi * r**2 / cosine + 2 * np.pi * r * demo.TUBE_LENGTH_MM
    # The tube has 48 flat sides: 0.29 % off its hole's and 0.07 % off its wall's area.
    assert bilge.area_mm2 == pytest.approx(exact, rel=1e-4)
