"""What a sensor sent, as an electrical signal, to the unit that is stored; open, short and out of range are missing.

A channel without a conversion is linear: the node sends what is stored, up to scale and offset. Every conversion takes
whole arrays, and gives a value or the reason why there is none.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import Any, ClassVar, Protocol, cast

import numpy as np
from numpy.typing import NDArray

from recorder.errors import InputError
from recorder.thermocouples import TYPES, compensated_degc

Array = NDArray[np.float64]
ZERO_CELSIUS_K = 273.15

RATIO_LOW, RATIO_SPAN = 0.1, 0.8
"""0.5 to 4.5 V at 5.0 V (common practice, no source)."""
RATIO_OPEN, RATIO_SHORT = 0.05, 0.95
"""Below 0.25 V: broken wire or short to ground; above 4.75 V: short to the supply (common practice, no source)."""
LEAST_SUPPLY_V = 3.0
"""Below this a 5 V sensor does not work (common practice, no source)."""
LOOP_LOW_MA, LOOP_SPAN_MA = 4.0, 16.0
LOOP_OPEN_MA, LOOP_LEAST_MA, LOOP_MOST_MA, LOOP_SHORT_MA = 3.6, 3.8, 20.5, 21.0
"""Fault below 3.6 or above 21 mA, measurement from 3.8 to 20.5 mA (NAMUR NE 43, from memory)."""
BRIDGE_MOST, BRIDGE_BROKEN = 1.25, 3.0
"""Times the rated output: beyond the first out of range, beyond the second a broken arm (common practice, no
source)."""
CLAMP_ON_DRIFT_PER_K = 0.01
"""Share of the calibrated span by which a strain clamp may drift with each kelvin (common practice, no source)."""
CLAMP_ON_EXCURSION_K = 10.0
"""How far the pipe under a clamp is taken to change in temperature after calibration (common practice, no source)."""
CLAMP_ON_CANNOT = (
    "A clamp-on sensor feels the pipe stretch, not the pressure. It holds for this pipe, this place and this clamping "
    "alone: move or loosen it and both points must be taken anew. It drifts with the pipe's temperature: a slow change "
    "may be heat, not pressure. It cannot tell the pressure at rest, a static test or air in the system; it can tell "
    "when and how often the pressure moves."
)


class Missing(IntEnum):
    """Why there is no value; 0 where there is one."""

    NO = 0
    NOT_SENT = 1
    OPEN_CIRCUIT = 2
    SHORT_CIRCUIT = 3
    OPEN_OR_SHORT = 4
    OUT_OF_RANGE = 5
    NO_SUPPLY = 6
    NO_COLD_JUNCTION = 7
    NOT_CALIBRATED = 8


REASONS = {
    Missing.NOT_SENT: "the node sent no value",
    Missing.OPEN_CIRCUIT: "open circuit",
    Missing.SHORT_CIRCUIT: "short circuit",
    Missing.OPEN_OR_SHORT: "broken wire or short circuit",
    Missing.OUT_OF_RANGE: "out of range",
    Missing.NO_SUPPLY: "no supply",
    Missing.NO_COLD_JUNCTION: "no temperature of the terminals",
    Missing.NOT_CALIBRATED: "not calibrated yet",
}
"""Each reason in words."""


@dataclass(frozen=True, slots=True)
class Converted:
    """Values (NaN where missing) and, of the same shape, the ``Missing`` code of each."""

    values: Array
    reason: NDArray[np.uint8]


class Conversion(Protocol):
    """A kind of sensor with its parameters."""

    @property
    def kind(self) -> str:
        """The word that names it in a description."""
        ...

    @property
    def needs(self) -> Mapping[str, str]:
        """Channels of the same group that it needs: id to quantity."""
        ...

    def convert(self, signal: Array, beside: Mapping[str, Array]) -> Converted:
        """Signals, and the needed channels' values, to the stored unit."""
        ...


def _converted(values: Array, *reasons: tuple[NDArray[np.bool_], Missing]) -> Converted:
    """Mark values as missing; the first reason that fits is the one that counts."""
    code = np.zeros(values.shape, np.uint8)
    for where, why in reasons:
        code[where & (code == Missing.NO)] = why
    code[~np.isfinite(values) & (code == Missing.NO)] = Missing.OUT_OF_RANGE
    return Converted(np.where(code == Missing.NO, values, np.nan), code)


def _supply_v(channel: str | None, fixed_v: float | None, beside: Mapping[str, Array], like: Array) -> Array:
    return beside[channel] if channel is not None else np.full_like(like, fixed_v or np.nan)


@dataclass(frozen=True, slots=True)
class Ratiometric:
    """A transducer whose output is a share of its supply: 10 % at ``low``, 90 % at ``high``. Signal in V.

    ``supply`` names the channel that measures the sensor's supply; without it ``supply_v`` is taken, and a supply that
    is 2 % off is an error of 1 % of the span at mid scale.
    """

    low: float
    high: float
    supply: str | None = None
    supply_v: float = 5.0
    kind: str = "ratiometric"

    @property
    def needs(self) -> Mapping[str, str]:
        """The supply's channel."""
        return {} if self.supply is None else {self.supply: "voltage"}

    def convert(self, signal: Array, beside: Mapping[str, Array]) -> Converted:
        """Volts to the stored unit."""
        supply = _supply_v(self.supply, self.supply_v, beside, signal)
        # A supply that reads nothing at all makes the ratio meaningless, whatever the signal.
        dead = ~(supply >= LEAST_SUPPLY_V)
        ratio = signal / np.where(dead, np.nan, supply)
        values = self.low + (self.high - self.low) * (ratio - RATIO_LOW) / RATIO_SPAN
        return _converted(
            values,
            (np.isnan(signal), Missing.NOT_SENT),
            (dead, Missing.NO_SUPPLY),
            (ratio < RATIO_OPEN, Missing.OPEN_OR_SHORT),
            (ratio > RATIO_SHORT, Missing.SHORT_CIRCUIT),
        )


@dataclass(frozen=True, slots=True)
class CurrentLoop:
    """A 4-20 mA transmitter: ``low`` at 4 mA, ``high`` at 20 mA. Signal in mA."""

    low: float
    high: float
    kind: str = "current_loop"
    needs: ClassVar[Mapping[str, str]] = {}

    def convert(self, signal: Array, beside: Mapping[str, Array]) -> Converted:  # noqa: ARG002 - the protocol's
        """Milliamperes to the stored unit."""
        values = self.low + (self.high - self.low) * (signal - LOOP_LOW_MA) / LOOP_SPAN_MA
        return _converted(
            values,
            (np.isnan(signal), Missing.NOT_SENT),
            (signal <= LOOP_OPEN_MA, Missing.OPEN_CIRCUIT),
            (signal >= LOOP_SHORT_MA, Missing.SHORT_CIRCUIT),
            ((signal < LOOP_LEAST_MA) | (signal > LOOP_MOST_MA), Missing.OUT_OF_RANGE),
        )


@dataclass(frozen=True, slots=True)
class Bridge:
    """A strain-gauge bridge: ``low`` at ``zero_mv_per_v``, ``high`` at ``rated_mv_per_v`` above that.

    Signal in mV/V; in mV where ``supply`` (a channel) or ``supply_v`` states the excitation.
    """

    low: float
    high: float
    rated_mv_per_v: float
    zero_mv_per_v: float = 0.0
    supply: str | None = None
    supply_v: float | None = None
    kind: str = "bridge"

    @property
    def needs(self) -> Mapping[str, str]:
        """The excitation's channel."""
        return {} if self.supply is None else {self.supply: "voltage"}

    def convert(self, signal: Array, beside: Mapping[str, Array]) -> Converted:
        """Millivolts, or millivolts a volt, to the stored unit."""
        dead = np.zeros(signal.shape, np.bool_)
        output = signal
        if self.supply is not None or self.supply_v is not None:
            supply = _supply_v(self.supply, self.supply_v, beside, signal)
            dead = ~(supply > 0.0)
            output = signal / np.where(dead, np.nan, supply)
        share = (output - self.zero_mv_per_v) / self.rated_mv_per_v
        return _converted(
            self.low + (self.high - self.low) * share,
            (np.isnan(signal), Missing.NOT_SENT),
            (dead, Missing.NO_SUPPLY),
            (np.abs(share) > BRIDGE_BROKEN, Missing.OPEN_OR_SHORT),
            (np.abs(share) > BRIDGE_MOST, Missing.OUT_OF_RANGE),
        )


@dataclass(frozen=True, slots=True)
class Thermocouple:
    """A thermocouple of ``type`` K, T, J or N whose terminals' temperature is the channel ``cold_junction``. Signal in
    uV.

    ``open_above_uv``: what the front end shows when the wire is broken, where it pulls an open input up. A shorted
    thermocouple reads the temperature of the place where the wires touch: no reading can tell that.
    """

    type: str
    cold_junction: str
    open_above_uv: float | None = None
    kind: str = "thermocouple"

    @property
    def needs(self) -> Mapping[str, str]:
        """The channel of the terminals' temperature."""
        return {self.cold_junction: "temperature"}

    def convert(self, signal: Array, beside: Mapping[str, Array]) -> Converted:
        """Microvolts to degC by the ITS-90."""
        cold = beside[self.cold_junction]
        broken = np.zeros(signal.shape, np.bool_) if self.open_above_uv is None else signal > self.open_above_uv
        return _converted(
            compensated_degc(self.type, signal, cold),
            (np.isnan(signal), Missing.NOT_SENT),
            (broken, Missing.OPEN_CIRCUIT),
            (np.isnan(cold), Missing.NO_COLD_JUNCTION),
        )


@dataclass(frozen=True, slots=True)
class Ntc:
    """A thermistor, by ``beta_k`` from ``r_ref_ohm`` at ``t_ref_degc`` or by three ``steinhart_hart`` coefficients.
    Signal in ohm.

    With ``pull_up_ohm`` the thermistor is the lower half of a divider: signal in V over the channel ``supply``, else
    the share of the supply (0 to 1). Colder than ``low_degc`` counts as an open circuit, hotter than ``high_degc`` as
    a short one.
    """

    beta_k: float | None = None
    r_ref_ohm: float = 10_000.0
    t_ref_degc: float = 25.0
    steinhart_hart: tuple[float, float, float] | None = None
    pull_up_ohm: float | None = None
    supply: str | None = None
    low_degc: float = -50.0
    high_degc: float = 150.0
    kind: str = "ntc"

    @property
    def needs(self) -> Mapping[str, str]:
        """The divider's supply."""
        return {} if self.supply is None else {self.supply: "voltage"}

    def convert(self, signal: Array, beside: Mapping[str, Array]) -> Converted:
        """Ohm (or a divider's signal) to degC."""
        dead = np.zeros(signal.shape, np.bool_)
        ohm = signal
        if self.pull_up_ohm is not None:
            supply = _supply_v(self.supply, 1.0, beside, signal)
            dead = ~(supply > 0.0)
            share = np.clip(signal / np.where(dead, np.nan, supply), 0.0, 1.0)
            ohm = self.pull_up_ohm * share / np.maximum(1.0 - share, 1e-9)
        kelvin = 1.0 / self._inverse_kelvin(np.log(np.maximum(ohm, 1e-3)))
        values = kelvin - ZERO_CELSIUS_K
        # Towards no resistance at all the sum passes through zero: beyond it stands a short circuit, not a cold sensor.
        return _converted(
            values,
            (np.isnan(signal), Missing.NOT_SENT),
            (dead, Missing.NO_SUPPLY),
            ((kelvin <= 0.0) | (values > self.high_degc), Missing.SHORT_CIRCUIT),
            (values < self.low_degc, Missing.OPEN_CIRCUIT),
        )

    def _inverse_kelvin(self, log_ohm: Array) -> Array:
        if self.steinhart_hart is not None:
            a, b, c = self.steinhart_hart
            return a + b * log_ohm + c * log_ohm**3
        beta_k = self.beta_k or np.nan
        return 1.0 / (self.t_ref_degc + ZERO_CELSIUS_K) + (log_ohm - np.log(self.r_ref_ohm)) / beta_k


@dataclass(frozen=True, slots=True)
class ClampOn:
    """A strain sensor clamped around a pipe: its gain is unknown until two known points are taken in place.

    Signal in any unit (mV/V as a rule); without a calibration every reading is missing. ``drift_per_k`` is the share
    of the calibrated span by which it may drift with each kelvin. What it cannot do is said in ``CLAMP_ON_CANNOT``.
    """

    drift_per_k: float = CLAMP_ON_DRIFT_PER_K
    kind: str = "clamp_on"
    needs: ClassVar[Mapping[str, str]] = {}

    def convert(self, signal: Array, beside: Mapping[str, Array]) -> Converted:  # noqa: ARG002 - the protocol's
        """The signal as it is; the calibration gives it its unit."""
        return _converted(signal, (np.isnan(signal), Missing.NOT_SENT))


KINDS: dict[str, type[Any]] = {
    "ratiometric": Ratiometric,
    "current_loop": CurrentLoop,
    "bridge": Bridge,
    "thermocouple": Thermocouple,
    "ntc": Ntc,
    "clamp_on": ClampOn,
}


def conversion_from(values: Mapping[str, Any]) -> Conversion:
    """Build a conversion from the plain values of a description.

    Raises
    ------
    InputError
        On an unknown kind or parameter, one that is missing, or numbers that lead nowhere.
    """
    kind = values.get("kind")
    if kind not in KINDS:
        raise InputError(f"'{kind}' is no kind of sensor. Kinds: {', '.join(KINDS)}.")
    try:
        conversion = KINDS[str(kind)](**_tidied(values))
    except TypeError as reason:
        raise InputError(f"sensor '{kind}': {str(reason).split(') ')[-1]}.") from None
    _hold_to_reason(conversion)
    return conversion


WORDS = ("kind", "type", "supply", "cold_junction")


def _tidied(values: Mapping[str, Any]) -> dict[str, Any]:
    """Numbers as float, lists as tuples of them, words as they are; what is null is left to its default."""
    tidy: dict[str, Any] = {}
    for name, value in values.items():
        if value is None:
            continue
        if name in WORDS:
            tidy[name] = str(value)
            continue
        several = isinstance(value, list | tuple)
        items = cast("list[Any]", value) if several else [value]
        if any(isinstance(v, bool) or not isinstance(v, int | float) or not math.isfinite(v) for v in items):
            raise InputError(f"sensor '{values.get('kind')}': '{name}' must be a finite number, not {value!r}.")
        tidy[name] = tuple(float(v) for v in items) if several else float(value)
    return tidy


def _hold_to_reason(conversion: Conversion) -> None:
    what = f"sensor '{conversion.kind}'"
    if isinstance(conversion, Ratiometric | CurrentLoop | Bridge) and conversion.high == conversion.low:
        raise InputError(f"{what}: 'low' and 'high' must differ.")
    if isinstance(conversion, Bridge) and not conversion.rated_mv_per_v > 0.0:
        raise InputError(f"{what}: 'rated_mv_per_v' must be above zero.")
    if isinstance(conversion, Thermocouple) and conversion.type not in TYPES:
        raise InputError(f"{what}: type '{conversion.type}' is not known. Types: {', '.join(TYPES)}.")
    if isinstance(conversion, Ntc):
        coefficients = conversion.steinhart_hart
        if (conversion.beta_k is None) == (coefficients is None):
            raise InputError(f"{what}: state either 'beta_k' or three 'steinhart_hart' coefficients.")
        if coefficients is not None and len(coefficients) != 3:
            raise InputError(f"{what}: 'steinhart_hart' has three coefficients.")
        positive = (conversion.beta_k or 1.0, conversion.r_ref_ohm, conversion.pull_up_ohm or 1.0)
        if not all(value > 0.0 for value in positive):
            raise InputError(f"{what}: 'beta_k', 'r_ref_ohm' and 'pull_up_ohm' must be above zero.")
    if isinstance(conversion, ClampOn) and not conversion.drift_per_k >= 0.0:
        raise InputError(f"{what}: 'drift_per_k' must not be negative.")
