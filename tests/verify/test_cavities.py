"""The trial of hollow bodies has what it is there for."""

from pathlib import Path

from pipeline.verify.compare import compare_trial
from pipeline.verify.passage import pass_through
from pipeline.verify.volumes import build_trials


def test_hollow_bodies_enclose_pores_and_one_another(tmp_path: Path) -> None:
    trial = next(t for t in build_trials() if t.name == "hollow-18")
    outcome = pass_through(trial, tmp_path)
    assert [f.quantity for f in compare_trial(trial, outcome) if not f.passed] == []
    rows = outcome.particles["iron-rich"]
    assert rows["n_cavities"].sum() >= 5
    assert rows["n_tunnels"].sum() >= 3
    assert 0 < rows["cavity_holds_pore"].sum() < len(rows["n_voxels"])
