"""What the picture of shear says of a scan's corners."""

from dataclasses import replace

import pytest
import shapes

from plyflat.cloth.drape import drape
from plyflat.report.drape import _shear_legend
from plyflat.report.style import new_figure
from plyflat.surface.mesh import Surface


@pytest.mark.parametrize(("length", "said"), [(45.0, True), (0.0, False)])
def test_the_legend_says_over_what_length_corner_lines_were_evened(length, said):
    laid = drape(Surface(*shapes.wedge(120.0, 100.0, 60.0, 60.0, step=8.0)), [50.0, 20.0, 0.0], [1.0, 0.0, 0.0])
    bed = replace(laid.laid.bed, corners_mm=length)
    figure = new_figure(3.0)
    _shear_legend(figure, [replace(laid, laid=replace(laid.laid, bed=bed))], 5.0)
    (bar,) = figure.axes
    assert bar.get_xlabel().startswith("shear either way, degrees")
    assert ("corner lines evened over 45 mm" in bar.get_xlabel()) is said
