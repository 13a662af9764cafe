"""What a plan says of its flat shapes: the bound, the angle held, the yarns, the places that lie over themselves."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapes

from plyflat.cloth.flatten import flatten
from plyflat.cloth.opening import Opened, cut_along
from plyflat.cloth.pieces import Frame
from plyflat.nearness import laid_piece, patches_of, warp_angle, yarns_over
from plyflat.report.words import near_row
from plyflat.surface import Surface
from plyflat.surface.cut import insert_path

FLAT = Frame(0.0, False)


def plain(surface, flat):
    return FLAT


def row(patch):
    ply = SimpleNamespace(name="P1")
    return near_row(ply, patch)


def told(uncut, opened, frame=FLAT):
    pieces = [laid_piece(p, flatten(p), frame, length_mm=10.0) for p in opened.pieces]
    return pieces, patches_of(uncut, opened, pieces, frame_of=plain, limit=0.03, length_mm=10.0)


@pytest.fixture(scope="module")
def cap():
    return Surface(*shapes.cap(35, radius=600, triangles=2500))


def test_an_uncut_dome_is_held_against_its_bound(cap):
    one = Opened((cap,))
    _, (patch,) = told(one, one)
    assert patch.pieces == ("A",)
    assert patch.uncut is None
    assert 0.04 < patch.proven_ratio < patch.raw_ratio
    assert patch.ratio == pytest.approx(patch.raw_ratio, rel=0.1)
    assert patch.held.total_deg == pytest.approx(360 * (1 - np.cos(np.radians(35))), rel=0.1)
    cells = row(patch)
    assert cells[0] == "P1 A"
    assert cells[1:3] == (f"{100 * patch.ratio:.1f} %", f"{100 * patch.raw_ratio:.1f} %")
    assert cells[3] == f"{100 * patch.proven_ratio:.1f} % ({patch.bound.proof})"
    assert cells[-1] == f"darts opening {patch.held.deep_deg:.0f}°"


def test_a_cut_dome_keeps_what_it_was_before(cap):
    top = cap.vertices_mm[int(cap.vertices_mm[:, 2].argmax())]
    rim = cap.vertices_mm[cap.boundary_loops[0]]
    made = insert_path(cap, np.stack([rim[0], top]), closed=False)
    opened = cut_along(made.surface, [made.path])
    pieces, (patch,) = told(Opened((cap,)), opened)
    assert patch.pieces == ("A",)
    assert patch.uncut is not None
    assert patch.strain.over_share > 0.2
    assert patch.area_mm2 == pytest.approx(pieces[0].surface.area_mm2)
    # What is said is of the patch without the cut: its piece lies flatter.
    assert pieces[0].strain.mean() < 0.7 * patch.uncut.strain.mean()
    assert row(patch)[0] == "P1 A, before cuts"


def test_a_split_patch_names_both_its_pieces(cap):
    rim = cap.vertices_mm[cap.boundary_loops[0]]
    made = insert_path(cap, np.stack([rim[0], rim[len(rim) // 2]]), closed=False)
    opened = cut_along(made.surface, [made.path])
    assert len(opened.pieces) == 2
    _, (patch,) = told(Opened((cap,)), opened)
    assert patch.pieces == ("A", "B")
    assert row(patch)[0] == "P1 A and B, before cuts"


def test_a_saddle_asks_for_gussets():
    surface = Surface(*shapes.saddle(size=500, rise=120, triangles=1500))
    one = Opened((surface,))
    _, (patch,) = told(one, one)
    assert patch.held.total_deg < -20
    assert row(patch)[-1] == f"gussets letting in {-patch.held.deep_deg:.0f}°"


def test_what_lies_flat_is_not_searched():
    surface = Surface(*shapes.cylinder(radius=300, wrap_deg=60, height=300, triangles=800))
    one = Opened((surface,))
    _, (patch,) = told(one, one)
    assert patch.bound is None
    assert patch.proven_ratio == 0.0
    assert row(patch)[3:5] == ("not sought", "not sought")
    assert row(patch)[-1] == "no cuts"


def test_the_warp_is_read_on_the_table():
    """Turned by 40 degrees on the table, the warp is the flat shape's direction of -40; mirrored too."""
    v, f, development = shapes.cylinder_developed(radius=300, wrap_deg=60, height=300, triangles=800)
    surface = Surface(v, f)
    for mirrored in (False, True):
        frame = Frame(np.radians(40), mirrored)
        t = np.radians(warp_angle(frame))
        np.testing.assert_allclose(frame.apply([np.cos(t), np.sin(t)]), [1, 0], atol=1e-12)
        piece = laid_piece(surface, flatten(surface), frame, length_mm=10.0)
        np.testing.assert_allclose(piece.table_mm, frame.apply(piece.flat.uv_mm))
    yarns = yarns_over([piece], [frame], length_mm=10.0)
    assert yarns.warp.size < 1e-3
    assert yarns.shear_deg.size < 0.1
    assert development.shape == (len(v), 2)


def test_a_ramp_that_winds_over_itself_names_both_places():
    """A spiral ramp of 420 degrees lies over itself by 60 degrees when it is flat, one turn's rise apart on the hull."""
    p, f = shapes.rectangle(np.radians(420) * 150, 100, 900)
    angle, r, rise = p[:, 0] / 150, 200 - p[:, 1], 15.0
    surface = Surface(np.stack([r * np.cos(angle), r * np.sin(angle), rise * angle], axis=1), f)
    piece = laid_piece(surface, flatten(surface), Frame(0.3, False), length_mm=10.0)
    assert piece.flat.overlaps
    one, two = piece.overlaps_mm[0]
    assert abs(one[2] - two[2]) == pytest.approx(2 * np.pi * rise, rel=0.1)
    assert np.hypot(*(one - two)[:2]) < 15
    turn = Frame(0.3, False)
    np.testing.assert_allclose(piece.overlaps_at_mm, turn.apply(piece.flat.overlap_at_uv_mm))
