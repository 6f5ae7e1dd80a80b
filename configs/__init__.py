"""Recipes, clusters and the annotated service file: data only.

A package, so that ``importlib.resources.files("configs")`` finds the files both in an installed
wheel and in an editable install of a checkout.
"""
