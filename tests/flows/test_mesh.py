"""``castcensus mesh`` as its users meet it."""

import json

import meshio
import pytest
import trimesh

from flows.cli.main import main
from pipeline.run import run

RECIPE = {
    "name": "bodies",
    "condition": {"mask": "none"},
    "segment": {"method": "manual", "thresholds": [1, 2]},
    "phases": [
        {"name": "pore", "kind": "particles", "min_voxels": 5},
        {"name": "matrix", "kind": "background"},
        {"name": "iron-rich", "kind": "particles", "min_voxels": 5},
    ],
}


@pytest.fixture(scope="module")
def command(run_command, volume, plan_job, tmp_path_factory):
    """Commands in a folder whose workspace holds the scan `a`."""
    command = run_command(tmp_path_factory.mktemp("mesh"))
    overrides = ("segment.thresholds=[700, 1300]", "tiling.tile_shape=[16, 16, 16]")
    workspace = command.cwd / "castcensus-workspace"
    run(plan_job(workspace, volume, RECIPE, *overrides, scan_id="a").path)
    return command


@pytest.fixture
def call(command, monkeypatch, capsys):
    """Run a command in this process, which takes a tenth of the time of one of its own."""
    monkeypatch.chdir(command.cwd)
    monkeypatch.delenv("CASTCENSUS_WORKSPACE", raising=False)

    def run_main(*arguments):
        monkeypatch.setattr("sys.argv", ["castcensus", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code or 0, out, err

    return run_main


def test_the_largest_particles_in_two_formats(call, command):
    status, out, _ = call(
        "mesh", "a", "--phase", "iron-rich", "--top", 2, "--format", "ply", "--format", "vtu",
        "--output", "out", "--picture", "--json",
    )  # fmt: skip
    assert status == 0
    told = json.loads(out)
    assert (told["scan"], told["phase"], told["unit"]) == ("a", "iron-rich", "um")
    assert len(told["particles"]) == 2
    for row in told["particles"]:
        assert row["watertight"]
        assert row["n_crossings"] == 0
        assert abs(row["volume_error"]) < 0.01
        ply, vtu, facts = (command.cwd / f for f in row["files"])
        mesh = trimesh.load(ply, force="mesh", process=False)
        assert mesh.is_watertight
        assert mesh.volume == pytest.approx(row["volume_um3"], rel=1e-4)
        assert len(meshio.read(vtu).cells_dict["triangle"]) == row["n_faces"]
        assert json.loads(facts.read_text())["particle_id"] == row["particle_id"]
    pictures = [command.cwd / f for f in told["pictures"]]
    ids = [row["particle_id"] for row in told["particles"]]
    names = [f"iron-rich-{name}.png" for name in (*ids, "sheet")]
    assert [p.name for p in pictures] == names
    assert all(p.read_bytes().startswith(b"\x89PNG") for p in pictures)
    volumes = [row["volume_um3_catalogue"] for row in told["particles"]]
    assert volumes[0] >= volumes[1]


def test_one_particle_for_people(call, command):
    options = ("--phase", "pore", "--particle", 2, "--max-error-um", 0, "--embed", 2)
    status, out, err = call("mesh", "a", *options)
    assert status == 0
    assert "volume_um3" in out.splitlines()[0]
    assert "in um" in err
    folder = command.cwd / "castcensus-workspace" / "reports" / "meshes" / "a"
    assert {p.name for p in folder.iterdir()} == {
        "pore-2.stl", "pore-2.json",
        "pore-2-embedded.msh", "pore-2-embedded.vtu", "pore-2-embedded.json",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        (["nope"], 3, "nope"),
        (["a"], 2, "--phase"),
        (["a", "--phase", "matrix"], 3, "pore, iron-rich"),
        (["a", "--phase", "pore", "--particle", 9999], 3, "9999"),
        (["a", "--phase", "pore", "--particle", 1, "--top", 2], 2, "--top"),
        (["a", "--phase", "pore", "--format", "step"], 2, "step"),
        (["a", "--phase", "pore", "--max-error-um", "-1"], 2, "--max-error-um"),
        (["a", "--phase", "pore", "--memory-limit", "1kB"], 2, "MiB"),
    ],
)
def test_a_mistake_gets_its_exit_status(call, arguments, status, says):
    got, out, err = call("mesh", *arguments)
    assert got == status
    assert says in err
    assert out == ""
