"""One or two exponentials through a trace, and how well they hold.

y = A + B exp(-t/tau), or with two time constants. The linear coefficients are eliminated (variable projection, Golub &
Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432, cited from memory): what is left is a search over the time constants,
done on a grid of logarithms that is narrowed. Long traces are averaged into blocks first.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
MOST_POINTS = 300
FEWEST_POINTS = 8
LONGEST_IN_SPANS = 3.0
"""A time constant longer than this many times the trace cannot be told from a straight line."""


@dataclass(frozen=True, slots=True)
class Exponential:
    """A + B exp(-t/tau), t from the first reading; ``u_tau_s`` from the residuals and their correlation."""

    offset: float
    amplitude: float
    tau_s: float
    u_tau_s: float
    rms: float

    def left(self, level: float) -> float | None:
        """When it stood at a level [s, on the scale of the fit's first reading]: the end of a dead time; or None."""
        share = (level - self.offset) / self.amplitude
        return -self.tau_s * math.log(share) if share > 0.0 else None


@dataclass(frozen=True, slots=True)
class TwoExponentials:
    """A + B1 exp(-t/tau1) + B2 exp(-t/tau2), tau1 < tau2; ``u_taus_s`` as with one."""

    offset: float
    amplitudes: tuple[float, float]
    taus_s: tuple[float, float]
    u_taus_s: tuple[float, float]
    rms: float


def fit_one(t_s: Floats, y: Floats) -> Exponential | None:
    """Least squares over A, B and tau; None with too few points, or where it is no exponential but a line."""
    t, y = _blocks(t_s, y)
    if len(t) < FEWEST_POINTS or t[-1] <= t[0]:
        return None
    shortest, longest = _range(t)
    taus: Floats = np.geomspace(shortest, longest, 60)
    for _ in range(4):
        left = _left_over(t, y, taus)
        best = int(np.argmin(left))
        low, high = float(taus[max(best - 1, 0)]), float(taus[min(best + 1, len(taus) - 1)])
        taus = np.linspace(low, high, 21)
    tau = float(taus[int(np.argmin(_left_over(t, y, taus)))])
    if tau > 0.98 * longest or tau < 1.02 * shortest:
        return None
    decay = np.exp(-t / tau)
    design = np.column_stack([np.ones(len(t)), decay])
    coefficients = np.linalg.lstsq(design, y, rcond=None)[0]
    residual = y - design @ coefficients
    offset, amplitude = (float(v) for v in coefficients)
    if amplitude == 0.0:
        return None
    # Partial derivatives of the model: the covariance of (A, B, tau) from the residuals' variance (JCGM 100, H.3).
    full = np.column_stack([design, amplitude * decay * t / tau**2])
    variance = float(residual @ residual) / max(independent(residual) - 3.0, 1.0)
    covariance = np.linalg.pinv(full.T @ full) * len(t)
    u_tau = math.sqrt(max(variance * float(covariance[2, 2]) / len(t), 0.0))
    return Exponential(offset, amplitude, tau, u_tau, math.sqrt(float(np.mean(residual**2))))


def fit_two(t_s: Floats, y: Floats) -> TwoExponentials | None:
    """Least squares with two time constants; None with too few points or where they fall together."""
    t, y = _blocks(t_s, y)
    if len(t) < 2 * FEWEST_POINTS or t[-1] <= t[0]:
        return None
    grid = np.geomspace(*_range(t), 32).tolist()
    pairs = np.array([(a, b) for a in grid for b in grid if a < b])
    pair = _descended(t, y, pairs[int(np.argmin(_left_over_pairs(t, y, pairs)))])
    if not pair[0] < 0.95 * pair[1] < 0.95 * LONGEST_IN_SPANS * t[-1]:
        return None
    (offset, first, second), residual = _projected(t, y, np.log(pair))
    slopes = _slopes(t, y, np.log(pair), residual)
    variance = float(residual @ residual) / max(independent(residual) - 5.0, 1.0)
    u_logs = np.sqrt(np.maximum(np.diag(np.linalg.pinv(slopes.T @ slopes)), 0.0) * variance)
    u_taus = (pair[0] * float(u_logs[0]), pair[1] * float(u_logs[1]))
    return TwoExponentials(offset, (first, second), pair, u_taus, math.sqrt(float(np.mean(residual**2))))


def independent(residual: Floats) -> float:
    """How many independent residuals these are worth, from their correlation with the next one."""
    power = float(residual @ residual)
    if len(residual) < 3 or power == 0.0:
        return float(len(residual))
    correlation = min(max(float(residual[1:] @ residual[:-1]) / power, 0.0), 0.99)
    return len(residual) * (1.0 - correlation) / (1.0 + correlation)


def _blocks(t_s: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Block means, no more than 300, of what is not missing; times count from the first reading."""
    good = np.isfinite(y)
    t, y = t_s[good] - t_s[0], y[good]
    size = -(-len(t) // MOST_POINTS)
    if size <= 1:
        return t, y
    edges = np.arange(0, len(t), size)
    counts = np.diff(np.append(edges, len(t)))
    return np.add.reduceat(t, edges) / counts, np.add.reduceat(y, edges) / counts


def _range(t: Floats) -> tuple[float, float]:
    return 0.5 * float(np.median(np.diff(t))), LONGEST_IN_SPANS * float(t[-1])


def _left_over(t: Floats, y: Floats, taus: Floats) -> Floats:
    """Sum of squares that A + B exp(-t/tau) leaves, for each tau."""
    decay = np.exp(-t[None, :] / taus[:, None])
    centred, values = decay - decay.mean(axis=1, keepdims=True), y - y.mean()
    power = (centred**2).sum(axis=1)
    return float(values @ values) - (centred @ values) ** 2 / np.maximum(power, 1e-300)


def _left_over_pairs(t: Floats, y: Floats, pairs: Floats) -> Floats:
    """The same for pairs of time constants, from the products of the decays."""
    taus, index = np.unique(pairs, return_inverse=True)
    index = index.reshape(pairs.shape)
    decay = np.exp(-t[None, :] / taus[:, None])
    centred, values = decay - decay.mean(axis=1, keepdims=True), y - y.mean()
    products, onto = centred @ centred.T, centred @ values
    a, b = index[:, 0], index[:, 1]
    aa, bb, ab = products[a, a], products[b, b], products[a, b]
    determinant = np.maximum(aa * bb - ab**2, 1e-12 * aa * bb)
    explained = (bb * onto[a] ** 2 - 2.0 * ab * onto[a] * onto[b] + aa * onto[b] ** 2) / determinant
    return float(values @ values) - explained


def _projected(t: Floats, y: Floats, log_taus: Floats) -> tuple[list[float], Floats]:
    """Linear coefficients for given time constants, and what they leave."""
    design = np.column_stack([np.ones(len(t)), *np.exp(-t[None, :] / np.exp(log_taus)[:, None])])
    coefficients = np.linalg.lstsq(design, y, rcond=None)[0]
    return [float(v) for v in coefficients], y - design @ coefficients


def _slopes(t: Floats, y: Floats, log_taus: Floats, left: Floats) -> Floats:
    """Partial derivatives of what is left by the logarithms of the time constants."""
    return np.column_stack([(_projected(t, y, log_taus + step)[1] - left) / 1e-4 for step in 1e-4 * np.eye(2)])


def _descended(t: Floats, y: Floats, pair: Floats) -> tuple[float, float]:
    """Damped least squares over the logarithms of both (Levenberg 1944): they lie along a bent valley."""
    at: Floats = np.log(pair)
    damping = 1e-3
    left = _projected(t, y, at)[1]
    for _ in range(40):
        slopes = _slopes(t, y, at, left)
        normal = slopes.T @ slopes
        move = np.linalg.lstsq(normal + damping * np.diag(np.diag(normal)), -slopes.T @ left, rcond=None)[0]
        there: Floats = (at + np.clip(move, -0.5, 0.5)).astype(np.float64)
        after = _projected(t, y, there)[1]
        better = float(after @ after) < float(left @ left)
        if better:
            at, left = there, after
        damping = damping / 5.0 if better else damping * 5.0
        if float(np.abs(move).max()) < 1e-4:
            break
    first, second = sorted(np.exp(at).tolist())
    return first, second
