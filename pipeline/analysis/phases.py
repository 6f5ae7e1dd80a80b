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
    FEWEST_WHOLE,
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
STRAYS = "no body has a row: what is there may be strays of noise"
SCATTER = "scatter of blocks that touch"
ZINGG = 2.0 / 3.0
"""Flatness under which a body has a shortest axis (Zingg 1935; as in the classes of shape)."""

WEIGHTS = "Miles-Lantuejoul weights (ISO 13322-1)"


def describe_fraction(
    counts: ScanCounts, phase: int, wanted_error: float, columns: Columns | None = None
) -> Iterator[Estimate]:
    """Yield the volume fraction, its checks, and the volume that it asks for.

    Parameters
    ----------
    counts : ScanCounts
        The scan.
    phase : int
        Position of the phase.
    wanted_error : float
        Half-width of the 95 % interval over the fraction that is wanted.
    columns : mapping of str to ndarray, optional
        Rows of `particles` of the phase, where its bodies are counted.  Without any, its voxels
        may be strays alone, and their fraction has no interval.

    Yields
    ------
    Estimate
        volume_fraction, volume_fraction_rows (of bodies with rows), volume_fraction_e562,
        volume_fraction_scatter (a curve over the edge of sub-volumes), integral_range_um3,
        representative_edge_um.
    """
    name = counts.phases[phase]
    quantities = ("volume_fraction", "volume_fraction_e562", "representative_edge_um")
    if counts.n_searched == 0:
        for quantity in quantities:
            yield Estimate(name, quantity, _unit(quantity), SCATTER, note=EMPTY)
        return
    hits, searched = counts.voxels[..., phase], counts.searched
    if columns is not None:
        n_rows = len(columns["n_voxels"])
        yield Estimate(
            name, "volume_fraction_rows", "1", "voxels of bodies with rows over voxels searched",
            int(columns["n_voxels"].sum()) / counts.n_searched, n=n_rows,
        )  # fmt: skip
        if n_rows == 0 and hits.any():
            fraction = int(hits.sum()) / counts.n_searched
            yield Estimate(name, "volume_fraction", "1", SCATTER, fraction, note=STRAYS)
            for quantity in quantities[1:]:
                yield Estimate(name, quantity, _unit(quantity), SCATTER, note=STRAYS)
            return
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
            name, "volume_fraction_e562", "1", "ASTM E562 arithmetic over blocks, within 0 to 1",
            fields.mean,
            max(fields.mean - fields.ci95, 0.0), min(fields.mean + fields.ci95, 1.0),
            int(full.sum()),
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
    of = f"{n_whole} of {n} bodies lie whole in the field"
    too_few = n_whole < FEWEST_WHOLE
    caveats = [f"{of}: no interval under {FEWEST_WHOLE}"] if too_few else []
    caveats += [f"{lost} as large as the field are left out"] if lost else []
    caveat = "; ".join(caveats)
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
    if too_few:
        note = f"{of}: their spread is not told under {FEWEST_WHOLE}"
        yield Estimate(name, "particles_needed", "1", method, n=n_whole, note=note)
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
                   "", "", class_limit(number), True)  # fmt: skip


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
    few_bounded: bool = False,
) -> Estimate:
    """Return a row; of few particles without its interval, except for counts of one class.

    The interval of a class is exact, as its particles weigh alike; that of all is not, as few of
    mixed sizes tell nothing of the large ones that no place holds whole.
    """
    if found is None:
        return Estimate(phase, quantity, unit, method, n=n, note=why, at=at)
    ends = (found.low, found.high)
    if n < FEWEST_WHOLE and not few_bounded:
        ends = (None, None)
    elif None in ends:
        caveat = "; ".join(filter(None, [caveat, "an end of the interval lies beyond the data"]))
    return Estimate(phase, quantity, unit, method, found.value, *ends, n, caveat, at=at)


def judge_axes(columns: Columns) -> NDArray[np.bool_]:
    """Tell of which particles the shortest axis is known.

    Those that nothing cuts, that are resolved, and whose two shorter axes differ: a flatness under
    2/3 (Zingg 1935).  The shortest axis of a compact body or of a round needle is noise.

    Parameters
    ----------
    columns : mapping of str to ndarray
        Rows of `particles` of a phase.

    Returns
    -------
    ndarray of bool, shape (n,)
        True for those.
    """
    out = columns["touches_border"] | columns["touches_mask_edge"] | columns["under_resolved"]
    return ~out.astype(bool) & (columns["flatness"].astype(np.float64) < ZINGG)


def describe_orientation(counts: ScanCounts, phase: int, columns: Columns) -> Iterator[Estimate]:
    """Yield the orientation tensor of the shortest axes and its anisotropy.

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
        orientation_zz ... orientation_yx, orientation_eigenvalue (at 1 to 3),
        orientation_anisotropy, orientation_p_value.
    """
    name = counts.phases[phase]
    weight = weight_particles(counts.field(), *box_of(columns)).weight
    chosen = judge_axes(columns) & (weight > 0.0)
    n = int(chosen.sum())
    found = None
    if n >= FEWEST_WHOLE:
        found = orient_axes(vectors_of(columns, "minor_{}")[chosen], weight[chosen])
    method = (
        "mean of the outer product of the shortest axes of whole, resolved bodies of a flatness "
        f"under 2/3; {WEIGHTS}"
    )
    parts = [("zz", 0, 0), ("yy", 1, 1), ("xx", 2, 2), ("zy", 0, 1), ("zx", 0, 2), ("yx", 1, 2)]
    bingham = "Bingham's test of no preferred direction (Mardia & Jupp 2000)"
    if found is None:
        why = (
            f"{n} of {len(weight)} bodies are whole, resolved and flatter than 2/3: "
            f"wanted {FEWEST_WHOLE}"
        )
        for quantity in (
            *(f"orientation_{part}" for part, _, _ in parts),
            *("orientation_anisotropy", "orientation_p_value"),
        ):
            yield Estimate(name, quantity, "1", method, n=n, note=why)
        return
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
