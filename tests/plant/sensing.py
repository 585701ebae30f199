"""What the sensors make of a run: lag, conduction, offset, gain, noise, quantum, rate, jitter, loss, units; and faults."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.signal import lfilter

from tests.plant.cars import EXTERNAL
from tests.plant.faults import Faulty
from tests.plant.garage import KEEP_S, Trace

PSI, QUANTA_LOW, QUANTA_HIGH = 6.894757, (0.34, 0.7, 1.7, 3.45), (0.7, 1.7, 3.45, 6.9)
SOURCES = {
    "vent": "vent", "return_air": "return_air", "ambient": "inlet", "suction_line": "suction", "liquid_line": "liquid",
    "discharge_line": "discharge", "evaporator_out": "evaporator_out",
}  # fmt: skip
LAGS = {"vent": (3, 6), "return_air": (5, 6.5), "ambient": (5, 14), "evaporator_out": (4, 10)}


@dataclass
class Sensed:
    """Rows of a CSV (header -> values), what each sensor is, its noise-free reading, and sensor faults."""

    t: np.ndarray
    columns: dict[str, np.ndarray]
    sensors: dict[str, dict[str, float]]
    felt: dict[str, np.ndarray]
    rate_hz: float
    faults: list[dict[str, Any]] = field(default_factory=list)


def lagged(values: np.ndarray, tau_s: float) -> np.ndarray:
    """First-order lag on the grid of the kept values."""
    share = 1.0 - np.exp(-KEEP_S / max(tau_s, 1e-3))
    return lfilter([share], [1.0, share - 1.0], values, zi=[(1.0 - share) * values[0]])[0]


def sense(rng: np.random.Generator, faulty: Faulty, trace: Trace) -> Sensed:
    """Clip sensors on a car and read them."""
    u = rng.uniform
    rate = float(rng.choice([0.5, 1, 2, 4, 5, 10, 20, 50], p=[0.04, 0.14, 0.24, 0.16, 0.22, 0.15, 0.03, 0.02]))
    t = np.arange(0.0, trace.t[-1], 1.0 / rate)
    t = t + np.where(np.arange(len(t)) > 0, rng.normal(0.0, 0.0005, len(t)), 0.0)
    places = _places(rng, faulty)
    sensors: dict[str, dict[str, float]] = {}
    felt: dict[str, np.ndarray] = {}
    columns: dict[str, np.ndarray] = {}
    punit, tunit = str(rng.choice(["psig", "bar", "kPa"])), str(rng.choice(["degC", "degF"], p=[0.75, 0.25]))
    for place in places:
        if place in ("low_side", "high_side"):
            low = place == "low_side"
            true = (trace.values["low" if low else "high"] - trace.gauge_zero) / 1e3
            sensor = {
                "tau_s": u(0.07, 0.2), "offset": float(np.clip(rng.normal(0, 2.4 if low else 6.5), -5, 5) if low else np.clip(rng.normal(0, 6.5), -14, 14)),
                "gain": u(0.994, 1.006), "noise": u(0.35, 1.9) if low else u(1.5, 7.0),
                "quant": float(rng.choice(QUANTA_LOW if low else QUANTA_HIGH)),
            }  # fmt: skip
            felt[place] = lagged(true, sensor["tau_s"])
            seen = felt[place] * sensor["gain"] + sensor["offset"]
        elif place in SOURCES:
            lo, hi = LAGS.get(place, (6, 15))
            pipe = place.endswith("_line")
            sensor = {
                "tau_s": u(lo, hi), "conduction": u(0.03, 0.1) if pipe else u(0.005, 0.03), "offset": u(-0.7, 0.7),
                "gain": 1.0, "noise": u(0.03, 0.15), "quant": float(rng.choice([0.1, 0.1, 0.25, 0.5])),
            }  # fmt: skip
            true = trace.values[SOURCES[place]]
            true = true + sensor["conduction"] * (trace.values["inlet"] + (8.0 if pipe else 1.0) - true)
            felt[place] = lagged(true, sensor["tau_s"])
            seen = felt[place] + sensor["offset"]
        else:
            sensor, seen = _plain(place, faulty, trace)
        sensors[place] = sensor
        read = np.interp(t, trace.t, seen) + rng.normal(0.0, sensor["noise"], len(t))
        columns[place] = read
    sensed = Sensed(t, columns, sensors, felt, rate)
    if faulty.sensor:
        _spoil(rng, faulty, trace, sensed)
    for place, sensor in sensors.items():
        sensed.columns[place] = np.round(sensed.columns[place] / sensor["quant"]) * sensor["quant"]
        if place in ("engine_speed", "vehicle_speed"):
            sensed.columns[place] = np.maximum(sensed.columns[place], 0.0)
    if rng.random() < 0.2:
        keep = rng.random(len(t)) > u(0.0003, 0.004)
        keep[0] = True
        sensed.t = t[keep]
        sensed.columns = {k: v[keep] for k, v in sensed.columns.items()}
    sensed.columns = {_header(k, punit, tunit): _converted(k, v, punit, tunit) for k, v in sensed.columns.items()}
    return sensed


def _places(rng: np.random.Generator, faulty: Faulty) -> list[str]:
    car, drive = faulty.specimen.car, faulty.specimen.drive
    places = ["low_side", "high_side", "vent"]
    if rng.random() < 0.06:
        return places
    chances = [
        ("ambient", 0.95), ("return_air", 0.3), ("suction_line", 0.33), ("liquid_line", 0.36), ("discharge_line", 0.25),
        ("evaporator_out", 0.04), ("clutch", 0.0 if car.compressor == EXTERNAL else 0.68), ("engine_speed", 0.72),
        ("vehicle_speed", 0.0 if drive.kind in ("workshop", "idle", "recharge") else 0.68), ("fan", 0.1),
        ("cooling_request", 0.06),
    ]  # fmt: skip
    return places + [name for name, chance in chances if rng.random() < chance]


def _plain(place: str, faulty: Faulty, trace: Trace) -> tuple[dict[str, float], np.ndarray]:
    """Voltages and bus values."""
    signals, grid = faulty.specimen.drive.signals, faulty.specimen.drive.t
    noise, quant = {"clutch": (0.05, 0.01), "engine_speed": (4.0, 1.0), "vehicle_speed": (0.15, 0.1), "fan": (0.05, 0.01), "cooling_request": (0.0, 1.0)}[place]  # fmt: skip
    if place == "clutch":
        seen = trace.volts[:: round(KEEP_S / 0.05)][: len(trace.t)]
    elif place == "fan":
        seen = 13.8 * np.clip(trace.values["fan"], 0.0, 1.0)
    else:
        name = {"engine_speed": "rpm", "vehicle_speed": "speed", "cooling_request": "cooling"}[place]
        seen = np.interp(trace.t, grid, signals[name])
    return {"tau_s": 0.0, "offset": 0.0, "gain": 1.0, "noise": noise, "quant": quant}, seen


def _spoil(rng: np.random.Generator, faulty: Faulty, trace: Trace, sensed: Sensed) -> None:
    """A fault of one sensor."""
    way, t, u = str(faulty.sensor), sensed.t, rng.uniform
    end = float(t[-1])
    pressure = str(rng.choice(["low_side", "high_side"]))
    place = {"fallen": "vent"}.get(way, pressure)
    if way in ("stuck", "gap") and rng.random() < 0.3:
        place = "vent"
    values = sensed.columns[place]
    base: dict[str, Any] = {
        "kind": "sensor_fault",
        "channel": place,
        "subtype": way,
        "severity": 1.0,
        "permanent": False,
        "observability": "strong",
    }
    if way == "jitter":
        sensed.t = np.maximum.accumulate(t + np.abs(rng.normal(0.0, 0.15 / sensed.rate_hz, len(t))))
        lost = rng.random((len(t), len(sensed.columns))) < 0.002
        for k, name in enumerate(sensed.columns):
            sensed.columns[name][lost[:, k]] = np.nan
        sensed.faults.append(
            {
                **base,
                "start_s": 0.0,
                "end_s": end,
                "channel": "*",
                "subtype": "radio_jitter",
                "permanent": True,
                "optional": True,
            }
        )
        return
    if way in ("stuck", "gap", "spikes"):
        at = faulty.specimen.drive.engine_on_s + float(u(60, 300))
        for _ in range(int(rng.integers(1, 4))):
            length = float({"stuck": u(60, 420), "gap": u(12, 90), "spikes": u(100, 300)}[way])
            inside = np.flatnonzero((t >= at) & (t < at + length))
            if len(inside) < 4 or at + length > end - 20:
                break
            if way == "gap":
                values[inside] = np.nan
            elif way == "stuck":
                values[inside] = values[inside[0]]
            else:
                hit = inside[rng.random(len(inside)) < u(0.03, 0.09)]
                hit = hit[np.diff(hit, prepend=-9) > 2]
                values[hit] += (
                    rng.choice([-1.0, 1.0], len(hit))
                    * rng.uniform(80.0, 700.0, len(hit))
                    * (0.4 if place == "low_side" else 1.0)
                )
            sensed.faults.append(
                {**base, "start_s": round(float(t[inside[0]]), 2), "end_s": round(float(t[inside[-1]]), 2)}
            )
            at += length + float(u(120, 500))
    elif way == "offset":
        by = float(rng.choice([-1, 1]) * (u(30, 70) if place == "low_side" else u(60, 160)))
        sensed.columns[place] = values + by
        # Within twice the class, or without a rest before the start, nothing shows it.
        small = abs(by) < (45.0 if place == "low_side" else 90.0)
        seen = "weak" if small or faulty.specimen.drive.engine_on_s < 8.0 else "strong"
        sensed.faults.append(
            {**base, "start_s": 0.0, "end_s": end, "permanent": True, "offset_kpa": round(by, 1), "observability": seen}
        )
    elif way == "drift":
        start = float(u(150, 500))
        by = float(rng.choice([-1, 1]) * (u(40, 90) if place == "low_side" else u(100, 220)))
        off = faulty.specimen.drive.engine_off_s
        seen = "moderate" if off is not None and end - off > 120.0 else "weak"
        sensed.columns[place] = values + by * np.clip((t - start) / (end - start), 0.0, 1.0)
        sensed.faults.append(
            {**base, "start_s": round(start, 1), "end_s": end, "offset_kpa": round(by, 1), "observability": seen}
        )
    elif way == "fallen":
        start = faulty.specimen.drive.engine_on_s + float(u(250, 700))
        cabin = np.interp(t, trace.t, lagged(trace.values["cabin"], 20.0))
        share = np.clip((t - start) / 6.0, 0.0, 1.0)
        sensed.columns[place] = values * (1.0 - share) + (cabin + 1.0 + rng.normal(0, 0.1, len(t))) * share
        sensed.faults.append({**base, "start_s": round(start, 1), "end_s": end})


def _header(place: str, punit: str, tunit: str) -> str:
    unit = {"clutch": "V", "engine_speed": "1/min", "vehicle_speed": "km/h", "fan": "V", "cooling_request": "0/1"}
    return f"{place} [{punit if place.endswith('_side') else unit.get(place, tunit)}]"


def _converted(place: str, values: np.ndarray, punit: str, tunit: str) -> np.ndarray:
    if place.endswith("_side"):
        return np.round(values / {"psig": PSI, "bar": 100.0, "kPa": 1.0}[punit], {"psig": 2, "bar": 3, "kPa": 1}[punit])
    if place in SOURCES:
        return np.round(values * 1.8 + 32.0 if tunit == "degF" else values, 2)
    return np.round(values, 2)
