"""Numbers for people: in the reader's units, with the decimal places that their uncertainty allows.

The document holds kPa, degC and K. A reader chooses kPa and degC, bar and degC, or psi and degF; gauge pressures and
differences have one factor, temperatures a factor and an offset. 1 psi = 6.894757293168 kPa (exact by the
international pound and inch, NIST SP 811), degF = 1.8 degC + 32.
"""

import math
from dataclasses import dataclass

from analysis.uncertainty import Measured, rounded

SYMBOLS = {"degC": "°C", "degF": "°F"}


@dataclass(frozen=True, slots=True)
class Units:
    """What a person reads: pressure as ``kPa * per_kpa``, temperature as ``degC * per_k + zero``."""

    name: str
    pressure: str
    per_kpa: float
    temperature: str
    difference: str
    per_k: float
    zero: float

    def factor(self, unit: str) -> tuple[float, float, str]:
        """Scale, offset and symbol for a unit of the document; what is not pressure or temperature stays as it is."""
        if unit == "kPa":
            return self.per_kpa, 0.0, self.pressure
        if unit in ("degC", "°C"):
            return self.per_k, self.zero, self.temperature
        if unit == "K":
            return self.per_k, 0.0, self.difference
        return 1.0, 0.0, SYMBOLS.get(unit, unit)

    def symbol(self, unit: str) -> str:
        """The unit as print shows it."""
        return self.factor(unit)[2]

    def convert(self, value: float, unit: str) -> float:
        """A number of the document in the reader's unit."""
        scale, offset, _ = self.factor(unit)
        return value * scale + offset

    def measured(self, value: Measured, unit: str) -> Measured:
        """A measured number with its uncertainty in the reader's unit."""
        if value.value is None:
            return value
        scale, offset, _ = self.factor(unit)
        return Measured(value.value * scale + offset, None if value.u95 is None else value.u95 * scale, value.why)

    def shown(self, value: Measured, unit: str = "") -> str:
        """A number rounded by its uncertainty (JCGM 100, 7.2.6), with it; or why it is missing."""
        if value.value is None:
            return f"not had: {value.why}"
        told = self.measured(value, unit)
        number = rounded(told.value or 0.0, told.u95)
        spread = f" ± {rounded(told.u95, told.u95)}" if told.u95 else ""
        return f"{number}{spread} {self.symbol(unit)}".strip()

    def briefly(self, value: Measured, unit: str = "") -> str:
        """A number alone for a sentence, rounded at the first digit of its uncertainty, whole numbers at the most."""
        told = self.measured(value, unit)
        if told.value is None:
            return f"(not had: {told.why})"
        places = -math.floor(math.log10(told.u95)) if told.u95 else 1
        places = min(max(places, -1), 1 if told.u95 and told.u95 < 0.5 else 0)
        text = f"{round(told.value, places) + 0.0:.{max(places, 0)}f}"
        return f"{text} {self.symbol(unit)}".strip()

    def level(self, value: float, unit: str) -> str:
        """A limit or a band's edge, to three digits, without its unit."""
        converted = self.convert(value, unit)
        return f"{float(f'{converted:.3g}') + 0.0:g}"

    def band(self, low: float | None, high: float | None, unit: str) -> str:
        """A band of expectation with its unit; an open side is said in words."""
        symbol = self.symbol(unit)
        if low is None and high is None:
            return "not stated"
        if low is None or high is None:
            edge, word = (low, "at least") if high is None else (high, "at most")
            return f"{word} {self.level(edge or 0.0, unit)} {symbol}".strip()
        return f"{self.level(low, unit)} to {self.level(high, unit)} {symbol}".strip()


def count(number: int, singular: str, plural: str | None = None) -> str:
    """A number of things."""
    return f"{number} {singular if number == 1 else plural or singular + 's'}"


def times(number: int) -> str:
    """How often, in words."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def clock(seconds: float) -> str:
    """Minutes and seconds since the recording's first sample."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"


def lasting(seconds: float) -> str:
    """A length of time as one says it: seconds, from two minutes on minutes, from two hours on hours and minutes."""
    if round(seconds) < 120:
        return f"{round(seconds)} s"
    minutes = round(seconds / 60.0)
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")


def percent(share: float) -> str:
    """A share as a percentage without false digits; small ones are not called nothing."""
    value = 100.0 * share
    if 0 < value < 1:
        return "under 1 %"
    if 99 < value < 100:
        return "over 99 %"
    return f"{value:.0f} %"


KPA = Units("kPa", "kPa", 1.0, "°C", "K", 1.0, 0.0)
BAR = Units("bar", "bar", 0.01, "°C", "K", 1.0, 0.0)
PSI = Units("psi", "psi", 1.0 / 6.894757293168, "°F", "°F", 1.8, 32.0)
CHOICES = {units.name: units for units in (KPA, BAR, PSI)}
