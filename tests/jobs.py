"""A full job file and parts to build others from, for the tests of the job room."""

from __future__ import annotations

FULL = """\
version = 1
name = "Harbour launch: skeg root and bow panel"
currency = "EUR"

[mesh.skeg]
file = "skeg_scan.ply"
unit = "m"
smooth = "8 mm"
fill_holes = "60 mm"
keep = "largest"
check_distance = { from = "0 0 0 mm", to = "1200 0 0 mm", distance = "1200 mm", tolerance = "0.5 %" }

[boat]
forward = [2, 0, 0]
up = [0, 0, 1]

[[region]]
name = "skeg root"
mesh = "skeg"
bag = "standard"
warp = ["0 0 0 mm", "100 0 0 mm"]
tape = { colour = "blue", edge = "inner", seed = "1.2 0.0 -0.4 m", gap = "20 mm" }
tolerance = "10 mm"
seams = ["1.2 0.1 -0.4 m"]

[[region.ply]]
cloth = "carbon twill 200"
angle = "0 deg"
grow = "0 mm"
face_up = "out"
copies = 1

[[region.ply]]
cloth = "carbon twill 200"
angle = "45 deg"
grow = "-20 mm"

[[region]]
name = "bow panel"
mesh = "skeg"
outline = { unit = "in", points = [
  [0, 0, 0],   # a remark
  [10, 0, 0],
  [10, 10, 0] ] }

[[region.ply]]
cloth = "carbon twill 200"
angle = "0 deg"

[cloth."carbon twill 200"]
areal_weight = "200 g/m^2"
roll_width = "50 in"
roll_length = "10 m"
rolls = 1
price = "38.50 EUR/m"
fibre = "carbon"
fibre_density = "1.80 g/cm^3"
face_up = "out"
turns = ["180 deg", "0 deg"]
gap = "4 mm"
edge = "12 mm"
strain_limit = "2 %"

[consumable."peel ply 85"]
kind = "peel ply"
areal_weight = "85 g/m^2"
roll_width = "1500 mm"
roll_length = "50 m"
rolls = 2
price = "4.20 EUR/m"
turns = "free"
thickness = "0.05 mm"

[consumable."perforated film"]
kind = "release film"
areal_weight = "25 g/m^2"
roll_width = "1500 mm"
roll_length = "50 m"

[consumable."breather 150"]
kind = "breather"
areal_weight = "150 g/m^2"
roll_width = "1500 mm"
roll_length = "50 m"

[consumable."sealant tape"]
kind = "sealant tape"
mass_per_length = "48 g/m"
roll_length = "15 m"

[consumable."bag film 50"]
kind = "bag film"
areal_weight = "57 g/m^2"
roll_width = "2 m"
roll_length = "50 m"

[bag.standard]
peel_ply     = { material = "peel ply 85", margin = "20 mm" }
release_film = { material = "perforated film", margin = "30 mm" }
breather     = { material = "breather 150", margin = "70 mm" }
tape         = { material = "sealant tape", margin = "90 mm", overlap = "30 mm" }
film         = { material = "bag film 50", margin = "60 mm", cut = "shape", slack = "10 mm" }
over_openings = true

[resin]
name = "slow laminating epoxy"
density = "1.12 g/cm^3"
ratio = "100:30"
fibre_mass_fraction = "55 %"
wet_out = "50 %"
loss = "8 %"
price = "22 EUR/kg"

[laps]
join = "20 mm"
trim = "5 mm"
stagger = "80 mm"
notch_every = "100 mm"
notch = "4 mm"

[limits]
strain = "4 %"
over_share = "6 %"
pieces = 3

[lay]
seconds = "1 min"
gap = "6 mm"
edge = "11 mm"
seed = 7
"""

SMALL = """\
version = 1
name = "patch"
[mesh.hull]
file = "hull.stl"
unit = "mm"
[[region]]
name = "patch"
mesh = "hull"
outline = { unit = "mm", points = [[0, 0, 0], [100, 0, 0], [100, 100, 0]] }
[[region.ply]]
cloth = "glass"
angle = "0 deg"
[cloth.glass]
areal_weight = "300 g/m^2"
roll_width = "1000 mm"
roll_length = "10 m"
fibre = "glass"
face_up = "in"
"""

BAG = """\
[consumable.tape]
kind = "sealant tape"
roll_length = "15 m"
[consumable.film]
kind = "bag film"
areal_weight = "50 g/m^2"
roll_width = "1500 mm"
roll_length = "50 m"
[consumable.breather]
kind = "breather"
areal_weight = "150 g/m^2"
roll_width = "1500 mm"
roll_length = "50 m"
[consumable.peel]
kind = "peel ply"
areal_weight = "85 g/m^2"
roll_width = "1500 mm"
roll_length = "50 m"
[bag.plain]
peel_ply = { material = "peel" }
breather = { material = "breather" }
tape = { material = "tape" }
film = { material = "film" }
"""

# -- parts that jobs of one mesh and one region are put together from --------------------------------------------------
PLY = """\
[[region.ply]]
cloth = "glass"
angle = "0 deg"
"""

GLASS = """\
[cloth.glass]
areal_weight = "300 g/m^2"
roll_width = "1000 mm"
roll_length = "10 m"
fibre = "glass"
face_up = "out"
"""

PEEL_PLY = """\
[consumable.peel]
kind = "peel ply"
areal_weight = "85 g/m^2"
roll_width = "1500 mm"
roll_length = "10 m"
"""

BREATHER = """\
[consumable.breather]
kind = "breather"
areal_weight = "150 g/m^2"
roll_width = "1500 mm"
roll_length = "10 m"
"""

TAPE = """\
[consumable.tape]
kind = "sealant tape"
roll_length = "15 m"
"""

FILM = """\
[consumable.film]
kind = "bag film"
areal_weight = "57 g/m^2"
thickness = "0.05 mm"
roll_width = "1500 mm"
roll_length = "10 m"
"""

QUICK = """\
[lay]
seconds = "0.2 s"
"""

RESIN = """\
[resin]
ratio = "5:1"
fibre_mass_fraction = "50 %"
"""


def head(name: str, file: str, *says: str, region: str = "panel") -> str:
    """Return the head of a job of one mesh in mm and one region, with what else is said of the region, line by line."""
    mesh = ["[mesh.hull]", f'file = "{file}"', 'unit = "mm"']
    return "\n".join(["version = 1", f'name = "{name}"', *mesh, "[[region]]", f'name = "{region}"', 'mesh = "hull"', *says, ""])


def outline(*points: tuple[float, float, float]) -> str:
    """Return the line that says a region by the corners of its outline, in mm."""
    return f'outline = {{ unit = "mm", points = {[list(p) for p in points]} }}'


def changed(text: str, *swaps: tuple[str, str]) -> str:
    """Return a text with each first part put in the second's place; every first part must be there."""
    for old, new in swaps:
        if old not in text:
            raise LookupError(old)
        text = text.replace(old, new, 1)
    return text
