"""Workers that a real Slurm starts on this machine: controller, node daemon and authentication."""

import json
import os
import platform
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from flows.cluster import open_cluster
from flows.cluster.batch import start_batch
from flows.settings import ClusterConfig, ClusterSize
from pipeline.errors import JobError, UsageError
from pipeline.model.reports import TileReport
from tests.limits.faults import GIVEN, Job, cluster_file, wait_until, write_balls

PROGRAMS = ("slurmctld", "slurmd", "munged", "sbatch", "scancel", "squeue")

CONFIGURATION = """
ClusterName=test
SlurmctldHost={host}(127.0.0.1)
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
ProctrackType=proctrack/pgid
TaskPlugin=task/none
SchedulerType=sched/backfill
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
ReturnToService=2
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd.log
SlurmctldPort=16817
SlurmdPort=16818
MpiDefault=none
KillWait=2
NodeName={host} NodeAddr=127.0.0.1 CPUs={cores} RealMemory=4000 State=UNKNOWN
PartitionName=main Nodes=ALL Default=YES MaxTime=INFINITE State=UP
"""


def slow(folder: str, number: int) -> TileReport:
    """Take half a second, and leave a file that names the process."""
    Path(folder, f"{number}.{os.getpid()}.{os.environ['SLURM_JOB_ID']}").touch()
    time.sleep(0.5)
    return TileReport(number, 1, 0.5, str(os.getpid()), 1)


@pytest.fixture(scope="module")
def slurm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Start Slurm as it runs without systemd; its absence is a failure in CI."""
    missing = [name for name in PROGRAMS if shutil.which(name) is None]
    if missing or os.geteuid() != 0:
        message = f"Slurm cannot be started here: {missing or 'not the superuser'}"
        if os.environ.get("CI", "").lower() == "true" and os.geteuid() == 0:
            pytest.fail(message)
        pytest.skip(message)
    folder = tmp_path_factory.mktemp("slurm")
    for name in ("state", "spool"):
        (folder / name).mkdir()
    subprocess.run(["install", "-d", "-o", "munge", "-g", "munge", "/run/munge"], check=True)
    # A socket alone may be what a daemon left that died.
    if subprocess.run(["munge", "-n"], capture_output=True, check=False).returncode:
        Path("/run/munge/munge.socket.2").unlink(missing_ok=True)
        subprocess.run(["runuser", "-u", "munge", "--", shutil.which("munged")], check=True)
    host = platform.node().split(".")[0]
    conf = folder / "slurm.conf"
    conf.write_text(
        CONFIGURATION.format(host=host, folder=folder, cores=os.cpu_count()), encoding="ascii"
    )
    before = os.environ.get("SLURM_CONF")
    os.environ["SLURM_CONF"] = str(conf)
    daemons = [subprocess.Popen([name, "-D"]) for name in ("slurmctld", "slurmd")]
    try:
        deadline = time.monotonic() + 60
        while "idle" not in run("sinfo", "-h", "-o", "%T"):
            assert time.monotonic() < deadline, (folder / "slurmctld.log").read_text()
            time.sleep(0.5)
        yield folder
    finally:
        run("scancel", "--partition=main")
        for daemon in reversed(daemons):
            daemon.terminate()
            daemon.wait(30)
        os.environ.pop("SLURM_CONF")
        if before is not None:
            os.environ["SLURM_CONF"] = before


def run(*command: str) -> str:
    """Return what a command prints."""
    return subprocess.run(command, capture_output=True, text=True, check=False).stdout


@pytest.mark.cluster
def test_a_worker_that_slurm_ends_is_replaced_and_nothing_is_lost(
    slurm: Path, tmp_path: Path
) -> None:
    config = ClusterConfig(
        kind="slurm",
        queue="main",
        interface="lo",
        walltime_s=300,
        start_limit_s=100,
        log_folder=str(slurm / "logs"),
        tiles_in_flight=1,
    )
    seen: list[int] = []
    with open_cluster(config, ClusterSize(2, 1, 1 << 30)) as map_tiles:
        for report in map_tiles(partial(slow, str(tmp_path)), range(40)):
            if not isinstance(report, TileReport):
                continue
            seen.append(report.number)
            if len(seen) == 5:
                run("scancel", running_jobs()[0])
    assert sorted(seen) == list(range(40))
    assert len({f.name.split(".")[2] for f in tmp_path.iterdir()}) >= 2
    # Nothing of ours is left in the queue.
    deadline = time.monotonic() + 30
    while running_jobs():
        assert time.monotonic() < deadline, running_jobs()
        time.sleep(0.5)


@pytest.mark.slow
@pytest.mark.cluster
@pytest.mark.timeout(900)
def test_a_worker_that_reaches_its_walltime_in_mid_stage_changes_nothing(
    slurm: Path, tmp_path: Path
) -> None:
    source = write_balls(tmp_path / "grey.npy", 64, seed=3)
    calm = Job(tmp_path / "calm", source, tile=16, more=(*GIVEN, "--cluster", "loop"))
    wanted = calm.run()
    values = {"queue": "main", "interface": "lo", "n_workers": 2, "walltime_s": 600}
    file = cluster_file(tmp_path, kind="slurm", log_folder=str(tmp_path / "logs"), **values)
    job = Job(tmp_path / "w", source, tile=8, more=(*GIVEN, "--cluster", str(file)))
    driver = job.start()
    job.wait_for("ingest", driver)
    wait_until("two workers", lambda: len(running_jobs()) == 2 or driver.poll() is not None)
    ended = running_jobs()[0]
    # A minute after its start, which Slurm looks for every half minute or so.
    run("scontrol", "update", f"JobId={ended}", "TimeLimit=1")
    told = f"Time limit exhausted for JobId={ended}"
    log = slurm / "slurmctld.log"
    wait_until("the limit", lambda: told in log.read_text() or driver.poll() is not None)
    assert driver.poll() is None, "the job was over before"
    stage = job.under_way()
    _, err = driver.communicate(timeout=600)
    assert driver.returncode == 0, err
    assert stage in job.stages_with_tiles()
    assert job.fingerprint() == wanted
    assert job.folder is not None
    assert json.loads((job.folder / "status.json").read_bytes())["n_worker_losses"] >= 1


def running_jobs() -> list[str]:
    """Return the ids of the running jobs of the queue."""
    return run("squeue", "-h", "-t", "R", "-o", "%A").split()


@pytest.mark.cluster
def test_workers_that_stay_in_the_queue_are_named(slurm: Path) -> None:
    config = ClusterConfig(
        kind="slurm",
        queue="main",
        interface="lo",
        start_limit_s=3,
        directives=("--begin=now+1hour",),
    )
    with (
        pytest.raises(JobError, match="did not start: waited 3 s"),
        open_cluster(config, ClusterSize(1, 1, 1 << 30)),
    ):
        pass


def test_the_library_that_is_missing_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "dask_jobqueue", None)
    with pytest.raises(UsageError, match=r"castcensus\[batch\]"):
        start_batch(ClusterConfig(kind="pbs"), ClusterSize(1, 1, 1 << 30))
