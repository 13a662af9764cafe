import contextlib
import re
import tomllib

import jobs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plyflat.errors import JobError
from plyflat.job.lines import key_lines
from plyflat.job.reader import job_from_text, read_job
from plyflat.job.resolved import assumed

CALM = settings(deadline=None)  # the first reading loads pint
PLY_LINE = 'cloth = "carbon twill 200"\nangle = "45 deg"'


def faults_of(text: str) -> tuple[str, ...]:
    with pytest.raises(JobError) as caught:
        job_from_text(text)
    return caught.value.faults


def line_of(text: str, piece: str) -> int:
    return text[: text.index(piece)].count("\n") + 1


def test_every_fault_is_told_at_once():
    text = jobs.changed(
        jobs.FULL,
        ('unit = "m"', 'unit = "inch"'),
        ("forward = [2, 0, 0]", "forward = [0, 0, 2]"),
        ('tolerance = "10 mm"', 'tolerence = "10 mm"'),
        (PLY_LINE, 'cloth = "carbon twil 200"\nangle = 45'),
        ("[10, 0, 0],", "[10, 0],"),
        ("[10, 10, 0] ]", '"1 2 3" ]'),
        ("areal_weight = ", "areal_wieght = "),
        ('roll_width = "50 in"', 'roll_width = "50 kg"'),
        ('kind = "breather"', 'kind = "breathr"'),
        ('"70 mm"', '"25 mm"'),
        ("over_openings = true", 'over_openings = "yes"'),
        ('ratio = "100:30"\n', ""),
        ('wet_out = "50 %"', 'wet_out = "60 %"'),
        ('price = "22 EUR/kg"', 'price = "22 USD/kg"'),
        ('notch = "4 mm"', 'notch = "-4 mm"'),
        ("seed = 7", "seed = 7.5"),
    )
    keys = [fault.split(" (line")[0] for fault in faults_of(text)]
    assert keys == [
        "mesh.skeg.unit",
        "boat",
        "region[1].tolerence",
        "region[1].ply[2].cloth",
        "region[1].ply[2].angle",
        "region[2].outline.points[2]",
        "region[2].outline.points[3]",
        'cloth."carbon twill 200".areal_wieght',
        'cloth."carbon twill 200".roll_width',
        'consumable."breather 150".kind',
        "bag.standard.breather.margin",
        "bag.standard.over_openings",
        "resin.ratio",
        "resin.wet_out",
        "resin.price",
        "laps.notch",
        "lay.seed",
    ]


def test_a_fault_names_its_line_even_inside_a_list_over_several_lines():
    text = jobs.changed(jobs.FULL, ("[10, 10, 0] ]", "[10, 10] ]"))
    assert faults_of(text) == (
        f"region[2].outline.points[3] (line {line_of(text, '[10, 10]')}): "
        "[10, 10] is not three numbers. Write it as [0, 0, 0]",
    )


def test_a_missing_key_names_the_line_of_its_table():
    text = jobs.changed(jobs.FULL, ('ratio = "100:30"\n', ""))
    assert faults_of(text) == (f'resin.ratio (line {line_of(text, "[resin]")}): missing; write ratio = "100:30"',)


@pytest.mark.parametrize(
    ("swap", "told"),
    [
        # keys
        (("version = 1\n", ""), r"^version: missing"),
        (('file = "hull.stl"\n', ""), r'mesh\.hull\.file \(line 3\): missing; write file = "hull_scan.ply"'),
        (('mesh = "hull"', 'mesh = "hull"\nmargin = "5 mm"'), r"region\[1\]\.margin \(line 9\): unknown key; known here: outline"),
        (('name = "patch"\n[mesh', 'nme = "patch"\n[mesh'), r"nme \(line 2\): unknown key; did you mean 'name'\?"),
        (("[cloth.glass]", "[clothes.glass]"), r"clothes.* unknown key; did you mean 'cloth'"),
        (('angle = "0 deg"\n', ""), r'region\[1\]\.ply\[1\]\.angle \(line 10\): missing; write angle = "0 deg"'),
        (('fibre = "glass"\n', ""), r"fibre \(line 13\): missing; write fibre = \"carbon\" or \"glass\""),
        # names
        (('mesh = "hull"', 'mesh = "hul"'), r"region\[1\]\.mesh \(line 8\): no mesh 'hul'; did you mean 'hull'\?"),
        (('mesh = "hull"', 'mesh = "zzz"'), r"no mesh 'zzz' \(there is 'hull'\)"),
        (('cloth = "glass"', 'cloth = "Glas"'), r"no cloth 'Glas'; did you mean 'glass'\?"),
        (('name = "patch"\nmesh', 'name = "a/b"\nmesh'), r"region\[1\]\.name .* holds '/', which a file name cannot hold"),
        (("[cloth.glass]", "[cloth.'gl:ass']"), r"cloth\.\"gl:ass\" .* holds ':'"),
        (('name = "patch"\nmesh', 'name = " patch"\nmesh'), r"starts or ends with a space"),
        (('name = "patch"\nmesh', f'name = "{"x" * 61}"\nmesh'), r"longer than 60 letters"),
        (('name = "patch"\n[mesh', 'name = ""\n[mesh'), r"^name \(line 2\): '' is no text"),
        # regions
        (("outline = ", "#outline = "), r"region\[1\] \(line 6\): none is stated; state exactly one of outline"),
        (("outline = ", 'tape = { colour = "blue", seed = "0 0 0 m" }\noutline = '), r"outline and tape are both stated"),
        (("[100, 100, 0]", "[100, 0, 0]"), r"outline \(line 9\): it has 2 different points. Give three or more"),
        (('unit = "mm", points', "points"), r"points\[1\] .* has no unit"),
        (('unit = "mm", points', 'unit = "inch", points'), r"outline .* unknown unit 'inch'"),
        (('unit = "mm", points', 'closed = true, unit = "mm", points'), r"unknown key 'closed'"),
        (("outline = {", "outline = 3 #{"), r"outline .* it is no outline"),
        (("[100, 0, 0]", "[100, nan, 0]"), r"points\[2\] .* is not finite"),
        (("[100, 0, 0]", "[100, true, 0]"), r"points\[2\] .* is not three numbers"),
        (('mesh = "hull"', 'mesh = "hull"\nwarp = "aft"'), r"warp .* 'aft' is no warp line"),
        (('mesh = "hull"', 'mesh = "hull"\nwarp = ["0 0 0 m", "0 0 0 m"]'), r"less than 1 mm apart"),
        (('mesh = "hull"', 'mesh = "hull"\nseams = ["0 0 0 m", "0 0"]'), r"seams\[2\] \(line 9\): .* three numbers"),
        (("[[region.ply]]\n", "[region.ply]\n"), r"region\[1\]\.ply \(line 10\): it should be a list of tables"),
        (('angle = "0 deg"', 'angle = "270 deg"'), r"is not between -180 and 180 deg"),
        (('angle = "0 deg"', 'angle = "0 deg"\ngrow = "3 m"'), r"\"3 m\" is not between -2000 mm and 2000 mm"),
        (('angle = "0 deg"', 'angle = "0 deg"\ncopies = 0'), r"copies .* 0 is not 1 or more. Check the number"),
        (('angle = "0 deg"', 'angle = "0 deg"\nface_up = "up"'), r"'up' is none of out, in"),
        # ways to say a region
        (('mesh = "hull"', 'mesh = "hull"\nseen_from = "abaft"'), r"'abaft' is no side of the boat"),
        (("outline = {", 'seen_from = "port"\nface = { seed = "0 0 0 m" }\n#'), r"seen_from .* joins the points of an outline"),
        (("outline = {", 'tape = { seed = "0 0 0 m" }\n#'), r"tape .* none is stated; .* colour and colour_at"),
        (("outline = {", 'spot = { point = "0 0 0 m", radius = "0.1 mm" }\n#'), r"radius .* not between 0.5 mm and 2000 mm"),
        (("outline = {", 'corner = { seed = "0 0 0 m", laps = ["60 mm"] }\n#'), r"laps .* is not two laps"),
        (("outline = {", 'drawn = { origin = "0 0 0 m" }\n#'), r"drawn .* state exactly one of file and outline"),
        (("outline = {", 'drawn = { origin = "0 0 0 m", file = "a.dxf", x = [1,0,0], y = [1,1,0] }\n#'), r"not square"),
        (("outline = {", 'drawn = { origin = "0 0 0 m", outline = { points = [[0,0],[1,0],[1,1]] } }\n#'), r"has no unit"),
        (("outline = {", 'mirror_of = "patch"\n#'), r"mirror_of .* no region 'patch'"),
        (('mesh = "hull"', 'mesh = "hull"\nwarp = "corner"'), r"warp .* the region is no corner"),
        (('mesh = "hull"', 'mesh = "hull"\nsteps = { order = "smallest first" }'), r"steps .* exactly one of step and taper"),
        (('mesh = "hull"', 'mesh = "hull"\nsteps = { taper = "1:5" }'), r"taper .* not between 1:1 and 500:1"),
        (('angle = "0 deg"', 'angle = "0 deg"\nlaps = ["1 mm", "2 mm"]'), r"laps .* belong to a corner"),
        (("outline = {", 'round = "9 mm"\ncorner = { seed = "0 0 0 m", laps = ["6 mm", "6 mm"] }\n#'), r"round .* said by corner"),
        (("outline = {", 'split = { line = ["0 0 0 m"], keep = "0 0 0 m" }\nmirror_of = "x"\n#'), r"split .* said by mirror_of"),
        (('mesh = "hull"', 'mesh = "hull"\npieces = 2\nseams = ["0 0 0 m"]'), r"pieces .* placed by hand too"),
        (('mesh = "hull"', 'mesh = "hull"\nminus = [{ margin = "5 mm" }]'), r"minus\[1\] .* none is stated"),
        # meshes
        (('unit = "mm"\n', 'unit = "mm"\nsmooth = 3\n'), r"mesh\.hull\.smooth \(line 6\): 3 has no unit"),
        (('unit = "mm"\n', 'unit = "mm"\ncheck_distance = { from = "0 0 0 m", to = "0 0 0 m", distance = "1 m" }\n'),
         r"check_distance .* less than 1 mm apart"),
        (("[mesh.hull]\n", "[mesh]\n"), r"mesh\.file.* it should be a table of keys"),
        # cloths
        (('"300 g/m^2"', '"3 g/m^2"'), r"areal_weight .* \"3 g/m\^2\" is not between 10 g/m\^2 and 5000 g/m\^2"),
        (('"1000 mm"', '"1000 m"'), r"roll_width .* not between 20 mm and 5000 mm"),
        (('"1000 mm"', '"20 mm"'), r"two edges of 10 mm leave nothing of a roll 20 mm wide"),
        (('fibre = "glass"', 'fibre = "other"'), r"fibre_density is missing; fibre 'other' has none of its own"),
        (('fibre = "glass"', 'fibre = "cabron"'), r"none of carbon, glass, aramid, flax, other; did you mean 'carbon'"),
        (('fibre = "glass"', 'fibre = "glass"\nturns = "any"'), r"turns .* 'any' is no list of turns"),
        (('fibre = "glass"', 'fibre = "glass"\nturns = [0, "90 deg", 180]'), r"turns\[1\] .*0 has no unit"),
        (('fibre = "glass"', 'fibre = "glass"\nstrain_limit = 0.03'), r"strain_limit .* 0.03 has no percent sign"),
        (('fibre = "glass"', 'fibre = "glass"\nrolls = "two"'), r"rolls .* whole number without unit"),
        (('fibre = "glass"', 'fibre = "glass"\nprice = "30 EUR/kg"'), r"price .* is not a price per m"),
        # bag
        (('tape = { material = "tape" }\n', ""), r"bag\.plain\.tape .* missing"),
        (('{ material = "film" }', '{ material = "tape" }'), r"film\.material .* 'tape' is sealant tape, but this layer takes bag film"),
        (('{ material = "film" }', '{ material = "fil" }'), r"no consumable 'fil'; did you mean 'film'"),
        (('{ material = "breather" }', '{ material = "breather", margin = "10 mm" }'),
         r"breather reaches 10 mm beyond the ply, less than peel_ply below it with 25 mm"),
        (('{ material = "tape" }', '{ material = "tape", cut = "shape" }'), r"'shape' is none of length"),
        (('{ material = "film" }', '{ material = "film", cut = "round" }'), r"'round' is none of shape, sheet"),
        (("[consumable.tape]\n", '[consumable.tape]\nareal_weight = "50 g/m^2"\n'), r"areal_weight makes no sense for a sealant tape"),
        (('areal_weight = "50 g/m^2"\n', ""), r"consumable\.film .*areal_weight is missing; a bag film needs it"),
        (("[consumable.film]", "[consumable.glass]"), r"the name 'glass' is that of a cloth too"),
        # resin
        (('"5:1"', '"5:0"'), r"ratio .* not positive"),
        (('"50 %"', '"90 %"'), r"fibre_mass_fraction .* is not between 0 % and 90 %"),
        (('"50 %"', '"0 %"'), r"fibre_mass_fraction .* is not between 0 % and 90 %"),
        (('"5:1"', '"5:1"\nwet_out = "51 %"'), r"wet_out .* 51 % fibre when wetted out is above the final 50 %"),
        (('"5:1"', '"5:1"\ndensity = "12 kg/m^3"'), r"density .* not between 0.8 g/cm\^3 and 2.5 g/cm\^3"),
        (("[resin]\n", "[boat]\nup = [1, 0.1, 0]\n[resin]\n"), r"^boat .* 5.7 deg from one line"),
        (("[resin]\n", "[boat]\nup = [0, 0, 0]\n[resin]\n"), r"^boat\.up .* is no direction"),
        (("[resin]\n", "[laps]\nnotch = \"20 mm\"\nnotch_every = \"15 mm\"\n[resin]\n"), r"laps\.notch .* does not fit"),
        (("[resin]\n", "[resin]\nprice = \"2 $/kg\"\n[lay]\nx = 1\n[limits]\nstrain = \"1 %\"\n#"), r"lay\.x .* unknown key"),
    ],
)  # fmt: skip
def test_each_kind_of_fault(swap, told):
    faults = faults_of(jobs.changed(jobs.SMALL + jobs.BAG + jobs.RESIN, swap))
    assert [f for f in faults if re.search(told, f)], faults


BAG_FILM = 'film         = { material = "bag film 50", margin = "60 mm", cut = "shape", slack = "10 mm" }'
FILM_ROLL = 'roll_width = "2 m"'
BROKEN = "the film is 3.00 times its length when it begins to draw, and it breaks at 3 times"


@pytest.mark.parametrize(
    ("film", "roll", "told"),
    [
        ('yield = "400 MPa", modulus = "200 MPa"', "", f"bag.standard.film.yield (line {{}}): by yield and modulus {BROKEN}"),
        ('yield = "399 MPa", modulus = "200 MPa"', "", ""),
        ('modulus = "20 MPa", breaks_at = 2.7', "", "the film is 2.75 times its length"),
        ('modulus = "20 MPa"', "", ""),
        ("slack = '0 mm'", 'gives = "6 N/mm"\nstiffness = "3 N/mm"', f"film.material (line {{}}): by gives and stiffness of its material {BROKEN}"),
        ('yield = "400 MPa", modulus = "200 MPa"', 'gives = "2 N/mm"\nstiffness = "30 N/mm"', ""),
        ('yield = "400 MPa", modulus = "200 MPa"', 'gives = "2 N/mm"', ""),
        ('yield = "x", modulus = "1 MPa"', "", "film.yield (line {}): "),
    ],
)  # fmt: skip
def test_a_film_that_breaks_before_it_draws(film, roll, told):
    text = jobs.changed(
        jobs.FULL, (BAG_FILM, f'film = {{ material = "bag film 50", margin = "60 mm", {film} }}'), (FILM_ROLL, f"{FILM_ROLL}\n{roll}")
    )
    if not told:
        assert job_from_text(text).bags["standard"].film.material == "bag film 50"
        return
    (fault,) = faults_of(text)
    assert told.format(line_of(text, 'film = { material = "bag')) in fault


def test_a_tube_whose_wall_is_more_than_its_radius():
    tubes = 'over_openings = true\nhollow = [{ what = "rod", radius = "5 mm", wall = "5.5 mm", modulus = "10 GPa" }]'
    text = jobs.changed(jobs.FULL, ("over_openings = true", tubes))
    (fault,) = faults_of(text)
    assert fault.startswith("bag.standard.hollow[1].wall (line ")
    assert "a wall of 5.5 mm is more than the radius of 5 mm" in fault
    assert job_from_text(text.replace('"5.5 mm"', '"5 mm"')).bags["standard"].hollow[0].wall_mm == 5.0


def test_a_bag_where_none_is_stated():
    text = jobs.changed(jobs.SMALL, ('mesh = "hull"', 'mesh = "hull"\nbag = "x"'))
    assert faults_of(text) == ("region[1].bag (line 9): no bag 'x' (no bag is stated at all)",)


def test_a_misspelt_key_is_one_fault_not_two():
    faults = faults_of(jobs.changed(jobs.SMALL, ("areal_weight", "areal_wieght")))
    assert faults == ("cloth.glass.areal_wieght (line 14): unknown key; did you mean 'areal_weight'?",)


def test_two_regions_of_one_name_clash_whatever_their_letters():
    second = jobs.SMALL[jobs.SMALL.index("[[region]]") : jobs.SMALL.index("[cloth")].replace('"patch"', '"Patch"')
    assert faults_of(jobs.SMALL + second) == (
        "region[2].name (line 20): 'Patch' is the name of region[1] already; file names would clash",
    )


def test_prices_in_two_currencies():
    text = jobs.changed(jobs.SMALL, ('fibre = "glass"', 'fibre = "glass"\nprice = "9 NOK/m"'))
    text += jobs.RESIN + 'price = "2 EUR/kg"\n'
    assert faults_of(text) == ("resin.price (line 23): a price in EUR, but the first price is in NOK",)
    text = jobs.changed(jobs.SMALL, ('fibre = "glass"', 'fibre = "glass"\nprice = "9 NOK/m"')) + '[finish]\npaint_price = "30 EUR/kg"\n'
    assert [fault.partition(" (")[0] for fault in faults_of(text)] == ["finish.paint_price"]


@pytest.mark.parametrize(("version", "shown"), [("2", "2"), ('"1"', "'1'"), ("true", "True"), ("1.0", "1.0")])
def test_another_version_is_the_only_fault_told(version, shown):
    text = jobs.changed(jobs.SMALL, ("version = 1", f"version = {version}"), ("angle", "angel"))
    assert faults_of(text) == (f"version (line 1): {shown} is not known here; this program reads version 1",)


def test_bad_toml_names_the_line():
    with pytest.raises(JobError, match=r"not valid TOML: .*line 3"):
        job_from_text('version = 1\nname = "x"\nunit = 5 mm\n')


@pytest.mark.parametrize("text", ["x = " + "[" * 5000, "x = " + "9" * 5000])
def test_toml_beyond_all_measure(text):
    with pytest.raises(JobError, match="not valid TOML"):
        job_from_text(text)


def test_an_empty_file():
    assert [fault.split(":")[0] for fault in faults_of("")] == ["version", "name", "mesh", "region", "cloth"]


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(JobError, match="there is no such job file") as caught:
        read_job(tmp_path / "none.toml")
    assert caught.value.where == str(tmp_path / "none.toml")
    with pytest.raises(JobError, match="cannot be read"):
        read_job(tmp_path)
    (tmp_path / "latin.toml").write_bytes('name = "Kühl"'.encode("latin-1"))
    with pytest.raises(JobError, match="byte 9 is not UTF-8"):
        read_job(tmp_path / "latin.toml")


def test_mesh_files_are_seen_from_the_job_file(tmp_path):
    path = tmp_path / "deep" / "job.toml"
    path.parent.mkdir()
    path.write_text(jobs.changed(jobs.SMALL, ('"hull.stl"', '"../hull.stl"')), encoding="utf-8-sig", newline="\r\n")
    job = read_job(path)
    assert job.path == path
    assert job.meshes["hull"].file == tmp_path / "hull.stl"


def test_errors_of_a_file_name_it(tmp_path):
    path = tmp_path / "job.toml"
    path.write_text(jobs.changed(jobs.SMALL, ('"0 deg"', "0")))
    with pytest.raises(JobError) as caught:
        read_job(path)
    assert str(caught.value).startswith(f"{path}: region[1].ply[1].angle (line 12): 0 has no unit")


# --- the resolved copy ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [jobs.FULL, jobs.SMALL, jobs.SMALL + jobs.BAG + jobs.RESIN])
def test_the_resolved_copy_reads_back_as_the_same_job(text):
    job = job_from_text(text)
    again = job_from_text(job.resolved_toml())
    assert again == job
    assert job_from_text(again.resolved_toml()) == job


def test_the_resolved_copy_states_everything():
    job = job_from_text(jobs.SMALL + jobs.BAG + jobs.RESIN)
    assert assumed(job)
    assert assumed(job_from_text(job.resolved_toml())) == ()


def test_the_resolved_copy_marks_what_was_not_stated():
    lines = job_from_text(jobs.SMALL + jobs.BAG + jobs.RESIN).resolved_toml().splitlines()
    assert 'join = "25 mm"  # not stated: common practice' in lines
    assert 'fibre_density = "2.56 g/cm^3"  # not stated: from memory' in lines
    assert 'gap = "5 mm"  # not stated: that of [lay]' in lines
    assert 'wet_out = "50 %"  # not stated: the final one' in lines
    assert 'roll_width = "1000 mm"' in lines


def test_assumed_values_name_their_key_and_source():
    rows = {row.key: (row.value, row.mark) for row in assumed(job_from_text(jobs.SMALL + jobs.BAG))}
    assert rows["bag.plain.peel_ply.margin"] == ("25 mm", "common practice")
    assert rows["limits.strain"] == ("3 %", "from memory")
    assert rows["region[1].ply[1].face_up"] == ("in", "the cloth's")
    assert "cloth.glass.areal_weight" not in rows


def test_the_resolved_copy_finds_its_meshes_from_another_folder(tmp_path):
    job_path, out = tmp_path / "job.toml", tmp_path / "out" / "deep"
    job_path.write_text(jobs.SMALL)
    out.mkdir(parents=True)
    job = read_job(job_path)
    (out / "resolved.toml").write_text(job.resolved_toml(folder=out))
    assert read_job(out / "resolved.toml") == job
    assert 'file = "../../hull.stl"' in job.resolved_toml(folder=out)


def _text_of(number: float, unit: str) -> str:
    return f'"{number!r} {unit}"'


def lengths(low_mm: float, high_mm: float) -> st.SearchStrategy[str]:
    sizes = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
    spare = 1e-6 * (high_mm - low_mm)  # so that turning the unit cannot lead over a limit
    return st.sampled_from(sorted(sizes)).flatmap(
        lambda u: st.floats((low_mm + spare) / sizes[u], (high_mm - spare) / sizes[u]).map(lambda x: _text_of(x, u))
    )


def shares(low: float, high: float) -> st.SearchStrategy[str]:
    return st.floats(100 * low, 100 * high).map(lambda x: _text_of(x, "%"))


NAMES = st.text(st.sampled_from("abcÄß xyz09-_.'#[]=é"), min_size=1, max_size=12).filter(
    lambda s: s == s.strip() and not s.endswith(".")
)
COORDINATES = st.floats(-1e5, 1e5)


@st.composite
def job_texts(draw):
    """Job files with random values in random units."""
    cloth, region, unit = draw(NAMES), draw(NAMES), draw(st.sampled_from(["m", "cm", "mm", "in", "ft"]))
    corner = st.tuples(COORDINATES, COORDINATES, COORDINATES)
    points = [list(p) for p in draw(st.lists(corner, min_size=3, max_size=6, unique=True))]
    forward = draw(st.tuples(*[st.floats(0.1, 9)] * 2).map(lambda v: [*v, 0.0]))
    price = draw(st.floats(0, 1e4))
    return f"""
version = 1
name = "{draw(NAMES)}"
[boat]
forward = {forward}
[mesh.m]
file = "a b/c.ply"
fill_holes = {draw(lengths(0, 5000))}
[[region]]
name = "{region}"
mesh = "m"
outline = {{ unit = "{unit}", points = {points} }}
seams = ["{points[0][0]!r} {points[0][1]!r} 0 {unit}"]
[[region.ply]]
cloth = "{cloth}"
angle = {_text_of(draw(st.floats(-3.14, 3.14)), "rad")}
grow = {draw(lengths(-2000, 2000))}
[cloth."{cloth}"]
areal_weight = {_text_of(draw(st.floats(0.3, 147)), "oz/yd^2")}
roll_width = {draw(lengths(30, 5000))}
roll_length = {draw(lengths(100, 5e6))}
price = "{price!r} EUR/yd"
fibre = "{draw(st.sampled_from(["carbon", "glass", "aramid", "flax"]))}"
face_up = "{draw(st.sampled_from(["in", "out"]))}"
turns = {draw(st.sampled_from(['"free"', '["-90 deg"]', '["0.1 turn", "1 rad"]']))}
strain_limit = {draw(shares(0.0001, 0.5))}
[resin]
ratio = "{draw(st.floats(1e-3, 1e3))!r}:{draw(st.floats(1e-3, 1e3))!r}"
fibre_mass_fraction = {draw(shares(0.001, 0.899))}
[laps]
join = {draw(lengths(0, 500))}
[lay]
edge = "1 mm"
"""


@CALM
@given(job_texts())
def test_any_job_reads_back_to_the_last_bit(text):
    job = job_from_text(text)
    assert job_from_text(job.resolved_toml()) == job


# --- anything at all -----------------------------------------------------------------------------------------------

PIECES = ["[", "]", "{", "}", '"', "'", "=", ",", "#", "\n", "1", "true", "[[region]]\n", '""', "1979-05-27", "{}", "[]", "nan", "\\"]


@CALM
@given(st.data())
def test_a_spoilt_job_file_is_read_or_refused(data):
    text = jobs.FULL
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(text)))
        upto = data.draw(st.integers(at, min(at + 40, len(text))))
        text = text[:at] + data.draw(st.sampled_from(PIECES)) + text[upto:]
    with contextlib.suppress(JobError):
        job_from_text(text)


@CALM
@given(st.data())
def test_values_of_the_wrong_kind_are_refused_not_tripped_over(data):
    """Swap the whole right side of some keys for a value of any kind."""
    lines = jobs.FULL.split("\n")
    rows = [k for k, line in enumerate(lines) if " = " in line and not line.startswith(" ") and not line.endswith("[")]
    for k in data.draw(st.lists(st.sampled_from(rows), min_size=1, max_size=4)):
        value = data.draw(st.sampled_from(["1", "-1.5", "true", '""', '"x"', "[]", "[[]]", "{}", "inf", "1979-05-27", '["0 deg"]']))
        lines[k] = f"{lines[k].split(' = ')[0]} = {value}"
    with contextlib.suppress(JobError):
        job_from_text("\n".join(lines))


@CALM
@given(st.text(max_size=200))
def test_any_text_is_refused_in_words(text):
    with pytest.raises(JobError):
        job_from_text(text)


# --- lines ---------------------------------------------------------------------------------------------------------

HARD = """\
# remark with [brackets] and "quotes
a.b . "c d" = 1   # dotted
'x"y' = '''
[not a header]
'''
text = \"\"\"one
two \\\"\"\" = 3
\"\"\"\"
[table]   # remark
date = 1979-05-27 07:32:00
list = [ 1, # ]
  { p = [ "]", '}' ], q.r = 2 },
  [ ], ]
[[many]]
[many.inner]
k = { }
[[many]]
  [[many.deep]]
  z = "a # b"
  [[many.deep]]
  z = -inf
[table.more."é"]
"""


def test_lines_of_a_text_with_every_trick():
    lines = key_lines(HARD)
    expected = {
        ("a", "b", "c d"): "a.b",
        ('x"y',): "'x\"y'",
        ("text",): "text =",
        ("table", "date"): "date",
        ("table", "list", 1, "p", 1): "{ p",
        ("table", "list", 1, "q", "r"): "{ p",
        ("table", "list", 2): "[ ], ]",
        ("many", 0, "inner", "k"): "k = {",
        ("many", 1, "deep", 0, "z"): 'z = "a',
        ("many", 1, "deep", 1, "z"): "z = -inf",
        ("table", "more", "é"): "[table.more",
    }
    for path, piece in expected.items():
        assert lines[path] == line_of(HARD, piece), path


def _paths(value, path=()):
    if path:
        yield path
    members = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, member in members:
        yield from _paths(member, (*path, key))


@pytest.mark.parametrize("text", [HARD, jobs.FULL, jobs.SMALL])
def test_every_key_that_tomllib_finds_has_a_line(text):
    assert set(_paths(tomllib.loads(text))) == set(key_lines(text))


@CALM
@given(st.data())
def test_lines_hold_their_key_in_whatever_tomllib_accepts(data):
    text = jobs.FULL + HARD
    for _ in range(data.draw(st.integers(0, 2))):
        at = data.draw(st.integers(0, len(text)))
        text = text[:at] + data.draw(st.sampled_from([*PIECES, " ", "\n", "# x\n", '"""', "'''"])) + text[at:]
    try:
        parsed = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    rows, lines = text.split("\n"), key_lines(text)
    for path in _paths(parsed):
        if isinstance(path[-1], str) and path in lines and path[-1].isascii() and path[-1].isalnum():
            assert path[-1] in rows[lines[path] - 1]
    assert set(lines) == set(_paths(parsed))


WAYS = """
[[region]]
name = "corner"
mesh = "skeg"
warp = "corner"
corner = { seed = "1.2 0 -0.4 m", laps = ["60 mm", "40 mm"], first = "1 0 0 m", section = "foil", fillet = { radius = "12 mm" } }
steps = { taper = "20:1", order = "largest first" }
pieces = 3
[[region.ply]]
cloth = "carbon twill 200"
angle = "30 deg"
laps = ["80 mm", "50 mm"]

[[region]]
name = "drawn"
mesh = "skeg"
round = "15 mm"
drawn = { file = "plan.dxf", layer = "cut", unit = "mm", origin = "0 0 0 mm", side = "far" }
split = { line = ["0 0 0 m", "1 0 0 m"], keep = "0.5 0.5 0 m" }
[[region.plus]]
face = { seed = "0 0 0 m", angle = "20 deg" }
[[region.minus]]
margin = "10 mm"
drawn = { outline = { unit = "in", points = [[0, 0], [1, 0], [1, 1]] }, origin = "0 0 0 mm", x = [0, 1, 0], y = [0, 0, 2] }
[[region.minus]]
outline = { unit = "mm", points = [[0, 0, 0], [9, 0, 0], [9, 9, 0]] }
seen_from = [0, -1, 0]
[[region.ply]]
cloth = "carbon twill 200"
angle = "0 deg"

[[region]]
name = "other side"
mesh = "skeg"
mirror_of = "corner"
"""


def test_every_way_to_say_a_region_reads_back_the_same():
    job = job_from_text(jobs.FULL + WAYS)
    corner, drawn, other = job.regions[-3:]
    assert corner.corner.laps_mm == (60.0, 40.0)
    assert corner.plies[0].laps_mm == (80.0, 50.0)
    assert corner.steps.taper == 20.0
    assert drawn.drawn.file.is_absolute()
    assert drawn.minus[0].drawn.outline_mm[1] == pytest.approx((25.4, 0.0))
    assert drawn.minus[0].drawn.y == (0.0, 0.0, 1.0)
    assert job.boat.direction(drawn.minus[1].seen_from) == (0.0, -1.0, 0.0)
    again = job_from_text(job.resolved_toml())
    assert again == job
    # The other side's plies are the mirror image: a ply at +30 degrees on one side lies at -30 on the other.
    assert [p.angle_deg for p in other.plies] == [-30.0]


def test_sides_of_the_boat_make_a_right_handed_set():
    boat = job_from_text(jobs.FULL).boat
    assert boat.port == pytest.approx((0.0, 1.0, 0.0))
    assert boat.direction("starboard") == pytest.approx((0.0, -1.0, 0.0))
    assert boat.direction("astern") == pytest.approx((-1.0, 0.0, 0.0))


def test_a_warp_line_of_two_points_is_mirrored_too():
    text = WAYS.replace('warp = "corner"', 'warp = ["1 0.2 0 m", "1.5 0.4 0.1 m"]')
    text = jobs.FULL.replace("[boat]", '[boat]\ncentre = "0 10 0 mm"') + text
    *_, other = job_from_text(text).regions
    assert other.warp[0] == pytest.approx((1000.0, -180.0, 0.0))
    assert other.warp[1] == pytest.approx((1500.0, -380.0, 100.0))


def test_a_text_says_its_files_as_the_file_would_wherever_one_stands(tmp_path, monkeypatch):
    folder = tmp_path / "boats"
    folder.mkdir()
    (folder / "job.toml").write_text(jobs.FULL, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    read, text = read_job("boats/job.toml"), job_from_text(jobs.FULL, folder="boats")
    assert text == read
    assert text.folder == read.folder.absolute() == folder
    assert text.resolved_toml() == read.resolved_toml()
