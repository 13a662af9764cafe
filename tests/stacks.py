"""A bag's stack made by hand for the plan of `plans`, for the tests of everything that reads it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import plans

from plyflat.bag.layers import TightLine
from plyflat.bag.ports import Port
from plyflat.bag.stack import mask_outside, tape_run
from plyflat.bag.widths import film_width
from plyflat.planned import Crossing, StackPlan, WayCost


def stack_of(region):
    """Return a stack for the hand-made region: one tight corner, two ports, film of three strips."""
    tape = next(layer.region for layer in region.layers if layer.kind == "sealant tape")
    outer = next(layer.region for layer in region.layers if layer.kind == "bag film")
    loops = tuple(tape.surface.vertices_mm[loop] for loop in tape.loops)
    line = np.array([[300.0 + 100 * k, 0.0, 800.0] for k in range(6)])
    ports = (
        Port("vacuum", (1440.0, -200.0, 774.6), 0, 1.25, 225.0, 165.0, 120.0, None, None, 1500.0, False, ()),
        Port("gauge", (140.0, 0.0, 800.0), 0, 3.5, 75.0, 0.0, None, 80.0, 200.0, 1500.0, True, ("it stands on a <seam>",)),
    )
    run = tape_run(
        [5400.0], corners=2, corner_extra_mm=50.0, pleats_mm=[60.0, 40.0], tongues_mm=[165.0, 0.0], film_joins_mm=3120.0, overlap_mm=25.0,
        spare=0.1, roll_length_mm=15000.0,
    )  # fmt: skip
    crossings = (Crossing("peel ply", "corner 1", 500.0, "lap", 480.0, 40.0), Crossing("breather", "corner 1", 500.0, "through", 0.0, 0.0))
    return StackPlan(
        21.9, False, (TightLine("corner 1", line, 500.0, 4.0, 90.0, False),), crossings, run, loops, ((0, 0.5), (0, 2.0)),
        mask_outside(tape, outer, reach_mm=60.0), outer, ports, 50.0, 60.0, ("Mask it.", "Lay the tape & press it down."),
        (
            WayCost("sheet", "a sheet of 1560 by 1160 mm", 2, 1.9e6, 0.4e6, 8520.0, 7.25, True),
            WayCost("envelope", "not to be had: the mesh is open", 0, 0.0, 0.0, 0.0, None, False),
        ),
    )  # fmt: skip


def make(folder):
    """Return the plan of `plans` with such a stack on its region.

    Parameters
    ----------
    folder : Path
    """
    plan = plans.make(folder)
    region = plan.regions[0]
    film = film_width(1560.0, 1160.0, roll_width_mm=1000.0, roll_length_mm=50000.0, band_mm=150.0, overlap_mm=50.0)
    layers = tuple(replace(q, film=film) if q.kind == "bag film" else q for q in region.layers)
    region = replace(region, layers=layers, stack=stack_of(region))
    return replace(plan, regions=(region,))
