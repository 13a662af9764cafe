"""A small plan made by hand, for the tests of everything that reads plans.

An L-shaped region with an opening on the crown of a cylinder (radius 800 mm, axis x), so that flat shapes are known
exactly: (x, s), with s the arc length across. The strain is invented, and above its limit in one place. The names hold
letters that do not belong in file names, in markup or in ASCII.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from shapely import LineString, Point, Polygon, box, union_all

from plyflat.cloth._bounds import Held
from plyflat.cloth._strain import YarnStretch, yarn_strain
from plyflat.cloth.flatten import Flat, StrainBound
from plyflat.cloth.template import Notch, Strain, Template
from plyflat.job.reader import read_job
from plyflat.lay.nest import Lay, Place
from plyflat.planned import (
    Caution,
    Check,
    LayerPlan,
    MeshPlan,
    PatchPlan,
    Piece3D,
    Plan,
    PlyPlan,
    RegionPlan,
    RollPlan,
)
from plyflat.shop.quantity import Quantity
from plyflat.surface.mesh import Repair, Surface
from plyflat.surface.region import Region

RADIUS_MM, CELL_MM = 800.0, 20.0
REGION = "Bug Süd & keel aft"
CLOTH, FILM = "carbon twill 200", "bag film 50"

JOB = """
version = 1
name = "Test hull: crown <A> & B"
currency = "EUR"

[mesh.hull]
file = "hull.stl"
unit = "mm"

[boat]
forward = [1, 0, 0]
up = [0, 0, 1]

[[region]]
name = "Bug Süd & keel aft"
mesh = "hull"
bag = "standard"
warp = "forward"
outline = { unit = "mm", points = [[200, -400, 700], [1400, -400, 700], [1400, 0, 800], [200, 400, 700]] }

[[region.ply]]
cloth = "carbon twill 200"
angle = "0 deg"

[[region.ply]]
cloth = "carbon twill 200"
angle = "45 deg"
grow = "40 mm"

[cloth."carbon twill 200"]
areal_weight = "200 g/m^2"
roll_width = "1270 mm"
roll_length = "10 m"
price = "38.50 EUR/m"
fibre = "carbon"
face_up = "out"

[consumable."bag film 50"]
kind = "bag film"
areal_weight = "55 g/m^2"
roll_width = "2000 mm"
roll_length = "50 m"

[consumable."peel ply 85"]
kind = "peel ply"
areal_weight = "85 g/m^2"
roll_width = "1500 mm"
roll_length = "50 m"

[consumable."sealant tape"]
kind = "sealant tape"
mass_per_length = "50 g/m"
roll_length = "15 m"

[bag.standard]
peel_ply = { material = "peel ply 85", margin = "25 mm" }
tape = { material = "sealant tape", margin = "100 mm", overlap = "25 mm" }
film = { material = "bag film 50", margin = "50 mm", cut = "sheet", slack = "0 mm" }
"""


def cylinder(x0=0.0, x1=1600.0, s0=-600.0, s1=600.0, cell=CELL_MM):
    """Return the cylinder as a surface with the (n, 2) flat coordinates of its vertices."""
    x, s = np.arange(x0, x1 + cell / 2, cell), np.arange(s0, s1 + cell / 2, cell)
    flat = np.stack([q.ravel() for q in np.meshgrid(x, s, indexing="ij")], axis=1)
    index = np.arange(len(flat)).reshape(len(x), len(s))
    a, b, c, d = (q.ravel() for q in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]))
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    angle = flat[:, 1] / RADIUS_MM
    points = np.stack([flat[:, 0], RADIUS_MM * np.sin(angle), RADIUS_MM * np.cos(angle)], axis=1)
    return Surface(points, faces), flat


def l_shape(grow=0.0):
    """Return the region's flat outline."""
    g = grow
    return union_all([box(200 - g, -400 - g, 800 + g, 400 + g), box(200 - g, -400 - g, 1400 + g, 0 + g)]).difference(
        box(300 + g, 100 + g, 400 - g, 200 - g)
    )


def patch(surface, flat, shape, name=""):
    """Return the region of a flat shape whose edges run along cells."""
    inside = np.array([shape.covers(Point(p)) for p in flat[surface.faces].mean(axis=1)])
    part, used = surface.sub(inside)
    return Region(part, part.boundary_loops, surface, inside, used, name)


def piece(surface, flat, shape, peak):
    """Return a piece on the hull with an invented strain of a given peak."""
    part, used = surface.sub(np.array([shape.covers(Point(p)) for p in flat[surface.faces].mean(axis=1)]))
    uv = flat[used]
    middle = uv[part.faces].mean(axis=1) - np.array([900.0, -200.0])
    strain = peak * np.exp(-(middle**2).sum(axis=1) / 250.0**2)
    stretch = np.stack([1 + strain, 1 - strain / 2], axis=1)
    return Piece3D(part, Flat(uv, stretch, np.zeros(len(strain), bool), False, 1.0004), strain)


def strain_of(pieces, limit=0.03):
    """Return the strain figures of pieces."""
    s = np.concatenate([p.strain for p in pieces])
    w = np.concatenate([p.surface.face_areas_mm2 for p in pieces])
    order = np.argsort(s)
    share = np.cumsum(w[order]) / w.sum()
    p99 = float(s[order][np.searchsorted(share, 0.99)])
    return Strain(float(s.max()), p99, float((s * w).sum() / w.sum()), limit, float(w[s > limit].sum() / w.sum()), 1.0004)


def template(ply, letter, net, laps=(), folds=(), joins=(), notches=(), angle=0.0, copies=1, material=CLOTH):
    """Return a template round a net outline, moved to lie near (0, 0)."""
    cut = union_all([net.buffer(10.0, join_style="mitre"), *laps])
    if net.interiors:
        cut = Polygon(cut.exterior, [net.interiors[0]])
    c = net.representative_point()
    x0, _, x1, _ = net.bounds
    line = LineString([(x0, c.y), (x1, c.y)]).intersection(net)
    line = max(getattr(line, "geoms", [line]), key=lambda g: g.length)
    a = np.radians(angle)
    return Template(
        REGION, ply, letter, material, "air side up", False, net, cut, tuple(laps), tuple(folds), tuple(joins),
        tuple(notches), line, c, (float(np.cos(a)), float(-np.sin(a))), (float(np.sin(a)), float(np.cos(a))),
        Strain(0.042, 0.02, 0.01, 0.03, 0.04, 1.0004), angle, copies,
    )  # fmt: skip


def templates():
    """Return the templates of the two plies."""
    whole = l_shape()
    a, b = whole.intersection(box(0, -500, 800, 500)), box(800, -400, 1400, 0)
    lap = box(800, -410, 825, 10)
    cuts = [Notch((825.0, -300.0), (-1.0, 0.0), "J1.1"), Notch((825.0, -100.0), (-1.0, 0.0), "J1.2")]
    meets = [Notch((790.0, -300.0), (1.0, 0.0), "J1.1"), Notch((790.0, -100.0), (1.0, 0.0), "J1.2")]
    first = template(
        "P1", "A", a, [lap], [LineString([(200, 300), (800, 300)])], [LineString([(775, -400), (775, 0)])], cuts
    )
    second = template("P1", "B", b, [box(800, -410, 825, 10)], (), [LineString([(825, -400), (825, 0)])], meets, copies=2)
    turned = Polygon([(0, 0), (900, 0), (900, 300), (400, 300), (400, 800), (0, 800)])
    return (first, second), (template("P2", "A", turned, angle=45.0),)


def laid(parts, turns, shifts, copies):
    """Return places of parts, one for each turn and shift."""
    from plyflat.export.drawing import moved

    where = zip(parts, turns, shifts, copies)
    return tuple(Place(i, c, t, s, moved(p, t, s).cut) for (i, p), t, s, c in where)


def sheet(name, layer, length, width):
    """Return a plain rectangle."""
    outline = box(0.0, 0.0, length, width)
    warp = LineString([(0.05 * length, width / 2), (0.95 * length, width / 2)])
    return Template(
        REGION, layer, "A", name, "either face up", False, outline, outline, warp=warp, centre=Point(length / 2, width / 2)
    )


def layers_of(surface, flat):
    """Return a bag stack: peel ply, tape and film."""
    peel, edge = patch(surface, flat, l_shape(60.0)), patch(surface, flat, l_shape(100.0))
    out = patch(surface, flat, l_shape(160.0))
    shape = template("peel ply", "A", l_shape(20.0), material="peel ply 85")
    film = sheet(FILM, "bag film", 1560.0, 1160.0)
    flat_piece = piece(surface, flat, l_shape(60.0), 0.01)
    return (
        LayerPlan("peel ply", "peel ply 85", 25.0, peel.area_mm2, 1200.0, (shape,), peel, strain=strain_of([flat_piece]),
                  pieces=(flat_piece,)),
        LayerPlan("sealant tape", "sealant tape", 100.0, 0.0, 0.0, (), edge, 5425.0),
        LayerPlan("bag film", FILM, 150.0, out.area_mm2, 0.0, (film,), out, 0.0, (0.0, 12.5)),
    )  # fmt: skip


def make(folder):
    """Return the plan; its job file is written to a folder.

    Parameters
    ----------
    folder : Path
    """
    path = folder / "job.toml"
    path.write_text(JOB, encoding="utf-8")
    surface, flat = cylinder()
    (folder / "hull.stl").touch()
    one, two = templates()
    base = patch(surface, flat, l_shape(), REGION)
    grown = patch(surface, flat, l_shape(40.0), REGION)
    halves = (box(0, -500, 800, 500), box(800, -500, 1500, 500))
    pieces = tuple(piece(surface, flat, l_shape().intersection(h), 0.042) for h in halves)
    whole = (piece(surface, flat, l_shape(40.0), 0.02),)
    plies = (
        PlyPlan("P1", CLOTH, 0.0, 0.0, base.area_mm2, 10500.0, base, pieces, one, strain_of(pieces)),
        PlyPlan("P2", CLOTH, 45.0, 40.0, grown.area_mm2, 0.0, grown, whole, two, strain_of(whole)),
    )
    layers = layers_of(surface, flat)
    warp = surface.vertices_mm[[np.argmin(np.hypot(*(flat - p).T)) for p in ((300, -200), (1300, -200))]]
    seam = surface.vertices_mm[(flat[:, 0] == 360.0) & (flat[:, 1] >= 200.0) & (flat[:, 1] <= 400.0)]
    region = RegionPlan(REGION, "hull", base, warp, plies, layers, (seam,))
    mesh = MeshPlan(
        "hull", "hull.stl", "mm", replace(surface, repairs=(Repair("duplicate vertices merged", 17, 0.002, (1.0, 2.0, 3.0)),)),
        0.0012,
    )  # fmt: skip
    return Plan(
        read_job(path), (mesh,), (region,), rolls_of(one, two, layers),
        (Quantity("resin", 612.0, "g", 540.0, 700.0, "derived: mass balance", 13.4),),
        (Quantity(CLOTH, 3.0, "m", 3.0, 3.2, "derived: lay length", 115.5),),
        (Quantity("in all", 410.0, "g", 300.0, 520.0, "derived"),),
        (Caution("strain is up to 4.2 %, above 3 %", f"{REGION} P1", "Dart it, or split it."),),
        (Check("lay: smallest gap", 5.0, 5.0, "mm"),),
        {"load": 0.5},
    )  # fmt: skip


def rolls_of(one, two, layers):
    """Return a lay of four pieces of cloth, and one each of peel ply and film."""
    parts = (*one, *two)
    which = [(0, parts[0]), (1, parts[1]), (1, parts[1]), (2, parts[2])]
    places = laid(
        which, (0.0, 0.0, 180.0, 0.0), ((-180.0, 425.0), (-130.0, 425.0), (2065.0, 845.0), (1300.0, 30.0)), (0, 0, 1, 0)
    )
    places = tuple(places)
    length = max(p.outline.bounds[2] for p in places) + 10.0
    area = sum(p.outline.area for p in places)
    cloth = Lay(places, 1270.0, length, area / (1270 * length), 0.9 * length, "area", 5.0, 10.0, 6.1, 2.0, 1)
    rolls = [
        RollPlan(CLOTH, "cloth", (cloth,), parts, 1270.0, 10000.0, length, 1.6e6, area, length * 1270, 800.0, 1, 115.5)
    ]
    for layer in layers:
        if layer.templates:
            rolls.append(single(layer))
    tape = layers[1]
    rolls.append(
        RollPlan(tape.material, tape.kind, (), (), 0.0, 15000.0, tape.length_mm, 0.0, 0.0, 0.0, 271.0, 1, None)
    )
    return tuple(rolls)


def single(layer):
    """Return a roll with one piece on it."""
    part = layer.templates[0]
    x0, y0, x1, y1 = part.cut.bounds
    place = laid([(0, part)], (0.0,), ((10.0 - x0, 10.0 - y0),), (0,))
    length = x1 - x0 + 20.0
    area = part.cut.area
    lay = Lay(place, 2000.0, length, area / (2000 * length), length - 20, "longest piece", 5.0, 10.0, float("inf"), 1.0, 1)
    return RollPlan(
        layer.material, layer.kind, (lay,), (part,), 2000.0, 50000.0, length, layer.area_mm2, area, 2000 * length, 90.0, 1,
        None,
    )  # fmt: skip


def with_yarns(ply, top=0.05):
    """Return a ply whose pieces know their yarns: warp pulled to the right, weft puckered there, shear across."""
    pieces = []
    for p in ply.pieces:
        x, y = p.flat.uv_mm[p.surface.faces].mean(axis=1).T
        x, y = (x - x.mean()) / np.ptp(x), (y - y.mean()) / np.ptp(y)
        pieces.append(replace(p, yarns=YarnStretch(1 + 2 * top * x, 1 - 2 * top * x, 10 * y), table_mm=p.flat.uv_mm))
    yarns = [p.yarns for p in pieces]
    told = yarn_strain(yarns, yarns, [p.surface.face_areas_mm2 for p in pieces], scale_mm=10.0)
    return replace(ply, pieces=tuple(pieces), yarns=told)


def with_patch(ply):
    """Return a ply that was cut: before, all of it was one piece with more strain."""
    surface, flat = cylinder()
    whole = piece(surface, flat, l_shape(), 0.09)
    strain = strain_of([whole])
    bound = StrainBound(0.03, "ring of radius 321 mm", 0.05, "ring of radius 300 mm", 12.0)
    patch = PatchPlan(("A", "B"), 0.123, 0.15, bound, Held(-23.4, -11.8, 20.0, True), whole, strain, whole.surface.area_mm2)
    return replace(ply, patches=(patch,))
