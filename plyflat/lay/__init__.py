"""Pieces of one material laid out on its rolls."""
