"""All numbers of a scan, from its counts and the rows of its particles."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from pipeline.analysis.association import (
    FEWEST_SHIFTS,
    Attraction,
    contact_ratio,
    distance_ratio,
    draw_shifts,
    meeting_ratio,
)
from pipeline.analysis.counts import Columns, ScanCounts
from pipeline.analysis.estimates import Estimate
from pipeline.analysis.phases import (
    EMPTY,
    describe_connection,
    describe_fraction,
    describe_numbers,
    describe_orientation,
    describe_surface,
)
from pipeline.analysis.rankings import describe_extremes
from pipeline.analysis.sampling import merge_blocks, scatter_factor, shift_thresholds

SHIFT_BLOCKS = 64
"""Most blocks along the longest axis on which random shifts are evaluated."""


def describe_scan(
    counts: ScanCounts,
    particles: Mapping[str, Columns],
    component_mm3: float,
    wanted_error: float,
) -> list[Estimate]:
    """Return every statistic of a scan that its counts and particles tell.

    Parameters
    ----------
    counts : ScanCounts
        The scan.
    particles : mapping of str to columns
        Rows of `particles` by phase, for the phases whose bodies are counted.
    component_mm3 : float
        Volume of the component whose largest particle is asked for.
    wanted_error : float
        Half-width of the 95 % interval over the value, for the sample that it takes.

    Returns
    -------
    list of Estimate
        In a fixed order; (phase, quantity, reference, at) is unique.
    """
    found: list[Estimate] = []
    for phase, name in enumerate(counts.phases):
        found += describe_fraction(counts, phase, wanted_error, particles.get(name))
        found += describe_surface(counts, phase)
        if name in particles:
            columns = particles[name]
            found += describe_numbers(counts, phase, columns, wanted_error)
            found += describe_orientation(counts, phase, columns)
            found += describe_connection(counts, phase, columns)
            found += describe_extremes(counts, phase, columns, component_mm3)
    found += describe_association(counts, [p for p in counts.phases if p in particles])
    return found


def describe_association(counts: ScanCounts, names: Sequence[str]) -> Iterator[Estimate]:
    """Yield how often phases meet, for every ordered pair of them.

    Parameters
    ----------
    counts : ScanCounts
        The scan.
    names : sequence of str
        Phases whose bodies are counted.

    Yields
    ------
    Estimate
        contact_ratio, meeting_ratio and distance_ratio with their p-values (``_p_value``), and
        contact_share: the share of the phase's surface that faces the reference, beside
        contact_share_expected.
    """
    shape = counts.voxels.shape
    ratio = counts.contact_vx // counts.block_vx
    factor = scatter_factor(counts.contacts.shape)
    contacts = merge_blocks(counts.contacts, factor)
    wide = merge_blocks(counts.voxels, ratio * factor)
    step = max(1, -(-max(shape[:3]) // SHIFT_BLOCKS))
    voxels = merge_blocks(counts.voxels, step)
    shifts = draw_shifts(voxels)
    edges = [counts.block_vx * step * v for v in counts.voxel_um]
    block_um = (edges[0], edges[1], edges[2])
    for subject in names:
        for other in names:
            if subject == other:
                continue
            i, j = counts.phases.index(subject), counts.phases.index(other)
            contact = contact_ratio(contacts, wide, i, j)
            yield from _describe_contact(subject, other, contact)
            meeting = meeting_ratio(voxels, shifts, i, j)
            distance = distance_ratio(voxels, shifts, block_um, i, j)
            of = f"{max(edges):.4g} um blocks, random shifts of the torus"
            for quantity, found in (("meeting_ratio", meeting), ("distance_ratio", distance)):
                yield from _describe_shifts(subject, other, quantity, of, found)


def _describe_contact(subject: str, other: str, found: Attraction | None) -> Iterator[Estimate]:
    method = "share of the surface facing the reference, over V_ref / (1 - V_phase) (independent)"
    if found is None:
        why = "one of the phases is absent or has no surface inside the specimen"
        for quantity in ("contact_share", "contact_share_expected", "contact_ratio",
                         "contact_p_value"):  # fmt: skip
            yield Estimate(subject, quantity, "1", method, note=why, reference=other)
        return
    faces = "voxel faces facing the reference over all"
    yield Estimate(subject, "contact_share", "1", faces, found.observed, n=found.n, reference=other)
    chance = "V_ref / (1 - V_phase): the share if the phases were independent"
    yield Estimate(subject, "contact_share_expected", "1", chance, found.expected, n=found.n,
                   reference=other)  # fmt: skip
    note = "" if found.low is not None else "no interval: too few blocks, or no contact at all"
    yield Estimate(subject, "contact_ratio", "1", method, found.ratio, found.low, found.high,
                   found.n, note or _in_words(found, "touches"), other)  # fmt: skip
    yield Estimate(subject, "contact_p_value", "1", "scatter of blocks, two-sided",
                   found.p_value, n=found.n, note=note, reference=other)  # fmt: skip


def _describe_shifts(
    subject: str, other: str, quantity: str, of: str, found: Attraction | None
) -> Iterator[Estimate]:
    p_value = quantity.replace("_ratio", "_p_value")
    what = {
        "meeting_ratio": "density of the reference in blocks of the phase over that after",
        "distance_ratio": "mean distance to the reference over that after",
    }[quantity]
    if found is None:
        why = f"a phase is absent or fills every block, or there are under {FEWEST_SHIFTS} shifts"
        for name in (quantity, p_value):
            yield Estimate(subject, name, "1", f"{what} {of}", note=why, reference=other)
        return
    notes = [_in_words(found, "meets") if quantity == "meeting_ratio" else ""]
    if found.high is None:
        notes.append("no upper end: 2.5 % of the shifts or more find nothing")
    note = "; ".join(filter(None, notes))
    ends = "low and high: over the 97.5 and 2.5 % quantiles of the shifts"
    yield Estimate(subject, quantity, "1", f"{what} {of}; {ends}", found.ratio,
                   found.low, found.high, found.n, note, other)  # fmt: skip
    yield Estimate(subject, p_value, "1", f"rank among {of}, two-sided", found.p_value,
                   n=found.n, reference=other)  # fmt: skip


def _in_words(found: Attraction, verb: str) -> str:
    if found.p_value is None or found.p_value >= 0.05:
        return f"{verb} it as often as chance would"
    return f"{verb} it {found.ratio:.2g} times as often as chance"


def describe_thresholds(
    names: Sequence[str], histogram: np.ndarray, levels: Sequence[int], noise_sd: float
) -> Iterator[Estimate]:
    """Yield what the phases' fractions become when thresholds move by one noise deviation.

    Parameters
    ----------
    names : sequence of str
        Phases, dark to bright.
    histogram : ndarray of int64, shape (n_levels,)
        Voxels of the specimen by conditioned grey.
    levels : sequence of int
        Thresholds, one fewer than phases.
    noise_sd : float
        Deviation of the conditioned grey in one phase; 0 where it is not known.

    Yields
    ------
    Estimate
        volume_fraction_threshold: by plain thresholds, without an interval; and
        volume_fraction_threshold_least, _greatest: as each threshold moves by that deviation.
    """
    method = "voxels between plain thresholds, which edge-aware phases and bodies need not follow"
    moved = "the same as each threshold moves by one deviation of the noise: no interval"
    quantity = "volume_fraction_threshold"
    total = int(histogram.sum())
    if total == 0 or noise_sd <= 0.0:
        why = EMPTY if total == 0 else "thresholds given by hand: the noise is not known"
        for name in names:
            yield Estimate(name, quantity, "1", method, note=why)
        return
    for name, found in zip(names, shift_thresholds(histogram, levels, noise_sd), strict=True):
        yield Estimate(name, quantity, "1", method, found[0], n=total)
        for end, value in zip(("least", "greatest"), found[1:], strict=True):
            yield Estimate(name, f"{quantity}_{end}", "1", moved, value, n=total)
