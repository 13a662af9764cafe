"""Flat shapes: flattening, opening seams, splices, templates."""
