"""An installation against general libraries: every number of the catalogue, computed twice.

`suite.verify` sends small volumes through the real stages in tiles and computes the same numbers
from the whole volume with scikit-image, SciPy, connected-components-3d and NumPy.
"""
