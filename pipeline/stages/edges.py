"""The edge rule of a job: from its thresholds, pure levels and noise."""

from __future__ import annotations

from pipeline.kernels.phases import EdgeRule, plan_edges
from pipeline.model.plan import Plan
from pipeline.stages.filters import open_filter
from pipeline.stages.noise import read_noise
from pipeline.stages.segment import Thresholds
from pipeline.stores.job import JobFolder


def open_edges(folder: JobFolder, plan: Plan, thresholds: Thresholds, shift: int = 0) -> EdgeRule:
    """Derive the edge rule of a job.

    Parameters
    ----------
    folder : JobFolder
        The job.
    plan : Plan
        Its plan.
    thresholds : Thresholds
        What its segment stage chose.
    shift : int, optional
        Steps of the conditioned scale by which thresholds and pure levels are moved.

    Returns
    -------
    EdgeRule
        Tables for `pipeline.kernels.phases.refine_edges`.
    """
    recipe = plan.recipe
    n_backgrounds = len(recipe.phases) - len(recipe.particle_phases)
    return plan_edges(
        tuple(level + shift for level in thresholds.levels),
        tuple(None if level is None else level + shift for level in thresholds.pure),
        thresholds.noise_sd,
        recipe.background if n_backgrounds == 1 else None,
        open_filter(recipe.condition.denoise, read_noise(folder)).method,
    )
