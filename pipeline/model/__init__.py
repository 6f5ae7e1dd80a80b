"""Frozen values that are checked once: boxes, recipes, plans, table columns."""
