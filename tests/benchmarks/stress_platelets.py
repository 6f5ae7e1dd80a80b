"""What simulated platelets concentrate, and how well the screen ranks them.

    python -m tests.benchmarks.stress_platelets --platelets 10
    python -m tests.benchmarks.stress_platelets --platelets 200 --rank --json
    python -m tests.benchmarks.stress_platelets --screen 100000

Bodies are bent discs of 3 to 5 voxels thickness at any orientation, some with a second plate that
crosses them, some with protuberances at their rim; aluminium 70 GPa, iron-rich 160 GPa.  Common
practice, no source: such platelets concentrate 1.7 to 3.5 times the applied stress depending on its
direction, mostly at their rim, sometimes at protuberances.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import spearmanr

from pipeline.kernels.assessment import Constants, assess_particle
from pipeline.kernels.elasticity import lame_constants
from pipeline.kernels.screening import screen_particles

ALUMINIUM, BETA = lame_constants(70.0, 0.33), lame_constants(160.0, 0.26)
CONSTANTS = Constants(
    (ALUMINIUM, BETA), 0, 1, lame_constants(128.0, 0.26), lame_constants(192.0, 0.26)
)
LOAD = (1.0, 0.0, 0.0)
UNIT = (1.0, 1.0, 1.0)


def make_platelet(seed: int) -> NDArray[np.bool_]:
    """Return the voxels of one platelet, cropped."""
    rng = np.random.default_rng(seed)
    radius, half = rng.uniform(9, 18), rng.uniform(1.5, 2.5)
    stretch = rng.uniform(0.4, 1.0)
    bend = rng.uniform(-0.25, 0.25) / radius
    turn = np.linalg.qr(rng.standard_normal((3, 3)))[0]
    n = int(2 * radius + 14)
    grid = np.indices((n, n, n)).reshape(3, -1).T + 0.5 - n / 2
    z, y, x = (grid @ turn).T
    z = z - bend * x * x
    body = (abs(z) < half) & (x * x + (y / stretch) ** 2 < radius**2)
    if rng.random() < 0.4:  # a second plate across the first
        s, c = np.sin(1.1), np.cos(1.1)
        u, v = c * z + s * y, c * y - s * z
        body |= (abs(u) < half) & (x * x + (v / stretch) ** 2 < (0.7 * radius) ** 2)
    for _ in range(rng.integers(0, 4)):  # tongues at the rim
        angle = rng.uniform(0, 2 * np.pi)
        tip = np.array([np.sin(angle) * stretch, np.cos(angle)]) * radius
        away = np.hypot(y - tip[0], x - tip[1])
        body |= (abs(z) < half) & (away < rng.uniform(2.0, 3.5))
    mask = body.reshape(n, n, n)
    box = [np.flatnonzero(mask.any(axis=tuple({0, 1, 2} - {k}))) for k in range(3)]
    return mask[tuple(slice(b[0], b[-1] + 1) for b in box)].copy()


def ellipsoid_of(mask: NDArray[np.bool_]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return semi-axes, longest first, and their unit vectors, one a row."""
    places = np.argwhere(mask).astype(float)
    spread = np.cov(places.T, bias=True) + np.eye(3) / 12
    values, vectors = np.linalg.eigh(spread)
    return np.sqrt(5 * values[::-1]), vectors[:, ::-1].T


def solve_platelets(n: int) -> list[dict[str, Any]]:
    """Return the figures of n platelets: solver and screen."""
    found = []
    for seed in range(n):
        mask = make_platelet(seed)
        start = time.perf_counter()
        got = assess_particle(mask, None, CONSTANTS, LOAD, UNIT)
        seconds = time.perf_counter() - start
        axes, frame = ellipsoid_of(mask)
        screen = screen_particles(axes[None], frame[None], LOAD, ALUMINIUM, BETA)
        found.append(
            {
                "seed": seed,
                "n_voxels": int(mask.sum()),
                "thickness_vx": got.embedding.thickness_vx,
                "load": got.factors.load.ball,
                "worst": got.factors.worst.ball,
                "worst_raw": got.factors.worst.raw,
                "worst_p999": got.factors.worst.p999,
                "best": got.factors.best.ball,
                "matrix": got.factors.worst.matrix_ball,
                "place": got.worst_place,
                "place_load": got.load_place,
                "n_peaks": got.n_peaks,
                "coarse_change": got.coarse_change,
                "low": got.low,
                "high": got.high,
                "screen_load": float(screen.inside_load[0]),
                "screen_worst": float(screen.inside_worst[0]),
                "seconds": seconds,
            }
        )
    return found


def rank(found: list[dict[str, Any]]) -> dict[str, Any]:
    """Return how well the screen ranks what the solver found."""
    out: dict[str, Any] = {"particles": len(found)}
    for key in ("worst", "load"):
        solver = np.array([f[key] for f in found])
        screen = np.array([f[f"screen_{key}"] for f in found])
        true_ten = set(np.argsort(-solver)[:10].tolist())
        fifty = set(np.argsort(-screen)[:50].tolist())
        out[f"{key}_rank_correlation"] = round(float(spearmanr(solver, screen).statistic), 3)
        out[f"{key}_true_worst_ten_in_screens_fifty"] = len(true_ten & fifty)
        out[f"{key}_solver_over_screen"] = [
            round(float(np.quantile(solver / screen, q)), 3) for q in (0.05, 0.5, 0.95)
        ]
    out["places_worst"] = dict(Counter(f["place"] for f in found))
    out["places_load"] = dict(Counter(f["place_load"] for f in found))
    out["worst_range"] = [round(f(x["worst"] for x in found), 3) for f in (min, max)]
    out["best_range"] = [round(f(x["best"] for x in found), 3) for f in (min, max)]
    out["median_abs_coarse_change"] = round(
        float(np.median([abs(f["coarse_change"]) for f in found])), 4
    )
    out["seconds_each"] = round(float(np.mean([f["seconds"] for f in found])), 2)
    return out


def time_screen(n: int) -> dict[str, Any]:
    """Return the seconds that the screen of n ellipsoids takes."""
    rng = np.random.default_rng(0)
    axes = np.sort(rng.lognormal(0, 1, (n, 3)), axis=1)[:, ::-1]
    frames = np.linalg.qr(rng.standard_normal((n, 3, 3)))[0]
    screen_particles(axes[:10], frames[:10], LOAD, ALUMINIUM, BETA)
    start, used = time.perf_counter(), time.process_time()
    screen_particles(axes, frames, LOAD, ALUMINIUM, BETA)
    return {
        "screened": n,
        "wall_s": round(time.perf_counter() - start, 2),
        "processor_s": round(time.process_time() - used, 2),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--platelets", type=int, default=0)
    parser.add_argument("--rank", action="store_true", help="Only the summary.")
    parser.add_argument("--screen", type=int, default=0)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    found: dict[str, Any] = {}
    if options.screen:
        found |= time_screen(options.screen)
    if options.platelets:
        rows = solve_platelets(options.platelets)
        if not options.rank:
            found["platelets"] = rows
        found |= rank(rows)
    if options.json:
        print(json.dumps(found, indent=1))
        return
    for row in found.pop("platelets", []):
        print(*(f"{k}={v:.3f}" if isinstance(v, float) else f"{k}={v}" for k, v in row.items()))
    for key, value in found.items():
        print(f"{key:36} {value}")


if __name__ == "__main__":
    main()
