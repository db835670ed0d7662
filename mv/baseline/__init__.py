"""Baselines: rows, model families, fit statistics, and the choice between them."""
