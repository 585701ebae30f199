"""What the electrical channels say about a stop: supply of the clutch, current of its coil, the pressure switch."""

import math
from dataclasses import dataclass

import numpy as np

from analysis.findings import Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.timeline import Floats, Timeline
from analysis.uncertainty import measured

LIMITS = limit_table(
    Limit("supplied", 0.5, "share of the level while running", PRACTICE),
    Limit("coil_open", 0.3, "A", "a 12 V coil draws 3-5 A; " + PRACTICE),
    Limit("settles", 1.5, "s", "reading lags at the edges of a stop; " + PRACTICE),
    Limit("shortest", 6.0, "s", PRACTICE),
    Limit("coolant_hot", 112.0, "degC", "engine control takes the compressor off; " + PRACTICE),
    Limit("battery_low", 10.5, "V", "engine control takes the compressor off; " + PRACTICE),
)


@dataclass(frozen=True, slots=True)
class Electrics:
    """State over most of a stop, each None where no channel shows it.

    ``volts`` at the clutch, ``amperes`` through its coil, ``switch_v`` behind the pressure switch, as medians.
    """

    supplied: bool | None
    conducts: bool | None
    switch_closed: bool | None
    volts: float
    amperes: float
    switch_v: float

    @property
    def cooling_stopped(self) -> str:
        """Electrical, mechanical or not decidable, by what was clipped on."""
        if self.supplied is False or self.conducts is False:
            return "electrical"
        return "mechanical" if self.supplied or self.conducts else "not decidable"

    def says(self) -> str:
        """What was seen, in words."""
        if self.conducts is False and self.supplied:
            return "the clutch had its supply but no current flowed: coil or ground is open"
        if self.switch_closed is False:
            return "the pressure switch had opened although neither side gave it a reason"
        if self.supplied is False or self.conducts is False:
            return "no supply reached the clutch"
        if self.supplied or self.conducts:
            return "the clutch kept its supply while the sides converged: it slipped or its gap did not close"
        return "nothing recorded explains the stop; clip on the clutch's supply to know"

    def evidence(self) -> list[Evidence]:
        """The rule that narrows the parts down, with its numbers."""
        if self.conducts is False and self.supplied:
            measures = {"clutch_v": measured(self.volts, 0.2), "coil_a": measured(self.amperes, 0.1)}
            return [Evidence("coil_without_current", f"{self.volts:.1f} V at the clutch and no current", measures)]
        if self.switch_closed is False:
            says = f"behind the pressure switch only {self.switch_v:.1f} V"
            return [Evidence("switch_open", says, {"switch_v": measured(self.switch_v, 0.2)})]
        if self.supplied and self.conducts:
            measures = {"clutch_v": measured(self.volts, 0.2), "coil_a": measured(self.amperes, 0.1)}
            says = f"the coil was supplied and drew {self.amperes:.1f} A"
            return [Evidence("coil_conducts", says, measures)]
        return []


def electrics_of(timeline: Timeline, start_s: float, end_s: float) -> Electrics:
    """Read the electrical channels over a stop; a stop too short to read says nothing."""
    if end_s - start_s < LIMITS["shortest"].value:
        return Electrics(None, None, None, math.nan, math.nan, math.nan)
    settles = LIMITS["settles"].value
    volts, amperes, switch_v = (
        timeline.median(timeline.grid(place), start_s + settles, end_s - settles)
        for place in ("clutch", "clutch_current", "pressure_switch")
    )
    open_coil = LIMITS["coil_open"].value
    conducts = None if math.isnan(amperes) else max(open_coil, _usual(timeline, "clutch_current")) <= amperes
    return Electrics(
        None if math.isnan(volts) else volts > _usual(timeline, "clutch"),
        conducts,
        None if math.isnan(switch_v) else switch_v > _usual(timeline, "pressure_switch"),
        volts,
        amperes,
        switch_v,
    )


def _usual(timeline: Timeline, place: str) -> float:
    """Half of the level that the channel reaches; a few thousand readings spread over the recording tell it."""
    values = timeline.grid(place)
    if values is None:
        return math.nan
    spread = values[:: max(len(values) // 4000, 1)]
    spread = spread if np.isfinite(spread).any() else values
    return LIMITS["supplied"].value * float(np.nanquantile(spread, 0.98))


def engine_forbids(timeline: Timeline, at_s: Floats) -> list[str | None]:
    """Why the engine's control takes the compressor off at moments, in words; None where no channel shows it."""
    coolant, battery = (timeline.medians(timeline.grid(place), at_s - 3.0, at_s) for place in ("coolant", "battery"))
    return [_forbids(hot, low) for hot, low in zip(coolant.tolist(), battery.tolist(), strict=True)]


def _forbids(coolant_degc: float, battery_v: float) -> str | None:
    if coolant_degc >= LIMITS["coolant_hot"].value:
        return f"the coolant stood at {coolant_degc:.0f} degC: engine control takes the compressor off"
    if battery_v <= LIMITS["battery_low"].value:
        return f"the battery stood at {battery_v:.1f} V: engine control takes the compressor off"
    return None
