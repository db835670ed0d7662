"""Savings: avoided energy, its interval, normal conditions, demand, events, placebo trial."""
