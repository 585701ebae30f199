"""Sensors on the plant: first-order lag, offset, gain, noise and the step of the node's converter."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from recorder.node import MISSING_INT32, Channel


@dataclass(frozen=True)
class Probe:
    """One channel, and how its sensor errs: lag [s], offset, gain error and noise in the channel's unit."""

    channel: Channel
    source: str
    lag_s: float
    offset: float
    gain: float
    noise: float


def pressure(place: str, source: str, full_scale_kpa: float, serial: str, offset: float, noise: float) -> Probe:
    """Ratiometric 0.5-4.5 V transducer read in steps of 0.1 mV; accuracy 0.5 % of full scale."""
    scale = full_scale_kpa / 4.0 * 1e-4
    channel = Channel(
        place,
        "kPa",
        "vented_gauge",
        range_low=0.0,
        range_high=full_scale_kpa,
        accuracy=0.005 * full_scale_kpa,
        scale=scale,
        offset=-0.125 * full_scale_kpa,
        raw_unit="0.1 mV",
        time_constant_s=0.1,
        sensor=f"ratiometric transducer, {full_scale_kpa / 100:.0f} bar",
        serial_number=serial,
        calibrated_on="2026-05-04",
    )
    return Probe(channel, source, 0.1, offset, 0.001, noise)


def temperature(place: str, source: str, lag_s: float, serial: str, offset: float) -> Probe:
    """Type T thermocouple, class 1, read in steps of 0.01 K."""
    channel = Channel(
        place,
        "degC",
        range_low=-40.0,
        range_high=125.0,
        accuracy=0.5,
        scale=0.01,
        raw_unit="0.01 degC",
        time_constant_s=lag_s,
        sensor="type T thermocouple, class 1",
        serial_number=serial,
        calibrated_on="2026-05-04",
    )
    return Probe(channel, source, lag_s, offset, 0.0, 0.06)


def plain(place: str, source: str, unit: str, scale: float, accuracy: float, noise: float) -> Probe:
    """A voltage or a bus value."""
    return Probe(
        Channel(place, unit, accuracy=accuracy, scale=scale, raw_unit=f"{scale:g} {unit}"), source, 0.0, 0.0, 0.0, noise
    )


def read(probe: Probe, true: np.ndarray, step_s: float, rng: np.random.Generator) -> np.ndarray:
    """Raw int32 readings of a probe on true values in the channel's unit."""
    seen = true
    if probe.lag_s > 0:
        share = 1.0 - np.exp(-step_s / probe.lag_s)
        seen = lfilter([share], [1.0, share - 1.0], true, zi=[(1.0 - share) * true[0]])[0]
    seen = seen * (1.0 + probe.gain) + probe.offset + rng.normal(0.0, probe.noise, len(seen))
    raw = np.rint((seen - probe.channel.offset) / probe.channel.scale)
    return np.clip(raw, MISSING_INT32 + 1, 2**31 - 1).astype(np.int32)
