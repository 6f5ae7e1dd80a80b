"""The fingerprint of a scan: one hash over the canonical content of its rows and labels.

It does not depend on tiles, shards or the order of work, and leaves out how the result came about
(times, versions, paths): two runs that found the same have the same fingerprint.
"""

from __future__ import annotations

import hashlib
from typing import Any

import zarr

from pipeline.model.grid import Box
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.ome import need_labels
from pipeline.stores.places import Place
from pipeline.stores.volume import open_volume, read_box


def fingerprint_scan(workspace: Place, scan_id: str) -> str:
    """Return the fingerprint of a processed scan.

    Parameters
    ----------
    workspace : Path or ObjectFolder
        The workspace.
    scan_id : str
        The scan.

    Returns
    -------
    str
        ``sha256:`` and 64 hexadecimal digits.

    Raises
    ------
    NotFoundError
        If the scan is not in the catalogue or its labels are not there yet.
    DamageError
        If a label shard does not match its checksum.
    """
    digest = hashlib.sha256()
    catalogue = Catalogue(workspace / "catalogue")
    digest.update(catalogue.fingerprint_rows(scan_id).encode())
    job = catalogue.read("scans", scan_id, ["job"])["job"][0].as_py()
    store = workspace / "scans" / f"{scan_id}.zarr"
    labels = store / "labels"
    need_labels(store, scan_id, job)
    for path in sorted(p for p in labels.iterdir() if p.is_dir()):
        digest.update(path.name.encode() + b"\0")
        digest.update(hash_volume(open_volume(path / "0")))
    return "sha256:" + digest.hexdigest()


def hash_volume(array: zarr.Array[Any]) -> bytes:
    """Return SHA-256 over the hashes of the planes of a volume, in little-endian voxels.

    Parameters
    ----------
    array : zarr.Array
        A volume of integers.

    Returns
    -------
    bytes
        32 bytes.  Memory is bounded by a stripe of inner chunks, whatever the volume.
    """
    nz, ny, nx = array.shape
    step_z, step_y = array.chunks[0], array.chunks[1]
    whole = hashlib.sha256(repr((array.shape, str(array.dtype))).encode())
    for z in range(0, nz, step_z):
        planes = [hashlib.sha256() for _ in range(min(step_z, nz - z))]
        for y in range(0, ny, step_y):
            box = Box((z, y, 0), (z + len(planes), min(y + step_y, ny), nx))
            voxels = read_box(array, box)
            voxels = voxels.astype(voxels.dtype.newbyteorder("<"), copy=False)
            for plane, rows in zip(planes, voxels, strict=True):
                plane.update(rows.tobytes())
        for plane in planes:
            whole.update(plane.digest())
    return whole.digest()
