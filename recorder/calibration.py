"""A calibration of one channel: what it corrects, how sure that is, and how it was found (JCGM 100)."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recorder.errors import InputError

METHODS = {
    "zero": "zero check to open air",
    "two_point": "two known points",
    "ice_bath": "ice bath",
    "comparison": "comparison with another probe",
}
COVERAGE = 0.9545
"""Share of cases that an expanded uncertainty covers: k = 2 with many degrees of freedom (JCGM 100, table G.2)."""
BLOCKS = 10
"""A steady stretch is averaged in so many blocks, whose scatter is honest where neighbouring samples are not
independent (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Stored value = ``gain`` * converted value + ``zero``.

    Attributes
    ----------
    gain, zero : float
        Correction; ``zero`` in the channel's unit. For a clamp-on sensor the gain gives the signal its unit.
    on : str
        UTC date and time, ISO 8601.
    method : str
        One of ``METHODS``.
    u95 : float
        Expanded uncertainty (95 %) of a corrected value from ``low`` to ``high``, in the channel's unit.
    low, high : float
        Between which corrected values it was calibrated.
    note : str
        What the reader must know of it.
    """

    gain: float
    zero: float
    on: str
    method: str
    u95: float
    low: float
    high: float
    note: str = ""

    @property
    def spans(self) -> bool:
        """Whether it was found at two points or more, so that it speaks of the sensor's gain too."""
        return self.high > self.low

    def apply(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Correct converted values."""
        return self.gain * values + self.zero


def calibration_from(values: Mapping[str, Any]) -> Calibration:
    """Build a calibration from plain values.

    Raises
    ------
    InputError
        If a part is missing, unknown or no number.
    """
    try:
        gain, zero, u95, low, high = (float(values[name]) for name in ("gain", "zero", "u95", "low", "high"))
        on, method, note = str(values["on"]), str(values["method"]), str(values.get("note", ""))
    except (KeyError, TypeError, ValueError) as reason:
        raise InputError(f"calibration: {type(reason).__name__} {reason}.") from None
    unknown = set(values) - {field.name for field in fields(Calibration)}
    if unknown:
        raise InputError(f"calibration: '{min(unknown)}' is not known.")
    if method not in METHODS:
        raise InputError(f"calibration: '{method}' is no method. Methods: {', '.join(METHODS)}.")
    if not all(math.isfinite(number) for number in (gain, zero, u95, low, high)) or gain == 0.0 or u95 < 0.0:
        raise InputError("calibration: gain, zero, u95, low and high must be finite, the gain not zero.")
    return Calibration(gain, zero, on, method, u95, low, high, note)


@dataclass(frozen=True, slots=True)
class Component:
    """One source of uncertainty: standard uncertainty ``u`` in the result's unit, and its degrees of freedom."""

    name: str
    u: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Combined standard uncertainty, effective degrees of freedom, coverage factor and expanded uncertainty."""

    u: float
    dof: float
    k: float
    components: tuple[Component, ...]

    @property
    def expanded(self) -> float:
        """k times the combined standard uncertainty."""
        return self.k * self.u


def combined(components: Sequence[Component], coverage: float = COVERAGE) -> Uncertainty:
    """Combine independent components; k by the Welch-Satterthwaite formula (JCGM 100, 5.1.2 and G.4)."""
    from scipy.special import stdtrit

    u = math.sqrt(sum(c.u**2 for c in components))
    spread = sum(c.u**4 / c.dof for c in components if c.u > 0.0)
    dof = u**4 / spread if spread > 0.0 else math.inf
    k = float(stdtrit(min(dof, 1e9), 0.5 + coverage / 2.0))
    return Uncertainty(u, dof, k, tuple(components))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of what lies anywhere within +- ``half_width`` (JCGM 100, 4.3.7)."""
    return half_width / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Mean:
    """Mean of a stretch that should be steady.

    ``u`` and ``dof`` come from the scatter of its blocks; ``drift`` is the second half's mean less the first's.
    """

    value: float
    u: float
    dof: int
    drift: float
    samples: int


def mean_of(values: NDArray[np.float64]) -> Mean:
    """Mean of a stretch of readings; NaN are left out.

    Raises
    ------
    InputError
        If there are fewer than two readings a block.
    """
    kept = values[np.isfinite(values)]
    if len(kept) < 2 * BLOCKS:
        raise InputError(f"only {len(kept)} readings in the stretch; {2 * BLOCKS} are needed. Measure longer.")
    blocks = np.array([block.mean() for block in np.array_split(kept, BLOCKS)])
    half = len(kept) // 2
    drift = float(kept[half:].mean() - kept[:half].mean())
    return Mean(float(kept.mean()), float(blocks.std(ddof=1)) / math.sqrt(BLOCKS), BLOCKS - 1, drift, len(kept))


@dataclass(frozen=True, slots=True)
class Line:
    """Reference = ``zero`` + ``gain`` * (reading - ``about``), with the covariance of (zero, gain)."""

    zero: float
    gain: float
    about: float
    covariance: NDArray[np.float64]

    def at(self, reading: float) -> float:
        """Corrected reading."""
        return self.zero + self.gain * (reading - self.about)

    def u_at(self, reading: float) -> float:
        """Standard uncertainty of a corrected reading, from the line alone (JCGM 100, H.3.4)."""
        x = np.array([1.0, reading - self.about])
        return float(np.sqrt(x @ self.covariance @ x))


def line_through(
    reading: Sequence[float], reference: Sequence[float], u: Sequence[float], about: float | None = None
) -> Line:
    """Least-squares line through two points or more, weighted by the standard uncertainty ``u`` of each.

    With more than two points a scatter beyond ``u`` widens the covariance (Birge ratio); u = 0 everywhere takes the
    scatter alone, as JCGM 100 H.3 does.

    Raises
    ------
    InputError
        If there are fewer than two different readings.
    """
    x, y, uncertain = (np.asarray(values, np.float64) for values in (reading, reference, u))
    if len(x) < 2 or float(np.ptp(x)) <= 1e-9 * float(np.abs(x).max()):
        raise InputError("the points have the same reading: the sensor does not answer, or the points are one.")
    centre = float(x.mean()) if about is None else about
    known = bool((uncertain > 0.0).all())
    weight = 1.0 / uncertain**2 if known else np.ones_like(x)
    design = np.stack([np.ones_like(x), x - centre], axis=1)
    covariance: NDArray[np.float64] = np.linalg.inv(design.T @ (weight[:, None] * design)).astype(np.float64)
    zero, gain = covariance @ design.T @ (weight * y)
    spare = len(x) - 2
    if spare:
        scatter = float(np.sum(weight * (y - design @ np.array([zero, gain])) ** 2)) / spare
        widened = max(scatter, 1.0) if known else scatter
    else:
        widened = 1.0 if known else 0.0
    return Line(float(zero), float(gain), centre, covariance * widened)
