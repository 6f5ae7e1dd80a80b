"""What every reader of a census must be told; the same words stand in README.md."""

from __future__ import annotations

CAUTIONS = (
    "Results support, and do not replace, the qualification of load-carrying parts. Local codes, "
    "the customer's specification and licensed engineers decide; mechanical tests stay necessary.",
    "X-ray work is done by trained persons under the radiation-protection rules of their place. "
    "castcensus controls no apparatus.",
    "A segmentation is a measurement with an error. Beam hardening, scatter, rings and noise shift "
    "grey levels, and a threshold shifts every volume with them: look at the phase map, try "
    "neighbouring thresholds, and compare with polished sections before trusting a volume "
    "fraction. Cupping, drift and rings are taken off where they are clear (`condition.flatten`, "
    "reported in `scans`); streaks, arcs and cupping that is not round are not.",
    "Platelets thinner than about 3 voxels are under-resolved: partial volume makes them thicker, "
    "breaks them, or hides them. Their number and volume are then those of the image, not of the "
    "metal.",
    "Silicon and aluminium absorb X-rays alike; absorption contrast does not show silicon, and "
    "iron-rich phases of different kinds (alpha, beta) hardly differ in grey.",
    "Lengths are as good as the voxel size: an error of 1 % there is 2 % in surfaces and 3 % in "
    "volumes. Calibrate it with a standard of known length, at the settings of the scan.",
    "Stress factors are linear elastic: no plasticity, residual stress or decohesion. They rank "
    "particles; they say nothing about fitness for service.",
    "A specimen is a small sample of a casting; the largest particle of the part is most likely "
    "not in it.",
)
