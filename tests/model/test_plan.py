import pytest
import yaml

from pipeline.errors import PlanError, SourceError
from pipeline.model.expectation import Expectation
from pipeline.model.header import ReadOptions, VolumeHeader
from pipeline.model.metadata import ScanMetadata
from pipeline.model.plan import (
    MIB,
    SAMPLE_BLOCKS,
    Limits,
    Plan,
    block_edge_vx,
    check_limits,
    plan_scan,
)
from pipeline.model.recipe import read_recipe

PHASES = [{"name": "pore", "kind": "particles"}, {"name": "metal", "kind": "background"}]


def make(*overrides, version="1", expectation=None, **facts):
    header = {
        "location": "scan.h5",
        "format": "hdf5",
        "shape": (300, 200, 100),
        "dtype": "uint16",
        "voxel_um": (2.0, 2.0, 2.0),
        "n_bytes": 12_000_000,
    }
    recipe = read_recipe(yaml.safe_dump({"phases": PHASES}), "test", overrides)
    return plan_scan(
        "scan",
        "scan.h5",
        ReadOptions(),
        VolumeHeader(**header | facts),
        recipe,
        ScanMetadata(temper="T6"),
        version,
        expectation=expectation,
    )


def keys(plan):
    return {stage.name: stage.key for stage in plan.stages}


def changed(one, other):
    """Names of the stages whose key differs; they must be the last ones."""
    names = [name for name, key in keys(one).items() if keys(other)[name] != key]
    assert names == list(keys(one))[len(keys(one)) - len(names) :]
    return names[0] if names else None


def test_stages_in_order():
    names = [stage.name for stage in make().stages]
    assert names == [
        *("ingest", "flatten", "condition", "segment", "label", "seams"),
        *("reduce", "anatomy", "distances", "statistics", "catalogue", "present"),
    ]
    assert [stage.name for stage in make(dtype="float32").stages][:2] == ["ingest", "survey"]


def test_tiles_and_bytes():
    plan = make("tiling.tile_shape=[128, 128, 128]")
    assert plan.tile_shape == (128, 128, 100)
    assert plan.grid.counts == (3, 2, 1)
    assert {s.name: s.n_tiles for s in plan.stages if s.n_tiles} == dict.fromkeys(
        ("ingest", "flatten", "condition", "label", "seams", "anatomy", "distances", "present"), 6
    )
    n = 300 * 200 * 100
    assert plan.stage("ingest").read_bytes == 2 * n
    assert plan.stage("condition").write_bytes == 2 * n
    assert plan.stage("label").write_bytes == 5 * n
    assert plan.disk_bytes == sum(s.write_bytes for s in plan.stages) * 8 // 7
    assert plan.voxel_um == (2.0, 2.0, 2.0)


def test_an_expectation_changes_what_follows_from_thresholds():
    one, other = (
        Expectation(
            beam=f"{energy} keV",
            attenuations_cm=(0.0, 0.75, iron, 4.0),
            told_apart=(True,) * 4,
            warnings=(),
        )
        for energy, iron in ((60, 1.8), (61, 1.7))
    )
    assert changed(make(), make(expectation=one)) == "segment"
    assert changed(make(expectation=one), make(expectation=other)) == "segment"
    plan = make(expectation=one)
    assert Plan.model_validate_json(plan.model_dump_json()) == plan


def test_json_round_trip():
    plan = make("segment.method=manual", "segment.thresholds=[7.25]", dtype="float32")
    assert Plan.model_validate_json(plan.model_dump_json()) == plan


def test_keys_chain():
    plan = make()
    assert len(set(keys(plan).values())) == len(plan.stages)
    assert changed(plan, make()) is None
    assert changed(plan, make(version="2")) == "ingest"
    assert changed(plan, make(n_bytes=1)) == "ingest"
    assert changed(plan, make("tiling.tile_shape=[64, 64, 64]")) == "ingest"
    assert changed(plan, make("condition.denoise.method=none")) == "condition"
    assert changed(plan, make("segment.method=multi-otsu")) == "segment"
    assert changed(plan, make("label.connectivity=6")) == "label"
    assert changed(plan, make("load_axis=[0, 0, 1]")) == "reduce"
    assert changed(plan, make("name=other")) is None


@pytest.mark.parametrize(
    ("denoise", "halo"), [("none", 0), ("median", 1), ("gaussian", 4)], ids=str
)
def test_halo_of_the_filter(denoise, halo):
    assert make(f"condition.denoise.method={denoise}").stage("condition").halo_vx == halo


def test_halo_and_memory_of_clean_up():
    wanted = ("opening_vx=1.5", "closing_vx=2", "fill_holes_vx=5")
    off = make().stage("label")
    on = make(*(f"phases.pore.{key}" for key in wanted)).stage("label")
    assert (off.halo_vx, on.halo_vx) == (4, 4 + 2 + 4 + 5)
    assert on.worker_bytes - off.worker_bytes >= 8 * 200 * 100 * 200


def test_volume_smaller_than_a_halo():
    with pytest.raises(PlanError, match=r"\(40, 5, 40\) is not larger than the halo of 6"):
        make(
            "condition.denoise={method: gaussian, sigma_vx: 1.5}",
            shape=(40, 5, 40),
        )
    make("condition.denoise={method: gaussian, sigma_vx: 1.0}", shape=(40, 5, 40))


def test_no_voxel_size():
    with pytest.raises(SourceError, match="no voxel size"):
        make(voxel_um=None)


def test_memory_grows_with_tile_and_type():
    def worker(*overrides, **facts):
        return make(*overrides, shape=(1024, 1024, 1024), **facts).worker_bytes

    sizes = [worker(f"tiling.tile_shape=[{n}, {n}, {n}]") for n in (64, 128, 256, 512)]
    assert sizes == sorted(sizes)
    assert sizes[-1] - sizes[-2] > 7 * (sizes[-2] - sizes[-3]) * 0.9
    # 256^3 uint16 with the default recipe fits 1.5 GiB.
    assert worker() <= 1536 * MIB
    assert worker(dtype="float32") >= worker(dtype="uint8")
    # A compressed single stream is held whole.
    assert worker(attributes={"resident_bytes": str(5 << 30)}) > 5 << 30


def test_curvature_adds_a_ball_and_refuses_oblong_voxels():
    off = ("describe.thickness=false", "describe.neighbours=false")
    on = make(*off, "describe.curvature=true").stage("distances")
    assert (on.halo_vx, on.key != make().stage("distances").key) == (4, True)
    wide = make(*off, "describe.curvature=true", "describe.curvature_radius_vx=8")
    assert wide.stage("distances").worker_bytes > on.worker_bytes
    with pytest.raises(PlanError, match="longer than 8 times their shortest edge") as caught:
        make("describe.curvature=true", voxel_um=(9.0, 1.0, 1.0))
    assert "describe.curvature=false" in caught.value.remedy


def test_limits():
    plan = make()
    check_limits(plan, Limits())
    check_limits(plan, Limits(plan.worker_bytes, plan.disk_bytes))
    with pytest.raises(PlanError, match="MiB per worker with tiles of") as caught:
        check_limits(plan, Limits(worker_bytes=plan.worker_bytes - 1))
    assert "tile_shape=[128,128,128]" in caught.value.remedy
    with pytest.raises(PlanError) as caught:
        check_limits(plan, Limits(worker_bytes=MIB))
    # No tile is small enough for that.
    assert "tile_shape" not in caught.value.remedy
    with pytest.raises(PlanError, match=r"may need \d+ MiB of disk"):
        check_limits(plan, Limits(disk_free_bytes=plan.disk_bytes - 1))


@pytest.mark.parametrize("edge", [1, 511, 512, 513, 4096, 30_000])
def test_blocks_are_few_whatever_the_volume(edge):
    block = block_edge_vx((edge, 3, edge // 2 + 1), SAMPLE_BLOCKS)
    assert -(-edge // block) <= SAMPLE_BLOCKS
    assert block == 4 or -(-edge // (block // 2)) > SAMPLE_BLOCKS


def test_numbers_of_a_scan_are_asked_for_after_its_rows():
    assert changed(make(), make("statistics.component_mm3=5")) == "statistics"
