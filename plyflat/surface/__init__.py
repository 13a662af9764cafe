"""Triangle meshes: load, repair, region, distance along the surface."""
