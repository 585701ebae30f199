"""Differences of quantities between two recordings over stretches under like conditions.

Means are taken in cells of like conditions while pumping steadily, and weighted by the time that both recordings spent
there. The u95 of a difference holds the scatter of one-minute means (Student's t for their number), the sensors, the
clamps that were fitted anew, the barometer, and what is left of the ambient's own difference. A sensor that measured
both times, by serial number and calibration date, carries one unknown error: it counts as far as its sensitivity
differs and cancels otherwise (JCGM 100, 5.2.2 with r = 1). The line drop between coil and port is the same vehicle's
and cancels likewise. Humidity, sun and load are not in it.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import cast

import numpy as np

from analysis.case import Case
from analysis.comparison import HIGHER, LOWER, NO_DIFFERENCE, NOT_COMPARED, Difference
from analysis.conditions import UNKNOWN, Codes, Matching, outside_air
from analysis.derived import LIMITS as DERIVED
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.timeline import Floats, Signal
from analysis.uncertainty import COVERAGE_FACTOR, UNIFORM, Measured, absent, combine, measured

LIMITS = limit_table(
    Limit("after_start", 20.0, "s", "steady enough to average; " + PRACTICE),
    Limit("block", 60.0, "s", "means over a minute are taken as independent; " + PRACTICE),
    Limit("least_in_cell", 20.0, "s", "on each side; " + PRACTICE),
    Limit("ambient_unknown", 5.0, "K", "how far it may have differed where it was not recorded; " + PRACTICE),
)


@dataclass(frozen=True, slots=True)
class _Input:
    """What a reading at a place moves in a quantity: sensitivity to it, and whether a clamp holds the probe."""

    place: str
    per_unit: Callable[[Case], float]
    clamped: bool = False


@dataclass(frozen=True, slots=True)
class _Quantity:
    """A quantity to compare; ``per_ambient`` is how far it follows each kelvin of ambient (common practice)."""

    name: str
    says: str
    unit: str
    values: Callable[[Case], Floats | None]
    inputs: tuple[_Input, ...]
    per_ambient: float


def _one(_case: Case) -> float:
    return 1.0


def _slope_at(place: str) -> Callable[[Case], float]:
    """Kelvin of saturation temperature a kPa at the usual pressure of a side."""

    def slope(case: Case) -> float:
        values = case.derived.low_kpa if place == "low_side" else case.derived.high_kpa
        pumped = case.over(values, case.running.pumping)
        fluid = case.derived.refrigerant
        return float("nan") if fluid is None or len(pumped) == 0 else fluid.kelvin_per_kpa(float(np.median(pumped)))

    return slope


def _gauge(side: str) -> Callable[[Case], Floats | None]:
    def values(case: Case) -> Floats | None:
        absolute = case.derived.low_kpa if side == "low_side" else case.derived.high_kpa
        return None if absolute is None else absolute - case.timeline.barometric_kpa

    return values


_LOW, _HIGH = _Input("low_side", _slope_at("low_side")), _Input("high_side", _slope_at("high_side"))
QUANTITIES = (
    _Quantity("low_side_kpa", "low side", "kPa", _gauge("low_side"), (_Input("low_side", _one),), 5.0),
    _Quantity("high_side_kpa", "high side", "kPa", _gauge("high_side"), (_Input("high_side", _one),), 35.0),
    _Quantity("evaporating_degc", "evaporating", "degC", lambda c: c.derived.evaporating_degc, (_LOW,), 0.3),
    _Quantity("condensing_degc", "condensing", "degC", lambda c: c.derived.condensing_degc, (_HIGH,), 1.0),
    _Quantity(
        "over_ambient_k", "condensing over ambient", "K", lambda c: c.derived.over_ambient_k,
        (_HIGH, _Input("ambient", _one)), 0.3,
    ),
    _Quantity(
        "superheat_k", "superheat at the suction probe", "K", lambda c: c.derived.superheat_k,
        (_LOW, _Input("suction_line", _one, clamped=True)), 0.2,
    ),
    _Quantity(
        "subcooling_k", "subcooling at the liquid probe", "K", lambda c: c.derived.subcooling_k,
        (_HIGH, _Input("liquid_line", _one, clamped=True)), 0.2,
    ),
    _Quantity("vent_degc", "vent air", "degC", lambda c: c.timeline.grid("vent"), (_Input("vent", _one),), 0.4),
    _Quantity(
        "vent_over_evaporating_k", "vent over evaporating", "K", lambda c: c.derived.vent_over_evaporating_k,
        (_LOW, _Input("vent", _one)), 0.2,
    ),
    _Quantity(
        "split_k", "return air minus vent", "K", lambda c: c.derived.split_k,
        (_Input("return_air", _one), _Input("vent", _one)), 0.5,
    ),
)  # fmt: skip


def differences_of(before: Case, after: Case, matching: Matching) -> tuple[Difference, ...]:
    """Every quantity that both recordings can give, over what matches."""
    count = len(matching.cells)
    sides = (_Side(before, _steady_cells(before, matching.before, count)),)
    sides += (_Side(after, _steady_cells(after, matching.after, count)),)
    return tuple(_difference(quantity, sides) for quantity in QUANTITIES)


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """A recording and the grid indices of its steady pumping in each cell."""

    case: Case
    cells: list[Codes]


def _steady_cells(case: Case, codes: Codes, count: int) -> list[Codes]:
    """Grid indices of steady pumping in each cell."""
    where = np.flatnonzero(case.settled(LIMITS["after_start"].value) & (codes != UNKNOWN))
    order = where[np.argsort(codes[where], kind="stable")]
    edges = np.searchsorted(codes[order], np.arange(count + 1))
    return [order[a:b] for a, b in pairwise(edges.tolist())]


def _difference(quantity: _Quantity, sides: tuple[_Side, ...]) -> Difference:
    arrays = [quantity.values(side.case) for side in sides]
    missing = _missing(quantity, sides, arrays)
    if missing:
        return _none(quantity, missing)
    fluids = {side.case.derived.refrigerant.name for side in sides if side.case.derived.refrigerant is not None}
    if quantity.unit == "kPa" and len(fluids) > 1:
        return _none(quantity, "pressures of different refrigerants are not alike")
    blocks = [
        [_block_means(side.case, cast("Floats", values), where) for where in side.cells]
        for side, values in zip(sides, arrays, strict=True)
    ]
    used = [i for i, pair in enumerate(zip(*blocks, strict=True)) if all(len(means) for means in pair)]
    if not used:
        return _none(quantity, "no steady running under like conditions in both recordings")
    weights = np.array([min(len(of_side[i]) for of_side in blocks) for i in used], np.float64)
    matched_s = float(weights.sum()) * LIMITS["block"].value
    weights /= weights.sum()
    (one, u_one), (other, u_other) = (_weighted([of_side[i] for i in used], weights) for of_side in blocks)
    if not (math.isfinite(u_one) and math.isfinite(u_other)):
        return _none(quantity, "too short under like conditions for a scatter to be seen")
    u_ambient = quantity.per_ambient * _ambient_left_k(sides, used, weights) * UNIFORM
    change = measured(other - one, u_one, u_other, _u_between(quantity, sides), u_ambient)
    return Difference(
        quantity.name,
        quantity.says,
        quantity.unit,
        measured(one, u_one, _u_alone(quantity, sides[0].case)),
        measured(other, u_other, _u_alone(quantity, sides[1].case)),
        change,
        _state(change),
        matched_s,
    )


def _missing(quantity: _Quantity, sides: tuple[_Side, ...], arrays: Sequence[Floats | None]) -> str:
    """Which channels, or that a refrigerant, a quantity lacks before, after or both; empty where it lacks nothing."""
    lacking: dict[str, list[str]] = {}
    for when, side, values in zip(("before", "after"), sides, arrays, strict=True):
        if values is None:
            places = [entry.place for entry in quantity.inputs if _sensor(entry, side.case) is None]
            named = [f"no {name.replace('_', ' ')}" for name in places] or ["no refrigerant known"]
            lacking.setdefault(" and ".join(named), []).append(when)
    return "; ".join(f"{what} {' and '.join(when)}" for what, when in lacking.items())


def _none(quantity: _Quantity, why: str) -> Difference:
    no = absent(why)
    return Difference(quantity.name, quantity.says, quantity.unit, no, no, no, NOT_COMPARED, 0.0)


def _state(change: Measured) -> str:
    if change.value is None or change.u95 is None:
        return NOT_COMPARED
    if abs(change.value) <= change.u95:
        return NO_DIFFERENCE
    return HIGHER if change.value > 0 else LOWER


def _block_means(case: Case, values: Floats, where: Codes) -> Floats:
    """Means over blocks of a minute of one cell's readings; none where there is too little."""
    part = values[where]
    part = part[np.isfinite(part)]
    lasting_s = len(part) * case.timeline.step_s
    if lasting_s < LIMITS["least_in_cell"].value:
        return np.zeros(0)
    blocks = max(round(lasting_s / LIMITS["block"].value), 1)
    edges = (np.arange(blocks) * len(part)) // blocks
    return np.add.reduceat(part, edges) / np.diff(np.append(edges, len(part)))


def _weighted(blocks: Sequence[Floats], weights: Floats) -> tuple[float, float]:
    """Weighted mean of the cells and its standard uncertainty from the scatter of their blocks, pooled.

    The factor of Student's t over k = 2 is in it, for so few degrees of freedom (JCGM 100, G.3); infinite with none.
    """
    mean = float(sum(w * float(part.mean()) for w, part in zip(weights, blocks, strict=True)))
    freedom = sum(len(part) - 1 for part in blocks)
    if freedom < 1:
        return mean, math.inf
    variance = sum(float(((part - part.mean()) ** 2).sum()) for part in blocks) / freedom
    spread = sum(w * w / len(part) for w, part in zip(weights, blocks, strict=True))
    return mean, math.sqrt(variance * spread) * student(freedom) / COVERAGE_FACTOR


def student(freedom: int) -> float:
    """Two-sided 95.45 % point of Student's t: 2.00 for many degrees of freedom (JCGM 100, table G.2)."""
    from scipy.special import stdtrit

    return float(cast("float", stdtrit(freedom, 0.977250)))


def _ambient_left_k(sides: tuple[_Side, ...], used: list[int], weights: Floats) -> float:
    """How far the ambient of the matched stretches still differs [K]."""
    means: list[float] = []
    for side in sides:
        ambient = outside_air(side.case)
        if ambient is None:
            return LIMITS["ambient_unknown"].value
        of_cells = [float(np.nanmean(ambient[side.cells[i]])) for i in used]
        means.append(float(np.dot(weights, of_cells)))
    return abs(means[1] - means[0])


def _sensor(entry: _Input, case: Case) -> Signal | None:
    signal = case.timeline.signal(entry.place)
    if signal is None and entry.place == "suction_line":
        return case.timeline.signal("evaporator_out")
    return signal


def _u_barometer(quantity: _Quantity, entry: _Input, case: Case) -> float:
    """Standard uncertainty that the barometer puts in: where a gauge reads absolute, or the other way about."""
    signal = _sensor(entry, case)
    if signal is None or signal.channel.quantity != "pressure":
        return 0.0
    as_read = (quantity.unit == "kPa") == (signal.channel.reference != "absolute")
    return 0.0 if as_read else abs(entry.per_unit(case)) * case.timeline.barometric_u_kpa


def _u_alone(quantity: _Quantity, case: Case) -> float:
    """Standard uncertainty of the quantity's level in one recording, from its sensors."""
    parts: list[float] = []
    for entry in quantity.inputs:
        signal = _sensor(entry, case)
        parts.append(abs(entry.per_unit(case)) * (signal.u if signal else 0.0))
        parts.append(_u_barometer(quantity, entry, case))
        parts.append(_u_clamp(entry))
    return combine(*parts)


def _u_between(quantity: _Quantity, sides: tuple[_Side, ...]) -> float:
    """Standard uncertainty that the sensors put into the difference."""
    parts: list[float] = []
    for entry in quantity.inputs:
        signals = [_sensor(entry, side.case) for side in sides]
        reach = [
            entry.per_unit(side.case) * (signal.u if signal else 0.0)
            for side, signal in zip(sides, signals, strict=True)
        ]
        parts += [reach[1] - reach[0]] if same_sensor(*signals) else reach
        parts += [_u_barometer(quantity, entry, side.case) for side in sides]
        parts += [_u_clamp(entry) for _ in sides]
    return combine(*parts)


def _u_clamp(entry: _Input) -> float:
    """A clamp is fitted anew each time: its conduction error is another one."""
    return DERIVED["clamp_on"].value * UNIFORM if entry.clamped else 0.0


def same_sensor(one: Signal | None, other: Signal | None) -> bool:
    """Whether one sensor, not calibrated anew between, made both readings: then its unknown error is the same."""
    if one is None or other is None or one.channel.serial_number is None:
        return False
    here, there = one.channel, other.channel
    return (here.serial_number, here.calibrated_on) == (there.serial_number, there.calibrated_on)
