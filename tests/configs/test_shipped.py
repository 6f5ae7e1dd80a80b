"""The files that travel with the package: found by name, valid, and complete."""

from importlib.resources import files

import pytest
import yaml
from pydantic import BaseModel

from flows.settings import find_cluster
from pipeline.model.recipe import read_recipe

CLUSTERS = sorted(
    f.name.removesuffix(".yaml") for f in files("configs").joinpath("clusters").iterdir()
)
RECIPES = sorted(f.name for f in files("configs").joinpath("recipes").iterdir())


def keys(values: object, prefix: str = "") -> set[str]:
    """Return the dotted keys of nested mappings and models."""
    if isinstance(values, BaseModel):
        values = {name: getattr(values, name) for name in type(values).model_fields}
    if not isinstance(values, dict):
        return {prefix}
    return {k for name, v in values.items() for k in keys(v, f"{prefix}.{name}".lstrip("."))}


@pytest.mark.parametrize("name", RECIPES)
def test_recipe_validates_under_its_own_name(name: str) -> None:
    text = files("configs").joinpath("recipes", name).read_text(encoding="utf-8")
    assert read_recipe(text, name).name == name.removesuffix(".yaml")


def test_default_recipe_writes_out_every_key_with_its_default() -> None:
    text = files("configs").joinpath("recipes", "cast-al-si-cu.yaml").read_text(encoding="utf-8")
    recipe = read_recipe(text, "cast-al-si-cu")
    assert keys(yaml.safe_load(text)) == keys(recipe)
    bare = read_recipe(yaml.safe_dump({"phases": yaml.safe_load(text)["phases"]}), "bare")
    assert bare.hash == recipe.hash


def test_one_phase_recipe_takes_a_threshold_from_the_command_line() -> None:
    text = files("configs").joinpath("recipes", "one-phase.yaml").read_text(encoding="utf-8")
    recipe = read_recipe(text, "one-phase", ["segment.thresholds=[68]"])
    assert recipe.segment.thresholds == (68.0,)
    assert recipe.condition.denoise.method == "none"


@pytest.mark.parametrize("name", CLUSTERS)
def test_cluster_validates_and_states_its_kind(name: str) -> None:
    assert find_cluster(name).kind == name


def test_service_names_a_recipe_and_a_cluster_that_exist() -> None:
    settings = yaml.safe_load(files("configs").joinpath("service.yaml").read_text(encoding="utf-8"))
    assert files("configs").joinpath("recipes", f"{settings['recipe']}.yaml").is_file()
    assert files("configs").joinpath("clusters", f"{settings['cluster']}.yaml").is_file()
