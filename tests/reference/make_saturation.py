"""Make the saturation tables that Warmspell ships, from CoolProp's equations of state.

    python tests/reference/make_saturation.py analysis/data/saturation.npz

Every 0.1 K from -60 degC (R-744: from its triple point) to just below the critical point. `PropsSI` is used, never the
ancillary equations: that of R-1234yf is wrong in CoolProp 8.0.0.
"""

import sys
from pathlib import Path

import numpy as np
from CoolProp.CoolProp import PropsSI

FLUIDS = {"R-134a": "R134a", "R-1234yf": "R1234yf", "R-152a": "R152A", "R-744": "CO2"}
STEP_K = 0.1
LOWEST_DEGC = -60.0


def table(refrigerant: str) -> tuple[np.ndarray, np.ndarray]:
    """Temperatures [degC] and saturation pressures [kPa] of a refrigerant, rising."""
    name = FLUIDS[refrigerant]
    critical_k = PropsSI("Tcrit", name)
    lowest_k = max(LOWEST_DEGC + 273.15, PropsSI("Ttriple", name) + 0.05)
    count = int((critical_k - 0.02 - lowest_k) / STEP_K)
    kelvin = np.append(lowest_k + STEP_K * np.arange(count + 1), critical_k - 0.02)
    pressure = PropsSI("P", "T", kelvin, "Q", 1.0, name)
    return kelvin - 273.15, np.asarray(pressure) / 1e3


def main() -> None:
    """Write the tables."""
    arrays: dict[str, np.ndarray] = {}
    for refrigerant in FLUIDS:
        t_degc, p_kpa = table(refrigerant)
        arrays[f"{refrigerant} t_degc"] = t_degc
        arrays[f"{refrigerant} p_kpa"] = p_kpa
    np.savez_compressed(Path(sys.argv[1]), **arrays)


if __name__ == "__main__":
    main()
