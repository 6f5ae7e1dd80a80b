"""Compile every kernel once into the machine's cache, before many workers start at once.

A cold cache that several processes fill together has crashed; a warm one is only read.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.blocks import count_full_boxes, sum_shifted
from pipeline.kernels.assessment import Constants, assess_particle
from pipeline.kernels.balls import plan_balls
from pipeline.kernels.bilateral import denoise_bilateral
from pipeline.kernels.bodies import label_tile
from pipeline.kernels.cavities import RegionForest, enclose_bodies
from pipeline.kernels.cleanup import CleanUp, clean_phases
from pipeline.kernels.curvature import fold_curvature
from pipeline.kernels.decimation import decimate_surface
from pipeline.kernels.denoise import denoise_gaussian, denoise_median, quantise_grey
from pipeline.kernels.descriptors import describe_particles
from pipeline.kernels.doubt import fold_doubt
from pipeline.kernels.feret import extend_hulls, measure_hulls, project_hulls
from pipeline.kernels.flatten import find_geometry, flatten_grey, plain_correction
from pipeline.kernels.histograms import fold_float_histogram, fold_gradients, fold_histogram
from pipeline.kernels.label import name_particles
from pipeline.kernels.mask import coarse_block_vx, estimate_mask, fold_blocks, mask_box
from pipeline.kernels.matrix import find_window, fold_evenness, inner_blocks
from pipeline.kernels.members import measure_members, split_members
from pipeline.kernels.midsurface import measure_bending
from pipeline.kernels.neighbours import find_neighbours
from pipeline.kernels.nlm import denoise_nlm
from pipeline.kernels.noise import fold_noise
from pipeline.kernels.outline import HullPart, merge_hulls
from pipeline.kernels.overlap import count_overlaps, near_offsets
from pipeline.kernels.phases import plan_edges, refine_edges
from pipeline.kernels.pyramid import halve_mean
from pipeline.kernels.reduce import (
    MergedTallies,
    merge_boxes,
    merge_sums,
    sum_sizes,
    take_census,
)
from pipeline.kernels.samples import fold_samples
from pipeline.kernels.screening import screen_particles
from pipeline.kernels.seams import cut_faces, flatten_forest, match_faces, merge_pairs
from pipeline.kernels.sharpness import fold_edges
from pipeline.kernels.surface import mesh_surface
from pipeline.kernels.surfacefields import measure_thickness
from pipeline.kernels.tetrahedra import mesh_regions
from pipeline.kernels.thickness import fold_thickness
from pipeline.kernels.threshold import classify_phases, count_phases
from pipeline.kernels.variation import denoise_variation
from pipeline.model.grid import Box
from pipeline.model.header import DTYPES


def warm_kernels() -> None:
    """Run every compiled kernel of a census on a few voxels of each type that tiles may have."""
    shape = (24, 24, 24)
    ramp = (np.arange(24**3) % 977).reshape(shape)
    for dtype in DTYPES:
        voxels = ramp.astype(dtype)
        quantise_grey(voxels, 1.0, -32768.0 if dtype == "int16" else 0.0)
        halve_mean(voxels)
    fold_float_histogram(ramp.astype(np.float32))
    grey = ramp.astype(np.uint16)
    denoise_median(grey, 1)
    denoise_gaussian(grey, 1.0)
    denoise_bilateral(grey, 2, 1.0, 100.0)
    denoise_nlm(grey, 50.0, 1.0)
    denoise_variation(grey, 50.0, 2)
    fold_noise(grey, (0, 0, 0), 65535)
    mask = _warm_mask(grey)
    _warm_flatten(grey)
    _warm_blocks()
    fold_histogram(grey, mask)
    fold_histogram(grey, None)
    fold_gradients(grey, mask)
    plain = classify_phases(grey, mask, (300, 600))
    refine_edges(grey, plain, plan_edges((300, 600), (150.0, 450.0, 750.0), 1.0))
    clean_phases(plain, [CleanUp(0, 1.0, 1.0, 3)], 1, 7)
    fold_edges(grey, plain, Box((0, 0, 0), (20, 20, 20)), (20, 20, 20), 450.0, [150.0])
    fold_doubt(plain, plain, plain, np.zeros((26, 26, 26), np.uint32)[1:-1, 1:-1, 1:-1], 0)
    measure_bending(mask > 0, np.ones(3), (1.0, 1.0, 1.0))
    measure_members(split_members(mask > 0, (1.0, 1.0, 1.0), 2.0), (1.0, 1.0, 1.0))
    _warm_bodies(classify_phases(grey, None, (300, 600)), grey)


def warm_meshes() -> None:
    """Run every compiled kernel of surfaces and tetrahedra on a few voxels; no scan needs them."""
    surface = mesh_surface(np.ones((2, 3, 4), np.bool_), (1.0, 1.0, 1.0))
    measure_thickness(decimate_surface(surface, 0.1)[0])
    mesh_regions(np.arange(27, dtype=np.uint8).reshape(3, 3, 3), (1.0, 1.0, 1.0))


def warm_stress() -> None:
    """Run every compiled kernel of a stress job on a few voxels."""
    materials = ((0.0, 0.0), (51.0, 26.0), (69.0, 63.0))
    mask = np.zeros((8, 8, 8), np.bool_)
    mask[3:5, 2:6, 2:6] = True
    constants = Constants(materials, 1, 2, materials[2], materials[2])
    assess_particle(mask, None, constants, (1.0, 0.0, 0.0), (1.0, 1.0, 1.0))
    screen_particles(np.ones((1, 3)), np.eye(3)[None], (1.0, 0.0, 0.0), *materials[1:])


def warm_match() -> None:
    """Run every compiled kernel of a match job on a few voxels of each type that ids may have."""
    box, offsets = Box((0, 0, 0), (2, 2, 2)), near_offsets(1.0, (1.0, 1.0, 1.0))
    for dtype in (np.uint32, np.uint64):
        ids, start = np.ones((2, 2, 2), dtype), np.zeros(3, np.int64)
        count_overlaps(ids, start, ids, ids.astype(np.uint8), box, np.eye(3), np.ones(3), offsets)


def _warm_mask(grey: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Find a specimen amid air, and return its mask of as many voxels as there are of grey."""
    sums = fold_blocks(grey, (0, 0, 0), coarse_block_vx((24, 24, 24)))[1]
    sums = np.full((12, 12, 12), 64 * 100, sums.dtype)
    sums[3:9, 3:9, 3:9] = 64 * 20000
    found = estimate_mask(sums, (48, 48, 48), 4)
    return mask_box(found, Box((4, 4, 4), (28, 28, 28)))


def _warm_flatten(grey: NDArray[np.uint16]) -> None:
    box, geometry = Box((0, 0, 0), (24, 24, 24)), find_geometry(None, (24, 24, 24))
    window = find_window(fold_histogram(grey, None))
    if window is not None:
        fold_evenness(grey, box, *inner_blocks(None, grey.shape), geometry, window)
    flatten_grey(grey, box, plain_correction(geometry, 24), 0, 65535)


def _warm_blocks() -> None:
    sums = np.zeros((4, 4, 4), np.int64)
    count_full_boxes(sums, 1, 1)
    place = np.zeros((1, 3), np.int64)
    sum_shifted(sums, place, place[0, :1], place)
    sum_shifted(sums.astype(np.float64), place, place[0, :1], place)


def _warm_bodies(phases: NDArray[np.uint8], grey: NDArray[np.uint16]) -> None:
    smallest = np.zeros(256, np.int64)
    smallest[1:3] = 1
    cores = [Box((z, 0, 0), (z + 11, 22, 22)) for z in (0, 11)]
    tiles = [
        label_tile(phases[:13], grey, core, (22, 22, 22), smallest, connectivity)
        for connectivity, core in product((6, 18, 26), cores)
    ][-2:]
    for dtype in (np.uint32, np.uint64):
        name_particles(tiles[0].labels, np.zeros(len(tiles[0].tallies), dtype))
    count_phases(phases)
    fold_samples(phases, (0, 0, 0), 4, 8, 3)
    faces = [cut_faces(tile.labels) for tile in tiles]
    pairs = match_faces((1, 0, 0), faces[0], faces[1])
    counts = [len(tile.tallies) - 1 for tile in tiles]
    parent = np.arange(sum(counts))
    merge_pairs(parent, pairs, -1, counts[0] - 1)
    flatten_forest(parent)
    size, first = np.zeros(parent.size, np.int64), np.zeros(parent.size, np.int64)
    phase = np.zeros(parent.size, np.uint8)
    for tile, offset in zip(tiles, (0, counts[0]), strict=True):
        sum_sizes(tile.tallies, parent, offset, size, first, phase)
    census = take_census(parent, size, first, phase, smallest)
    merged = MergedTallies.empty(census.particle_id.size)
    for merge in (merge_boxes, merge_sums):
        for tile, start, core in zip(tiles, (0, counts[0]), cores, strict=True):
            rows = census.row_of[start : start + len(tile.tallies) - 1]
            merge(merged, tile.tallies, rows, core.start)
    describe_particles(merged, (1.0, 1.0, 1.0), (1.0, 0.0, 0.0), 1.0, 0.0)
    regions, tallies = [tile.regions for tile in tiles], [tile.tallies for tile in tiles]
    forest = RegionForest([found.outside.size for found in regions])
    forest.close()
    enclose_bodies(forest, regions, tallies, parent, np.cumsum([0, *counts]), 0)
    _warm_hulls(tiles[0].hull_offsets, tiles[0].hull_corners)
    bodies = (phases == 1).astype(np.int32)
    box, kinds = Box((0, 0, 0), bodies.shape), np.array([0, 1], np.uint8)
    find_neighbours(bodies, box, kinds, (1, 1, 1), 9)
    fold_thickness(bodies, Box((0, 0, 0), bodies.shape), np.zeros((3, 2), np.bool_), (1, 1, 1), 99)
    balls = plan_balls((1.0, 1.0, 1.0), 3.0)
    fold_curvature(bodies, box.grow((-4, -4, -4)), balls)


def _warm_hulls(offsets: NDArray[np.int64], corners: NDArray[np.int32]) -> None:
    n = offsets.size - 1
    wanted, rows = np.diff(offsets) > 0, np.arange(n)
    part = HullPart.cut(rows, wanted, offsets, corners, (0, 0, 0))
    rows, offsets, corners = merge_hulls([part, part])
    wanted = np.ones(rows.size, np.bool_)
    voxel = (1.0, 1.0, 1.0)
    measure_hulls(offsets, corners, voxel)
    project_hulls(offsets, corners, voxel, voxel, wanted)
    extend_hulls(offsets, corners, voxel, np.ones((rows.size, 3, 3)), wanted)
