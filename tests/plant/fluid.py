"""Saturated and superheated properties of a refrigerant as tables over temperature, from CoolProp."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from CoolProp.CoolProp import PropsSI

STEP_K = 0.25


@dataclass(frozen=True)
class Fluid:
    """SI units over an even temperature grid [K]."""

    first_k: float
    p: np.ndarray
    v_f: np.ndarray
    v_g: np.ndarray
    u_f: np.ndarray
    u_g: np.ndarray
    h_f: np.ndarray
    h_g: np.ndarray
    cp_g: np.ndarray
    cp_f: np.ndarray

    def at(self, table: np.ndarray, t_k: float) -> float:
        """Linear interpolation in one table."""
        x = (t_k - self.first_k) / STEP_K
        i = min(max(int(x), 0), len(table) - 2)
        f = x - i
        return float(table[i] * (1.0 - f) + table[i + 1] * f)

    def temperature(self, mass: float, volume: float, energy: float, metal: float, near_k: float) -> float:
        """Temperature [K] at which mass in a volume, with its metal [J/K], holds this energy [J]."""
        t = near_k
        for _ in range(8):
            e0, e1 = self._energy(mass, volume, t, metal), self._energy(mass, volume, t + 0.01, metal)
            step = (energy - e0) / ((e1 - e0) / 0.01)
            t += min(max(step, -2.0), 2.0)
            if abs(step) < 1e-6:
                break
        return t

    def quality(self, mass: float, volume: float, t_k: float) -> float:
        """Vapour share of the mass, not above 1."""
        v_f, v_g = self.at(self.v_f, t_k), self.at(self.v_g, t_k)
        return min(max((volume / mass - v_f) / (v_g - v_f), 0.0), 1.0)

    def _energy(self, mass: float, volume: float, t_k: float, metal: float) -> float:
        x = self.quality(mass, volume, t_k)
        return mass * (self.at(self.u_f, t_k) * (1 - x) + self.at(self.u_g, t_k) * x) + metal * t_k


@cache
def fluid(name: str) -> Fluid:
    """Tabulate a refrigerant from -45 degC to 95 degC (or 1 K below its critical temperature)."""
    top = min(368.15, PropsSI("TCRIT", name) - 1.0)
    t = np.arange(228.15, top, STEP_K)
    both = [PropsSI([*"PDUHC"], "T", t, "Q", q, name).reshape(len(t), 5) for q in (0, 1)]
    (p, d_f, u_f, h_f, cp_f), (_, d_g, u_g, h_g, cp_g) = both[0].T, both[1].T
    return Fluid(float(t[0]), p, 1 / d_f, 1 / d_g, u_f, u_g, h_f, h_g, cp_g, cp_f)
