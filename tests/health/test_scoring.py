"""Many small minimisations side by side end where each one alone ends."""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize

from sensorhealth.health.scoring import minimise


def test_each_problem_ends_where_scipy_ends_and_bounds_hold() -> None:
    """Convex and not quadratic, five of them with curvatures and centres of their own; bounds that hold, and one fixed."""
    rng = np.random.default_rng(0)
    root, centre = rng.standard_normal((5, 3, 3)), rng.standard_normal((5, 3))
    bend = root @ root.transpose(0, 2, 1) + 0.5 * np.eye(3)
    low, high = np.full((5, 3), -5.0), np.full((5, 3), 5.0)
    high[1, 0] = centre[1, 0] - 0.5
    low[2, 2] = high[2, 2] = centre[2, 2] + 0.3

    def one(x: np.ndarray, k: int) -> tuple[float, np.ndarray]:
        off = x - centre[k]
        return float(0.5 * off @ bend[k] @ off + 0.25 * (off**4).sum()), bend[k] @ off + off**3

    def criterion(points: np.ndarray, which: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        each = [one(x, k) for x, k in zip(points, which)]
        return np.array([value for value, _ in each]), np.array([slope for _, slope in each])

    start = np.tile([3.0, -3.0, 2.0], (5, 1))
    found = minimise(criterion, bend, start, low, high, 1e-9)
    for k in range(5):
        bounds = list(zip(low[k], high[k]))
        alone = minimize(one, np.clip(start[k], low[k], high[k]), args=(k,), jac=True, bounds=bounds, method="L-BFGS-B")
        assert one(found[k], k)[0] <= alone.fun + 1e-6
        assert (low[k] <= found[k]).all() and (found[k] <= high[k]).all()
