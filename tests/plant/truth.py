"""What was true of a run: compressor, cycles, equalisation, settling, faults with their effect against the healthy twin.

The conventions are those of `tests/reference/samples/README.md`.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from tests.plant.circuit import CONTROL, DRIVER, DROPOUT, ENGINE_OFF, STEP_S, THROTTLE, TRIP
from tests.plant.faults import Faulty, Planted
from tests.plant.garage import Specimen, Trace

CAUSES = {
    ENGINE_OFF: "engine_off", DRIVER: "driver", CONTROL: "control", THROTTLE: "full_throttle_cut",
    TRIP: "high_pressure_trip", DROPOUT: "fault_dropout",
}  # fmt: skip
LEAST_REST_S, MET, SETTLED = 60.0, 0.1, 0.02
WINDOW_S, BAND = 120.0, 0.05
SMALL = {"kPa": 40.0, "K": 2.5}
SPREAD = {
    "low_kpa": 35.0,
    "high_kpa": 140.0,
    "vent_k": 3.0,
    "subcooling_k": 2.5,
    "superheat_k": 4.0,
    "duty": 0.25,
    "starts_per_min": 1.0,
}
"""How far healthy cars differ from each other at like ambient (standard deviations over 103 healthy cars of seeds 1-120
and 2001-2120; duty by eye), with the probes' own errors for the two that hang on a clamp. A fault that is there all the
time has no better time to be compared with: it is seen where it leaves this spread."""
WITHIN_K = 4.0
"""How far halts and the stages of its fan move a healthy car's condensing temperature (from the same cars)."""
SHOWS_K = 2.0
"""Warmer than the healthy twin by less is not seen: half of what halts move (by eye)."""
SOAK_K = 1.1
"""Standard uncertainty of saturation over the soak at rest: sensors and one ambient probe for the metal."""
P_SHARE_PER_K = 0.025
"""Rise of saturation pressure a kelvin near 50 degC, of all three refrigerants (CoolProp)."""
P_SHARE_PER_K_LOW = 0.035
"""The same near 2 degC."""
SWINGS_MORE, SWINGS_FAR = 1.3, 2.0
"""Times the swing of the healthy twin over the same stretch: seen, and seen clearly (by eye)."""
MODERATE, STRONG = 2.0, 3.0
"""Standard deviations from which a fault shows, and shows clearly (JCGM 100: k = 2 and k = 3)."""
TRIPS_APART_S, AIRFLOW_SHARE, ICE_SHARE, PLUG_SHARE, LOST_SHARE = 60.0, 0.6, 0.25, 0.7, 0.15


@dataclass(frozen=True)
class Pair:
    """A faulty run and its healthy twin's."""

    trace: Trace
    twin: Trace


def edges(mask: np.ndarray, step_s: float) -> list[tuple[float, float]]:
    """Stretches of a mask in seconds."""
    padded = np.concatenate([[False], mask, [False]]).astype(np.int8)
    change = np.diff(padded)
    return [
        (round(a * step_s, 3), round(b * step_s, 3))
        for a, b in zip(np.flatnonzero(change == 1), np.flatnonzero(change == -1), strict=True)
    ]


def joined(spans: list[tuple[float, float]], apart_s: float, least_s: float) -> list[tuple[float, float]]:
    """Spans joined over short breaks, short ones left out."""
    out: list[tuple[float, float]] = []
    for a, b in spans:
        if out and a - out[-1][1] <= apart_s:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return [(a, b) for a, b in out if b - a >= least_s]


def compressor_of(trace: Trace) -> dict[str, Any]:
    """Runs, their edges, and why each ended."""
    runs = edges(trace.engaged, STEP_S)
    end = (len(trace.engaged) - 1) * STEP_S
    transitions: list[dict[str, Any]] = []
    for a, b in runs:
        transitions.append({"time_s": a, "to": "on"})
        if b <= end:
            why = trace.why[min(round(b / STEP_S), len(trace.why) - 1)]
            transitions.append({"time_s": b, "to": "off", "cause": CAUSES.get(int(why), "fault_dropout")})
    return {
        "run_intervals": [[a, min(b, end)] for a, b in runs],
        "on_s": [a for a, _ in runs],
        "off_s": [b for _, b in runs if b <= end],
        "transitions": transitions,
        "run_seconds": round(sum(b - a for a, b in runs), 2),
    }


def cycles_of(compressor: dict[str, Any]) -> dict[str, int]:
    """Off-then-on-again events, and those of normal control."""
    offs = [t for t in compressor["transitions"] if t["to"] == "off"]
    again = offs[: max(len(compressor["on_s"]) - 1, 0)]
    return {"count": len(again), "control_count": sum(t["cause"] == "control" for t in again)}


def equalisations_of(trace: Trace, compressor: dict[str, Any], faults: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Every stop that was complete, or long enough to have been."""
    t, low, high = trace.t, trace.values["low"] / 1e3, trace.values["high"] / 1e3
    zero = trace.gauge_zero / 1e3
    d = high - low
    runs = compressor["run_intervals"]
    offs = [x for x in compressor["transitions"] if x["to"] == "off"]
    found = []
    for k, off in enumerate(offs):
        start = off["time_s"]
        end = runs[k + 1][0] if k + 1 < len(runs) else float(t[-1])
        rest = (t >= start) & (t <= end)
        if not rest.any():
            continue
        d0 = float(np.median(d[(t >= start - 2.0) & (t < start)])) if start > 2.0 else float("nan")
        if not d0 > 60.0:
            continue
        below = np.flatnonzero(rest & (d <= MET * d0))
        complete = len(below) > 0
        if not complete and end - start < LEAST_REST_S:
            continue
        entry: dict[str, Any] = {
            "shutdown_s": start, "cause": off["cause"], "complete": complete, "initial_difference_kpa": round(d0, 1),
            "t90_s": None, "time_constant_s": None, "log_linear_r2": None, "settled_kpa_g": None, "settled_at_s": None,
            "rest_end_s": round(end, 2),
        }  # fmt: skip
        if complete:
            entry["t90_s"] = round(float(t[below[0]]) - start, 2)
            entry |= _fitted(t, d, d0, start, float(t[below[0]]))
            met = np.flatnonzero(rest & (d < max(SETTLED * d0, 8.0)))
            if len(met):
                entry["settled_at_s"] = round(float(t[met[0]]), 2)
                entry["settled_kpa_g"] = round(float(0.5 * (low[met[0]] + high[met[0]]) - zero[met[0]]), 1)
        found.append(entry)
    return found


def _fitted(t: np.ndarray, d: np.ndarray, d0: float, start: float, end: float) -> dict[str, float | None]:
    part = (t >= start) & (t <= end) & (d <= 0.9 * d0) & (d >= 0.1 * d0)
    if np.count_nonzero(part) < 5:
        return {}
    x, y = t[part], np.log(d[part])
    slope, level = np.polyfit(x, y, 1)
    left = y - slope * x - level
    return {
        "time_constant_s": round(float(-1.0 / slope), 2),
        "log_linear_r2": round(float(1.0 - np.sum(left**2) / np.sum((y - y.mean()) ** 2)), 3),
    }


def settlings_of(
    trace: Trace,
    specimen: Specimen,
    compressor: dict[str, Any],
    felt: dict[str, np.ndarray],
    faults: list[dict[str, Any]],
) -> list[dict[str, Any]]:
    """Undisturbed windows of two minutes and more after a start or a change of operating point."""
    s = specimen.drive.signals
    t = specimen.drive.t
    moved = np.zeros(len(t), bool)
    for name, step in (
        ("rpm", 120.0),
        ("speed", 6.0),
        ("blower", 0.1),
        ("cooling", 0.5),
        ("door", 0.5),
        ("fresh", 0.1),
    ):
        wide = np.abs(s[name][8:] - s[name][:-8]) > step
        moved[8:] |= wide
    quiet = [(a, b) for a, b in edges(~moved, 0.25) if b - a >= WINDOW_S]
    runs = compressor["run_intervals"]
    spoilt = [f for f in faults if not f.get("permanent") and not f.get("optional") and f["kind"] != "sensor_fault"]
    found = []
    for a, b in runs:
        for qa, qb in quiet:
            start, end = max(a, qa - 2.0), min(b, qb - 2.2)
            cuts = [start, *sorted(x for f in spoilt for x in (f["start_s"], f["end_s"]) if start < x < end), end]
            for left, right in pairwise(cuts):
                if right - left < WINDOW_S:
                    continue
                trigger = "compressor_start" if left == a else "operating_change"
                found.append(
                    {
                        "start_s": round(left, 2), "window_end_s": round(right, 2), "trigger": trigger,
                        "channels": {p: _settled(trace.t, v, left, right, p) for p, v in felt.items()},
                        "overlaps_faults": [f["kind"] for f in spoilt if f["start_s"] < right and f["end_s"] > left],
                    }
                )  # fmt: skip
    return found


def _settled(t: np.ndarray, values: np.ndarray, start: float, end: float, place: str) -> dict[str, Any]:
    part = (t >= start) & (t <= end)
    x, y = t[part], values[part]
    initial, final = float(y[0]), float(np.mean(y[x >= end - 0.1 * (end - start)]))
    step = final - initial
    small = SMALL["kPa" if place.endswith("_side") else "K"]
    outside = np.flatnonzero(np.abs(y - final) > BAND * abs(step))
    last = float(x[outside[-1]] - start) if len(outside) else 0.0
    tail = y[x >= end - 0.25 * (end - start)]
    steady = bool(np.ptp(tail) < max(0.08 * abs(step), 0.3 * small))
    done = abs(step) >= small and last < 0.85 * (end - start)
    return {
        "initial": round(initial, 2), "final": round(final, 2),
        "settling_5pct_s": round(last, 2) if done else None, "steady": steady,
    }  # fmt: skip


def faults_of(faulty: Faulty, pair: Pair, compressor: dict[str, Any], places: Iterable[str]) -> list[dict[str, Any]]:
    """Every true fault of the car, consequences included; ``places`` are those recorded."""
    found: list[dict[str, Any]] = []
    for planted in faulty.planted:
        found += _episodes(planted, faulty.specimen, pair, compressor)
    found += _trips(pair, compressor)
    recorded, at_rest = set(places), _air_at_rest_k(faulty.specimen, pair)
    found = [fault | _effect(fault, pair, recorded, at_rest) for fault in found]
    return sorted(found, key=lambda f: f["start_s"])


def _episodes(planted: Planted, s: Specimen, pair: Pair, compressor: dict[str, Any]) -> list[dict[str, Any]]:
    trace, runs = pair.trace, compressor["run_intervals"]
    if not runs and planted.kind != "compressor_dropout":
        return []
    t, v = trace.t, trace.values
    asked = np.interp(t, s.drive.t, s.drive.signals["cooling"] * (s.drive.signals["rpm"] > 300)) > 0.5
    kind, severity, spans = planted.kind, planted.severity, planted.windows
    whole = [(runs[0][0], runs[-1][1])] if runs else []
    if kind == "condenser_airflow_loss":
        spans = _unserved(planted, pair, (v["air_ok"] < AIRFLOW_SHARE) & asked, whole)
    elif kind == "moisture_freeze":
        # Where nothing is asked for nothing flows, plugged or not: it shows only in sides that meet slowly.
        spans = joined(edges((v["plug"] > PLUG_SHARE) & asked, 0.1), 5.0, 10.0)
    elif kind == "valve_hunting":
        within = np.any([(t >= a) & (t < b) for a, b in spans], axis=0) if spans else np.zeros(len(t), bool)
        spans = joined(edges(within & asked, 0.1), 30.0, 30.0)
    elif kind == "evaporator_icing":
        spans = joined(edges(v["ice"] >= ICE_SHARE, 0.1), 60.0, 30.0)
        severity = round(float(v["ice"].max()), 2)
    elif "leak_start_s" in planted.about:
        gone = np.flatnonzero(v["mass"] <= (1.0 - LOST_SHARE) * v["mass"][0])
        spans = [(float(t[gone[0]]), whole[0][1])] if len(gone) and t[gone[0]] < whole[0][1] else []
        severity = round(1.0 - float(v["mass"][-1] / v["mass"][0]), 2)
    elif kind == "compressor_dropout":
        wanted = trace.wanted[:: round(0.1 / STEP_S)][: len(t)]
        trimmed = []
        for a, b in spans:
            moments = t[(t >= a) & (t <= b) & wanted]
            if len(moments) and b - moments[0] > 5.0:
                trimmed.append((float(moments[0]), b))
        spans = trimmed
    elif planted.permanent:
        spans = whole
    rows = []
    for a, b in spans:
        row = {
            "kind": kind, "start_s": round(a, 2), "end_s": round(b, 2), "severity": round(severity, 3),
            "permanent": planted.permanent, **planted.about,
        }  # fmt: skip
        if kind == "valve_hunting":
            row["amplitude_pp_kpa"] = _swing(t, v["low"] / 1e3, a, b)
            row["amplitude_twin_pp_kpa"] = _swing(t, pair.twin.values["low"] / 1e3, a, b)
        if kind == "moisture_freeze":
            inside = (t >= a) & (t <= b)
            row["lowest_low_side_kpa_g"] = round(float(np.min((v["low"] - trace.gauge_zero)[inside])) / 1e3, 1)
        rows.append(row)
    return rows


def _unserved(
    planted: Planted, pair: Pair, lost: np.ndarray, whole: list[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Where the air is lost and it shows: on the road ram air makes good for a fan. What never shows is kept, as weak."""
    if planted.permanent:
        return whole if lost.any() else []
    tripped = (pair.trace.why == TRIP)[:: round(0.1 / STEP_S)][: len(lost)]
    shown = tripped | (_condensing_k(pair, np.ones(len(lost), bool)) > SHOWS_K)
    spans: list[tuple[float, float]] = []
    for a, b in joined(edges(lost, 0.1), 30.0, 15.0):
        inside = (pair.trace.t >= a) & (pair.trace.t <= b)
        spans += joined(edges(lost & shown & inside, 0.1), 30.0, 15.0) or [(a, b)]
    return spans


def _swing(t: np.ndarray, low: np.ndarray, a: float, b: float) -> float:
    parts = [low[(t >= x) & (t < x + 60.0)] for x in np.arange(a, max(b - 60.0, a + 1.0), 30.0)]
    return round(float(np.median([np.percentile(p, 95) - np.percentile(p, 5) for p in parts if len(p) > 10])), 1)


def _trips(pair: Pair, compressor: dict[str, Any]) -> list[dict[str, Any]]:
    runs, offs = compressor["run_intervals"], [x for x in compressor["transitions"] if x["to"] == "off"]
    end = float(pair.trace.t[-1])
    trips = [
        [x["time_s"], runs[k + 1][0] if k + 1 < len(runs) else end]
        for k, x in enumerate(offs)
        if x["cause"] == "high_pressure_trip"
    ]
    found: list[dict[str, Any]] = []
    for trip in trips:
        if found and trip[0] - found[-1]["end_s"] < TRIPS_APART_S:
            found[-1]["end_s"] = trip[1]
            found[-1]["trips"].append(trip)
        else:
            found.append(
                {"kind": "high_pressure_trip", "start_s": trip[0], "end_s": trip[1], "severity": 1.0, "permanent": False, "trips": [trip]}
            )  # fmt: skip
    return found


def _effect(fault: dict[str, Any], pair: Pair, places: set[str], at_rest_k: float) -> dict[str, Any]:
    t = pair.trace.t
    inside = (t >= fault["start_s"]) & (t <= fault["end_s"])
    minutes = max((fault["end_s"] - fault["start_s"]) / 60.0, 1e-3)

    def mean(name: str) -> float:
        return float(np.mean(pair.trace.values[name][inside] - pair.twin.values[name][inside]))

    def duty(trace: Trace) -> tuple[float, float]:
        on = trace.engaged[round(fault["start_s"] / STEP_S) : round(fault["end_s"] / STEP_S)]
        return float(np.mean(on)), float(np.count_nonzero(np.diff(on.astype(np.int8)) == 1)) / minutes

    (own, starts), (twin, starts_twin) = duty(pair.trace), duty(pair.twin)
    effect = {
        "low_side_kpa": round(mean("low") / 1e3, 1), "high_side_kpa": round(mean("high") / 1e3, 1),
        "vent_c": round(mean("vent"), 1), "duty": round(own, 3), "duty_twin": round(twin, 3),
        "starts_per_min": round(starts, 2), "starts_per_min_twin": round(starts_twin, 2),
    }  # fmt: skip
    on = (own - twin, starts - starts_twin)
    if fault["kind"] == "high_pressure_trip":
        deviations = STRONG
    elif fault["permanent"]:
        deviations = _among_cars(effect, on, _probes(pair, inside, places))
        if fault["kind"] == "non_condensables" and "ambient" in places:
            deviations = float(np.hypot(deviations, at_rest_k / SOAK_K))
    elif fault["kind"] == "condenser_airflow_loss":
        # A loss is as large as the climb that it ends in.
        deviations = float(np.max(_condensing_k(pair, inside))) / WITHIN_K
    else:
        deviations = _in_one_car(fault, effect, on)
    seen = "strong" if deviations >= STRONG else "moderate" if deviations >= MODERATE else "weak"
    return {"effect_vs_healthy_twin": effect | {"deviations": round(deviations, 1)}, "observability": seen}


def _condensing_k(pair: Pair, inside: np.ndarray) -> np.ndarray:
    """How much warmer it condenses than the healthy twin."""
    twin = pair.twin.values["high"][inside]
    return (pair.trace.values["high"][inside] - twin) / (P_SHARE_PER_K * twin)


def _probes(pair: Pair, inside: np.ndarray, places: set[str]) -> list[float]:
    """Subcooling and superheat against the twin's, in their spread, where a probe was clipped on for them."""
    own, twin = pair.trace.values, pair.twin.values
    shares = []
    if "liquid_line" in places:
        k = np.mean(_condensing_k(pair, inside) - own["liquid"][inside] + twin["liquid"][inside])
        shares.append(float(k) / SPREAD["subcooling_k"])
    if "suction_line" in places:
        evaporating = (own["low"][inside] / twin["low"][inside] - 1.0) / P_SHARE_PER_K_LOW
        k = np.mean(own["suction"][inside] - twin["suction"][inside] - evaporating)
        shares.append(float(k) / SPREAD["superheat_k"])
    return shares


def _among_cars(effect: dict[str, float], on: tuple[float, float], probes: list[float]) -> float:
    """How far, in standard deviations, the fault takes the car out of what healthy cars are like."""
    shares = [
        effect["low_side_kpa"] / SPREAD["low_kpa"], effect["high_side_kpa"] / SPREAD["high_kpa"],
        effect["vent_c"] / SPREAD["vent_k"], on[0] / SPREAD["duty"], on[1] / SPREAD["starts_per_min"], *probes,
    ]  # fmt: skip
    return float(np.linalg.norm(shares))


def _in_one_car(fault: dict[str, Any], effect: dict[str, float], on: tuple[float, float]) -> float:
    """The same of what comes and goes: the car before and after tells, so far less shows (2 at half of these, 3 at all)."""
    if fault["kind"] == "valve_hunting":
        return _swings(fault["amplitude_pp_kpa"], fault["amplitude_twin_pp_kpa"])
    largest = max(
        abs(effect["low_side_kpa"]) / 40.0, abs(effect["high_side_kpa"]) / 180.0, abs(effect["vent_c"]) / 4.0,
        abs(on[0]) / 0.3, abs(on[1]) / 3.0,
    )  # fmt: skip
    return MODERATE + (STRONG - MODERATE) * (2.0 * largest - 1.0)


def _swings(own_kpa: float, twin_kpa: float) -> float:
    """How clearly the valve's swing stands out of that which traffic, or a compressor that cycles, makes anyway."""
    more = own_kpa / max(twin_kpa, 1.0)
    if own_kpa < 30.0 or more < SWINGS_MORE:
        return 0.0  # a healthy valve, or the road, swings it as far
    return MODERATE + (STRONG - MODERATE) * min((more - SWINGS_MORE) / (SWINGS_FAR - SWINGS_MORE), 1.0)


def _air_at_rest_k(s: Specimen, pair: Pair) -> float:
    """What air adds to the static pressure before the first start, as saturation temperature; 0 without such a rest."""
    started = np.flatnonzero(pair.trace.engaged)
    rest = slice(0, max(round(started[0] * STEP_S / 0.1) - 10, 0) if len(started) else 0)
    own, twin = (0.5 * (one.values["low"][rest] + one.values["high"][rest]) for one in (pair.trace, pair.twin))
    return float(np.median(own - twin) / (P_SHARE_PER_K * np.median(twin))) if len(own) > 20 else 0.0
