"""Make the saturation tables that Warmspell ships, from CoolProp's equations of state.

    python -m tests.reference.make_saturation analysis/data/saturation.npz

Two tables a refrigerant: pressure at every whole 0.1 K from -60 degC (R-744: from its triple point) to just below the
critical point, and temperature at 8192 pressures whose square roots are evenly spaced over the same range. `PropsSI` is
used, never the ancillary equations: that of R-1234yf is wrong in CoolProp 8.0.0.
"""

import math
import sys
from pathlib import Path

import numpy as np
from CoolProp.CoolProp import PropsSI

FLUIDS = {"R-134a": "R134a", "R-1234yf": "R1234yf", "R-152a": "R152A", "R-744": "CO2"}
STEP_K = 0.1
LOWEST_DEGC = -60.0
PRESSURES = 8192


def table(refrigerant: str) -> dict[str, np.ndarray]:
    """Temperatures [degC] and saturation pressures [kPa], and temperatures at even steps of sqrt(p), all rising."""
    name = FLUIDS[refrigerant]
    critical_degc = PropsSI("Tcrit", name) - 273.15 - 0.02
    first = math.ceil(10.0 * max(LOWEST_DEGC, PropsSI("Ttriple", name) - 273.15 + 0.02))
    last = math.floor(10.0 * critical_degc)
    degc = np.append(np.arange(first, last + 1) / 10.0, critical_degc)
    pressure = np.asarray(PropsSI("P", "T", degc + 273.15, "Q", 1.0, name)) / 1e3
    even = np.linspace(math.sqrt(pressure[0]), math.sqrt(pressure[-1]), PRESSURES) ** 2
    inside = np.asarray(PropsSI("T", "P", even[1:-1] * 1e3, "Q", 1.0, name)) - 273.15
    return {"t_degc": degc, "p_kpa": pressure, "even_t_degc": np.concatenate([degc[:1], inside, degc[-1:]])}


def main() -> None:
    """Write the tables."""
    arrays = {f"{fluid} {key}": values for fluid in FLUIDS for key, values in table(fluid).items()}
    np.savez_compressed(Path(sys.argv[1]), **arrays)


if __name__ == "__main__":
    main()
