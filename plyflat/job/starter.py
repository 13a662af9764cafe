"""A first job file for a mesh, with a remark on every key: it plans as it stands, and is there to be changed."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from .. import units

_MARGINS_MM = {"peel_ply": 25.0, "release_film": 40.0, "breather": 75.0, "tape": 100.0, "film": 50.0}

_TEXT = """\
# A job for plyflat: what to laminate, with which cloth, under which bag.
# It works as it stands, but the area, the materials and the figures are only a start: change them to yours.
#   - Every quantity stands in quotes with its unit: "1270 mm", "50 in", "200 g/m^2", "6 oz/yd^2", "3 %".
#   - A line that starts with # is a remark, or a key you may want: take the # away to use it.
#   - TYPICAL marks a value from memory or common practice: put in what your data sheet or your roll says.
#   - GUESS marks what only you can know.

version = 1
name = "Starter job"                  # what to call the job on sheets and labels
#currency = "EUR"                     # of the prices below

# ---- the mesh ------------------------------------------------------------------------------------------------------
# {size}
[mesh.hull]
file = {file}                         # seen from this file's folder
{unit}
#smooth = "8 mm"                      # take out scan noise smaller than this
fill_holes = "50 mm"                  # TYPICAL: holes up to this diameter are closed; larger ones are real openings
keep = "largest"                      # of several loose pieces keep the "largest", or "all"
# A distance you know from the boat catches a wrong unit or scale:
#check_distance = {{ from = "0 0 0 mm", to = "1200 0 0 mm", distance = "1200 mm", tolerance = "0.5 %" }}

# ---- how the boat lies in the mesh ---------------------------------------------------------------------------------
[boat]
forward = [1, 0, 0]                   # GUESS: the direction towards the bow, in the mesh's own axes
up = [0, 0, 1]                        # GUESS: the direction upwards

# ---- what to laminate ----------------------------------------------------------------------------------------------
[[region]]
name = "first area"                   # becomes part of file names
mesh = "hull"
bag = "standard"                      # the bag stack below; leave out for cloth alone
warp = {warp}                         # the line that ply angles count from: "forward", "up" or two points
tolerance = "10 mm"                   # how far the points below may lie off the surface
# The area's corners, in order; the lines between them run along the surface. These were put where the mesh is flattest.
outline = {{ unit = "mm", points = [
{points}
] }}
{tape}
# Other ways to say where the cloth goes, one instead of the outline (points are in the mesh's own axes):
#corner = {{ seed = "1.2 0 -0.4 m", laps = ["60 mm", "40 mm"] }}  # near where two surfaces meet; laps up both sides
#face = {{ seed = "1.2 0 -0.4 m" }}                               # all of a face, up to its creases
#spot = {{ point = "1.2 0 -0.4 m", radius = "40 mm" }}            # a round patch
#drawn = {{ file = "plan.dxf", origin = "0 0 0 m" }}              # a drawing laid on the hull
# To take something out of it, such as a hose fitting that all plies keep clear of:
#minus = [{{ spot = {{ point = "1.3 0 -0.4 m", radius = "25 mm" }}, margin = "20 mm" }}]
#stack = "never"                      # or "always": shapes that allow for the plies below; left out: where it matters
#darts = 4                            # most cuts a ply may get so that it lies flat
# Ports of the bag, where you want them, and thin skins that they keep off; left out: places are chosen.
#ports = {{ vacuum = "1.2 0 -0.4 m", gauge = "1.6 0 -0.4 m", thin = ["1.4 0 -0.4 m"] }}

# Plies, the first laid first.
[[region.ply]]
cloth = "glass twill 200"
angle = "0 deg"                       # of the cloth's warp to the warp line above
grow = "0 mm"                         # moves the outline along the surface: + outward, - inward

[[region.ply]]
cloth = "glass twill 200"
angle = "45 deg"
grow = "{step}"                       # a little smaller, so that the edge tapers

# ---- cloth ---------------------------------------------------------------------------------------------------------
[cloth."glass twill 200"]
areal_weight = "200 g/m^2"            # TYPICAL: from memory, replace with your data sheet
roll_width = "1270 mm"                # TYPICAL: measure your roll
roll_length = "10 m"                  # TYPICAL: what is left on your roll
rolls = 1                             # how many full rolls are in the shop
# Rolls begun and remnants, used first where that saves cloth; flaws are boxes from the roll's end and its edge:
#at_hand = [{{ length = "3 m", flaws = [{{ from_end = "1 m", from_edge = "0 mm", along = "8 cm", across = "5 cm" }}] }}]
#buy = false                          # no more rolls are to be had
#price = "12.50 EUR/m"                # of a metre off the roll
fibre = "glass"                       # carbon, glass, aramid, flax or other
weave = "twill 2x2"                   # woven cloth shears and is laid by its threads; "mat" or "unidirectional" is not
fibre_density = "2.56 g/cm^3"         # TYPICAL: of the fibre itself, from memory
#thickness = "0.2 mm"                 # of a ply in the finished laminate; left out: from weight and share of fibre
face_up = "out"                       # the face up on the cutting table ends "out" (air side) or "in" (on the hull)
turns = ["0 deg", "180 deg"]          # how a piece may be turned on the roll; "free" for any turn
#fold = true                          # port and starboard pieces cut together from cloth folded face to face
strain_limit = "3 %"                  # TYPICAL: what this cloth takes without wrinkling; try it with an offcut

# ---- materials of the bag ------------------------------------------------------------------------------------------
[consumable."peel ply 85"]
kind = "peel ply"
areal_weight = "85 g/m^2"             # TYPICAL: from memory, replace with your data sheet
roll_width = "1500 mm"                # TYPICAL
roll_length = "50 m"                  # TYPICAL

[consumable."perforated film 25"]
kind = "release film"
areal_weight = "25 g/m^2"             # TYPICAL: from memory
roll_width = "1500 mm"                # TYPICAL
roll_length = "50 m"                  # TYPICAL

[consumable."breather 150"]
kind = "breather"
areal_weight = "150 g/m^2"            # TYPICAL: from memory
roll_width = "1500 mm"                # TYPICAL
roll_length = "50 m"                  # TYPICAL

[consumable."sealant tape"]
kind = "sealant tape"
mass_per_length = "50 g/m"            # TYPICAL: common practice, 12 x 3 mm
roll_length = "15 m"                  # TYPICAL

[consumable."bag film 50"]
kind = "bag film"
areal_weight = "57 g/m^2"             # TYPICAL: nylon, 50 micrometres
thickness = "0.05 mm"                 # TYPICAL: what a film bridges grows with it
roll_width = "{film_width}"               # TYPICAL
roll_length = "50 m"                  # TYPICAL

# ---- the bag, from the laminate outwards ---------------------------------------------------------------------------
# A margin is how far a layer reaches beyond the largest ply's edge, along the surface; the film's counts from the tape.
# TYPICAL: the margins are {margins}.
[bag.standard]
peel_ply     = {{ material = "peel ply 85", margin = "{peel_ply}" }}
release_film = {{ material = "perforated film 25", margin = "{release_film}" }}
breather     = {{ material = "breather 150", margin = "{breather}" }}
tape         = {{ material = "sealant tape", margin = "{sealant}", overlap = "25 mm" }}
film         = {{ material = "bag film 50", margin = "{film}", cut = "sheet", slack = "0 mm" }}
# The film's table takes how it stretches (yield, modulus, hardening, breaks_at), how it slides (friction) and how it is
# fed (tuck, pleat_margin, pleat_most); left out, it is taken for nylon, from memory. Hollow tubes stated in this table
# under hollow, with radius, wall and modulus, are checked against being crushed.
over_openings = false                 # true: run the bag over what the area surrounds, such as a skeg
# A layer in one piece bridges a tight inside corner. To have it cut there, add to it: corner = "slit" (edge to edge) or
# corner = "lap" with corner_lap = "40 mm". The tape table takes mask = "50 mm" (masking outside it) and spare = "10 %".
#corner_radius = "20 mm"              # TYPICAL: what counts as tight; left out: the radius that the film draws to
#ports = {{ clear = "50 mm", apart = "60 mm", base = "50 mm" }}   # TYPICAL: off laminate; off pleats, corners; size

# ---- resin ---------------------------------------------------------------------------------------------------------
[resin]
name = "epoxy, ratio not confirmed"     # the name on your lists; change it once the lines below are yours
density = "1.15 g/cm^3"               # TYPICAL: from memory, replace with your data sheet
ratio = "100:30"                      # GUESS: resin : hardener BY MASS; only your resin's data sheet knows
fibre_mass_fraction = "60 %"          # TYPICAL for glass under a bag; 50 to 65 % for carbon
wet_out = "50 %"                      # TYPICAL: share of fibre when first wetted out by hand
loss = "10 %"                         # TYPICAL: left in cups and rollers
#price = "22 EUR/kg"
#in_shop = "2 kg"                     # resin and hardener you have
# From the data sheet; with pot life stated, batches and the last moment to pull the bag are worked out:
#pot_life = ["30 min at 25 degC", "60 min at 15 degC"]   # GUESS: two tell how it shortens with warmth
#pot_mass = "100 g"                   # TYPICAL: mass in the pot that it was measured with
#open_time = "2 h at 20 degC"         # GUESS: how long a thin layer stays workable
#part_density = "1.15 g/cm^3"         # GUESS: of the liquid resin, for measuring by volume
#hardener_density = "0.98 g/cm^3"     # GUESS: of the hardener

# ---- the day -------------------------------------------------------------------------------------------------------
[place]
altitude = "0 m"                      # GUESS: of the shop above the sea; gauges show less higher up
temperature = "20 degC"               # GUESS: of shop, cloth and resin

[vacuum]
pump = "4 m^3/h"                      # TYPICAL: free air it takes in, from its plate
#gauge = "80 kPa"                     # TYPICAL: vacuum to aim at; left out: what this air allows
drop = "1 inHg"                       # TYPICAL: published limit of the drop test
drop_time = "1 min"
#usual_fall = "0.5 kPa"               # GUESS: by how much your bags fall in a minute, pump off

[clock]
start = "09:00"                       # GUESS: when the first batch is mixed
wet_out = "0.08 m^2/min"              # TYPICAL: area of one ply in a minute; record yours
leak_hunt = "15 min"                  # TYPICAL: kept back before the resin sets

[cure]
#full = ["24 h at 20 degC", "4 h at 50 degC"]   # GUESS: full cures of the data sheet
#off = "12 h at 20 degC"              # GUESS: when it may come off
#plan = ["16 h at 20 degC", "6 h at 50 degC"]   # GUESS: holds in their order
#glass_transition = "90 degC"         # GUESS: wet, as cured

[service]
#paint = "white"                      # GUESS: dark paint gets hot in the sun
tilt = "0 deg"                        # GUESS: 0 deg for a deck, 90 deg for topsides

[finish]
filler = "0.3 mm"                     # TYPICAL: mean thickness over the laminate; 0 mm: none
coats = 3                             # TYPICAL: of primer and paint together
coat = "120 g/m^2"                    # TYPICAL: wet paint of one coat

[own]
use = false                           # true: means from your record go before what is left out here, and are shown

# ---- laps and marks ------------------------------------------------------------------------------------------------
[laps]
join = "25 mm"                        # TYPICAL: lap where two pieces of a ply join
trim = "10 mm"                        # TYPICAL: cloth left beyond the net outline
stagger = "75 mm"                     # TYPICAL: distance of lap centre-lines of neighbouring plies
notch_every = "150 mm"                # match marks along a join
notch = "6 mm"
#notch_style = "drawn"                 # slit, V, U, castle, T or check are cut; drawn is not

# ---- when to warn --------------------------------------------------------------------------------------------------
[limits]
strain = "3 %"                        # TYPICAL: for cloths that state no strain_limit
over_share = "5 %"                    # share of the area that may lie above it
pieces = 4                            # most pieces a ring round an opening, or a woven ply that locks, may be cut into

# ---- laying out on the rolls ---------------------------------------------------------------------------------------
[lay]
seconds = "20 s"                      # time to search for short lay-outs; longer can save cloth
#tries = 40                           # search by count instead: the same lays each time
#table = "3 m"                        # length of the cutting table: no piece across two sections
#keep = "ply"                         # pieces of a ply (or "region") from one roll
#first = ["first area"]               # regions whose pieces get cloth and are cut first
gap = "5 mm"                          # least gap between pieces
edge = "10 mm"                        # selvedge to keep clear
seed = 1                              # start of the search

# --- Files for bench and machine -------------------------------------------------------------------------------------

[files]                               # DXF is always written
sheets = "A4"                         # templates at full size on sheets to stick together: A4, A3, Letter, none
#sheets_of = ["plies", "layers"]       # what is printed on them: plies, layers of the bag, lays
#paper_roll = "914 mm"                 # width of a roll plotter's paper
#grid = "100 mm"                       # squares to measure by on templates and lays, for work by hand
#plotter = "plain"                     # lays for a pen or knife plotter: plain or hpgl2
#pen_text = true                       # words in DXF and SVG as single lines, for machines that know no letters
#sewn = true                           # DXF with the numbered layers of the sewn-products trade
#turnable = false                      # a smaller report, in which regions cannot be turned
"""

_TAPE = """\
# The scan has colours: the area can be marked on the hull with tape instead. Take the outline out and use:
#tape = { colour = "blue", edge = "inner", seed = "1.2 0.0 -0.4 m", gap = "20 mm" }   # seed: a point inside the area"""
_NO_TAPE = "# The mesh has no colours, so an area marked with tape cannot be seen on it."


def starter_job(
    mesh: str | Path,
    *,
    job_path: str | Path,
    unit: str | None,
    size_mm: ArrayLike,
    has_colours: bool,
    outline_mm: ArrayLike,
) -> str:
    """Return the text of a commented first job for a mesh.

    Parameters
    ----------
    mesh : str or Path
        The mesh file.
    job_path : str or Path
        Where the job file will lie; the mesh is named as seen from there.
    unit : str or None
        Unit of the mesh file; None where the file states it.
    size_mm : (3,) float array
        Size of the mesh, mm.
    has_colours : bool
        Whether tape can be seen on it.
    outline_mm : (k, 3) float array
        Corners of the first area, mm.
    """
    points = np.asarray(outline_mm, dtype=float)
    radius = float(np.linalg.norm(points - points.mean(axis=0), axis=1).max())
    margins, remark = _margins(radius)
    text = _TEXT.format(
        size=_size_line(size_mm, unit),
        file=json.dumps(_seen_from(Path(mesh), Path(job_path)), ensure_ascii=False),
        unit=_unit_line(unit),
        warp=_warp(points),
        points="\n".join(f"  [{x:.1f}, {y:.1f}, {z:.1f}]," for x, y, z in points),
        tape=_TAPE if has_colours else _NO_TAPE,
        step=units.text_mm(-min(20.0, _rounded(radius / 5))),
        film_width=units.text_mm(2000.0),
        margins=remark,
        sealant=margins.pop("tape"),
        **margins,
    )
    return "\n".join(_aligned(line) for line in text.split("\n"))


def _aligned(line: str) -> str:
    """Bring the remark behind a value to its column after the value was put in."""
    value, space, remark = line.partition("  #")
    remark = remark.lstrip("#")
    return f"{value.rstrip():<37} #{remark}" if space and value.strip() and value[:1] != "#" else line


def _seen_from(mesh: Path, job_path: Path) -> str:
    try:
        return Path(os.path.relpath(mesh.absolute(), job_path.absolute().parent)).as_posix()
    except ValueError:  # on another drive
        return mesh.absolute().as_posix()


def _size_line(size_mm: ArrayLike, unit: str | None) -> str:
    x, y, z = (units.say_length(float(v)) for v in np.asarray(size_mm, dtype=float))
    doubt = "If that is not its size, the unit is wrong." if unit else "If that is not its size, state its unit below."
    return f"The mesh measures {x} by {y} by {z} along its own axes. {doubt}"


def _unit_line(unit: str | None) -> str:
    if unit is None:
        return '#unit = "m"                           # the file states its own; put one here to overrule it'
    return f'unit = "{unit}"                            # of the numbers in the mesh file: m, cm, mm, in or ft'


def _warp(points: np.ndarray) -> str:
    """The warp line: forward, unless the area faces that way."""
    tight = np.linalg.svd(points - points.mean(axis=0))[2][2]
    return '"up"' if abs(tight[0]) > 0.7 else '"forward"'


def _margins(radius_mm: float) -> tuple[dict[str, str], str]:
    """Common margins, or smaller ones in the same proportion where the mesh may have no room for them."""
    share = min(1.2 * radius_mm / (_MARGINS_MM["tape"] + _MARGINS_MM["film"]), 1.0)
    margins = {key: units.text_mm(_rounded(share * value)) for key, value in _MARGINS_MM.items()}
    return margins, "common practice" if share == 1.0 else "smaller than common practice, to fit this small mesh"


def _rounded(value_mm: float) -> float:
    """Round down to what one would measure: whole or half or tenth millimetres."""
    step = 1.0 if value_mm >= 10 else 0.1
    return float(np.floor(value_mm / step + 1e-9) * step) if value_mm >= 0.1 else 0.1
