"""The soaked minutes before the first start: saturation at static pressure over the temperature of the metal.

Air or a wrong refrigerant lifts the static pressure over saturation; so does a warm spot. The soak is taken as shown
only where two temperatures that bear on it agree.
"""

import math

import numpy as np

from analysis.case import Case
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.static import BAY
from analysis.static import LIMITS as STATIC
from analysis.uncertainty import Measured, absent, combine, measured

LIMITS = limit_table(
    Limit("rest", 2.0, "s", "before the first start; soaked, it takes no longer to read both sides; " + PRACTICE),
    Limit("margin", 1.0, "s", "before the first start, whose moment is not known better; " + PRACTICE),
    Limit("apart", 60.0, "kPa", "between the sides at rest; " + PRACTICE),
    Limit("soak_apart", 3.0, "K", PRACTICE),
    Limit("cabin_colder", -3.0, "K", "against ambient, parked; " + PRACTICE),
    Limit("cabin_warmer", 10.0, "K", "against ambient, parked; " + PRACTICE),
)


def excess_over_saturation(case: Case) -> Measured | None:
    """Saturation temperature at static pressure minus soak temperature [K]; None without such a rest."""
    fluid = case.derived.refrigerant
    low, high = case.timeline.signal("low_side"), case.timeline.signal("high_side")
    first = case.running.runs[0].start_s
    if fluid is None or low is None or high is None:
        return None
    if low.clamped or high.clamped:
        return absent("a clamp-on sensor cannot tell the pressure at rest")
    if first < LIMITS["rest"].value:
        return _after_the_drive(case)
    start, end = max(0.0, first - 30.0), first - LIMITS["margin"].value
    sides = [case.median(values, start, end) for values in (case.derived.low_kpa, case.derived.high_kpa)]
    if not all(math.isfinite(side) for side in sides) or abs(sides[0] - sides[1]) > LIMITS["apart"].value:
        return None
    static = float(np.mean(sides))
    soak = [case.median(case.timeline.grid(place), start, end) for place in ("ambient", "liquid_line")]
    soak = [value for value in soak if math.isfinite(value)]
    if not soak:
        return None
    if len(soak) == 1 and not _cabin_agrees(case, soak[0], start, end):
        return absent(
            "the soak is not shown: ambient and cabin air differ too much, or only one temperature was recorded"
        )
    if len(soak) == 2 and abs(soak[0] - soak[1]) > LIMITS["soak_apart"].value:
        return absent(f"the soak is not shown: ambient and liquid line differ by {abs(soak[0] - soak[1]):.1f} K")
    for place in BAY:
        line = case.median(case.timeline.grid(place), start, end)
        if abs(line - soak[0]) > LIMITS["soak_apart"].value:
            return absent(f"the soak is not shown: the {place.replace('_', ' ')} is not at ambient")
    probe = case.timeline.signal("ambient")
    u_static = combine(1.0 / math.hypot(1.0 / low.u, 1.0 / high.u), case.timeline.barometric_u_kpa)
    metal = any(case.timeline.grid(place) is not None for place in BAY)
    u_soak = STATIC["soak_u_metal" if metal else "soak_u"].value
    u = combine(u_static * fluid.kelvin_per_kpa(static), probe.u if probe else 1.0, u_soak)
    return measured(fluid.temperature_at(static) - float(np.mean(soak)), u)


def _after_the_drive(case: Case) -> Measured | None:
    """The same from a long rest after the last stop, where the static test shows the soak."""
    fluid = case.derived.refrigerant
    for static in case.static:
        gap, pressure = static.saturation_gap_kpa, static.static_kpa
        if fluid is None or gap.value is None or gap.u95 is None or pressure.value is None:
            continue
        slope = fluid.kelvin_per_kpa(pressure.value + case.timeline.barometric_kpa)
        return measured(gap.value * slope, gap.u95 * slope / 2.0)
    return None


def _cabin_agrees(case: Case, ambient: float, start: float, end: float) -> bool:
    """Air in the parked cabin a little above ambient bears a lone ambient probe out."""
    for place in ("vent", "return_air", "suction_line", "discharge_line", "cabin"):
        other = case.median(case.timeline.grid(place), start, end)
        if math.isfinite(other):
            return LIMITS["cabin_colder"].value < other - ambient < LIMITS["cabin_warmer"].value
    return False
