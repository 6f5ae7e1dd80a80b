import numpy as np
import pytest
import xraydb

from pipeline.analysis.elements import find_element
from pipeline.errors import UsageError


@pytest.mark.parametrize("symbol", ["H", "Mg", "Al", "Si", "Fe", "Cu", "Pb", "U"])
def test_every_number_is_that_of_the_package_whose_tables_are_read(symbol):
    element = find_element(symbol)
    assert element.number == xraydb.atomic_number(symbol)
    assert element.molar_mass_g == xraydb.atomic_mass(symbol)
    # The edges of iron, copper, lead and uranium lie between these energies; 10 keV is a knot.
    energies = np.concatenate([[10.0, 500.0], np.linspace(10.0, 500.0, 701)])
    theirs = xraydb.mu_elam(symbol, energies * 1000.0)
    assert element.mass_attenuations_cm2_g(energies).tolist() == theirs.tolist()


def test_an_element_without_tables_is_refused():
    with pytest.raises(UsageError, match="Og"):
        find_element("Og")
