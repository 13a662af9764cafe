"""Triangle meshes: load, repair, region, distance along the surface."""

from .cut import Inserted, LevelCut, cut_at_level, insert_path, insert_paths, label_faces
from .geodesic import distance_along, geodesic_path, signed_distance
from .mesh import Located, Repair, Surface
from .region import Region, cut_region

__all__ = [
    "Inserted",
    "LevelCut",
    "Located",
    "Region",
    "Repair",
    "Surface",
    "cut_at_level",
    "cut_region",
    "distance_along",
    "geodesic_path",
    "insert_path",
    "insert_paths",
    "label_faces",
    "signed_distance",
]
