"""Regions that can be turned: what goes into the scene, how much of it, and that nothing in it reaches outside."""

import base64
import gzip
import io
import json
import re
import zipfile
from dataclasses import replace

import numpy as np
import plans
import pytest
import stacks
from test_report_page import Reader, pictures

from plyflat.report import turn
from plyflat.report.page import report_html


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return stacks.make(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def turned(plan):
    return turn.turnables(plan)


def scene_of(turned):
    packed = base64.b64decode(json.loads(turned.data)["scene"])
    return json.loads(zipfile.ZipFile(io.BytesIO(packed)).read("index.json"))


def arrays(found, node=None, key="polys"):
    """Yield the arrays of a kind in a scene."""
    node = found["scene"] if node is None else node
    ref = node.get("properties", {}).get(key)
    if isinstance(ref, dict):
        kinds = {"Float32Array": np.float32, "Int32Array": np.int32, "Uint32Array": np.uint32}
        yield np.frombuffer(base64.b64decode(found["hashes"][ref["hash"]]["content"]), kinds[ref["dataType"]])
    for child in node.get("dependencies", ()):
        yield from arrays(found, child, key)


def test_the_triangles_told_are_those_in_the_data(turned):
    found = scene_of(turned[0])
    cells = [a.reshape(-1, 4) for a in arrays(found)]
    assert all((c[:, 0] == 3).all() for c in cells)
    assert sum(map(len, cells)) == turned[0].triangles == json.loads(turned[0].data)["triangles"]
    assert turned[0].triangles <= turn.MOST_TRIANGLES


def test_a_fine_hull_is_thinned(plan, monkeypatch):
    whole, patch = len(plan.regions[0].base.parent.faces), len(plan.regions[0].base.surface.faces)
    for name, most in (("_NEAR", 900), ("_FAR", 300), ("_PATCH", 400), ("_LINE_POINTS", 100)):
        monkeypatch.setattr(turn, name, most)
    hull, region, *_ = (len(a) // 4 for a in arrays(scene_of(turn.turnable(plan, plan.regions[0]))))
    assert whole > 5000
    assert patch > 3000
    assert 800 < hull <= 900
    assert 350 < region <= 400


def test_the_budget_leaves_room_for_marks():
    assert turn._NEAR + turn._FAR + turn._PATCH + 2 * turn._SIDES * turn._LINE_POINTS < turn.MOST_TRIANGLES - 3000


def test_lines_lie_on_the_hull(plan, turned):
    hull = plan.regions[0].base.parent
    thick = 4 * turn._MARK * plan.regions[0].base.perimeter_mm
    for points in arrays(scene_of(turned[0]), key="points"):
        near = hull.locate(points.reshape(-1, 3).astype(float)).points_mm
        assert np.linalg.norm(points.reshape(-1, 3) - near, axis=1).max() < thick


def test_every_ply_layer_and_port_is_named_where_it_is(plan, turned):
    told = json.loads(turned[0].data)
    names = {n["text"]: n for n in told["names"]}
    region = plan.regions[0]
    assert {p.name for p in region.plies} | {"peel ply", "sealant tape", "bag film", "seam", "warp", "vacuum", "gauge"} == set(names)
    for port in region.stack.ports:
        assert names[port.name]["spots"][0][:3] == pytest.approx(port.place_mm, abs=0.01)
    for name in names.values():
        spots = np.array(name["spots"])
        # On this cylinder about the x axis outward is away from the axis.
        assert (spots[:, 1] * spots[:, 4] + spots[:, 2] * spots[:, 5] > 0).all()
    words = {q.name for q in turned[0].legend}
    assert {"P1, carbon twill 200, 0°", "peel ply, +25 mm", "vacuum port"} <= words


def test_the_boats_ways_are_told_as_the_job_has_them(plan, turned):
    ways = {w["text"]: w["way"] for w in json.loads(turned[0].data)["ways"]}
    assert ways == {"forward": list(plan.job.boat.forward), "up": list(plan.job.boat.up)}


def test_the_viewer_holds_no_address_and_may_fetch_nothing():
    page = turn.viewer_page()
    assert not re.search("https?:", page.replace("http-equiv", ""))
    assert "default-src 'none'" in page
    assert page.count(turn.PLACE) == 1
    assert "Copyright" in page  # its licence asks for that
    assert gzip.decompress(base64.b64decode(turn.viewer_data())).decode("utf-8") == page


def test_the_page_holds_the_viewer_once_and_the_data_by_region(plan, turned):
    two = (turned[0], replace(turned[0], region="other"))
    page = report_html(plan, pictures(), turns=two)
    reader = Reader(page)
    assert reader.faults == []
    assert not re.search("https?:", page)
    ids = [s.get("id") for s in reader.all("script")]
    assert ids == ["viewer", "scene-1", "scene-2", None]
    assert [f["data-scene"] for f in reader.all("figure") if "data-scene" in f] == ["scene-1"]
    assert page.count(turn.viewer_data()) == 1
    assert f"thinned to {turned[0].triangles} triangles" in page
    hull = next(i for i in reader.all("img") if i["alt"] == "what hull shows")
    assert "hidden" not in hull


def test_a_name_cannot_end_the_data(plan):
    region = replace(plan.regions[0], layers=(replace(plan.regions[0].layers[0], kind="</script><b>"),))
    made = turn.turnable(plan, region)
    assert "<" not in made.data
    assert any(n["text"] == "</script><b>" for n in json.loads(made.data)["names"])


def test_without_regions_to_turn_the_page_has_no_script(plan):
    reader = Reader(report_html(plan, pictures()))
    assert not reader.all("script")
    assert not reader.all("button")


def test_the_job_can_do_without(plan, tmp_path):
    from plyflat.export.write import write_plan

    files = plan.job.files.model_copy(update={"turnable": False})
    bare = replace(plan, job=plan.job.model_copy(update={"files": files}), regions=(), rolls=())
    write_plan(bare, tmp_path / "out")
    assert "<script" not in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_the_same_plan_gives_the_same_bytes(plan, turned):
    kept = [np.empty(1000) for _ in range(50)]  # objects come to lie elsewhere
    assert turn.turnables(plan) == turned
    assert len(kept) == 50


def test_names_hold_the_region_of_the_plan(turned):
    assert turned[0].region == plans.REGION
    assert turned[0].megabytes < 0.7
