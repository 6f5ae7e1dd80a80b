"""Tiles mapped over real threads and real processes, undisturbed and disturbed."""

import os
import signal
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path
from threading import Thread

import psutil
import pytest
from distributed import Client, LocalCluster, Security

from flows.cluster import DaskMap, Patience, open_cluster
from flows.cluster.kinds import check_versions
from flows.settings import ClusterConfig, ClusterSize
from pipeline.errors import DataError, JobError
from pipeline.model.reports import TileNotice, TileReport

GIB = 1 << 30
KEY = ("cert", "key")


def note(folder: str, number: int) -> TileReport:
    """Leave a file for each call: calls can then be counted over all processes."""
    Path(folder, f"{number}.{os.getpid()}.{time.monotonic_ns()}").touch()
    time.sleep(0.01)
    return TileReport(number, 1, 0.01, str(os.getpid()), 1)


def note_slowly(folder: str, number: int) -> TileReport:
    """Leave a file after a twentieth of a second."""
    time.sleep(0.05)
    return note(folder, number)


def fail_at_seven(folder: str, number: int) -> TileReport:
    """Raise a domain error for one tile."""
    if number == 7:
        raise DataError("tile 7 holds 3 voxels that are not finite.", "Mask them.")
    return note(folder, number)


def die_once(folder: str, number: int) -> TileReport:
    """Kill the own process at tile 5, the first time."""
    token = Path(folder, "killed")
    if number == 5 and not token.exists():
        token.touch()
        time.sleep(0.5)  # that it began is told first
        os.kill(os.getpid(), signal.SIGKILL)
    return note(folder, number)


def die_always(folder: str, number: int) -> TileReport:
    """Kill the own process whenever tile 2 comes."""
    if number == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    return note(folder, number)


def sleep_once(folder: str, number: int) -> TileReport:
    """Take a minute for tile 20, the first time; the others are quick."""
    token = Path(folder, "slept")
    if number == 20 and not token.exists():
        token.touch()
        time.sleep(60)
    return note(folder, number)


def freeze_once(folder: str, number: int) -> TileReport:
    """Stop the own process at tile 3, the first time: it neither ends nor answers."""
    token = Path(folder, "frozen")
    if number == 3 and not token.exists():
        token.write_text(str(os.getpid()))
        os.kill(os.getpid(), signal.SIGSTOP)
    return note(folder, number)


def some(reports: Iterable[TileReport | TileNotice | None]) -> list[TileReport]:
    """Return the reports, without what is told between them."""
    return [report for report in reports if isinstance(report, TileReport)]


def calls(folder: Path) -> Counter[int]:
    """Return how often each tile ran to its end."""
    return Counter(int(f.name.split(".")[0]) for f in folder.iterdir() if f.name[0].isdigit())


@pytest.fixture(scope="module")
def processes() -> Iterator[DaskMap]:
    with open_cluster(ClusterConfig(kind="local"), ClusterSize(2, 1, GIB)) as mapped:
        assert isinstance(mapped, DaskMap)
        yield mapped


@pytest.mark.parametrize("kind", ["loop", "threads"])
def test_loop_and_threads_report_each_tile_once(kind: str, tmp_path: Path) -> None:
    config = ClusterConfig.model_validate({"kind": kind})
    with open_cluster(config, ClusterSize(1, 3, GIB)) as map_tiles:
        reports = some(map_tiles(partial(note, str(tmp_path)), range(40)))
    assert sorted(r.number for r in reports) == list(range(40))
    assert calls(tmp_path) == Counter(range(40))
    assert {r.worker for r in reports} == {str(os.getpid())}


@pytest.mark.cluster
def test_processes_report_each_tile_once(processes: DaskMap, tmp_path: Path) -> None:
    reports = some(processes(partial(note, str(tmp_path)), range(100)))
    assert sorted(r.number for r in reports) == list(range(100))
    assert calls(tmp_path) == Counter(range(100))
    workers = {r.worker for r in reports}
    assert len(workers) == 2
    assert str(os.getpid()) not in workers


@pytest.mark.cluster
def test_few_tiles_are_handed_out_at_a_time(processes: DaskMap, tmp_path: Path) -> None:
    taken: list[int] = []

    def numbers() -> Iterator[int]:
        for number in range(30):
            taken.append(number)
            yield number

    ahead = []
    done = 0
    for report in processes(partial(note, str(tmp_path)), numbers()):
        done += isinstance(report, TileReport)
        ahead.append(len(taken) - done)
    assert max(ahead) <= 2 * 3


@pytest.mark.cluster
def test_an_error_of_a_tile_comes_as_it_was_and_leaves_nothing_running(
    processes: DaskMap, tmp_path: Path
) -> None:
    with pytest.raises(DataError, match="3 voxels") as caught:
        some(processes(partial(fail_at_seven, str(tmp_path)), range(100)))
    assert (caught.value.what, caught.value.remedy, caught.value.exit_code) == (
        "tile 7 holds 3 voxels that are not finite.",
        "Mask them.",
        1,
    )
    before = calls(tmp_path)
    time.sleep(0.3)
    assert calls(tmp_path) == before
    assert len(some(processes(partial(note, str(tmp_path)), range(5)))) == 5


@pytest.mark.cluster
def test_a_map_that_is_given_up_leaves_nothing_running(processes: DaskMap, tmp_path: Path) -> None:
    reports = processes(partial(note, str(tmp_path)), range(100))
    next(reports)
    reports.close()
    before = calls(tmp_path)
    time.sleep(0.3)
    assert calls(tmp_path) == before
    assert sum(before.values()) < 20


@pytest.mark.cluster
def test_a_killed_worker_is_replaced_and_its_tile_done_again(
    processes: DaskMap, tmp_path: Path
) -> None:
    told = list(processes(partial(die_once, str(tmp_path)), range(30)))
    reports = some(told)
    assert sorted(r.number for r in reports) == list(range(30))
    assert (tmp_path / "killed").exists()
    notices = [notice for notice in told if isinstance(notice, TileNotice)]
    assert {n.number for n in notices if n.kind == "began"} == set(range(30))
    assert ("retried", 5) in {(n.kind, n.number) for n in notices}
    (lost,) = {n.worker for n in notices if n.kind == "lost"}
    assert lost in {n.worker for n in notices if n.kind == "began" and n.number == 5}
    assert set(calls(tmp_path)) == set(range(30))


@pytest.mark.cluster
def test_a_straggler_gets_a_copy_elsewhere_and_is_reported_once(
    processes: DaskMap, tmp_path: Path
) -> None:
    impatient = DaskMap(processes.client, 3, Patience(straggler_least_s=0.5))
    began = time.monotonic()
    reports = some(impatient(partial(sleep_once, str(tmp_path)), range(21)))
    assert time.monotonic() - began < 30
    assert sorted(r.number for r in reports) == list(range(21))
    # The slow copy is not left running into the next stage.
    assert len(some(processes(partial(note, str(tmp_path)), range(9)))) == 9


@pytest.mark.cluster
def test_a_frozen_worker_is_restarted_at_the_tiles_limit(
    processes: DaskMap, tmp_path: Path
) -> None:
    strict = DaskMap(processes.client, 3, Patience(tile_limit_s=10.0, straggler_least_s=1e9))
    reports = some(strict(partial(freeze_once, str(tmp_path)), range(8)))
    assert sorted(r.number for r in reports) == list(range(8))
    assert not psutil.pid_exists(int((tmp_path / "frozen").read_text()))


@pytest.mark.cluster
def test_a_running_scheduler_serves_workers_of_the_same_versions(tmp_path: Path) -> None:
    with LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
    ) as cluster:
        config = ClusterConfig(kind="existing", address=cluster.scheduler_address)
        with open_cluster(config, ClusterSize(1, 1, GIB)) as map_tiles:
            reports = some(map_tiles(partial(note, str(tmp_path)), range(12)))
    assert sorted(r.number for r in reports) == list(range(12))


def write_certificates(folder: Path) -> dict[str, str]:
    """Write an authority, a certificate of its own, and the key to it."""
    folder.mkdir()
    made = Security.temporary()
    texts = {"ca": made.tls_ca_file, "cert": made.tls_client_cert, "key": made.tls_client_key}
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="ascii")
    return {name: str(folder / name) for name in texts}


@pytest.mark.cluster
def test_a_scheduler_with_certificates_serves_who_shows_them_and_nobody_else(
    tmp_path: Path,
) -> None:
    own, others = (write_certificates(tmp_path / name) for name in ("own", "others"))
    roles = {f"tls_{r}_{k}": own[k] for r in ("scheduler", "worker", "client") for k in KEY}
    security = Security(tls_ca_file=own["ca"], require_encryption=True, **roles)
    with LocalCluster(
        n_workers=1, processes=False, dashboard_address=None, security=security, protocol="tls"
    ) as cluster:
        address = cluster.scheduler_address

        def count(address: str, tls: dict[str, str] | None) -> int:
            values = {"kind": "existing", "address": address, "tls": tls}
            with open_cluster(ClusterConfig.model_validate(values), ClusterSize(1, 1, GIB)) as maps:
                return len(some(maps(partial(note, str(tmp_path)), range(4))))

        assert count(address, own) == 4
        with pytest.raises(JobError, match="certificate") as caught:
            count(address, others)
        assert address in caught.value.what
        assert "correct address and certificates" in caught.value.remedy
        with pytest.raises(JobError, match="no scheduler answers at tcp://"):
            count(address.replace("tls:", "tcp:"), None)
        with pytest.raises(JobError, match=r"cannot be used: .* No such file") as caught:
            count(address, {**own, "ca": "/nowhere/ca"})
        assert "/nowhere/ca" in caught.value.remedy
        with pytest.raises(ValueError, match="goes with an address tls://"):
            count(address, None)


@pytest.mark.cluster
def test_jobs_that_share_a_cluster_get_even_shares_and_leave_each_other_alone(
    processes: DaskMap, tmp_path: Path
) -> None:
    folders = [tmp_path / "large", tmp_path / "small"]
    for folder in folders:
        folder.mkdir()
    ended: dict[str, int] = {}

    def run_small() -> None:
        with Client(processes.client.scheduler.address, set_as_default=False) as client:
            some(DaskMap(client, 3)(partial(note_slowly, str(folders[1])), range(10)))
        ended["large"] = len(calls(folders[0]))

    other = Thread(target=run_small)
    for report in processes(partial(note_slowly, str(folders[0])), range(120)):
        if isinstance(report, TileReport) and other.ident is None:
            other.start()
    other.join()
    # Ten tiles among others' of equal rank: a queue would have had them wait for all 120.
    assert ended["large"] < 80
    # Nobody restarted a worker that was busy with the other's tiles.
    assert calls(folders[0]) == Counter(range(120))
    assert calls(folders[1]) == Counter(range(10))


@pytest.mark.cluster
def test_workers_of_another_version_are_refused(
    processes: DaskMap, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("flows.cluster.kinds.COMPARED", ("castcensus", "numpy", "pytest"))
    with pytest.raises(JobError, match="differs from this driver: pytest None against"):
        check_versions(processes.client)


@pytest.mark.cluster
def test_a_tile_that_keeps_killing_its_worker_ends_the_job(tmp_path: Path) -> None:
    config = ClusterConfig(kind="local")
    with (
        pytest.raises(JobError, match="out of memory or crashed"),
        open_cluster(config, ClusterSize(1, 1, GIB)) as map_tiles,
    ):
        some(map_tiles(partial(die_always, str(tmp_path)), range(3)))


def test_a_scheduler_that_does_not_answer_is_named(tmp_path: Path) -> None:
    config = ClusterConfig(kind="existing", address="tcp://127.0.0.1:9")
    with (
        pytest.raises(JobError, match=r"127\.0\.0\.1:9"),
        open_cluster(config, ClusterSize(1, 1, GIB)),
    ):
        pass
