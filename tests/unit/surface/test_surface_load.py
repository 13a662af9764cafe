"""Reading mesh files: every kind, every unit, and every way a file can be bad."""

import struct
import zipfile

import numpy as np
import pytest
import trimesh

from plyflat.errors import MeshError, ScaleError, UnknownUnit
from plyflat.surface import check_distance, load_surface
from plyflat.surface.load import UNITS_MM, unit_mm
from plyflat.surface.mesh import Surface


@pytest.fixture
def ball():
    """A ball of radius 300 with a colour for each vertex."""
    mesh = trimesh.creation.icosphere(2, radius=300.0)
    colors = np.random.default_rng(5).integers(0, 255, (len(mesh.vertices), 4)).astype(np.uint8)
    colors[:, 3] = 255
    mesh.visual.vertex_colors = colors
    return mesh


def write(path, text):
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def ply(head_more="", body="", vertices=3, faces=1, fmt="ascii"):
    return (
        f"ply\nformat {fmt} 1.0\nelement vertex {vertices}\nproperty float x\nproperty float y\n"
        f"property float z\n{head_more}element face {faces}\nproperty list uchar int vertex_indices\n"
        f"end_header\n{body}"
    )


TRIANGLE = "0 0 0\n1000 0 0\n0 1000 0\n3 0 1 2\n"


# --- round trips -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "options", "colored"),
    [
        ("a.stl", {}, False),
        ("a.stl", {"file_type": "stl_ascii"}, False),
        ("a.ply", {}, True),
        ("a.ply", {"encoding": "ascii"}, True),
        ("a.obj", {}, True),
        ("a.off", {}, False),
        ("A.OFF", {"file_type": "off"}, False),
    ],
)
@pytest.mark.parametrize("unit", ["m", "cm", "mm", "in", "ft"])
def test_every_kind_comes_back_in_every_unit(ball, tmp_path, name, options, colored, unit):
    ball.apply_scale(1 / UNITS_MM[unit])
    path = tmp_path / name
    ball.export(path, **options)
    surface = load_surface(path, unit=unit)
    assert len(surface.vertices_mm) == len(ball.vertices)
    assert len(surface.faces) == len(ball.faces)
    assert np.linalg.norm(surface.vertices_mm, axis=1) == pytest.approx(300, abs=1e-3)
    assert surface.repairs == ()
    assert (surface.colors is not None) == colored
    if colored:
        near = np.linalg.norm(surface.vertices_mm[:, None] - ball.vertices * UNITS_MM[unit], axis=2)
        assert np.array_equal(surface.colors, ball.visual.vertex_colors[near.argmin(axis=1), :3])


def test_glb_is_in_metres_and_keeps_its_axes(ball, tmp_path):
    ball.apply_scale([0.001, 0.002, 0.001])  # metres, longest along y
    ball.export(tmp_path / "a.glb")
    surface = load_surface(tmp_path / "a.glb")
    assert surface.size_mm == pytest.approx([600, 1200, 600], rel=0.02)
    assert np.array_equal(surface.colors, ball.visual.vertex_colors[:, :3])
    with pytest.raises(UnknownUnit, match="stated as mm, but the file says m"):
        load_surface(tmp_path / "a.glb", unit="mm")


def test_glb_that_names_a_second_unit_needs_the_unit_stated(ball, tmp_path):
    ball.units = "mm"
    ball.export(tmp_path / "a.glb")
    with pytest.raises(UnknownUnit, match="two units, mm and m "):
        load_surface(tmp_path / "a.glb")
    surface = load_surface(tmp_path / "a.glb", unit="mm")
    assert surface.size_mm.max() == pytest.approx(600, rel=1e-4)


@pytest.mark.parametrize(
    ("declared", "size_mm"), [("millimeter", 600), ("inch", 15240), ("centimeter", 6000), (None, 600)]
)
def test_3mf_says_its_own_unit(ball, tmp_path, declared, size_mm):
    path = tmp_path / "a.3mf"
    ball.export(path)
    rewrite_3mf_unit(path, declared)
    assert load_surface(path).size_mm.max() == pytest.approx(size_mm, rel=1e-4)
    with pytest.raises(UnknownUnit, match="stated as ft, but the file says"):
        load_surface(path, unit="ft")


def rewrite_3mf_unit(path, unit):
    with zipfile.ZipFile(path) as old:
        parts = {n: old.read(n) for n in old.namelist()}
    with zipfile.ZipFile(path, "w") as new:
        for name, data in parts.items():
            if name.endswith(".model"):
                said = b"" if unit is None else f'unit="{unit}"'.encode()
                assert b'unit="millimeter"' in data
                data = data.replace(b'unit="millimeter"', said)
            new.writestr(name, data)


def test_3mf_written_in_metres_but_declared_mm_is_caught_by_its_size(ball, tmp_path):
    ball.apply_scale(0.001)
    ball.export(tmp_path / "a.3mf")
    with pytest.raises(
        MeshError, match=r"0\.6 millimeter = 0\.6 mm, less than 5 mm; read as m it would be 600 mm"
    ):
        load_surface(tmp_path / "a.3mf")


def test_bodies_of_a_scene_are_put_where_it_places_them(ball, tmp_path):
    ball.apply_scale(0.001)
    mirror = np.diag([1.0, 1.0, -1.0, 1.0])
    mirror[0, 3] = 2.0
    scene = trimesh.Scene()
    scene.add_geometry(ball)
    scene.add_geometry(ball.copy(), transform=mirror)
    scene.export(tmp_path / "a.glb")
    surface = load_surface(tmp_path / "a.glb", keep="all")
    assert surface.size_mm[0] == pytest.approx(2600, rel=1e-4)
    assert len(surface.faces) == 2 * len(ball.faces)
    assert surface.repairs == ()  # the mirrored one is turned as it is read


def test_stl_corners_become_shared_points_even_without_repair(ball, tmp_path):
    ball.export(tmp_path / "a.stl")
    surface = load_surface(tmp_path / "a.stl", unit="mm", repair=False)
    assert len(surface.vertices_mm) == len(ball.vertices)


# --- colours ---------------------------------------------------------------------------------------------------

COLOR_HEAD = "property float red\nproperty float green\nproperty float blue\n"
WANTED = [[255, 0, 128], [51, 102, 153], [0, 0, 0]]


@pytest.mark.parametrize(
    "rows", [["1 0 .502", ".2 .4 .6", "0 0 0"], ["255 0 128", "51 102 153", "0 0 0"]], ids=["to 1", "to 255"]
)
@pytest.mark.parametrize("binary", [False, True])
def test_ply_colours_as_floats(tmp_path, rows, binary):
    points = ["0 0 0", "1000 0 0", "0 1000 0"]
    if binary:
        body = b"".join(
            struct.pack("<6f", *map(float, f"{p} {c}".split())) for p, c in zip(points, rows)
        ) + struct.pack("<B3i", 3, 0, 1, 2)
        data = ply(COLOR_HEAD, fmt="binary_little_endian").encode() + body
    else:
        data = ply(COLOR_HEAD, "".join(f"{p} {c}\n" for p, c in zip(points, rows)) + "3 0 1 2\n")
    surface = load_surface(write(tmp_path / "a.ply", data), unit="mm")
    assert surface.colors.tolist() == WANTED


@pytest.mark.parametrize("rows", [["1 0 .502", ".2 .4 .6", "0 0 0"], ["255 0 128", "51 102 153", "0 0 0"]])
def test_obj_colours(tmp_path, rows):
    points = ["0 0 0", "1000 0 0", "0 1000 0"]
    text = "".join(f"v {p} {c}\n" for p, c in zip(points, rows)) + "f 1 2 3\n"
    assert load_surface(write(tmp_path / "a.obj", text), unit="mm").colors.tolist() == WANTED


def test_glb_texture_becomes_vertex_colours(tmp_path):
    from PIL import Image

    image = Image.new("RGB", (8, 8), (200, 10, 10))
    image.paste((10, 10, 200), (4, 0, 8, 8))
    mesh = trimesh.Trimesh(
        [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]], process=False
    )
    material = trimesh.visual.material.PBRMaterial(baseColorTexture=image)
    mesh.visual = trimesh.visual.TextureVisuals(
        uv=np.array([[0.1, 0.5], [0.9, 0.5], [0.9, 0.6], [0.1, 0.6]]), material=material
    )
    mesh.export(tmp_path / "a.glb")
    surface = load_surface(tmp_path / "a.glb")
    left = surface.vertices_mm[:, 0] < 500
    assert np.abs(surface.colors[left].astype(int) - [200, 10, 10]).max() <= 2
    assert np.abs(surface.colors[~left].astype(int) - [10, 10, 200]).max() <= 2


def test_face_colours_are_averaged_at_the_vertices(tmp_path):
    mesh = trimesh.Trimesh(
        [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]], process=False
    )
    mesh.visual.face_colors = [[200, 0, 0, 255], [0, 100, 0, 255]]
    mesh.export(tmp_path / "a.ply")
    surface = load_surface(tmp_path / "a.ply", unit="m")
    assert surface.colors.tolist() == [[100, 50, 0], [200, 0, 0], [100, 50, 0], [0, 100, 0]]


# --- units -----------------------------------------------------------------------------------------------------


def test_no_unit_lists_what_each_would_mean(tmp_path):
    path = write(tmp_path / "a.ply", ply(body="0 0 0\n4.2 0 0\n0 1.3 .6\n3 0 1 2\n"))
    with pytest.raises(UnknownUnit) as caught:
        load_surface(path)
    said = str(caught.value)
    assert "as m: 4.2 x 1.3 x 0.6 m (plausible)" in said
    assert "as cm: 0.042 x 0.013 x 0.006 m;" in said
    assert "as mm: 0.0042 x 0.0013 x 0.0006 m;" in said
    assert "as in: 0.1067 x 0.03302 x 0.01524 m;" in said
    assert "as ft: 1.28 x 0.3962 x 0.1829 m (plausible)" in said


@pytest.mark.parametrize(
    ("name", "mm"),
    [
        ("m", 1000),
        ("Metres", 1000),
        ("meter", 1000),
        ("cm", 10),
        ("millimeters", 1),
        ("inches", 25.4),
        ("in", 25.4),
    ]
    + [("inch", 25.4), ("feet", 304.8), ("foot", 304.8), ("ft", 304.8), ("micron", 0.001)],
)
def test_unit_names(name, mm):
    assert unit_mm(name) == mm


def test_unknown_unit_name_lists_those_known(tmp_path):
    path = write(tmp_path / "a.ply", ply(body=TRIANGLE))
    with pytest.raises(UnknownUnit, match="no unit of length 'furlong'. Known: m, cm, mm, in, ft"):
        load_surface(path, unit="furlong")


@pytest.mark.parametrize(
    ("unit", "said"),
    [
        ("m", r"the largest side is 1000 m = 1 km, more than 100 m; read as mm it would be 1 m.*taken for"),
        ("ft", r"1000 ft = 304\.8 m, more than 100 m"),
    ],
)
def test_a_boat_of_a_kilometre_is_refused_with_both_readings(tmp_path, unit, said):
    path = write(tmp_path / "a.ply", ply(body=TRIANGLE))
    with pytest.raises(MeshError, match=said) as caught:
        load_surface(path, unit=unit)
    assert not isinstance(caught.value, UnknownUnit)


def test_a_boat_of_a_millimetre_is_refused_with_both_readings(tmp_path):
    path = write(tmp_path / "a.ply", ply(body="0 0 0\n4.2 0 0\n0 1.3 .6\n3 0 1 2\n"))
    with pytest.raises(
        MeshError, match=r"is 4\.2 mm, less than 5 mm; read as m it would be 4\.2 m.*metres taken for"
    ):
        load_surface(path, unit="mm")


# --- bad files -------------------------------------------------------------------------------------------------


def refused(path, match, **options):
    with pytest.raises(MeshError, match=match) as caught:
        load_surface(path, unit=options.pop("unit", "mm"), **options)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert not isinstance(caught.value, UnknownUnit)


def test_no_such_file(tmp_path):
    refused(tmp_path / "nothing.stl", "no such file")


def test_a_folder(tmp_path):
    refused(tmp_path, "is a folder")


@pytest.mark.parametrize(
    ("name", "said"), [("a.step", "unknown kind of file '.step'"), ("a", "has no suffix")]
)
def test_unknown_suffix_lists_those_known(tmp_path, name, said):
    refused(write(tmp_path / name, "x"), said + r".*\.stl, \.ply, \.obj, \.glb, \.3mf, \.off")


@pytest.mark.parametrize("kind", ["stl", "ply", "obj", "glb", "3mf", "off"])
def test_empty_file(tmp_path, kind):
    refused(write(tmp_path / f"a.{kind}", ""), r"the file is empty \(0 bytes\)")
    refused(write(tmp_path / f"b.{kind}", " \n"), r"the file is empty \(2 bytes\)")


@pytest.mark.parametrize("kind", ["stl", "ply", "obj", "glb", "3mf", "off"])
def test_garbage(tmp_path, kind):
    rubbish = np.random.default_rng(1).integers(0, 256, 5000).astype(np.uint8).tobytes()
    unit = None if kind in ("glb", "3mf") else "mm"
    refused(write(tmp_path / f"a.{kind}", rubbish), r"\d|not a", unit=unit)


@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.97])
@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("a.stl", {}),
        ("a.stl", {"file_type": "stl_ascii"}),
        ("a.ply", {}),
        ("a.ply", {"encoding": "ascii"}),
        ("a.off", {}),
        ("a.glb", {}),
        ("a.3mf", {}),
    ],
)
def test_cut_file_is_said_to_be_cut_with_its_numbers(ball, tmp_path, name, options, share):
    path = tmp_path / name
    ball.export(path, **options)
    data = path.read_bytes()
    refused(write(path, data[: int(share * len(data))]), r"the file is cut short: .*\d")


def test_cut_binary_stl_counts_the_triangles(ball, tmp_path):
    path = tmp_path / "a.stl"
    ball.export(path)
    refused(
        write(path, path.read_bytes()[: 84 + 50 * 100 + 7]),
        "its head says 320 triangles, there is room for 100",
    )


def test_cut_inside_the_last_line(tmp_path):
    refused(write(tmp_path / "a.ply", ply(body=TRIANGLE[:-3])), "line 4 after the head is '3 0 1'")
    refused(
        write(tmp_path / "a.obj", "v 0 0 0\nv 9 0 0\nv 0 9 0\nf 1 2 3\nf 1 2"), "its last line is 'f 1 2'"
    )
    refused(write(tmp_path / "a.off", "OFF\n3 1 0\n0 0 0\n9 0 0\n0 9 0\n3 0 1"), "its last face is '3 0 1'")


@pytest.mark.parametrize("word", ["nan", "inf"])
def test_vertex_without_coordinates(tmp_path, word):
    path = write(tmp_path / "a.ply", ply(body=TRIANGLE.replace("1000 0 0", f"1000 {word} 0")))
    refused(path, "1 of 3 vertices have no coordinates .* the first is vertex 1")


def test_unused_points_without_coordinates_are_left_out_and_said(tmp_path):
    path = write(
        tmp_path / "a.ply", ply(body="nan nan nan\n" + TRIANGLE.replace("3 0 1 2", "3 1 2 3"), vertices=4)
    )
    surface = load_surface(path, unit="mm", repair=False)
    assert len(surface.vertices_mm) == 3
    assert [(r.what, r.count) for r in surface.repairs] == [("unused points without coordinates removed", 1)]


def test_point_cloud_is_told_apart_from_a_mesh(tmp_path):
    body = "0 0 0\n1 0 0\n0 1 0\n"
    refused(write(tmp_path / "a.ply", ply(body=body, faces=0)), "a point cloud: 3 points and no triangles")
    refused(write(tmp_path / "a.obj", "v 0 0 0\nv 9 0 0\n"), "a point cloud: 2 points and no triangles")


def test_no_triangles(tmp_path):
    refused(write(tmp_path / "a.stl", bytes(84)), r"no triangles \(0 faces\)")
    refused(write(tmp_path / "b.stl", "solid a\nendsolid a\n"), r"no triangles \(0 faces\)")


def test_face_naming_a_missing_vertex(tmp_path):
    refused(write(tmp_path / "a.obj", "v 0 0 0\nv 9 0 0\nv 0 9 0\nf 1 2 9\n"), "cannot be read as OBJ .* 8")
    refused(write(tmp_path / "a.ply", ply(body=TRIANGLE.replace("3 0 1 2", "3 0 1 7"))), "vertex 8 of 3|7")


def test_words_where_numbers_belong(tmp_path):
    good = "facet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 9 0 0\nvertex 0 x 0\nendloop\nendfacet\n"
    refused(write(tmp_path / "a.stl", f"solid a\n{good}endsolid a\n"), "cannot be read as STL")
    refused(
        write(tmp_path / "a.ply", "ply\nformat ascii 1.0\nelement vertex\nend_header\n"), "makes no sense"
    )


def test_quads_are_split(tmp_path):
    path = write(tmp_path / "a.ply", ply(body="0 0 0\n90 0 0\n90 90 0\n0 90 0\n4 0 1 2 3\n", vertices=4))
    assert load_surface(path, unit="mm").area_mm2 == pytest.approx(8100)


def test_text_stl_of_several_bodies_in_capitals(tmp_path):
    one = "FACET NORMAL 0 0 1\nOUTER LOOP\nVERTEX {0} 0 0\nVERTEX {1} 0 0\nVERTEX {0} 1E2 0\nENDLOOP\nENDFACET\n"
    text = f"SOLID a\n{one.format(0, 50)}ENDSOLID a\nSOLID b\n{one.format(200, 260)}ENDSOLID b\n"
    surface = load_surface(write(tmp_path / "a.stl", text), unit="mm", keep="all")
    assert surface.area_mm2 == pytest.approx(0.5 * 100 * (50 + 60))


def test_binary_stl_whose_head_begins_with_solid(ball, tmp_path):
    path = tmp_path / "a.stl"
    ball.export(path)
    write(path, b"solid model".ljust(80) + path.read_bytes()[80:])
    assert len(load_surface(path, unit="mm").faces) == 320


# --- options ---------------------------------------------------------------------------------------------------


def test_flip_smooth_and_progress(ball, tmp_path):
    ball.export(tmp_path / "a.ply")
    told = []
    surface = load_surface(
        tmp_path / "a.ply", unit="mm", flip=True, smooth_mm=20.0, progress=lambda s, w: told.append((s, w))
    )
    outward = (surface.vertices_mm[surface.faces].mean(axis=1) * surface.face_normals).sum(axis=1)
    assert (outward < 0).all()
    assert [r.what.split()[0] for r in surface.repairs] == ["faces", "points"]
    assert [s for s, _ in told] == sorted(s for s, _ in told)
    assert told[0][0] == 0.0
    assert told[-1] == (1.0, "mesh ready")
    raw = load_surface(tmp_path / "a.ply", unit="mm", flip=True, repair=False)
    assert np.array_equal(raw.faces[:, ::-1], load_surface(tmp_path / "a.ply", unit="mm", repair=False).faces)


# --- a known distance ------------------------------------------------------------------------------------------


@pytest.fixture
def plate():
    """A plate 1200 by 800 mm."""
    return Surface([[0, 0, 0], [1200, 0, 0], [1200, 800, 0], [0, 800, 0]], [[0, 1, 2], [0, 2, 3]])


def test_distance_that_fits_returns_its_error(plate):
    error = check_distance(plate, (0, 0, 3), (1200, 0, -2), distance_mm=1204, tolerance=0.005)
    assert error == pytest.approx(1200 / 1204 - 1, abs=1e-12)


def test_distance_off_by_more_than_the_tolerance(plate):
    with pytest.raises(
        ScaleError, match=r"measures 1200 mm where 1210 mm is stated: a factor of 0\.99174"
    ) as caught:
        check_distance(plate, (0, 0, 0), (1200, 0, 0), distance_mm=1210, tolerance=0.005)
    assert "against" not in str(caught.value)


@pytest.mark.parametrize(
    ("factor", "said"),
    [
        (1000, "1000 = m against mm"),
        (25.4, "25.4 = in against mm"),
        (10, "10 = cm against mm"),
        (304.8, "304.8 = ft against mm"),
        (12, "12 = ft against in"),
        (39.37, "39.37 = m against in"),
        (3.2808, "3.281 = m against ft"),
    ],
)
@pytest.mark.parametrize("smaller", [False, True])
def test_distance_off_by_a_unit_names_it(plate, factor, said, smaller):
    scale = 1 / factor if smaller else factor
    if smaller:  # a mesh too small: asked at its own points
        mesh = Surface(plate.vertices_mm * scale, plate.faces)
        ask = {"from_mm": (0, 0, 0), "to_mm": (1200 * scale, 0, 0), "distance_mm": 1200}
    else:
        mesh = plate
        ask = {"from_mm": (0, 0, 0), "to_mm": (1200, 0, 0), "distance_mm": 1200 / factor}
    with pytest.raises(ScaleError, match=f"about {said}"):
        check_distance(mesh, ask.pop("from_mm"), ask.pop("to_mm"), **ask)


def test_distance_between_points_off_the_surface(plate):
    with pytest.raises(ScaleError, match=r"lies 61 mm off the surface, more than 5 % of the stated 1200 mm"):
        check_distance(plate, (0, 0, 0), (1200, 0, 61), distance_mm=1200)


@pytest.mark.parametrize("distance_mm", [0.0, -5.0, float("nan")])
def test_stated_distance_must_be_a_length(plate, distance_mm):
    with pytest.raises(ScaleError, match="the stated distance is"):
        check_distance(plate, (0, 0, 0), (1, 0, 0), distance_mm=distance_mm)
