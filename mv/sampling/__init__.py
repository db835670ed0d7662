"""Samples in place of a census: how many loggers or sites, which ones, and what they tell."""
