"""Extremes of one phase as numbers of a scan: maxima, fits, levels, and a ranking of defects."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.counts import Columns, ScanCounts, vectors_of
from pipeline.analysis.estimates import Estimate
from pipeline.analysis.extremes import (
    FEWEST_MAXIMA,
    MURAKAMI_FACTOR,
    STEEL_NOTE,
    ExtremeValue,
    Gumbel,
    anderson_darling,
    block_maxima,
    ellipsoid_shadow_um2,
    fit_extreme_value,
    fit_gumbel,
    match_moments,
    shape_test,
)

Reals = NDArray[np.float64]

N_RANKED = 10
"""Defects that the ranking names."""

E2283 = "ASTM E2283 arithmetic"


def sqrt_area_um(columns: Columns, load_axis: tuple[float, float, float]) -> tuple[Reals, str]:
    """Return the square root of each particle's area projected along the load, and its source.

    Parameters
    ----------
    columns : mapping of str to ndarray
        Rows of `particles`.
    load_axis : tuple of float
        Direction of the load, (z, y, x), of any length.

    Returns
    -------
    values : ndarray of float64, shape (n,)
        In um: of the column ``projected_area_um2`` where the catalogue has it, else of the
        inertia-equivalent ellipsoid.
    method : str
        Which of the two.
    """
    measured = columns.get("projected_area_um2")
    if measured is not None and np.isfinite(measured.astype(np.float64)).all():
        return np.sqrt(measured.astype(np.float64)), "projected along the load"
    lengths = np.stack(
        [columns[f"{which}_um"] for which in ("major", "intermediate", "minor")], axis=1
    ).astype(np.float64)
    axes = np.stack([vectors_of(columns, "major_{}"), vectors_of(columns, "minor_{}")], axis=1)
    area = ellipsoid_shadow_um2(lengths, axes, np.array(load_axis, np.float64))
    return np.sqrt(area), "shadow of the inertia-equivalent ellipsoid along the load"


def describe_extremes(
    counts: ScanCounts, phase: int, columns: Columns, component_mm3: float
) -> Iterator[Estimate]:
    """Yield the extremes of diameter and of the square root of the projected area.

    Parameters
    ----------
    counts : ScanCounts
        The scan.
    phase : int
        Position of the phase.
    columns : mapping of str to ndarray
        Rows of `particles` of that phase.
    component_mm3 : float
        Volume of the component whose largest particle is asked for.

    Yields
    ------
    Estimate
        For each of the measures ``diameter`` and ``sqrt_area``: ``<measure>_maximum_um`` (at its
        rank), ``<measure>_gumbel_location_um``, ``_gumbel_scale_um``, ``_block_mm3``,
        ``_level_um``, ``_level_moments_um``, ``_level_gev_um``, ``_gev_shape``,
        ``_anderson_darling``; then the ranking.
    """
    name = counts.phases[phase]
    area, how = sqrt_area_um(columns, counts.load_axis)
    measures = (
        ("diameter", columns["equivalent_diameter_um"].astype(np.float64), "equivalent diameter"),
        ("sqrt_area", area, f"square root of the area {how}"),
    )
    place = vectors_of(columns, "centroid_{}_um")
    cut = (columns["touches_border"] | columns["touches_mask_edge"]).astype(bool)
    block_um = counts.block_vx * np.array(counts.voxel_um)
    for measure, values, meaning in measures:
        found = block_maxima(values, place, counts.searched, block_um) if len(values) else None
        if found is None:
            why = (
                f"fewer than {FEWEST_MAXIMA} blocks of particles enough for maxima"
                if len(values)
                else "the phase has no particle"
            )
            for quantity in (f"{measure}_maximum_um", f"{measure}_level_um"):
                yield Estimate(name, quantity, "um", meaning, note=why)
            continue
        maxima, voxels = found
        n_cut = int(np.isin(maxima, values[cut]).sum())
        caveat = f"{n_cut} of {maxima.size} maxima are of bodies that the border or the specimen's "
        caveat += "edge cuts: lower bounds"
        yield from _describe_fit(
            name, measure, meaning, maxima, voxels * counts.voxel_um3 * 1e-9, component_mm3,
            caveat if n_cut else "",
        )  # fmt: skip
    yield from _rank_defects(name, columns, area)


def _describe_fit(
    name: str,
    measure: str,
    meaning: str,
    maxima: Reals,
    block_mm3: float,
    component_mm3: float,
    caveat: str,
) -> Iterator[Estimate]:
    n = maxima.size
    for rank, value in enumerate(np.sort(maxima).tolist(), 1):
        yield Estimate(name, f"{measure}_maximum_um", "um", f"largest {meaning} of a block",
                       value, n=n, note=caveat, at=rank)  # fmt: skip
    yield Estimate(name, f"{measure}_block_mm3", "mm3", "mean volume of a block", block_mm3, n=n)
    gumbel, general = fit_gumbel(maxima), fit_extreme_value(maxima)
    moments = match_moments(maxima)
    period = component_mm3 / block_mm3
    level = f"{measure}_level_um"
    if gumbel is None or general is None or moments is None:
        yield Estimate(name, level, "um", E2283, n=n, note="all maxima are the same")
        return
    yield Estimate(name, f"{measure}_gumbel_location_um", "um", f"{E2283}, maximum likelihood",
                   gumbel.location, n=n)  # fmt: skip
    yield Estimate(name, f"{measure}_gumbel_scale_um", "um", f"{E2283}, maximum likelihood",
                   gumbel.scale, n=n)  # fmt: skip
    yield from _describe_test(name, measure, maxima, gumbel, general)
    if period <= 1.0:
        why = f"a component of {component_mm3:g} mm3 is no larger than a block"
        yield Estimate(name, level, "um", E2283, n=n, note=why)
        return
    value, error = gumbel.level(period), gumbel.level_error(period)
    of = f"largest {meaning} in {component_mm3:g} mm3"
    far = f"extrapolated to {period:.3g} blocks" if period > n else ""
    note = "; ".join(filter(None, [far, caveat]))
    yield Estimate(name, level, "um", f"{of}; {E2283}, maximum likelihood, 2 standard errors",
                   value, value - 2 * error, value + 2 * error, n, note)  # fmt: skip
    yield Estimate(name, f"{measure}_level_moments_um", "um", f"{of}; {E2283}, moments",
                   moments.level(period), n=n, note=note)  # fmt: skip
    yield Estimate(name, f"{measure}_level_gev_um", "um", f"{of}; generalised extreme value",
                   general.level(period), n=n, note=note)  # fmt: skip


def _describe_test(
    name: str, measure: str, maxima: Reals, gumbel: Gumbel, general: ExtremeValue
) -> Iterator[Estimate]:
    statistic, p_value = anderson_darling(maxima, gumbel)
    poor = "" if p_value > 0.05 else "maxima do not follow a Gumbel distribution at 5 %"
    yield Estimate(name, f"{measure}_anderson_darling", "1",
                   "A^2 (1 + 0.2 / sqrt n), at 5 % under 0.757 (Stephens 1977)", statistic,
                   n=maxima.size, note=poor)  # fmt: skip
    p_shape = shape_test(gumbel, general, maxima)
    note = f"differs from 0, p = {p_shape:.2g}: take the GEV level" if p_shape < 0.05 else ""
    yield Estimate(name, f"{measure}_gev_shape", "1", "maximum likelihood; 0 is Gumbel",
                   general.shape, n=maxima.size, note=note)  # fmt: skip


def _rank_defects(name: str, columns: Columns, area: Reals) -> Iterator[Estimate]:
    """Yield the largest projections and the strength that each leaves, relative to the worst."""
    method = f"Murakami, C / sqrt_area^(1/6) over the worst; {STEEL_NOTE}"
    if area.size == 0:
        why = "the phase has no particle"
        yield Estimate(name, "sqrt_area_ranked_um", "um", "largest first", note=why)
        return
    skin = columns["touches_mask_edge"].astype(bool)
    factor = np.where(skin, MURAKAMI_FACTOR["surface"], MURAKAMI_FACTOR["interior"])
    strength = factor / area ** (1.0 / 6.0)
    order = np.lexsort((columns["particle_id"], strength))[:N_RANKED]
    for rank, row in enumerate(order.tolist(), 1):
        place = "surface" if skin[row] else "interior"
        by = [word for word, flag in (("border", columns["touches_border"][row]),
              ("edge of the specimen", skin[row])) if flag]  # fmt: skip
        cut = f", cut by the {' and the '.join(by)}: a lower bound" if by else ""
        note = f"particle {int(columns['particle_id'][row])}, {place}{cut}"
        yield Estimate(name, "sqrt_area_ranked_um", "um", "worst first by Murakami's ranking",
                       float(area[row]), n=1, note=note, at=rank)  # fmt: skip
        relative = float(strength[row] / strength[order[0]])
        yield Estimate(name, "strength_ranked", "1", method, relative, n=1, note=note, at=rank)
