"""The temperature ladder: every temperature of the circuit on one scale, pressures and differences beside it.

Rungs are temperatures; superheat and subcooling are gaps between rungs. The band of each is what is usual now, from
``analysis.expected`` (common practice), for the present ambient air and road speed.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from analysis import expected
from analysis.operating import LIMITS as OPERATING_LIMITS
from analysis.pressure_limits import Warned, warned_by
from analysis.refrigerant import Refrigerant, refrigerant
from analysis.timeline import standard_atmosphere_kpa
from recorder.jobsheet import JobSheet
from recorder.node import Channel

CLUTCH_ON_V = 6.0
"""Half a 12 V supply (common practice, no source)."""
RUNGS = ("suction_line", "vent", "return_air", "ambient", "liquid_line", "discharge_line")


@dataclass(frozen=True, slots=True)
class Reading:
    """A channel's latest value in its stored unit; ``stale`` says that nothing newer came."""

    channel: Channel
    value: float
    stale: bool = False


@dataclass(frozen=True, slots=True)
class Rung:
    """One temperature; ``kpa`` is the gauge pressure that belongs to it, ``band`` what is usual now."""

    name: str
    degc: float
    kpa: float | None = None
    band: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Gap:
    """A difference between two rungs with the band in which it is usual."""

    name: str
    low_degc: float
    high_degc: float
    kelvin: float
    band: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Ladder:
    """All that one look at the circuit shows. Pressures are gauge; None is not measured, with its reason in ``why``."""

    rungs: tuple[Rung, ...]
    gaps: tuple[Gap, ...]
    low_kpa: float | None
    high_kpa: float | None
    evaporating_degc: float | None
    condensing_degc: float | None
    superheat_k: float | None
    subcooling_k: float | None
    pumping: bool | None
    engine_rpm: float | None
    road_kmh: float | None
    warned: tuple[Warned, ...]
    why: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values, rounded for the wire."""
        return _plain(asdict(self))


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 2)
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}  # pyright: ignore[reportUnknownVariableType]
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]  # pyright: ignore[reportUnknownVariableType]
    return value


def ladder_of(readings: dict[str, Reading], job: JobSheet, pumping_told: bool | None = None) -> Ladder:
    """Build the ladder from the latest readings; a stale one counts as not measured.

    ``pumping_told`` is what the analysis last said of the compressor, for want of a clutch reading. Superheat and
    subcooling mean nothing while it rests: they are then left out.
    """
    held = {name: reading for name, reading in readings.items() if not reading.stale}
    values = {name: reading.value for name, reading in held.items()}
    fluid = refrigerant(job.refrigerant) if job.refrigerant else None
    air_kpa = barometric_kpa(values, job)
    gauge = {side: _gauge_kpa(held.get(side), air_kpa) for side in ("low_side", "high_side")}
    evaporating = _saturation(fluid, gauge["low_side"], air_kpa)
    condensing = _saturation(fluid, gauge["high_side"], air_kpa)
    pumping = _pumping(values, pumping_told)
    suction = values.get("suction_line", values.get("evaporator_out"))
    rungs = _rungs(values, evaporating, condensing, gauge, pumping)
    gaps = () if pumping is False else _gaps(evaporating, suction, condensing, values.get("liquid_line"))
    differences = {gap.name: gap.kelvin for gap in gaps}
    return Ladder(
        rungs,
        gaps,
        gauge["low_side"],
        gauge["high_side"],
        evaporating,
        condensing,
        differences.get("superheat"),
        differences.get("subcooling"),
        pumping,
        values.get("engine_speed"),
        values.get("vehicle_speed"),
        tuple(warned_by({name: r.channel for name, r in held.items()}, gauge, job.refrigerant)),
        _missing(held, fluid, gauge, condensing),
    )


def barometric_kpa(values: Mapping[str, float], job: JobSheet) -> float:
    """Air pressure now: measured, else of the standard atmosphere at the stated altitude."""
    return values.get("barometer", standard_atmosphere_kpa(job.altitude_m or 0.0))


def above_gauge_kpa(channel: Channel, air_kpa: float) -> float:
    """What a pressure channel's stored values are above gauge pressure."""
    if channel.reference == "absolute":
        return air_kpa
    return 0.0 if channel.sealed_at_kpa is None else air_kpa - channel.sealed_at_kpa


def _gauge_kpa(reading: Reading | None, air_kpa: float) -> float | None:
    return None if reading is None else reading.value - above_gauge_kpa(reading.channel, air_kpa)


def _saturation(fluid: Refrigerant | None, gauge_kpa: float | None, air_kpa: float) -> float | None:
    if fluid is None or gauge_kpa is None:
        return None
    degc = fluid.temperature_at(gauge_kpa + air_kpa)
    return degc if degc == degc else None  # noqa: PLR0124 - NaN: outside the saturation curve


def _pumping(values: dict[str, float], told: bool | None) -> bool | None:
    return told if "clutch" not in values else values["clutch"] > CLUTCH_ON_V


def _rungs(
    values: dict[str, float],
    evaporating: float | None,
    condensing: float | None,
    gauge: dict[str, float | None],
    pumping: bool | None,
) -> tuple[Rung, ...]:
    """Every rung that can be had, with its band while the compressor may be pumping.

    Condensing keeps its band: a high side that is still too high after a pressure switch opened is not usual.
    """
    bands = _bands(values, evaporating, condensing)
    if pumping is False:
        bands = {name: band for name, band in bands.items() if name == "condensing"}
    rungs = [Rung(name, values[name], None, bands.get(name)) for name in RUNGS if name in values]
    if evaporating is not None:
        rungs.append(Rung("evaporating", evaporating, gauge["low_side"], bands.get("evaporating")))
    if condensing is not None:
        rungs.append(Rung("condensing", condensing, gauge["high_side"], bands.get("condensing")))
    return tuple(sorted(rungs, key=lambda rung: rung.degc))


def _bands(
    values: dict[str, float], evaporating: float | None, condensing: float | None
) -> dict[str, tuple[float, float]]:
    """What is usual now, in degC."""
    bands = {"evaporating": _shifted(expected.EVAPORATING, 0.0)}
    ambient, speed = values.get("ambient"), values.get("vehicle_speed")
    if ambient is not None:
        over = expected.CONDENSING
        if speed is not None:
            moving = speed > OPERATING_LIMITS["moving"].value
            over = expected.CONDENSING_MOVING if moving else expected.CONDENSING_STANDING
        bands["condensing"] = _shifted(over, ambient)
    if evaporating is not None:
        # Over a warm evaporator warm vent air is not usual, however small the gap between them.
        bands["vent"] = _shifted(expected.VENT_GAP, min(evaporating, expected.EVAPORATING.high or evaporating))
    if condensing is not None:
        low, high = _shifted(expected.SUBCOOLING, 0.0)
        bands["liquid_line"] = condensing - high, condensing - low
    return bands


def _shifted(band: expected.Band, by: float) -> tuple[float, float]:
    return by + (band.low or 0.0), by + (band.high or 0.0)


def _gaps(
    evaporating: float | None, suction: float | None, condensing: float | None, liquid: float | None
) -> tuple[Gap, ...]:
    gaps: list[Gap] = []
    if evaporating is not None and suction is not None:
        gaps.append(Gap("superheat", evaporating, suction, suction - evaporating, _shifted(expected.SUPERHEAT, 0.0)))
    if condensing is not None and liquid is not None:
        gaps.append(Gap("subcooling", liquid, condensing, condensing - liquid, _shifted(expected.SUBCOOLING, 0.0)))
    return tuple(gaps)


def _missing(
    held: dict[str, Reading], fluid: Refrigerant | None, gauge: dict[str, float | None], condensing: float | None
) -> tuple[str, ...]:
    """Why a rung or gap is not there, in a few words each."""
    told: list[str] = []
    if fluid is None:
        told.append("No refrigerant is stated: no saturation temperatures, no superheat, no subcooling.")
    told += [f"No reading from the {side.replace('_', ' ')}." for side in gauge if gauge[side] is None]
    if fluid is not None and gauge["high_side"] is not None and condensing is None:
        told.append(f"The high side is outside the saturation curve of {fluid.name}: no condensing temperature.")
    if "suction_line" not in held and "evaporator_out" not in held:
        told.append("No suction-line probe: no superheat.")
    if "liquid_line" not in held:
        told.append("No liquid-line probe: no subcooling.")
    return tuple(told)
