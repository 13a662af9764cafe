"""Triangle meshes: load, repair, region, distance along the surface."""

from .cut import Inserted, LevelCut, Refined, cut_at_level, insert_path, insert_paths, label_faces, refine
from .geodesic import distance_along, geodesic_path, signed_distance
from .inspect import Inspection, inspect_mesh
from .load import check_distance, load_surface
from .mesh import Located, Repair, Surface
from .noise import noise_mm, smooth_surface
from .region import Region, cut_region, fill_openings, grow_region, grow_regions
from .repair import repair_surface

__all__ = [
    "Inserted",
    "Inspection",
    "LevelCut",
    "Located",
    "Refined",
    "Region",
    "Repair",
    "Surface",
    "check_distance",
    "cut_at_level",
    "cut_region",
    "distance_along",
    "fill_openings",
    "geodesic_path",
    "grow_region",
    "grow_regions",
    "insert_path",
    "insert_paths",
    "inspect_mesh",
    "label_faces",
    "load_surface",
    "noise_mm",
    "refine",
    "repair_surface",
    "signed_distance",
    "smooth_surface",
]
