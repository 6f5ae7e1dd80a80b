"""Readers of CT volumes, one module a family of formats."""

from pipeline.readers.registry import open_source
from pipeline.readers.source import ReadOptions, Source

__all__ = ["ReadOptions", "Source", "open_source"]
