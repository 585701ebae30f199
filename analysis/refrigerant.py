"""Saturation of the refrigerants, from shipped tables.

The tables are made from CoolProp 8 (equations of state: R-134a Tillner-Roth & Baehr 1994, R-1234yf Lemmon & Akasaka
2022, R-152a Outcalt & McLinden 1996, R-744 Span & Wagner 1996) by ``tests/reference/make_saturation.py``, every 0.1 K:
linear interpolation stays within 1 mK and 0.01 % of them. Outside the table, and above the critical point, there is
no saturation: NaN, never an extrapolation.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

TABLES = Path(__file__).parent / "data" / "saturation.npz"


@dataclass(frozen=True, slots=True, eq=False)
class Refrigerant:
    """One refrigerant's saturation curve; pressures are absolute."""

    name: str
    t_degc: NDArray[np.float64]
    p_kpa: NDArray[np.float64]

    @property
    def critical_degc(self) -> float:
        """Upper end of the table, just below the critical temperature."""
        return float(self.t_degc[-1])

    def saturation_temperature(self, p_kpa: NDArray[np.float64]) -> NDArray[np.float64]:
        """Saturation temperature [degC] at absolute pressures [kPa]; NaN outside the table."""
        return np.interp(p_kpa, self.p_kpa, self.t_degc, left=np.nan, right=np.nan)

    def saturation_pressure(self, t_degc: NDArray[np.float64]) -> NDArray[np.float64]:
        """Absolute saturation pressure [kPa] at temperatures [degC]; NaN outside the table."""
        return np.interp(t_degc, self.t_degc, self.p_kpa, left=np.nan, right=np.nan)

    def temperature_at(self, p_kpa: float) -> float:
        """Saturation temperature [degC] at one absolute pressure [kPa]."""
        return float(self.saturation_temperature(np.array([p_kpa]))[0])

    def pressure_at(self, t_degc: float) -> float:
        """Absolute saturation pressure [kPa] at one temperature [degC]."""
        return float(self.saturation_pressure(np.array([t_degc]))[0])

    def kelvin_per_kpa(self, p_kpa: float) -> float:
        """Slope dT/dp [K/kPa] of the curve at an absolute pressure [kPa], for uncertainty."""
        edge = np.array([p_kpa * 0.999, p_kpa * 1.001])
        below, above = self.saturation_temperature(edge)
        return float((above - below) / (edge[1] - edge[0]))


@cache
def refrigerant(name: str) -> Refrigerant:
    """Return a refrigerant by its designation (ISO 817): R-134a, R-1234yf, R-152a or R-744.

    Raises
    ------
    KeyError
        If there is no table of that name.
    """
    with np.load(TABLES) as tables:
        return Refrigerant(name, tables[f"{name} t_degc"], tables[f"{name} p_kpa"])
