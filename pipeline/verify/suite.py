"""All of it: every trial through the stages and past the references."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from pipeline.stages.warm import warm_kernels
from pipeline.verify.bodies import build_known_bodies, compare_known
from pipeline.verify.compare import compare_trial
from pipeline.verify.findings import Finding, gather_findings
from pipeline.verify.passage import pass_through
from pipeline.verify.volumes import build_trials

OnVolume = Callable[[str], None]


def tell_nobody(volume: str) -> None:
    """Take no notice of the volume under way."""


def verify(workspace: Path, on_volume: OnVolume = tell_nobody) -> list[Finding]:
    """Hold this installation against the reference libraries.

    Parameters
    ----------
    workspace : Path
        An empty folder to work in.
    on_volume : callable, optional
        Told the name of each volume before it is run.

    Returns
    -------
    list of Finding
        One a quantity and reference, over all volumes.
    """
    return gather_findings(_findings(workspace, on_volume))


def _findings(workspace: Path, on_volume: OnVolume) -> Iterator[tuple[str, Finding]]:
    on_volume("kernels")
    warm_kernels()
    for trial in build_trials():
        on_volume(trial.name)
        outcome = pass_through(trial, workspace)
        yield from ((trial.name, finding) for finding in compare_trial(trial, outcome))
    for known in build_known_bodies():
        on_volume(known.trial.name)
        outcome = pass_through(known.trial, workspace)
        yield from ((known.trial.name, finding) for finding in compare_known(known, outcome))
