"""Mending on damage made on purpose: every kind found, counted and placed, and the promise kept on any input."""

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from plyflat.errors import CheckError, MeshError
from plyflat.surface import _fill, noise, repair, repair_surface, smooth_surface
from plyflat.surface._edges import rim_edges
from plyflat.surface.mesh import Surface
from plyflat.surface.noise import noise_mm


def ball(level=3, radius=100.0):
    mesh = trimesh.creation.icosphere(level, radius=radius)
    return np.array(mesh.vertices), np.array(mesh.faces)


def plate(nx=21, ny=21, h=4.0):
    """A flat grid in z = 0, normals up."""
    x, y = np.meshgrid(np.arange(nx) * h, np.arange(ny) * h, indexing="ij")
    v = np.stack([x, y, 0 * x], axis=-1).reshape(-1, 3)
    i = np.arange(nx * ny).reshape(nx, ny)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    return v, np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])


def counts(surface):
    """What was done, without the figures in brackets, and how often."""
    return {r.what.split(" (")[0]: r.count for r in surface.repairs}


def assert_sound(surface):
    """Every directed edge once, every corner one fan, no face without area; by a plain walk, not the code's way."""
    f = surface.faces.tolist()
    after = {}
    for i, (a, b, c) in enumerate(f):
        for p, q in ((a, b), (b, c), (c, a)):
            assert (p, q) not in after, "an edge has two faces on one side"
            after[p, q] = i
    about = {}
    for i, t in enumerate(f):
        for p in t:
            about.setdefault(p, set()).add(i)
    for p, faces in about.items():
        todo, seen = [next(iter(faces))], set()
        while todo:
            i = todo.pop()
            if i in seen:
                continue
            seen.add(i)
            t = f[i]
            k = t.index(p)
            for edge in ((t[(k + 1) % 3], p), (p, t[k - 1])):
                if edge in after:
                    todo.append(after[edge])
        assert seen == faces, "two sheets touch in a point"
    assert (surface.face_areas_mm2 > 0).all()
    assert len(about) == len(surface.vertices_mm)


# --- nothing to do ---------------------------------------------------------------------------------------------


def test_a_clean_mesh_stays_as_it_is():
    v, f = plate()
    out = repair_surface(Surface(v, f))
    assert out.repairs == ()
    assert np.array_equal(out.faces, f)
    assert np.array_equal(out.vertices_mm, v)


def test_mending_twice_adds_nothing():
    v, f = ball()
    f = np.concatenate([punch(v, f, [0, 0, 100], 20), f[100:107]])
    f[300:340] = f[300:340, ::-1]
    once = repair_surface(Surface(v, f))
    assert once.repairs
    assert repair_surface(once).repairs == once.repairs


# --- each kind of damage ---------------------------------------------------------------------------------------


def test_unused_points():
    v, f = plate()
    out = repair_surface(Surface(np.vstack([v, [[900, 0, 0], [0, 900, 0]]]), f))
    assert counts(out) == {"unused points removed": 2}
    assert len(out.vertices_mm) == len(v)


@pytest.mark.parametrize("apart_mm", [0.0, 0.003])
def test_double_points_with_colours_following(apart_mm):
    v, f = plate()
    c = np.full((len(v), 3), 100, np.uint8)
    f = f.copy()
    f[7, 0] = len(v)
    f[9, 1] = len(v) + 1
    old = [plate()[1][7, 0], plate()[1][9, 1]]
    v = np.vstack([v, v[old] + [apart_mm, 0, 0]])
    c = np.vstack([c, [[200, 100, 100], [100, 100, 0]]])
    out = repair_surface(Surface(v, f, c))
    assert counts(out) == {"double points merged": 2}
    done = out.repairs[0]
    assert done.largest_move_mm == pytest.approx(apart_mm / 2, abs=1e-9)
    assert min(np.linalg.norm(np.array(done.where_mm) - v[o]) for o in old) < 0.01
    assert out.colors[old].tolist() == [[150, 100, 100], [100, 100, 50]]
    assert len(out.vertices_mm) == len(v) - 2


def test_points_farther_apart_than_the_stated_tolerance_stay_apart():
    v, f = plate()
    surface = Surface(np.vstack([v, v[:1] + [0, 0, 0.02]]), np.vstack([f, [[len(v), 1, 22]]]))
    assert repair.merge_tolerance_mm(surface) == pytest.approx(1e-3 * surface.mean_edge_mm)
    assert "double points merged" not in counts(repair_surface(surface))


def test_faces_with_a_repeated_corner():
    v, f = plate()
    out = repair_surface(Surface(v, np.vstack([f, [[5, 5, 6], [8, 8, 8]]])))
    assert counts(out) == {"faces with a repeated corner removed": 2}
    assert len(out.faces) == len(f)


def test_flat_face_is_swapped_so_that_no_slit_is_left():
    v = np.array([[0, 0, 0], [10, 0, 0], [5, 0, 0], [5, 8, 0], [5, -8, 0]], float)
    f = np.array([[0, 1, 3], [0, 2, 1], [0, 4, 2], [2, 4, 1]])  # the second has no height
    out = repair_surface(Surface(v, f))
    assert counts(out) == {"flat faces swapped with their neighbour": 1}
    assert_sound(out)
    assert out.area_mm2 == pytest.approx(80)
    assert len(out.boundary_loops) == 1


def test_flat_face_at_the_edge_is_removed():
    v, f = plate()
    v = np.vstack([v, [[-2.0, 0, 0]]])
    out = repair_surface(Surface(v, np.vstack([f, [[0, 21, len(v) - 1]]])))
    assert counts(out) == {"faces without area removed": 1}
    assert len(out.faces) == len(f)


def test_double_faces_whichever_way_round():
    v, f = plate()
    out = repair_surface(Surface(v, np.vstack([f, f[4:9, [1, 2, 0]], f[30:32, ::-1]])))
    assert counts(out) == {"double faces removed": 7}
    assert_sound(out)


def test_a_fin_on_an_edge_is_split_off_and_dropped():
    v, f = ball()
    a, b, _ = f[200]
    out = repair_surface(Surface(np.vstack([v, 1.3 * v[a]]), np.vstack([f, [[a, b, len(v)]]])))
    assert counts(out) == {"points split where sheets touch": 2, "loose pieces dropped": 1}
    assert len(out.faces) == len(f)
    assert_sound(out)


@pytest.mark.parametrize(("rows", "below"), [(11, 0), (21, 10)], ids=["meeting", "crossing"])
def test_a_bulkhead_leaves_the_shell_whole(rows, below):
    v, f = plate()
    w, g = plate(21, rows)
    upright = np.stack([np.full(len(w), 40.0), w[:, 0], w[:, 1] - 4.0 * below], axis=1)
    both = Surface(np.vstack([v, upright]), np.vstack([f, g + len(v)]))
    out = repair_surface(both, keep="all")
    assert counts(out) == {"double points merged": 21, "points split where sheets touch": 21}
    assert_sound(out)
    assert sorted(len(q) for q in out.boundary_loops) == sorted([80, 40 + 2 * (rows - 1)])
    assert repair_surface(both).area_mm2 == pytest.approx(6400)


def test_sheets_that_touch_in_a_point():
    v, f = ball(2)
    top = int(np.argmax(v[:, 2]))
    w, g = v + [0, 0, 2 * v[top, 2]], f
    out = repair_surface(Surface(np.vstack([v, w]), np.vstack([f, g + len(v)])), keep="all")
    assert counts(out) == {"double points merged": 1, "points split where sheets touch": 1}
    assert out.repairs[1].where_mm == pytest.approx(v[top])
    assert_sound(out)


def moebius(n=60):
    t, w = np.meshgrid(np.arange(n) * 2 * np.pi / n, np.linspace(-20, 20, 7), indexing="ij")
    r = 100 + w * np.cos(t / 2)
    v = np.stack([r * np.cos(t), r * np.sin(t), w * np.sin(t / 2)], axis=-1).reshape(-1, 3)

    def at(i, j):
        return i * 7 + j if i < n else 6 - j

    f = [
        t
        for i in range(n)
        for j in range(6)
        for t in ([at(i, j), at(i + 1, j), at(i + 1, j + 1)], [at(i, j), at(i + 1, j + 1), at(i, j + 1)])
    ]
    return v, np.array(f)


def test_a_sheet_with_one_side_is_cut_open():
    v, f = moebius()
    turned = np.random.default_rng(2).random(len(f)) < 0.3
    f[turned] = f[turned, ::-1]
    out = repair_surface(Surface(v, f), fill_holes_mm=0)
    assert_sound(out)
    assert len(out.faces) == len(f)
    assert counts(out)["points split where sheets touch"] == 12
    assert len(out.boundary_loops) == 1


# --- pieces ----------------------------------------------------------------------------------------------------


def with_scraps():
    v, f = plate()
    s, g = plate(3, 3)
    t = np.array([[0, 0, 50], [1, 0, 50], [0, 1, 50]], float)
    return Surface(
        np.vstack([v, s + [0, 0, 30], t]), np.vstack([f, g + len(v), [np.arange(3) + len(v) + len(s)]])
    )


def test_largest_piece_and_what_was_dropped():
    out = repair_surface(with_scraps())
    assert len(out.faces) == 800
    (done,) = out.repairs
    assert done.what == "loose pieces dropped (64.5 mm², 1 % of the area)"
    assert done.count == 2
    assert done.where_mm[2] == 30


def test_all_pieces_but_scraps():
    out = repair_surface(with_scraps(), keep="all")
    assert out.area_mm2 == pytest.approx(6464)
    assert counts(out) == {"loose pieces dropped": 1}
    assert repair_surface(with_scraps(), keep="all", scrap_share=0.0).area_mm2 == pytest.approx(6464.5)


def test_keep_must_be_a_known_word():
    with pytest.raises(MeshError, match="keep is 'some'. Known: largest, all"):
        repair_surface(with_scraps(), keep="some")


# --- orientation -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("wrong", [1, 0.3, 0.8])
def test_an_open_scan_takes_the_side_of_its_larger_part(wrong):
    v, f = plate()
    n = 1 if wrong == 1 else int(wrong * len(f))
    f[:n] = f[:n, ::-1]
    out = repair_surface(Surface(v, f))
    assert counts(out) == {"faces turned to agree with their neighbours": min(n, len(f) - n)}
    assert (out.face_normals[:, 2] == (1 if n < len(f) / 2 else -1)).all()
    over = repair_surface(Surface(v, f), flip=True)
    assert np.array_equal(over.face_normals, -out.face_normals)


def test_a_closed_body_is_turned_outward():
    v, f = ball()
    out = repair_surface(Surface(v, f[:, ::-1]))
    assert counts(out) == {"faces of a closed body turned outward": len(f)}
    assert ((out.vertices_mm[out.faces].mean(axis=1) * out.face_normals).sum(axis=1) > 0).all()


def test_a_closed_body_far_from_the_origin_is_judged_by_itself():
    v, f = ball(2)
    out = repair_surface(Surface(v + [5e4, -3e4, 2e4], f[:, ::-1]))
    assert counts(out) == {"faces of a closed body turned outward": len(f)}


# --- holes -----------------------------------------------------------------------------------------------------


def punch(v, f, centre, radius):
    away = np.linalg.norm(v[f].mean(axis=1) - centre, axis=1)
    return f[away > radius]


def test_small_holes_are_filled_and_openings_stay():
    v, f = plate(61, 61)
    f = punch(v, f, [50, 50, 0], 12)
    f = punch(v, f, [150, 150, 0], 40)
    out = repair_surface(Surface(v, f))
    assert counts(out)["holes filled"] == 1
    done = next(r for r in out.repairs if "filled" in r.what)
    assert done.where_mm == pytest.approx((50, 50, 0), abs=2)
    assert_sound(out)
    assert len(out.boundary_loops) == 2
    opening = 0.5 * np.linalg.norm(sum(np.cross(p, q) for p, q in loop_edges(out, 1)))
    assert out.area_mm2 == pytest.approx(240**2 - opening)
    assert np.abs(out.vertices_mm[:, 2]).max() < 1e-9


def loop_edges(surface, i):
    p = surface.vertices_mm[surface.boundary_loops[i]]
    return zip(p, np.roll(p, -1, axis=0))


def test_a_filled_hole_is_meshed_like_its_surroundings():
    v, f = plate(41, 41)
    out = repair_surface(Surface(v, punch(v, f, [80, 80, 0], 17)))
    assert len(out.boundary_loops) == 1
    new = out.faces[(out.vertices_mm[out.faces].mean(axis=1)[:, :2] - 80 < 20).all(axis=1)]
    p = out.vertices_mm[new]
    edges = np.linalg.norm(p - p[:, [1, 2, 0]], axis=2)
    assert edges.max() < 2 * out.mean_edge_mm
    assert edges.min() > 0.25 * out.mean_edge_mm


def test_the_limit_is_a_diameter():
    v, f = plate(41, 41)
    holed = Surface(v, punch(v, f, [80, 80, 0], 10))
    rim = holed.boundary_loops[1]
    width = np.linalg.norm(v[rim] - np.roll(v[rim], 1, axis=0), axis=1).sum() / np.pi
    assert len(repair_surface(holed, fill_holes_mm=width * 0.999).boundary_loops) == 2
    assert len(repair_surface(holed, fill_holes_mm=width * 1.001).boundary_loops) == 1
    assert len(repair_surface(holed, fill_holes_mm=0).boundary_loops) == 2


def test_the_edge_of_a_small_scan_is_never_filled():
    v, f = plate(6, 6)
    out = repair_surface(Surface(v, f), fill_holes_mm=500)
    assert out.repairs == ()


def test_a_hole_over_a_noisy_plate_stays_within_the_noise():
    v, f = plate(41, 41)
    v[:, 2] = np.random.default_rng(3).normal(0, 0.7, len(v))
    out = repair_surface(Surface(v, punch(v, f, [80, 80, 0], 17)))
    filled = np.linalg.norm(out.vertices_mm[:, :2] - 80, axis=1) < 14
    assert filled.sum() > 25
    assert np.abs(out.vertices_mm[filled, 2]).max() < 2.1


def test_new_points_take_the_colours_about_them():
    v, f = plate(41, 41)
    c = np.stack([v[:, 0] / 160 * 250, v[:, 1] / 160 * 250, 0 * v[:, 0] + 77], axis=1).astype(np.uint8)
    out = repair_surface(Surface(v, punch(v, f, [80, 80, 0], 17), c))
    want = np.stack([out.vertices_mm[:, 0] / 160 * 250, out.vertices_mm[:, 1] / 160 * 250], axis=1)
    assert np.abs(out.colors[:, :2] - want).max() < 8
    assert (out.colors[:, 2] == 77).all()


def test_a_rim_with_a_chord_in_the_mesh_makes_no_edge_with_three_faces():
    """Two opposite points of the rim are joined by an edge round the back: the patch may not use it."""
    v, f = ball(1)
    hole = np.flatnonzero(np.linalg.norm(v[f].mean(axis=1) - [0, 0, 100], axis=1) < 75)
    out = repair_surface(Surface(v, np.delete(f, hole, axis=0)), fill_holes_mm=500)
    assert_sound(out)
    u = np.array([[0, 0, 0], [30, 0, 0], [30, 30, 0], [0, 30, 0], [15, 15, -3000]], float)
    g = np.array([[1, 0, 4], [2, 1, 4], [3, 2, 4], [0, 3, 4]])
    closed = repair_surface(Surface(u, g), fill_holes_mm=500)
    assert_sound(closed)
    assert closed.boundary_loops == ()


RHOMB = np.array([[0, -10, 0], [30, 0, 0], [0, 10, 0], [-30, 0, 0]], float)


def diagonal(tri):
    """The inner edge of two triangles over four points."""
    return tuple(sorted(set(tri[0]) & set(tri[1])))


def test_a_patch_never_uses_an_edge_the_mesh_has():
    taken = np.zeros((4, 4), dtype=bool)
    assert diagonal(_fill._least_area(RHOMB, taken).tolist()) == (0, 2)
    taken[0, 2] = taken[2, 0] = True
    long = _fill._least_area(RHOMB, taken)
    assert diagonal(long.tolist()) == (1, 3)
    assert diagonal(_fill._swap(RHOMB, long, taken).tolist()) == (1, 3)
    assert diagonal(_fill._swap(RHOMB, long, np.zeros((4, 4), dtype=bool)).tolist()) == (0, 2)
    taken[1, 3] = taken[3, 1] = True
    assert _fill._least_area(RHOMB, taken) is None


def test_a_rim_whose_chords_are_all_taken_is_filled_from_its_middle():
    """Both diagonals of a square rim run round the back, through no face of the hole."""
    known = np.sort([0 * 4 + 2, 1 * 4 + 3])
    fresh, tri = _fill._patch(RHOMB, np.arange(4), known)
    assert len(fresh) >= 1
    inner = {tuple(sorted(e)) for t in tri.tolist() for e in zip(t, t[1:] + t[:1])}
    assert not inner & {(0, 2), (1, 3)}


def test_a_rim_longer_than_the_search_allows_is_halved(monkeypatch):
    monkeypatch.setattr(_fill, "RIM_MOST", 10)
    v, f = ball(4)
    f = punch(v, f, [0, 0, 100], 20)
    out = repair_surface(Surface(v, f))
    assert_sound(out)
    assert out.boundary_loops == ()
    assert np.abs(np.linalg.norm(out.vertices_mm, axis=1) - 100).max() < 0.1


def test_holes_that_touch_in_a_point_are_filled_each():
    v, f = plate(41, 41)
    corner = v[20 * 41 + 20, :2]
    off = v[f].mean(axis=1)[:, :2] - corner
    gone = (off[:, 0] * off[:, 1] > 0) & (np.abs(off) < 12).all(axis=1)
    out = repair_surface(Surface(v, f[~gone]))
    assert counts(out)["holes filled"] == 2
    assert_sound(out)
    assert out.area_mm2 == pytest.approx(160**2)
    assert len(out.boundary_loops) == 1


def test_a_small_hole_touching_an_opening_is_filled_alone():
    v, f = plate(41, 41)
    corner = v[20 * 41 + 20, :2]
    off = v[f].mean(axis=1)[:, :2] - corner
    small = (off > 0).all(axis=1) & (off < 8).all(axis=1)
    large = (off < 0).all(axis=1) & (off > -60).all(axis=1)
    out = repair_surface(Surface(v, f[~(small | large)]))
    assert counts(out)["holes filled"] == 1
    assert_sound(out)
    assert out.area_mm2 == pytest.approx(160**2 - 60**2)


def test_a_slit_is_closed():
    """Two lips that lie on each other, as after a cut of no width."""
    v, f = ball(3)
    a, b, _ = f[0]
    lip = next(i for i, t in enumerate(f.tolist()) if i and a in t and b in t)
    other = f[lip][~np.isin(f[lip], [a, b])][0]
    cut = repair._Work(*slit(v, f, [a, b, other]), None, ())
    out = repair._fill(cut, 50.0)
    assert [(r.what, r.count) for r in out.log] == [("slits closed", 2)]
    assert len(out.v) == len(v)
    assert not len(rim_edges(len(out.v), out.f))


def test_a_point_in_the_middle_of_a_neighbours_side_closes_the_slit():
    """A hole without width: any patch on it would have no area, so the neighbour is divided too."""
    v, f = plate(9, 9)
    at = 4 * 9 + 4
    hole = np.flatnonzero((f == at).sum(axis=1) & (f == at + 1).sum(axis=1))
    v = np.vstack([v, 0.5 * (v[at] + v[at + 1])])
    first = f[hole[0]].tolist()
    far = next(q for q in first if q not in (at, at + 1))
    k = first.index(far)
    p, q = first[(k + 1) % 3], first[(k + 2) % 3]
    f = np.vstack([np.delete(f, hole[0], axis=0), [[far, p, len(v) - 1], [far, len(v) - 1, q]]])
    out = repair_surface(Surface(v, f))
    assert [r.what for r in out.repairs] == ["faces split where a point of a neighbour lies on their side"]
    assert_sound(out)
    assert len(out.boundary_loops) == 1
    assert out.area_mm2 == pytest.approx(Surface(*plate(9, 9)).area_mm2)


def slit(v, f, path):
    """Cut a mesh along the edges of a path of three points: the middle point is doubled."""
    start, mid, end = path
    ring = [i for i, t in enumerate(f.tolist()) if mid in t]
    side, at = [], start
    while at != end:
        i = next(i for i in ring if i not in side and follows(f[i], mid, at))
        side.append(i)
        at = next(q for q in f[i] if q not in (mid, at))
    f = f.copy()
    f[side] = np.where(f[side] == mid, len(v), f[side])
    return np.vstack([v, v[mid]]), f


def follows(t, mid, at):
    k = t.tolist().index(mid)
    return t[(k + 1) % 3] == at


# --- spikes ----------------------------------------------------------------------------------------------------


def test_spikes_are_seen_placed_and_left():
    v, f = plate(41, 41)
    v[:, 2] = np.random.default_rng(0).normal(0, 0.3, len(v))
    at = [500, 900, 1200]
    v[at, 2] += [8, -12, 15]
    out = repair_surface(Surface(v, f), mend_spikes=False)
    (done,) = out.repairs
    assert done.what.startswith("spikes seen and left alone (up to 1")
    assert (done.count, done.kind, done.severity) == (3, "spikes", "left")
    assert done.where_mm == pytest.approx(v[1200])
    assert np.sort(np.array(done.places_mm), axis=0) == pytest.approx(np.sort(v[at], axis=0))
    assert np.array_equal(out.vertices_mm, v)


def test_corners_of_a_box_are_no_spikes():
    box = trimesh.creation.box([300, 200, 100]).subdivide().subdivide()
    assert repair_surface(Surface(box.vertices, box.faces)).repairs == ()


# --- all together ----------------------------------------------------------------------------------------------


def test_nothing_left_is_an_error():
    with pytest.raises(MeshError, match="no triangle is left after removing flat faces"):
        repair_surface(Surface([[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 1, 2]]))


def test_a_mesh_that_breaks_the_promise_is_not_let_out():
    v, f = plate(3, 3)
    with pytest.raises(CheckError, match="3 edges have two faces on one side"):
        repair._verify(repair._Work(v, np.vstack([f, f[:1]]), None, ()))
    with pytest.raises(CheckError, match="touch in a point"):
        repair._verify(repair._Work(v, np.array([[0, 1, 2], [2, 3, 4]]), None, ()))


@settings(max_examples=150, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    drop=st.sampled_from([0.0, 0.05, 0.4]),
    turn=st.sampled_from([0.0, 0.1, 0.5]),
    wild=st.integers(0, 12),
    double=st.integers(0, 8),
    pinch=st.integers(0, 6),
    keep=st.sampled_from(["largest", "all"]),
    fill=st.sampled_from([0.0, 60.0, 300.0]),
)
def test_any_damage_gives_a_sound_surface_or_an_error(seed, drop, turn, wild, double, pinch, keep, fill):
    rng = np.random.default_rng(seed)
    v, f = ball(2)
    f = f[rng.random(len(f)) >= drop]
    flip = rng.random(len(f)) < turn
    f[flip] = f[flip, ::-1]
    f = np.vstack([f, rng.integers(0, len(v), (wild, 3)), f[rng.integers(0, len(f), double)]])
    pair = rng.integers(0, len(v), (pinch, 2))
    v[pair[:, 0]] = v[pair[:, 1]]
    c = rng.integers(0, 256, (len(v), 3)).astype(np.uint8)
    try:
        out = repair_surface(Surface(v, f, c), keep=keep, fill_holes_mm=fill)
    except MeshError:
        return
    assert_sound(out)
    assert len(out.colors) == len(out.vertices_mm)


@settings(max_examples=150, deadline=None)
@given(
    v=hnp.arrays(float, (7, 3), elements=st.integers(-3, 3).map(float)),
    f=hnp.arrays(np.int64, st.tuples(st.integers(1, 24), st.just(3)), elements=st.integers(0, 6)),
)
def test_any_soup_of_triangles_gives_a_sound_surface_or_an_error(v, f):
    try:
        out = repair_surface(Surface(100 * v, f), keep="all")
    except MeshError:
        return
    assert_sound(out)


def test_equal_rows_are_found_even_if_their_hashes_collide(monkeypatch):
    rows = np.array([[3, 1, 2], [1, 2, 3], [3, 1, 2], [9, 9, 9], [1, 2, 3]])
    first, group = repair.equal_rows(rows)
    assert first.tolist() == [0, 1, 3]
    assert group.tolist() == [0, 1, 0, 2, 1]
    monkeypatch.setattr(repair, "MIX", np.uint64(0))
    first, group = repair.equal_rows(rows)
    assert first.tolist() == [0, 1, 3]
    assert group.tolist() == [0, 1, 0, 2, 1]


# --- smoothing -------------------------------------------------------------------------------------------------


def noisy_corner(h=4.0, sigma=0.7, length=100.0, seed=0):
    """A concave right angle of two walls, x = 0 and z = 0, with no mesh line in the corner."""
    s = np.arange(-length, length + h / 2, h) + 0.5 * h
    rows = 31
    x, z = np.where(s < 0, -s, 0.0), np.where(s > 0, s, 0.0)
    v, f = plate(len(s), rows, h)
    v = np.stack([np.repeat(x, rows), v[:, 1], np.repeat(z, rows)], axis=1)
    return v, v + np.random.default_rng(seed).normal(0, sigma, v.shape), f


def off_walls(p):
    return np.minimum(np.abs(p[:, 0]), np.abs(p[:, 2]))


def test_smoothing_takes_the_noise_and_keeps_the_corner():
    true, rough, f = noisy_corner()
    out = smooth_surface(Surface(rough, f), scale_mm=8.0)
    inner = (true[:, 1] > 20) & (true[:, 1] < 100) & (np.maximum(true[:, 0], true[:, 2]) < 80)
    wall = inner & (np.maximum(true[:, 0], true[:, 2]) > 25)
    near = inner & (np.maximum(true[:, 0], true[:, 2]) < 8)
    rms = {
        k: np.sqrt((off_walls(p)[wall] ** 2).mean()) for k, p in (("raw", rough), ("out", out.vertices_mm))
    }
    assert rms["raw"] > 0.6
    assert rms["out"] < 0.2 * rms["raw"]
    assert np.sqrt((off_walls(out.vertices_mm)[near] ** 2).mean()) < 0.3
    (done,) = out.repairs
    move = np.linalg.norm(out.vertices_mm - rough, axis=1)
    assert done.largest_move_mm == pytest.approx(move.max())
    assert f"rms {np.sqrt((move**2).mean()):.2g} mm" in done.what
    assert done.where_mm == pytest.approx(rough[move.argmax()])


def test_smoothing_never_moves_a_point_farther_than_the_cap():
    _, rough, f = noisy_corner(sigma=1.5)
    out = smooth_surface(Surface(rough, f), scale_mm=12.0, cap_mm=0.5)
    move = np.linalg.norm(out.vertices_mm - rough, axis=1)
    held = np.isclose(move, 0.5)
    assert move.max() <= 0.5 + 1e-12
    assert f"{held.sum()} held at 0.5 mm" in out.repairs[0].what
    assert held.sum() > 100


def test_smoothing_does_not_draw_the_outline_in():
    v, f = plate(31, 31)
    rng = np.random.default_rng(1)
    rough = v + np.stack([0 * v[:, 0], 0 * v[:, 0], rng.normal(0, 0.5, len(v))], axis=1)
    out = smooth_surface(Surface(rough, f), scale_mm=8.0)
    rim = np.unique(out.boundary_loops[0])
    sideways = np.abs(out.vertices_mm[rim, :2] - v[rim, :2])
    assert sideways.max() < 0.25
    for axis in (0, 1):
        low, high = v[rim, axis] == 0, v[rim, axis] == 120
        assert out.vertices_mm[rim[low], axis].mean() == pytest.approx(0, abs=0.02)
        assert out.vertices_mm[rim[high], axis].mean() == pytest.approx(120, abs=0.02)


def test_the_copy_the_normals_are_taken_from_keeps_straight_edges():
    v, f = plate()
    calm = noise.calmed(Surface(v, f), 4)
    middle = (v[:, 0] == 0) & (np.abs(v[:, 1] - 40) < 5)
    assert middle.sum() == 3
    assert np.abs(calm.vertices_mm[middle] - v[middle]).max() < 1e-9


def test_smoothing_leaves_a_flat_plate_and_its_colours_alone():
    v, f = plate()
    c = np.random.default_rng(0).integers(0, 256, (len(v), 3)).astype(np.uint8)
    out = smooth_surface(Surface(v, f, c), scale_mm=10.0)
    assert np.abs(out.vertices_mm - v).max() < 1e-12
    assert np.array_equal(out.colors, c)


@pytest.mark.parametrize(("name", "value"), [("scale_mm", 0.0), ("scale_mm", float("nan")), ("cap_mm", -1.0)])
def test_smoothing_needs_lengths(name, value):
    v, f = plate()
    with pytest.raises(MeshError, match=f"{name} is"):
        smooth_surface(Surface(v, f), **{"scale_mm": 8.0, name: value})


@pytest.mark.parametrize("sigma", [0.1, 0.5])
def test_noise_is_told_within_a_tenth(sigma):
    v, f = plate(61, 61)
    v[:, 2] = 30 * np.sin(v[:, 0] / 80) + np.random.default_rng(4).normal(0, sigma, len(v))
    assert noise_mm(Surface(v, f)) == pytest.approx(sigma, rel=0.1)


def test_noise_of_a_tiny_mesh_is_not_told():
    assert noise_mm(Surface(*plate(3, 3))) == 0.0


def test_rim_edges_are_those_with_one_face():
    v, f = plate(4, 3)
    assert len(rim_edges(len(v), f)) == 2 * (3 + 2)
    v, f = ball(1)
    assert len(rim_edges(len(v), f)) == 0
