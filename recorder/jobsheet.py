"""The job sheet: what a technician knows of the vehicle, its complaint and the work done on it."""

import json
import math
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

from recorder.errors import InputError

REFRIGERANTS = ("R-134a", "R-1234yf", "R-152a", "R-744")
METERINGS = ("expansion_valve", "fixed_orifice")
COMPRESSORS = ("cycling_clutch", "variable_internal", "variable_external", "electric")
MARK_KINDS = (
    "engine_on",
    "engine_off",
    "ac_on",
    "ac_off",
    "raised_idle",
    "recovery",
    "vacuum",
    "charging",
    "recharged",
    "complaint",
    "repaired",
    "note",
)
LONGEST_TEXT = 4000


@dataclass(frozen=True, slots=True)
class MarkEntry:
    """A mark as a job sheet file gives it: seconds on the scale of the CSV's own ``time_s``."""

    time_s: float
    kind: str
    text: str = ""


@dataclass(frozen=True, slots=True)
class JobSheet:
    """Everything is optional: what is not known stays None and is said to be unknown."""

    name: str | None = None
    customer: str | None = None
    vehicle: str | None = None
    model: str | None = None
    vin: str | None = None
    plate: str | None = None
    odometer_in_km: float | None = None
    odometer_out_km: float | None = None
    order_number: str | None = None
    complaint: str | None = None
    complaint_after_min: float | None = None
    complaint_when: str | None = None
    complaint_ambient_degc: float | None = None
    weather: str | None = None
    refrigerant: str | None = None
    refrigerant_identified_by: str | None = None
    metering: str | None = None
    compressor: str | None = None
    internal_heat_exchanger: bool | None = None
    rear_evaporator: bool | None = None
    receiver: str | None = None
    ports: str | None = None
    rated_charge_kg: float | None = None
    recovered_kg: float | None = None
    recovered_u95_kg: float | None = None
    charged_kg: float | None = None
    fault_codes: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    labour_h: float | None = None
    cause: str | None = None
    correction: str | None = None
    technician: str | None = None
    certificate: str | None = None
    charging_machine: str | None = None
    charging_machine_calibrated_on: str | None = None
    altitude_m: float | None = None
    started_at: str | None = None
    marks: tuple[MarkEntry, ...] = ()

    def __repr__(self) -> str:
        return f"JobSheet({', '.join(f'{name}={value!r}' for name, value in self.to_dict().items())})"

    def to_dict(self) -> dict[str, Any]:
        """Return the known fields as plain JSON values."""
        known: dict[str, Any] = {}
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name == "marks":
                value = [{"time_s": m.time_s, "kind": m.kind, "text": m.text} for m in self.marks]
            elif isinstance(value, tuple):
                value = list(cast("tuple[str, ...]", value))
            if value is not None and value != []:
                known[field.name] = value
        return known


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError("must be text")
    if len(value) > LONGEST_TEXT:
        raise ValueError(f"is longer than {LONGEST_TEXT} characters")
    try:
        value.encode("utf-8")
    except UnicodeEncodeError:
        raise ValueError("holds half a character (a lone surrogate)") from None
    return value


def _texts(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise ValueError("must be a list of texts")
    return tuple(_text(item) for item in cast("list[Any]", value))


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError("must be true or false")
    return value


def _number(low: float, high: float, unit: str) -> Callable[[Any], float]:
    def read(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise ValueError(f"must be a number in {unit}")
        if not low <= value <= high:
            raise ValueError(f"must lie from {low:g} to {high:g} {unit}")
        return float(value)

    return read


def _one_of(choices: Sequence[str]) -> Callable[[Any], str]:
    def read(value: Any) -> str:
        if value not in choices:
            raise ValueError(f"must be one of {', '.join(choices)}")
        return cast("str", value)

    return read


def _refrigerant(value: Any) -> str:
    plain = re.sub(r"[^0-9a-z]", "", _text(value).lower())
    for known in REFRIGERANTS:
        if plain == known.replace("-", "").lower():
            return known
    raise ValueError(f"must be one of {', '.join(REFRIGERANTS)}")


def _moment(value: Any) -> str:
    if isinstance(value, datetime):
        moment = value
    else:
        try:
            moment = datetime.fromisoformat(_text(value))
        except ValueError:
            raise ValueError("must be an ISO 8601 time such as 2026-07-14T09:12:03Z") from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _marks(value: Any) -> tuple[MarkEntry, ...]:
    if not isinstance(value, list):
        raise ValueError("must be a list of {time_s, kind, text}")
    entries: list[MarkEntry] = []
    for index, item in enumerate(cast("list[Any]", value)):
        where = f"mark {index + 1}"
        if not isinstance(item, Mapping):
            raise ValueError(f"{where} must be an object with time_s and kind")
        mark = cast("Mapping[str, Any]", item)
        unknown = sorted(set(mark) - {"time_s", "kind", "text"})
        if unknown:
            raise ValueError(f"{where} has the unknown key '{unknown[0]}'")
        if "time_s" not in mark or mark.get("kind") not in MARK_KINDS:
            raise ValueError(f"{where} needs time_s and a kind out of {', '.join(MARK_KINDS)}")
        time_s = _number(-1e7, 1e7, "s")(mark["time_s"])
        entries.append(MarkEntry(time_s, str(mark["kind"]), _text(mark.get("text") or "")))
    return tuple(sorted(entries, key=lambda entry: entry.time_s))


_kilograms = _number(0.0, 30.0, "kg")
_odometer = _number(0.0, 5e6, "km")

_READERS: dict[str, Callable[[Any], Any]] = {
    "odometer_in_km": _odometer,
    "odometer_out_km": _odometer,
    "complaint_after_min": _number(0.0, 1440.0, "min"),
    "complaint_when": _one_of(("idle", "moving", "always")),
    "complaint_ambient_degc": _number(-50.0, 70.0, "degC"),
    "refrigerant": _refrigerant,
    "metering": _one_of(METERINGS),
    "compressor": _one_of(COMPRESSORS),
    "internal_heat_exchanger": _flag,
    "rear_evaporator": _flag,
    "rated_charge_kg": _kilograms,
    "recovered_kg": _kilograms,
    "recovered_u95_kg": _kilograms,
    "charged_kg": _kilograms,
    "fault_codes": _texts,
    "parts": _texts,
    "labour_h": _number(0.0, 1000.0, "h"),
    "altitude_m": _number(-500.0, 6000.0, "m"),
    "started_at": _moment,
    "marks": _marks,
}
_KEYS = tuple(field.name for field in fields(JobSheet))


def job_sheet_from(values: Mapping[str, Any], source: str) -> JobSheet:
    """Build a job sheet from plain values.

    Parameters
    ----------
    values : mapping
        Keys in snake case; None counts as not known.
    source : str
        What to call the values in a message, usually a file name.

    Raises
    ------
    InputError
        On an unknown key or a value that its field cannot take; the message names both.
    """
    read: dict[str, Any] = {}
    for key, value in values.items():
        if key not in _KEYS:
            raise InputError(
                f"{source}: the job sheet has no key '{key}'. Remove it or use one of: {', '.join(_KEYS)}."
            )
        if value is None:
            continue
        try:
            read[key] = _READERS.get(key, _text)(value)
        except ValueError as reason:
            raise InputError(f"{source}: job sheet key '{key}' {reason}; it is {ascii(value)[:80]}.") from None
    return JobSheet(**read)


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """JSON object whose keys stand once; KeyError names one that does not."""
    values: dict[str, Any] = {}
    for key, value in pairs:
        if key in values:
            raise KeyError(key)
        values[key] = value
    return values


def read_job_sheet(path: Path) -> JobSheet:
    """Read a job sheet file, TOML if its name ends so, else JSON.

    Raises
    ------
    InputError
        If it cannot be read or is no job sheet; the message names file, key and value.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{path}: the job sheet is not UTF-8 text; save it as UTF-8.") from None
    except OSError as reason:
        raise InputError(f"{path}: the job sheet cannot be read ({reason.strerror}).") from None
    try:
        toml = path.suffix.lower() == ".toml"
        values: object = tomllib.loads(text) if toml else json.loads(text, object_pairs_hook=_once_each)
    except (tomllib.TOMLDecodeError, json.JSONDecodeError) as reason:
        raise InputError(f"{path}: the job sheet cannot be read: {reason}.") from None
    except RecursionError:
        raise InputError(f"{path}: the job sheet is nested too deep; it is one object of keys and values.") from None
    except KeyError as reason:
        raise InputError(f"{path}: the job sheet has the key {reason} twice; keep one.") from None
    if not isinstance(values, dict):
        raise InputError(f"{path}: the job sheet must be an object of keys and values.")
    return job_sheet_from(cast("dict[str, Any]", values), str(path))
