"""What options, environment and shipped files say, and in which order."""

from pathlib import Path

import pytest

from flows.settings import (
    ClusterConfig,
    Machine,
    find_cluster,
    find_recipe,
    fit_cluster,
    load_settings,
    prepare_environment,
    read_machine,
)
from pipeline.errors import NotFoundError, PlanError, RecipeError, UsageError
from pipeline.model.header import ReadOptions, VolumeHeader
from pipeline.model.metadata import ScanMetadata
from pipeline.model.plan import WORKER_BASE_BYTES, Plan, plan_scan

GIB = 1 << 30


@pytest.fixture
def plan() -> Plan:
    header = VolumeHeader("block.npy", "npy", (512, 512, 512), "uint16", (1, 1, 1), 2 << 27)
    recipe = find_recipe("cast-al-si-cu")
    return plan_scan("A", "block.npy", ReadOptions(), header, recipe, ScanMetadata(), "1")


def test_option_comes_before_environment_before_service_file(tmp_path: Path) -> None:
    service = tmp_path / "service.yaml"
    service.write_text(f"workspace: {tmp_path}/file\nrecipe: one-phase\n")
    environment = {"CASTCENSUS_SERVICE": str(service)}
    assert load_settings(None, environment).workspace == tmp_path / "file"
    assert load_settings(None, environment).recipe == "one-phase"
    environment["CASTCENSUS_WORKSPACE"] = str(tmp_path / "environment")
    assert load_settings(None, environment).workspace == tmp_path / "environment"
    assert load_settings(tmp_path / "option", environment).workspace == tmp_path / "option"


def test_shipped_settings_hold_without_any_environment() -> None:
    settings = load_settings(None, {})
    assert settings.workspace == Path.cwd() / "castcensus-workspace"
    assert find_recipe(settings.recipe).name == settings.recipe
    assert find_cluster(settings.cluster).kind == "local"


def test_unknown_key_of_a_service_file_is_refused(tmp_path: Path) -> None:
    service = tmp_path / "service.yaml"
    service.write_text("workspce: here\n")
    with pytest.raises(UsageError, match="workspce"):
        load_settings(None, {"CASTCENSUS_SERVICE": str(service)})


def test_recipe_is_found_by_name_or_file_and_overridden(tmp_path: Path) -> None:
    file = tmp_path / "mine.yaml"
    file.write_text(find_recipe("one-phase", ["segment.thresholds=[3]"]).to_yaml())
    assert find_recipe(str(file)).segment.thresholds == (3.0,)
    assert find_recipe(str(file), ["label.connectivity=6"]).label.connectivity == 6
    with pytest.raises(NotFoundError, match=r"(?s)no-such.*cast-al-si-cu"):
        find_recipe("no-such")
    with pytest.raises(RecipeError, match="unknown key"):
        find_recipe("cast-al-si-cu", ["segment.metod=manual"])


def test_cluster_is_found_by_name_or_file(tmp_path: Path) -> None:
    file = tmp_path / "mine.yaml"
    file.write_text("kind: local\nn_workers: 3\nmemory_limit: 2GiB\n")
    assert find_cluster(str(file)).memory_limit == 2 * GIB
    assert find_cluster("threads").kind == "threads"
    assert find_cluster("loop").kind == "loop"
    file.write_text("kind: existing\n")
    with pytest.raises(UsageError, match="address"):
        find_cluster(str(file))
    file.write_text("kind: local\nmemory_limit: lots\n")
    with pytest.raises(UsageError, match="lots"):
        find_cluster(str(file))


def test_workers_of_the_caller_replace_those_of_the_cluster() -> None:
    local = find_cluster("local").adjusted(3, "1GiB")
    assert (local.n_workers, local.threads_per_worker, local.memory_limit) == (3, 1, GIB)
    assert find_cluster("threads").adjusted(3, None).threads_per_worker == 3
    with pytest.raises(UsageError, match="takes no number"):
        find_cluster("loop").adjusted(3, None)
    with pytest.raises(UsageError, match="-1GiB"):
        find_cluster("local").adjusted(None, "-1GiB")


def test_workers_fit_cores_memory_and_tiles(plan: Plan) -> None:
    local = find_cluster("local")
    need = plan.worker_bytes
    assert fit_cluster(local, plan, Machine(4, 64 * GIB, 64 * GIB)).n_workers == 4
    assert fit_cluster(local, plan, Machine(64, 256 * GIB, 256 * GIB)).n_workers == 8  # tiles
    tight = Machine(4, 64 * GIB, int(2.5 * need))
    assert fit_cluster(local, plan, tight).n_workers == 2
    assert fit_cluster(local, plan, Machine(4, 64 * GIB, GIB // 4)).n_workers == 1
    assert fit_cluster(local, plan, tight).memory_limit_bytes == need * 3 // 2
    with pytest.raises(PlanError, match="8 workers of 1 threads need"):
        fit_cluster(local.adjusted(8, None), plan, Machine(8, 2 * need, 2 * need))


def test_threads_share_one_process(plan: Plan) -> None:
    threads = find_cluster("threads")
    tile = plan.worker_bytes - WORKER_BASE_BYTES
    roomy = fit_cluster(threads, plan, Machine(4, 64 * GIB, 64 * GIB))
    assert (roomy.n_workers, roomy.threads_per_worker) == (1, 4)
    limit = f"{WORKER_BASE_BYTES + 2 * tile}"
    tight = fit_cluster(threads.adjusted(None, limit), plan, Machine(4, 64 * GIB, 64 * GIB))
    assert tight.threads_per_worker == 2
    loop = fit_cluster(ClusterConfig(kind="loop"), plan, Machine(4, 64 * GIB, 64 * GIB))
    assert (loop.n_workers, loop.threads_per_worker) == (1, 1)


def test_machine_offers_what_this_process_may_use() -> None:
    machine = read_machine()
    assert machine.n_cores >= 1
    assert 0 < machine.available_bytes <= machine.memory_bytes


def test_telemetry_is_off_whatever_the_user_has_set(tmp_path: Path) -> None:
    environment = {"PREFECT_SERVER_ANALYTICS_ENABLED": "true", "PREFECT_LOGGING_LEVEL": "INFO"}
    prepare_environment(tmp_path, environment)
    assert environment["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false"
    assert environment["DO_NOT_TRACK"] == "1"
    assert environment["PREFECT_LOGGING_LEVEL"] == "INFO"
    assert environment["PREFECT_HOME"] == str(tmp_path / "prefect")
    served = {"PREFECT_API_URL": "http://127.0.0.1:4200/api"}
    prepare_environment(tmp_path, served)
    assert "PREFECT_HOME" not in served
