"""Triangle meshes: load, repair, region, distance along the surface."""

from .cut import Inserted, LevelCut, cut_at_level, insert_path, insert_paths, label_faces
from .geodesic import distance_along, geodesic_path, signed_distance
from .inspect import Inspection, inspect_mesh
from .load import check_distance, load_surface
from .mesh import Located, Repair, Surface
from .noise import noise_mm, smooth_surface
from .region import Region, cut_region
from .repair import repair_surface

__all__ = [
    "Inserted",
    "Inspection",
    "LevelCut",
    "Located",
    "Region",
    "Repair",
    "Surface",
    "check_distance",
    "cut_at_level",
    "cut_region",
    "distance_along",
    "geodesic_path",
    "insert_path",
    "insert_paths",
    "inspect_mesh",
    "label_faces",
    "load_surface",
    "noise_mm",
    "repair_surface",
    "signed_distance",
    "smooth_surface",
]
