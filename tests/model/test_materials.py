"""Elastic constants: what is physical, what is known by name, and what they do not change."""

import pytest

from pipeline.errors import RecipeError
from pipeline.model.materials import MATERIALS, Elastic, find_elastic
from pipeline.model.recipe import read_recipe

TEXT = "phases: [{name: pore, kind: particles}, {name: matrix, kind: background}]"


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        ("elastic.matrix={youngs_gpa: -70, poisson: 0.3}", "greater than or equal to 0"),
        ("elastic.matrix={youngs_gpa: 7000, poisson: 0.3}", "less than or equal to 1200"),
        ("elastic.matrix={youngs_gpa: 70, poisson: 0.5}", "less than 0.5"),
        ("elastic.matrix={youngs_gpa: 70, poisson: -1}", "greater than -1"),
        ("elastic.matrix={youngs_gpa: 70, poisson: 0.499}", "nearly incompressible"),
        ("elastic.matrix={youngs_gpa: 1.0e-6, poisson: 0.3}", "0 is a void"),
        ("elastic.matrix={youngs_gpa: .nan, poisson: 0.3}", "finite"),
        ("elastic.matrix={youngs_gpa: 70, range_percent: 100}", "less than 100"),
        ("elastic.matrix={youngs_mpa: 70}", "unknown key"),
        ("elastic.copper={youngs_gpa: 70}", "no phase"),
    ],
)
def test_constants_that_are_not_physical_are_refused(setting, said):
    with pytest.raises(RecipeError, match=said):
        read_recipe(TEXT, "test", [setting])


def test_constants_do_not_change_the_identity_of_a_census():
    plain = read_recipe(TEXT, "test")
    stated = read_recipe(TEXT, "test", ["elastic.matrix={youngs_gpa: 71, poisson: 0.34}"])
    assert stated.elastic["matrix"].youngs_gpa == 71
    assert stated.hash == plain.hash


def test_names_are_known_and_strangers_need_values():
    assert find_elastic({}, ["pore", "matrix", "iron-rich", "copper-rich"])[0].is_void
    assert find_elastic({"grain": Elastic(youngs_gpa=5)}, ["grain"])[0].youngs_gpa == 5
    with pytest.raises(RecipeError, match="phase grain") as caught:
        find_elastic({}, ["matrix", "grain"])
    assert "--set elastic.grain.youngs_gpa" in caught.value.remedy


def test_ranges_go_both_ways():
    iron = MATERIALS["iron-rich"]
    assert iron.scaled(-1).youngs_gpa == pytest.approx(128)
    assert iron.scaled(+1).youngs_gpa == pytest.approx(192)
    assert iron.scaled(+1).poisson == iron.poisson
