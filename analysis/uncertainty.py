"""Uncertainty of measurement by JCGM 100:2008 (GUM): propagation, coverage, rounding for people.

u95 is the expanded uncertainty with coverage factor k = 2 (JCGM 100, 6.3.3).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

COVERAGE_FACTOR = 2.0
UNIFORM = 1.0 / math.sqrt(3.0)
"""Standard uncertainty of a uniform distribution of half-width 1 (JCGM 100, 4.3.7)."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured number with its expanded uncertainty, or the reason why it could not be had."""

    value: float | None
    u95: float | None = None
    why: str | None = None

    def __repr__(self) -> str:
        if self.value is None:
            return f"not had: {self.why}"
        return rounded(self.value, self.u95) + (f" ± {rounded(self.u95, self.u95)}" if self.u95 else "")

    def to_dict(self) -> dict[str, float | str | None]:
        """Return plain JSON values; digits beyond the uncertainty's third are dropped."""
        if self.value is None:
            return {"value": None, "why": self.why or "not measured"}
        if not self.u95:
            return {"value": round(self.value, 6), "u95": self.u95}
        places = 2 - math.floor(math.log10(self.u95))
        return {"value": round(self.value, places), "u95": round(self.u95, places)}


def absent(why: str) -> Measured:
    """A number that could not be had."""
    return Measured(None, None, why)


def measured(value: float, *standard_uncertainties: float) -> Measured:
    """A number with independent standard uncertainties, combined (JCGM 100, 5.1.2) and expanded with k = 2."""
    u = combine(*standard_uncertainties)
    if not (math.isfinite(value) and math.isfinite(u)):
        return absent("there is no number here: outside the saturation curve, or nothing to read")
    return Measured(value, COVERAGE_FACTOR * u)


def combine(*components: float) -> float:
    """Combined standard uncertainty of independent components."""
    return math.hypot(*components)


def propagate(
    function: Callable[..., float], estimates: Sequence[float], uncertainties: Sequence[float]
) -> tuple[float, float, list[float]]:
    """First-order propagation through a function of independent quantities (JCGM 100, 5.1.3).

    Parameters
    ----------
    function : callable
        Takes as many floats as there are estimates.
    estimates, uncertainties : sequences of float
        Best estimates and standard uncertainties.

    Returns
    -------
    value, u : float
        The function at the estimates and its combined standard uncertainty.
    components : list of float
        Contribution of each quantity, |df/dx| u(x), by half-differences over +-u (JCGM 100, 5.1.3 note 2).
    """
    components: list[float] = []
    for index, u in enumerate(uncertainties):
        above, below = list(estimates), list(estimates)
        above[index] += u
        below[index] -= u
        components.append(abs(function(*above) - function(*below)) / 2.0)
    return function(*estimates), combine(*components), components


def decimals_for(u95: float | None) -> int:
    """Decimal places that leave two significant digits of the uncertainty (JCGM 100, 7.2.6)."""
    if not u95 or not math.isfinite(u95):
        return 1
    return 1 - math.floor(math.log10(abs(u95)))


def rounded(value: float, u95: float | None) -> str:
    """A number rounded to the place of its uncertainty's second digit; larger ones lose no units place."""
    places = decimals_for(u95)
    step = Decimal(1).scaleb(-places)
    text = Decimal(repr(float(value))).quantize(step, ROUND_HALF_EVEN)
    return f"{abs(text) if text == 0 else text:.{max(places, 0)}f}"
