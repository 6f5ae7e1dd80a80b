"""Readers of CT volumes, one module a family of formats."""
