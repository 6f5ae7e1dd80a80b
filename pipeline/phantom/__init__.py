"""Simulated specimens of known truth."""
