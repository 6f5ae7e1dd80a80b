"""Preconditioned conjugate gradients for the equilibrium of a periodic voxel grid.

Zeman, Vondrejc, Novak and Marek (J. Comput. Phys. 229 (2010) 8065) solve the Lippmann-Schwinger
equation for the strain by conjugate gradients.  On compatible strains that is the same iteration as
solving for the displacement with the reference medium as preconditioner, which is done here: it
needs four displacement-like fields and no field of strains, and phases without stiffness do no
harm, since forces never point where nothing resists.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from pipeline.errors import ConvergenceError


class Medium(Protocol):
    """A strained cell, as the iteration sees it: fields are opaque, numbers are Python floats."""

    def forces(self, u: Any, strained: bool) -> Any:
        """Return the corner forces of a displacement, of the macroscopic strain too if asked."""
        ...

    def relax(self, force: Any) -> Any:
        """Return the displacement of the reference medium under forces."""
        ...

    def dot(self, a: Any, b: Any) -> float:
        """Return the sum of products of two fields, summed in double precision."""
        ...

    def add(self, a: Any, factor: float, b: Any) -> None:
        """Add ``factor * b`` to `a` in place."""
        ...

    def turn(self, a: Any, factor: float, b: Any) -> None:
        """Write ``factor * a + b`` into `a`."""
        ...


@dataclass(frozen=True, slots=True)
class Convergence:
    """How an iteration ended.

    Parameters
    ----------
    n_iterations : int
        Applications of the stiffness, the first and the last check left out.
    residual : float
        Equilibrium residual: energy norm of the reference medium's answer to the unbalanced forces,
        over that of its answer to the mean stress (see `pipeline.kernels.elasticity`).
    """

    n_iterations: int
    residual: float


def balance(
    medium: Medium,
    u: Any,
    measure: Callable[[float], float],
    tolerance: float,
    max_iterations: int,
    case: str,
) -> Convergence:
    """Change a displacement until the cell is in equilibrium.

    The residual that stops is computed from the displacement itself, not from the recurrence, which
    drifts from it in single precision; the iteration starts again where they differ.

    Parameters
    ----------
    medium : Medium
        The cell.
    u : field
        First guess of the displacement; the result.
    measure : callable
        Turns the squared norm of unbalanced forces into the residual.
    tolerance : float
        Largest residual that is accepted.
    max_iterations : int
        Iterations allowed, all together.
    case : str
        Name of the load case, for messages.

    Returns
    -------
    Convergence
        Iterations taken and the residual reached.

    Raises
    ------
    ConvergenceError
        If the residual stays above the tolerance, with the residual reached.
    """
    taken = 0
    before = float("inf")
    while True:
        residual = -medium.forces(u, True)
        answer = medium.relax(residual)
        norm = medium.dot(residual, answer)
        reached = measure(norm)
        if reached <= tolerance:
            return Convergence(taken, reached)
        # A start that does not halve the residual has met the precision of the numbers.
        if taken >= max_iterations or not reached < 0.5 * before:
            raise ConvergenceError(
                f"load case {case} is not in equilibrium after {taken} iterations: "
                f"residual {reached:.3g}, wanted {tolerance:.3g}.",
                "Allow more iterations or a larger residual, or solve in double precision; a cell "
                "whose stiff part hangs together nowhere has no equilibrium.",
            )
        before = reached
        allowed = max_iterations - taken
        taken += _descend(medium, u, residual, answer, norm, measure, tolerance, allowed)


def _descend(
    medium: Medium,
    u: Any,
    residual: Any,
    direction: Any,
    norm: float,
    measure: Callable[[float], float],
    tolerance: float,
    allowed: int,
) -> int:
    """Iterate until the residual of the recurrence is small enough; return the iterations."""
    for n in range(1, allowed + 1):
        force = medium.forces(direction, False)
        stiffness = medium.dot(direction, force)
        if not stiffness > 0.0:
            return n
        step = norm / stiffness
        medium.add(u, step, direction)
        medium.add(residual, -step, force)
        del force
        answer = medium.relax(residual)
        new = medium.dot(residual, answer)
        if measure(new) <= 0.8 * tolerance:
            return n
        medium.turn(direction, new / norm, answer)
        norm = new
    return allowed
