"""The zero check before the test: pressure sensors in open air, temperature probes in one and the same air."""

import contextlib
from typing import Any

import numpy as np

from analysis.timeline import standard_atmosphere_kpa
from recorder.calibrate import calibrations_path, known_calibrations
from recorder.calibration_file import file_values, read_calibrations
from recorder.calibration_results import ATMOSPHERE_U95_KPA, Known, Result, one_point
from recorder.errors import InputError
from recorder.links import link_to
from recorder.measuring import Measured, listen, stretch
from recorder.recalibration import recalibrated
from recorder.recording import Recording
from recorder.sealing import write_json

LISTENS_S = 5.0


def check(address: str, altitude_m: float, keep: list[str], on: str) -> dict[str, Any]:
    """Listen to a node and tell how far its sensors are off.

    Parameters
    ----------
    address : str
        Where the node speaks.
    altitude_m : float
        For sensors that read absolute pressure: open air is the standard atmosphere there, within the weather.
    keep : list of str
        Pressure channels whose zero is to be corrected by what is read now.
    on : str
        Now, ISO 8601.

    Raises
    ------
    InputError
        If nothing is there, or nothing was received.
    """
    absent = link_to(address).absent
    if absent is not None:
        raise InputError(absent)
    heard = listen(address, LISTENS_S)
    with contextlib.suppress(InputError):  # none of the known calibrations is of these sensors
        heard = recalibrated(heard, known_calibrations())
    names = [f"{stream.id}:{channel.id}" for stream in heard.streams for channel in stream.channels]
    pressures = [_pressure(heard, name, altitude_m, keep, on) for name in names if _quantity(heard, name) == "pressure"]
    return {"pressures": [row for row in pressures if row], "temperatures": _temperatures(heard, names)}


def _quantity(heard: Recording, name: str) -> str:
    stream, _, channel = name.partition(":")
    return next(c.quantity for s in heard.streams if s.id == stream for c in s.channels if c.id == channel)


def _pressure(heard: Recording, name: str, altitude_m: float, keep: list[str], on: str) -> dict[str, Any] | None:
    channel = name.partition(":")[2]
    if channel.startswith("barometer"):
        return None
    try:
        measured = stretch(heard, name)
        result = one_point(measured, _open_air(measured, altitude_m), "zero", on)
    except InputError as reason:
        return {"channel": channel, "says": str(reason).partition(": ")[2] or str(reason)}
    kept = channel in keep
    if kept:
        _keep(result)
    u95 = result.uncertainty.expanded
    accuracy = measured.channel.accuracy
    return {
        "channel": channel,
        "error_kpa": round(result.error, 2),
        "u95_kpa": round(u95, 2),
        "accuracy_kpa": accuracy,
        "good": accuracy is not None and abs(result.error) <= accuracy + u95,
        "kept": kept,
    }


def _open_air(measured: Measured, altitude_m: float) -> Known:
    channel = measured.channel
    if channel.reference == "vented_gauge":
        return Known(0.0)
    return Known(standard_atmosphere_kpa(altitude_m) - (channel.sealed_at_kpa or 0.0), ATMOSPHERE_U95_KPA)


def _keep(result: Result) -> None:
    path = calibrations_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    write_json(path, file_values((*read_calibrations(path), result.known)))


def _temperatures(heard: Recording, names: list[str]) -> list[dict[str, Any]]:
    """Each probe against the middle of all: in the same air they must agree."""
    read: list[tuple[str, Measured]] = []
    for name in names:
        if _quantity(heard, name) == "temperature" and not name.partition(":")[2].startswith("cold_junction"):
            with contextlib.suppress(InputError):
                read.append((name.partition(":")[2], stretch(heard, name)))
    if len(read) < 2:
        return []
    middle = float(np.median([measured.corrected for _, measured in read]))
    return [
        {
            "channel": channel,
            "degc": round(measured.corrected, 2),
            "off_k": round(measured.corrected - middle, 2),
            "accuracy_k": measured.channel.accuracy,
        }
        for channel, measured in read
    ]
