import pytest
import yaml
from pydantic import ValidationError

from pipeline.errors import RecipeError, UsageError
from pipeline.model.recipe import Recipe, hash_values, read_recipe

BASE = {
    "name": "test",
    "phases": [
        {"name": "pore", "kind": "particles"},
        {"name": "matrix", "kind": "background"},
        {"name": "iron-rich", "kind": "particles", "min_voxels": 8},
    ],
}


def read(*overrides, **changes):
    return read_recipe(yaml.safe_dump(BASE | changes), "test.yaml", overrides)


def test_defaults():
    recipe = read()
    assert recipe.condition.denoise.method == "auto"
    assert recipe.condition.mask == "auto"
    assert recipe.segment.method == "peaks"
    assert recipe.label.connectivity == 26
    assert recipe.tiling.tile_shape == (256, 256, 256)
    assert recipe.particle_phases == (0, 2)
    assert [p.min_voxels for p in recipe.phases] == [27, 27, 8]


def test_yaml_round_trip():
    recipe = read("segment.method=manual", "segment.thresholds=[1.5, 2]", "load_axis=[0, 1, 1]")
    assert read_recipe(recipe.to_yaml(), "again") == recipe
    assert read_recipe(recipe.to_yaml(), "again").hash == recipe.hash


@pytest.mark.parametrize(
    "override",
    [
        "condition.mask=none",
        "condition.denoise.method=none",
        "condition.denoise.radius_vx=2",
        "condition.nonfinite=outside",
        "condition.flatten=none",
        "condition.rotation_axis_vx=[40, 50.5]",
        "segment.method=multi-otsu",
        "label.connectivity=6",
        "load_axis=[0, 1, 0]",
        "phases=[{name: a, kind: particles}, {name: b, kind: background}]",
    ],
)
def test_hash_holds_whatever_can_change_a_result(override):
    assert read(override).hash != read().hash


@pytest.mark.parametrize(
    ("value", "artefacts"),
    [
        ("auto", ("planes", "radial", "rings")),
        ("none", ()),
        ("rings", ("rings",)),
        ("[rings, planes]", ("planes", "rings")),
    ],
)
def test_artefacts_that_are_looked_for(value, artefacts):
    recipe = read(f"condition.flatten={value}")
    assert recipe.condition.artefacts == artefacts
    assert read_recipe(recipe.to_yaml(), "again").hash == recipe.hash
    assert (
        read("condition.flatten=[planes, rings]").hash
        == read("condition.flatten=[rings, planes]").hash
    )


@pytest.mark.parametrize("value", ["[]", "[rings, rings]", "[auto]", "streaks", "3", "[[rings]]"])
def test_artefacts_that_there_are_not(value):
    with pytest.raises(RecipeError, match="flatten wants auto, none, or some of planes, radial"):
        read(f"condition.flatten={value}")


@pytest.mark.parametrize("override", ["name=other", "tiling.tile_shape=[64, 64, 64]"])
def test_hash_leaves_out_what_cannot(override):
    assert read(override).hash == read().hash != ""


def test_keys_that_came_later_are_hashed_only_where_they_are_set():
    assert read("segment.guide=auto", "phases.pore.material=null").hash == read().hash
    assert "guide" not in read().to_yaml()
    assert "material" not in read().to_yaml()
    for override in ("segment.guide=none", "phases.pore.material=air"):
        changed = read(override)
        assert changed.hash != read().hash
        assert read_recipe(changed.to_yaml(), "again") == changed


@pytest.mark.parametrize(
    "text", ["Al2Cu", "Al2Cu@", "Al2Cu@4,3", "@4", "Al 2@4.3", "Air", "''", "4"]
)
def test_materials_want_a_formula_and_a_density(text):
    with pytest.raises(RecipeError, match="material"):
        read(f"phases.pore.material={text}")


def test_hash_is_of_canonical_json():
    assert hash_values({"b": 1, "a": [1.5, None]}) == hash_values({"a": [1.5, None], "b": 1})
    # SHA-256 of '{"a":1}'.
    assert hash_values({"a": 1}).startswith(
        "sha256:015abd7f5cc57a2dd94b7590f04ad8084273905ee33ec5c"
    )


@pytest.mark.parametrize(
    ("overrides", "message"),
    [
        (["segmnt.method=peaks"], "unknown key 'segmnt'"),
        (["condition.denoise.radius=2"], "unknown key 'condition.denoise.radius'"),
        (["condition.denoise.method=wavelet"], "condition.denoise.method.*got 'wavelet'"),
        (["condition.denoise.radius_vx=9"], "radius_vx.*got 9"),
        (["condition.denoise.sigma_vx=0"], "sigma_vx.*got 0"),
        (["label.connectivity=8"], "connectivity.*got 8"),
        (["segment.sure=0"], "segment.sure.*got 0"),
        (["segment.sure=1.2"], "segment.sure.*got 1.2"),
        (
            ["segment.method=manual", "segment.thresholds=[1, 2]", "segment.sure=0.5"],
            "sure wants the pure levels.*choose another method",
        ),
        (
            ["segment={method: multi-otsu, sure: 0.5}", "phases.iron-rich.kind=background"],
            "sure wants exactly one phase of kind background.*got 2: leave it out",
        ),
        (["segment.method=manual"], "give both or neither"),
        (["segment.thresholds=[1, 2]"], "give both or neither"),
        (["segment.method=manual", "segment.thresholds=[2, 1]"], r"must ascend, got \[2.0, 1.0\]"),
        (["segment.method=manual", "segment.thresholds=[1, 1]"], "must ascend"),
        (
            ["segment.method=manual", "segment.thresholds=[1, 2, 3]"],
            "3 phases want 2 thresholds, got 3",
        ),
        (["segment.method=manual", "segment.thresholds=[1, .inf]"], "finite"),
        (["tiling.tile_shape=[4, 64, 64]"], r"between 8 and 1024 voxels, got \[4, 64, 64\]"),
        (["tiling.tile_shape=[64, 64]"], "tiling.tile_shape"),
        (["tiling.tile_shape=[64, 251, 64]"], "a multiple of 32, such as 224"),
        (["load_axis=[0, 0, 0]"], "must not be the zero vector"),
        (["phases=[{name: a, kind: particles}]"], "phases"),
        (
            ["phases=[{name: a, kind: background}, {name: b, kind: background}]"],
            "at least one phase must have kind: particles",
        ),
        (["phases=[{name: a, kind: particles}, {name: a, kind: background}]"], "must differ"),
        (["phases=[{name: Pore, kind: particles}, {name: b, kind: background}]"], "'Pore' wants"),
        (["phases=[{name: ../x, kind: particles}, {name: b, kind: background}]"], "wants lower"),
        (["phases=[{name: phases, kind: particles}, {name: b, kind: background}]"], "not 'phases'"),
        (
            ["phases=[{name: a, kind: particles, min_voxels: 0}, {name: b, kind: background}]"],
            "min_voxels",
        ),
        (
            ["phases=[{name: a, kind: particles}, {name: b, kind: particles}]"],
            "exactly one phase of kind background",
        ),
        (["phases.pore.opening_vx=0.5"], "is one voxel: give 0, or 1 to 8"),
        (["phases.pore.closing_vx=9"], "closing_vx.*got 9"),
        (["phases.pore.fill_holes_vx=33"], "fill_holes_vx.*got 33"),
        (["phases.matrix.opening_vx=1"], "for phases of kind particles"),
        (
            [
                "segment.method=multi-otsu",
                "phases.pore.opening_vx=1",
                "phases.iron-rich.kind=background",
            ],
            "want exactly one phase of kind background, which gives and takes the voxels, got 2",
        ),
        (["phases.pear.opening_vx=1"], "nothing below 'pear' to set"),
        (["phases.pore=1"], "nothing below 'pore' to set"),
        (["segment"], "wants the form key.path=value"),
        (["=3"], "wants the form key.path=value"),
        (["segment.method=a", "segment.method.deep=3"], "nothing below 'deep' to set"),
        (["name.x=3"], "nothing below 'x' to set"),
        (["name=[1"], "not valid YAML"),
    ],
)
def test_what_does_not_fit_is_refused_with_its_place(overrides, message):
    with pytest.raises(RecipeError, match=message) as caught:
        read(*overrides)
    assert isinstance(caught.value, UsageError)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("text", "message"),
    [("- a\n- b\n", "holds list, wanted a mapping"), ("a: [", "not valid YAML"), ("", "NoneType")],
)
def test_what_is_no_recipe_at_all(text, message):
    with pytest.raises(RecipeError, match=message):
        read_recipe(text, "broken.yaml")


@pytest.mark.parametrize("edges", [[8, 127, 128], [96, 160, 224], [200, 1000, 1016], [144, 250, 9]])
def test_tiles_that_can_be_stored(edges):
    assert read(f"tiling.tile_shape={edges}").tiling.tile_shape == tuple(edges)


def test_overrides_apply_in_order_and_make_parts_that_are_missing():
    recipe = read("label.connectivity=6", "label.connectivity=18")
    assert recipe.label.connectivity == 18


def test_a_phase_is_addressed_by_its_name():
    recipe = read("phases.pore.opening_vx=1.5", "phases.pore.min_voxels=8")
    assert [p.opening_vx for p in recipe.phases] == [1.5, 0.0, 0.0]
    assert [p.cleaned for p in recipe.phases] == [True, False, False]
    assert (recipe.phases[0].min_voxels, recipe.background) == (8, 1)
    assert read().phases[1:] == recipe.phases[1:]
    assert BASE["phases"][0] == {"name": "pore", "kind": "particles"}


def test_frozen():
    recipe = read()
    with pytest.raises(ValidationError, match="frozen"):
        recipe.name = "other"
    assert isinstance(recipe, Recipe)


def test_edges_are_decided_with_care_where_it_helps():
    two = [BASE["phases"][1], BASE["phases"][2]]
    assert read().edge_aware
    assert not read("segment.edges=plain").edge_aware
    assert not read("segment.method=multi-otsu").edge_aware
    assert read("segment.method=multi-otsu", "segment.edges=aware").edge_aware
    assert not read(phases=two).edge_aware
    four = [*BASE["phases"], {"name": "copper-rich", "kind": "particles"}]
    assert read("segment.edges=plain", phases=four).draws_shells
    assert not read(phases=four).draws_shells
    assert not read("segment.edges=plain").draws_shells
    with pytest.raises(RecipeError, match="pure levels"):
        read("segment.method=manual", "segment.thresholds=[1, 2]", "segment.edges=aware")
