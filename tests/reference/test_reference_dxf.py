"""Cut files read by others: a general-purpose mesh library, and the group codes taken literally."""

import math

import ezdxf
import numpy as np
import plans
import pytest
import trimesh
from shapely import Point, Polygon

from plyflat.export.drawing import draw_templates, lay_drawings, template_drawings
from plyflat.export.dxf import twin_path, write_dxf


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


def pairs(path):
    """The file as (group code, value) pairs, nothing else known."""
    lines = path.read_text(encoding="cp1252").splitlines()
    return [(int(code), value.strip()) for code, value in zip(lines[::2], lines[1::2])]


def shoelace(points):
    x, y = np.array(points).T
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2


def entities(path):
    """(kind, layer, closed, points) of every polyline, by the group codes of the published DXF reference."""
    found, kind, layer, flags, points, in_entities, header = [], "", "", 0, [], False, {}
    name = ""
    x = 0.0

    def close():
        if kind in ("LWPOLYLINE", "POLYLINE") and points:
            found.append((kind, layer, bool(flags & 1), list(points)))

    inside = False  # between POLYLINE and its SEQEND
    for code, value in pairs(path):
        if code == 9:
            name = value
        elif name and code == 70:
            header[name], name = int(value), ""
        if (code, value) == (2, "ENTITIES"):
            in_entities = True
        if not in_entities:
            continue
        if code == 0:
            if value == "VERTEX":
                inside = True
                continue
            close()
            kind, layer, flags, points, inside = value, "", 0, [], False
        elif code == 8 and not inside:
            layer = value
        elif code == 70 and not inside:
            flags = int(value)
        elif code == 10 and (inside or kind == "LWPOLYLINE"):
            x = float(value)
        elif code == 20 and (inside or kind == "LWPOLYLINE"):
            points.append((x, float(value)))
    return found, header


@pytest.mark.reference(source="DXF reference (R12 and R2000 group codes 8, 10, 20, 70; $INSUNITS 4 = mm)", kind="published")
def test_group_codes_hold_every_piece_closed_in_mm(plan, tmp_path):
    for stem, drawing in template_drawings(plan) + lay_drawings(plan):
        path = tmp_path / f"{stem}.dxf"
        write_dxf(drawing, path)
        for file in (path, twin_path(path)):
            found, header = entities(file)
            cut = [e for e in found if e[1] == "CUT"]
            assert all(closed for _, _, closed, _ in cut)
            areas = sorted(shoelace(points) for *_, points in cut)
            wanted = sorted(Polygon(r).area for _, p in drawing.pieces for r in (p.exterior, *p.interiors))
            assert areas == pytest.approx(wanted, rel=1e-6)
            assert header.get("$INSUNITS", 4) == 4
        assert entities(path)[1]["$INSUNITS"] == 4


@pytest.mark.reference(source="trimesh, its own DXF reader", kind="library")
def test_trimesh_reads_the_area_of_every_piece_in_mm(plan, tmp_path):
    for stem, drawing in template_drawings(plan) + lay_drawings(plan):
        path = tmp_path / f"{stem}.dxf"
        write_dxf(drawing, path)
        with path.open("rb") as file:
            read = trimesh.load_path(file, file_type="dxf")
        assert read.units in ("mm", "millimeters")
        rings = [e.discrete(read.vertices) for e in read.entities if e.layer == "CUT"]
        areas = sorted(shoelace(r[:-1]) for r in rings)
        wanted = sorted(Polygon(r).area for _, p in drawing.pieces for r in (p.exterior, *p.interiors))
        assert areas == pytest.approx(wanted, rel=1e-6)


@pytest.mark.reference(source="area of a regular polygon, n/2 r² sin(2 pi / n)", kind="derived")
@pytest.mark.parametrize("radius", [35.0, 4000.0])
def test_round_piece_far_from_the_origin_keeps_its_area(radius, tmp_path):
    quarter = 250
    disc = Point(5000.0, -3000.0).buffer(radius, quad_segs=quarter)
    template = plans.template("P1", "A", disc)
    template = plans.replace(template, cut=disc)
    path = tmp_path / "disc.dxf"
    write_dxf(draw_templates("disc", [template], notch_mm=6.0), path)
    n = 4 * quarter
    exact = n / 2 * radius**2 * math.sin(2 * math.pi / n)
    for file, kind in ((path, "LWPOLYLINE"), (twin_path(path), "POLYLINE")):
        ring = next(p for k, layer, _, p in entities(file)[0] if layer == "CUT" and k == kind)
        assert shoelace(ring) == pytest.approx(exact, rel=1e-6)
        assert len(ring) == n


@pytest.mark.reference(source="ezdxf audit and reader", kind="library")
def test_ezdxf_finds_nothing_to_mend(plan, tmp_path):
    for stem, drawing in template_drawings(plan) + lay_drawings(plan):
        path = tmp_path / f"{stem}.dxf"
        write_dxf(drawing, path)
        for file in (path, twin_path(path)):
            found = ezdxf.readfile(file).audit()
            assert (found.errors, found.fixes) == ([], [])
