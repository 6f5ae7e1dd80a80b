"""Numbers of one phase of a scan: fraction, surface, numbers and sizes, orientation, connection.

Every number leaves as an `Estimate`; what cannot be told leaves without a value and with a reason.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.counts import Columns, ScanCounts, box_of, vectors_of
from pipeline.analysis.estimates import Estimate
from pipeline.analysis.orientation import orient_axes
from pipeline.analysis.sampling import (
    Share,
    count_fields,
    estimate_share,
    integral_range,
    merge_blocks,
    particles_needed,
    representative_volume,
    scatter_curve,
    scatter_factor,
)
from pipeline.analysis.sizes import (
    Interval,
    Weighted,
    class_limit,
    class_numbers,
    estimate_density,
    estimate_mean,
    estimate_quantile,
    geometric_deviation,
    weight_particles,
)
from pipeline.analysis.surfaces import mean_free_path_um, mean_intercept_um, surface_density

EMPTY = "no voxel lies inside the specimen"
ABSENT = "the phase is absent"
SCATTER = "scatter of blocks that touch"
WEIGHTS = "Miles-Lantuejoul weights (ISO 13322-1)"


def describe_fraction(counts: ScanCounts, phase: int, wanted_error: float) -> Iterator[Estimate]:
    """Yield the volume fraction, its checks, and the volume that it asks for.

    Parameters
    ----------
    counts : ScanCounts
        The scan.
    phase : int
        Position of the phase.
    wanted_error : float
        Half-width of the 95 % interval over the fraction that is wanted.

    Yields
    ------
    Estimate
        volume_fraction, volume_fraction_e562, volume_fraction_scatter (a curve over the edge of
        sub-volumes), integral_range_um3, representative_edge_um.
    """
    name = counts.phases[phase]
    quantities = ("volume_fraction", "volume_fraction_e562", "representative_edge_um")
    if counts.n_searched == 0:
        for quantity in quantities:
            yield Estimate(name, quantity, _unit(quantity), SCATTER, note=EMPTY)
        return
    hits, searched = counts.voxels[..., phase], counts.searched
    factor = scatter_factor(searched.shape)
    wide_hits, wide = merge_blocks(hits, factor), merge_blocks(searched, factor)
    share = estimate_share(wide_hits, wide)
    note = "" if share.low is not None else _no_interval(share)
    yield Estimate(
        name, "volume_fraction", "1", SCATTER, share.value, share.low, share.high,
        share.n_blocks, note,
    )  # fmt: skip
    full = wide >= 0.5 * wide.max()
    if int(full.sum()) >= 2:
        fields = count_fields(wide_hits[full] / wide[full])
        yield Estimate(
            name, "volume_fraction_e562", "1", "ASTM E562 arithmetic over blocks", fields.mean,
            fields.mean - fields.ci95, fields.mean + fields.ci95, int(full.sum()),
            "takes blocks for independent: too narrow where bodies are as large as a block",
        )  # fmt: skip
    else:
        yield Estimate(name, "volume_fraction_e562", "1", "ASTM E562", note="fewer than two blocks")
    for point in scatter_curve(hits, searched, counts.voxel_um3):
        yield Estimate(
            name, "volume_fraction_scatter", "1",
            "standard deviation between sub-volumes over the mean, by their edge in um",
            point.relative_sd, n=point.n, at=np.cbrt(point.volume_um3),
        )  # fmt: skip
    yield from _describe_need(counts, name, share, wanted_error)


def _unit(quantity: str) -> str:
    return "um" if quantity.endswith("_um") else "1"


def _no_interval(share: Share) -> str:
    if share.value in (0.0, 1.0):
        return ABSENT if share.value == 0.0 else "the phase is all there is"
    return "fewer than two blocks: no interval"


def _describe_need(
    counts: ScanCounts, name: str, share: Share, wanted_error: float
) -> Iterator[Estimate]:
    searched_um3 = counts.n_searched * counts.voxel_um3
    reach = integral_range(share, searched_um3)
    method = f"integral range, for {100 * wanted_error:g} % at 95 % (Kanit et al. 2003)"
    if not reach:
        why = _no_interval(share) if reach is None else "no scatter between blocks"
        yield Estimate(name, "integral_range_um3", "um3", "Matheron 1971", note=why)
        yield Estimate(name, "representative_edge_um", "um", method, note=why)
        return
    yield Estimate(name, "integral_range_um3", "um3", "Matheron 1971", reach, n=share.n_blocks)
    needed = representative_volume(share.value, reach, wanted_error)
    edge, have = np.cbrt(needed), np.cbrt(searched_um3)
    note = "" if edge <= have else f"the scan's {have:.4g} um are too small for the wanted error"
    yield Estimate(name, "representative_edge_um", "um", method, edge, n=share.n_blocks, note=note)


def describe_surface(counts: ScanCounts, phase: int) -> Iterator[Estimate]:
    """Yield surface density, mean intercept and mean free path.

    Parameters
    ----------
    counts : ScanCounts
        The scan.
    phase : int
        Position of the phase.

    Yields
    ------
    Estimate
        surface_density_mm, in mm2 per mm3; mean_intercept_um inside the phase; mean_free_path_um
        between its bodies.
    """
    name = counts.phases[phase]
    crofton = "Crofton, 13 directions, without the specimen's own surface; interval: sampling only"
    rows = (
        ("surface_density_mm", "1/mm", crofton),
        ("mean_intercept_um", "um", "4 V_V / S_V"),
        ("mean_free_path_um", "um", "4 (1 - V_V) / S_V (ASTM E1245)"),
    )
    fraction, density = counts.fraction(phase), surface_density(counts.pairs, counts.steps, phase)
    if fraction is None or not density:
        why = EMPTY if fraction is None else "the phase has no surface inside the specimen"
        for quantity, unit, method in rows:
            yield Estimate(name, quantity, unit, method, note=why)
        return
    both = counts.contacts[..., phase, :].sum(-1) + counts.contacts[..., :, phase].sum(-1)
    searched = merge_blocks(counts.searched, counts.contact_vx // counts.block_vx)
    factor = scatter_factor(both.shape)
    share = estimate_share(merge_blocks(both, factor), merge_blocks(searched, factor), False)
    # The blocks tell the relative error; the value is that of all directions.
    ends = None
    if share.low is not None and share.high is not None:
        ends = share.low / share.value, share.high / share.value
    for (quantity, unit, method), value in zip(
        rows,
        (
            density * 1e3,
            mean_intercept_um(fraction, density),
            mean_free_path_um(fraction, density),
        ),
        strict=True,
    ):
        low = high = None
        if value is not None and ends is not None:
            scale = ends if quantity == "surface_density_mm" else (1 / ends[1], 1 / ends[0])
            low, high = value * scale[0], value * scale[1]
        note = "" if low is not None else "too few blocks for an interval"
        yield Estimate(name, quantity, unit, method, value, low, high, share.n_blocks, note)


def describe_numbers(
    counts: ScanCounts, phase: int, columns: Columns, wanted_error: float
) -> Iterator[Estimate]:
    """Yield number density and sizes, corrected for the border, and whether particles are enough.

    Parameters
    ----------
    counts : ScanCounts
        The scan.
    phase : int
        Position of the phase.
    columns : mapping of str to ndarray
        Rows of `particles` of that phase.
    wanted_error : float
        Half-width of the 95 % interval over the mean diameter by volume that is wanted.

    Yields
    ------
    Estimate
        number_density_mm3, number_density_uncorrected_mm3, mean_volume_um3, diameter_quantile_um
        (at 0.1, 0.5, 0.9), diameter_class_density_mm3 (at the lower limit of each size class),
        particles_needed.
    """
    name, n = counts.phases[phase], len(columns["n_voxels"])
    start, stop = box_of(columns)
    weighted = weight_particles(counts.field(), start, stop)
    n_whole = int(weighted.whole.sum())
    if n == 0:
        why = "the phase has no particle"
    elif n_whole == 0:
        why = "no particle lies wholly inside the field"
    else:
        why = "fewer than two whole particles"
    lost = weighted.n_too_large
    caveat = f"{lost} as large as the field are left out" if lost else ""
    volume_um3 = counts.n_searched * counts.voxel_um3
    density = estimate_density(weighted.weight, counts.voxel_um3)
    yield _row(name, "number_density_mm3", "1/mm3", WEIGHTS, density, n_whole, caveat, why)
    yield Estimate(
        name, "number_density_uncorrected_mm3", "1/mm3", "particles over volume, cut ones included",
        n / (volume_um3 * 1e-9) if volume_um3 else None, n=n, note="" if volume_um3 else EMPTY,
    )  # fmt: skip
    mean = estimate_mean(columns["volume_um3"], weighted.weight)
    yield _row(name, "mean_volume_um3", "um3", WEIGHTS, mean, n_whole, caveat, why)
    diameter = columns["equivalent_diameter_um"]
    for share in (0.1, 0.5, 0.9):
        found = estimate_quantile(diameter, weighted.weight, share)
        yield _row(name, "diameter_quantile_um", "um", f"{WEIGHTS}; Woodruff 1952", found,
                   n_whole, caveat, why, share)  # fmt: skip
    yield from _describe_classes(name, diameter, weighted, counts.voxel_um3)
    ratio = geometric_deviation(diameter, weighted.weight)
    method = f"lognormal sizes, {100 * wanted_error:g} % of the volume-mean diameter (ISO 13322-1)"
    if ratio is None:
        yield Estimate(name, "particles_needed", "1", method, n=n_whole, note=why)
        return
    needed = math.ceil(particles_needed(ratio, wanted_error))
    note = f"only {n_whole} whole particles: sizes are uncertain" if n_whole < needed else ""
    yield Estimate(name, "particles_needed", "1", method, needed, n=n_whole, note=note)


def _describe_classes(
    name: str, diameter: NDArray[np.float64], weighted: Weighted, voxel_um3: float
) -> Iterator[Estimate]:
    """Yield the size distribution: classes without a whole particle are left out."""
    numbers = class_numbers(diameter)
    method = f"whole particles of a class of diameters, a tenth of a decade wide; {WEIGHTS}"
    for number in np.unique(numbers[weighted.whole]).tolist():
        mine = weighted.whole & (numbers == number)
        found = estimate_density(weighted.weight[mine], voxel_um3)
        yield _row(name, "diameter_class_density_mm3", "1/mm3", method, found, int(mine.sum()),
                   "", "", class_limit(number))  # fmt: skip


def _row(
    phase: str,
    quantity: str,
    unit: str,
    method: str,
    found: Interval | None,
    n: int,
    caveat: str,
    why: str,
    at: float | None = None,
) -> Estimate:
    if found is None:
        return Estimate(phase, quantity, unit, method, n=n, note=why, at=at)
    ends = (found.low, found.high)
    return Estimate(phase, quantity, unit, method, found.value, *ends, n, caveat, at=at)


def judged_axes(columns: Columns) -> NDArray[np.float64]:
    """Return the shortest axes, shape (n, 3), of particles that are whole and resolved."""
    out = columns["touches_border"] | columns["touches_mask_edge"] | columns["under_resolved"]
    return vectors_of(columns, "minor_{}")[~out.astype(bool)]


def describe_orientation(name: str, columns: Columns) -> Iterator[Estimate]:
    """Yield the orientation tensor of the shortest axes and its anisotropy.

    Parameters
    ----------
    name : str
        The phase.
    columns : mapping of str to ndarray
        Rows of `particles` of that phase.

    Yields
    ------
    Estimate
        orientation_zz ... orientation_yx, orientation_eigenvalue (at 1 to 3),
        orientation_anisotropy, orientation_p_value.
    """
    found = orient_axes(judged_axes(columns))
    method = "mean of the outer product of the shortest axes, whole and resolved particles"
    parts = [("zz", 0, 0), ("yy", 1, 1), ("xx", 2, 2), ("zy", 0, 1), ("zx", 0, 2), ("yx", 1, 2)]
    bingham = "Bingham's test of no preferred direction (Mardia & Jupp 2000)"
    if found is None:
        why = "no whole and resolved particle"
        for quantity in (
            *(f"orientation_{part}" for part, _, _ in parts),
            *("orientation_anisotropy", "orientation_p_value"),
        ):
            yield Estimate(name, quantity, "1", method, note=why)
        return
    n = found.n
    for part, i, j in parts:
        yield Estimate(name, f"orientation_{part}", "1", method, found.tensor[i, j], n=n)
    for rank, value in enumerate(found.eigenvalues, 1):
        yield Estimate(name, "orientation_eigenvalue", "1", method, value, n=n, at=rank)
    few = "few axes: uneven by chance" if n < 30 else ""
    yield Estimate(name, "orientation_anisotropy", "1", "1 - least / largest eigenvalue",
                   found.anisotropy, n=n, note=few)  # fmt: skip
    yield Estimate(name, "orientation_p_value", "1", bingham, found.p_value, n=n, note=few)


def describe_connection(counts: ScanCounts, phase: int, columns: Columns) -> Iterator[Estimate]:
    """Yield the largest body's share of its phase and the axes that it spans.

    Parameters
    ----------
    counts : ScanCounts
        The scan.
    phase : int
        Position of the phase.
    columns : mapping of str to ndarray
        Rows of `particles` of that phase.

    Yields
    ------
    Estimate
        largest_body_share, axes_spanned (0 to 3; the note names them).
    """
    name, n_voxels = counts.phases[phase], columns["n_voxels"]
    rows = (
        ("largest_body_share", "voxels of the largest particle over those of its phase"),
        ("axes_spanned", "axes on which the largest particle reaches both ends of the specimen"),
    )
    if len(n_voxels) == 0:
        for quantity, method in rows:
            yield Estimate(name, quantity, "1", method, note="the phase has no particle")
        return
    largest = int(np.argmax(n_voxels))
    total = int(counts.voxels[..., phase].sum())
    yield Estimate(name, *(rows[0][0], "1", rows[0][1]), int(n_voxels[largest]) / total,
                   n=len(n_voxels))  # fmt: skip
    start, stop = box_of(columns)
    held = counts.searched > 0
    spanned = []
    for axis, letter in enumerate("zyx"):
        blocks = np.flatnonzero(held.any(tuple(k for k in range(3) if k != axis)))
        # The specimen's own ends are known to a block only, the volume's to the voxel.
        low, high = int(blocks[0]) * counts.block_vx, (int(blocks[-1]) + 1) * counts.block_vx
        first = low + counts.block_vx - 1 if low > 0 else 0
        last = high - counts.block_vx + 1 if high < counts.shape[axis] else counts.shape[axis]
        if start[largest, axis] <= first and stop[largest, axis] >= last:
            spanned.append(letter)
    note = f"spans {', '.join(spanned)}: its size is that of the field" if spanned else ""
    yield Estimate(name, rows[1][0], "1", rows[1][1], len(spanned), n=len(n_voxels), note=note)
