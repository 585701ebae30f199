"""Saturation of the refrigerants, from shipped tables.

The tables are made from CoolProp 8 (equations of state: R-134a Tillner-Roth & Baehr 1994, R-1234yf Lemmon & Akasaka
2022, R-152a Outcalt & McLinden 1996, R-744 Span & Wagner 1996) by ``tests/reference/make_saturation.py``; linear
interpolation stays within 1 mK and 0.01 % of them. Outside the table, and above the critical point, there is no
saturation: NaN, never an extrapolation.

Temperatures are looked up in steps that are even in sqrt(p): the place in the table is computed, not searched for, so
that a noisy trace costs no more than a smooth one. The work goes through the processor's cache in pieces.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

TABLES = Path(__file__).parent / "data" / "saturation.npz"
PIECE = 16384
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Refrigerant:
    """One refrigerant's saturation curve; pressures are absolute.

    ``even_t_degc`` holds temperatures at pressures whose square roots are evenly spaced from the first of ``p_kpa`` to
    the last; ``even_steps_k`` what each adds to the one before it.
    """

    name: str
    t_degc: Floats
    p_kpa: Floats
    even_t_degc: Floats
    even_steps_k: Floats

    @property
    def critical_degc(self) -> float:
        """Upper end of the table, just below the critical temperature."""
        return float(self.t_degc[-1])

    def saturation_temperature(self, p_kpa: Floats) -> Floats:
        """Saturation temperature [degC] at absolute pressures [kPa]; NaN outside the table."""
        pressure = np.ascontiguousarray(p_kpa, np.float64)
        out = np.empty_like(pressure)
        for first in range(0, len(pressure), PIECE):
            self._look_up(pressure[first : first + PIECE], out[first : first + PIECE])
        return out

    def _look_up(self, p_kpa: Floats, out: Floats) -> None:
        """Linear interpolation in the even table, written into ``out``."""
        last = len(self.even_t_degc) - 1
        low, high = float(self.p_kpa[0]), float(self.p_kpa[-1])
        inside = np.fmin(np.fmax(p_kpa, low), high)
        place = np.sqrt(inside)
        place -= low**0.5
        place *= last / (high**0.5 - low**0.5)
        index = place.astype(np.intp)
        place -= index
        self.even_steps_k.take(index, out=inside, mode="clip")
        inside *= place
        self.even_t_degc.take(index, out=out, mode="clip")
        out += inside
        outside = ~((p_kpa >= low) & (p_kpa <= high))
        if outside.any():
            out[outside] = np.nan

    def saturation_pressure(self, t_degc: Floats) -> Floats:
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
        edge = np.array([p_kpa * 0.998, p_kpa * 1.002])
        below, above = self.saturation_temperature(edge)
        return float((above - below) / (edge[1] - edge[0]))

    def none_at(self, p_kpa: float) -> str | None:
        """Why there is no saturation temperature at an absolute pressure [kPa]; None where there is one."""
        if p_kpa > self.p_kpa[-1]:
            critical = f"{self.p_kpa[-1] / 1e3:.2f} MPa, {self.critical_degc:.1f} degC"
            return f"above the critical point of {self.name} ({critical}) nothing condenses: no saturation temperature"
        if p_kpa < self.p_kpa[0]:
            return f"below {self.p_kpa[0]:.0f} kPa absolute the table of {self.name} ends"
        return None


@cache
def refrigerant(name: str) -> Refrigerant:
    """Return a refrigerant by its designation (ISO 817): R-134a, R-1234yf, R-152a or R-744.

    Raises
    ------
    KeyError
        If there is no table of that name.
    """
    with np.load(TABLES) as tables:
        even = tables[f"{name} even_t_degc"]
        steps = np.append(np.diff(even), 0.0)
        return Refrigerant(name, tables[f"{name} t_degc"], tables[f"{name} p_kpa"], even, steps)
