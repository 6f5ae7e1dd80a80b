"""A Zarr source used in place: the same result as of a copy, and nothing done when it changed."""

import os
import shutil

import numpy as np
import pytest
import zarr

from pipeline.errors import SourceError, StoreError
from pipeline.model.grid import Box
from pipeline.readers import open_source
from pipeline.report.pictures import Shown
from pipeline.run import run, run_stage
from pipeline.stages.image import describe_image
from pipeline.stores.catalogue import Catalogue
from pipeline.stores.fingerprint import fingerprint_scan
from pipeline.stores.layout import why_copied
from pipeline.stores.ome import job_of
from pipeline.stores.volume import open_volume
from tests.stages.conftest import RECIPE

TILE = "tiling.tile_shape=[32, 32, 36]"
CHUNK = (32, 32, 36)


def write_source(folder, volume, layout="sharded"):
    """Write a Zarr array as others would; return what opens it, and its array."""
    if layout == "sharded":
        array = zarr.create_array(
            folder, shape=volume.shape, dtype=volume.dtype, chunks=CHUNK, shards=(64, 64, 36)
        )
        array[...] = volume
        return array
    # An image of version 0.4 with a channel of one place, big-endian.
    group = zarr.create_group(folder, zarr_format=2)
    array = group.create_array(
        "full",
        shape=(1, *volume.shape),
        dtype=volume.dtype.newbyteorder(">"),
        chunks=(1, *CHUNK),
    )
    array[...] = volume[None]
    axes = [{"name": "c", "type": "channel"}]
    axes += [{"name": a, "type": "space", "unit": "micrometer"} for a in "zyx"]
    scale = [{"type": "scale", "scale": [1.0, 2.0, 2.0, 2.0]}]
    datasets = [{"path": "full", "coordinateTransformations": scale}]
    group.attrs["multiscales"] = [{"version": "0.4", "axes": axes, "datasets": datasets}]
    return array


@pytest.fixture
def begin(tmp_path, specimen, plan_job):
    """Return a maker of jobs of one Zarr source, run up to a stage."""

    def make(name, until=None, *, dtype="uint16", layout="sharded", in_place=True, mask="auto"):
        source = tmp_path / "source.zarr"
        if not source.exists():
            write_source(source, specimen(dtype), layout)
        keys = (TILE, f"condition.mask={mask}")
        job = plan_job(tmp_path / name, source, RECIPE, *keys, in_place=in_place)
        for stage in job.read_plan().stages:
            if stage.name == until:
                break
            run_stage(job.path, stage.name)
        return job

    return make


@pytest.mark.parametrize(("dtype", "layout"), [("uint16", "sharded"), ("float32", "0.4")])
def test_the_same_result_as_of_a_copy(begin, tmp_path, specimen, dtype, layout):
    here, copy = (begin(n, dtype=dtype, layout=layout, in_place=n == "here") for n in ("here", "c"))
    plan = here.read_plan()
    assert why_copied(plan.header, plan.recipe) is None
    assert fingerprint_scan(tmp_path / "here", "scan") == fingerprint_scan(tmp_path / "c", "scan")
    stores = [job.workspace / "scans" / "scan.zarr" for job in (here, copy)]
    levels = [sorted(p.name for p in store.iterdir() if p.name.isdigit()) for store in stores]
    assert levels == [["1", "2"], ["0", "1", "2"]]
    for level in levels[0]:
        one, other = (open_volume(store / level)[...] for store in stores)
        np.testing.assert_array_equal(one, other)
    assert plan.stage("ingest").write_bytes * 7 < copy.read_plan().stage("ingest").write_bytes
    assert describe_image(here) == f"used in place at {plan.header.location}"
    assert describe_image(copy) is None
    # Of both stores the whole image is opened, and shown.
    for store in stores:
        opened = open_source(str(store))
        assert opened.header.voxel_um == (2.0, 2.0, 2.0)
        box = Box((5, 6, 7), (40, 60, 70))
        np.testing.assert_array_equal(opened.read(box), specimen(dtype)[box.slices])
        assert job_of(store) == "job"
        plane = Shown(store.parent.parent, {"scan": "title"}).plane("scan", 9)
        np.testing.assert_array_equal(plane.grey, specimen(dtype)[9])
    # A scan's own store is never used in place: it would be replaced with the scan.
    assert open_source(str(stores[1])).header.chunk_vx is None
    assert open_source(str(stores[1] / "0")).header.chunk_vx is None
    assert open_source(str(stores[0])).header.chunk_vx == CHUNK


def test_what_viewers_are_told_of_is_there(begin):
    job = begin("here", "label")
    group = zarr.open_group(job.scan_store, mode="r")
    ome = group.attrs["ome"]["multiscales"][0]["datasets"]
    assert [d["path"] for d in ome] == ["1", "2"]
    for dataset, factor in zip(ome, (2, 4), strict=True):
        scale, shift = dataset["coordinateTransformations"]
        assert scale["scale"] == [2.0 * factor] * 3
        assert shift["translation"] == [factor - 1.0] * 3
        assert group[dataset["path"]].shape == tuple(-(-n // factor) for n in (60, 66, 72))


def source_files(tmp_path):
    return sorted(p for p in (tmp_path / "source.zarr").rglob("*") if p.is_file())


@pytest.mark.parametrize(("until", "dtype"), [("condition", "uint16"), ("survey", "float32")])
def test_a_source_that_changed_after_ingest(begin, tmp_path, until, dtype):
    job = begin("here", until, dtype=dtype)
    array = zarr.open_array(tmp_path / "source.zarr", mode="r+")
    array[0, 0, 0] = 77
    assert describe_image(job).endswith(", which has changed since")
    with pytest.raises(SourceError, match="used in place and has changed since the job began"):
        run(job.path)
    assert Catalogue(job.workspace / "catalogue").version() == -1


def test_a_chunk_that_is_missing_is_no_background(begin, tmp_path):
    job = begin("here", "condition")
    next(p for p in source_files(tmp_path) if p.parent.name != "source.zarr").unlink()
    with pytest.raises(SourceError, match="has changed since the job began"):
        run(job.path)


def test_a_change_while_tiles_are_conditioned_is_met_at_the_end(begin, tmp_path):
    job = begin("here", "condition")

    def meddle(progress):
        if progress.n_done == 2:
            zarr.open_array(tmp_path / "source.zarr", mode="r+")[40, 40, 40] = 9

    with pytest.raises(SourceError, match="has changed since the job began"):
        run(job.path, on_progress=meddle)


def test_a_change_while_it_is_ingested(begin, tmp_path):
    job = begin("here", "ingest")

    def meddle(progress):
        if progress.n_done == 2:
            zarr.open_array(tmp_path / "source.zarr", mode="r+")[40, 40, 40] = 9

    with pytest.raises(SourceError, match="has changed since the job began"):
        run(job.path, on_progress=meddle)


def test_files_that_were_only_touched_are_compared_by_their_contents(begin, tmp_path):
    job = begin("here", "condition")
    before = [(p, p.read_bytes()) for p in source_files(tmp_path)]
    for path in source_files(tmp_path):
        os.utime(path, ns=(1, 1))
    run(job.path)
    # Nor was the source written.
    assert [(p, p.read_bytes()) for p in source_files(tmp_path)] == before
    assert {p.stat().st_mtime_ns for p, _ in before} == {1}
    assert describe_image(job) == f"used in place at {job.read_plan().header.location}"
    store = job.workspace / "scans" / "scan.zarr"
    assert open_source(str(store)).header.shape == (60, 66, 72)


def test_a_source_that_is_gone_is_waited_for(begin, tmp_path):
    job = begin("here", "condition")
    source, away = tmp_path / "source.zarr", tmp_path / "away.zarr"
    source.rename(away)
    assert describe_image(job).endswith(", which is gone")
    with pytest.raises(StoreError, match="used in place and is no longer there") as caught:
        run(job.path)
    assert "resume" in caught.value.remedy
    away.rename(source)
    run(job.path)
    # Nothing of a finished scan but the finest grey depends on it.
    shutil.rmtree(source)
    assert fingerprint_scan(job.workspace, "scan").startswith("sha256:")
    store = job.workspace / "scans" / "scan.zarr"
    with pytest.raises(SourceError, match="where it is no longer"):
        open_source(str(store))
    write_source(source, np.zeros((60, 66, 72), np.uint16))
    with pytest.raises(SourceError, match="which has changed since"):
        open_source(str(store))


def test_a_source_that_goes_while_tiles_are_read(begin, tmp_path):
    job = begin("here", "condition")

    def meddle(progress):
        if progress.n_done == 2:
            (tmp_path / "source.zarr").rename(tmp_path / "away.zarr")

    with pytest.raises(StoreError, match="no longer there"):
        run(job.path, on_progress=meddle)
    (tmp_path / "away.zarr").rename(tmp_path / "source.zarr")
    run(job.path)
    assert Catalogue(job.workspace / "catalogue").version() >= 0
