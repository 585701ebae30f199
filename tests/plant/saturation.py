"""Saturation properties of several refrigerants stacked for vehicles side by side, from CoolProp (SI units).

One row of the table holds every property at one temperature, so that a look-up for thousands of nodes is two gathers
and a blend. R-744 is left out: above 31 degC it has no saturation, and these nodes are two-phase or vapour.
"""

from dataclasses import dataclass

import numpy as np
from CoolProp.CoolProp import PropsSI

STEP_K = 0.25
FIRST_K, ROWS = 221.0, 600
NAMES = {"R-134a": "R134a", "R-1234yf": "R1234yf", "R-152a": "R152a"}
LN_V_FIRST, LN_V_STEP, LN_V_ROWS = -7.0, 0.01, 900
P, V_F, V_G, U_F, U_G, H_F, H_G, CP_F, CP_G, CV_G = range(10)


@dataclass(frozen=True)
class Tables:
    """``rows`` (fluids x temperatures, properties); ``dew`` (fluids x ln v, [T, u, p, cv]) along saturated vapour."""

    rows: np.ndarray
    slopes: np.ndarray
    dew: np.ndarray

    def at(self, fluid: np.ndarray, t_k: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Properties at a temperature and their slopes per kelvin; shape (properties, nodes)."""
        x = np.clip((t_k - FIRST_K) / STEP_K, 0.0, ROWS - 2.001)
        i = x.astype(np.int64)
        at = fluid * ROWS + i
        slopes = self.slopes[at]
        return (self.rows[at] + slopes * ((x - i) * STEP_K)[:, None]).T, slopes.T

    def dew_of(self, fluid: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Dew temperature, internal energy, pressure and cv of saturated vapour of a specific volume."""
        x = np.clip((np.log(v) - LN_V_FIRST) / LN_V_STEP, 0.0, LN_V_ROWS - 2.001)
        i = x.astype(np.int64)
        at = fluid * LN_V_ROWS + i
        first = self.dew[at]
        return (first + (self.dew[at + 1] - first) * (x - i)[:, None]).T


def tables_of(refrigerants: list[str]) -> Tables:
    """Tabulate refrigerants; a fluid's number is its place in the list."""
    rows, dew = [], []
    for label in refrigerants:
        name = NAMES[label]
        t = FIRST_K + STEP_K * np.arange(ROWS)
        held = np.minimum(t, PropsSI("TCRIT", name) - 1.5)
        liquid = PropsSI([*"PDUHC"], "T", held, "Q", 0, name).reshape(ROWS, 5).T
        vapour = PropsSI(["P", "D", "U", "H", "C", "CVMASS"], "T", held, "Q", 1, name).reshape(ROWS, 6).T
        table = np.empty((ROWS, 10))
        table[:, P], table[:, V_F], table[:, V_G] = liquid[0], 1 / liquid[1], 1 / vapour[1]
        table[:, U_F], table[:, U_G], table[:, H_F], table[:, H_G] = liquid[2], vapour[2], liquid[3], vapour[3]
        table[:, CP_F], table[:, CP_G] = np.minimum(liquid[4], 2500.0), np.minimum(vapour[4], 2500.0)
        table[:, CV_G] = np.minimum(vapour[5], 1500.0)
        rows.append(table)
        ln_v = np.log(table[:, V_G])[::-1]
        grid = LN_V_FIRST + LN_V_STEP * np.arange(LN_V_ROWS)
        columns = (held, table[:, U_G], table[:, P], table[:, CV_G])
        dew.append(np.column_stack([np.interp(grid, ln_v, column[::-1]) for column in columns]))
        # Thinner than saturated vapour at the coldest row: the pressure falls as that of an ideal gas.
        dew[-1][:, 2] *= np.exp(np.minimum(ln_v[-1] - grid, 0.0))
    stacked = np.concatenate(rows)
    slopes = np.concatenate([np.vstack([np.diff(r, axis=0), np.zeros((1, 10))]) for r in rows]) / STEP_K
    return Tables(stacked, slopes, np.concatenate(dew))
