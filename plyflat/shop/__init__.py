"""Quantities of the job: resin, order list, waste."""
