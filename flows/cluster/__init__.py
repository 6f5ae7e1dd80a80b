"""Tiles mapped over Dask workers: the only room that knows Dask."""

from flows.cluster.kinds import interrupts_held, open_cluster
from flows.cluster.mapping import DaskMap, Patience

__all__ = ["DaskMap", "Patience", "interrupts_held", "open_cluster"]
