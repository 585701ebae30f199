"""The job sheet as a form: fields in groups, what was typed read field by field, faults told beside the field."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from recorder.errors import InputError
from recorder.jobsheet import COMPRESSORS, METERINGS, REFRIGERANTS, JobSheet, job_sheet_from

LONGEST_TYPED = 4000
UNSURE = ("", "not known")


@dataclass(frozen=True, slots=True)
class Field:
    """One field: ``kind`` is text, area, number, date, choice, flag or list; ``choices`` are (value, words)."""

    name: str
    label: str
    kind: str = "text"
    unit: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    hint: str = ""


def _choice(name: str, label: str, *choices: tuple[str, str]) -> Field:
    return Field(name, label, "choice", choices=(UNSURE, *choices))


def _number(name: str, label: str, unit: str, hint: str = "") -> Field:
    return Field(name, label, "number", unit, hint=hint)


_METERING_WORDS = ("expansion valve", "fixed orifice")
_COMPRESSOR_WORDS = (
    "clutch that cycles", "variable, internal control", "variable, external control", "electric",
)  # fmt: skip
GROUPS: tuple[tuple[str, tuple[Field, ...]], ...] = (
    (
        "Vehicle and complaint",
        (
            Field("vehicle", "Vehicle"),
            Field("plate", "Plate"),
            Field("complaint", "Complaint, in the driver's words", "area"),
            _choice("complaint_when", "It happens", ("idle", "standing"), ("moving", "moving"), ("always", "always")),
            _number("complaint_after_min", "after", "min", "minutes after the start"),
        ),
    ),
    (
        "Refrigerant circuit",
        (
            _choice("refrigerant", "Refrigerant", *((name, name) for name in REFRIGERANTS)),
            Field("refrigerant_identified_by", "Identified by", hint="label, identifier"),
            _choice("metering", "Metering device", *zip(METERINGS, _METERING_WORDS, strict=True)),
            _choice("compressor", "Compressor", *zip(COMPRESSORS, _COMPRESSOR_WORDS, strict=True)),
            _number("rated_charge_kg", "Rated charge", "kg"),
            _number("recovered_kg", "Recovered", "kg"),
            _number("recovered_u95_kg", "its uncertainty (95 %)", "kg"),
            _number("charged_kg", "Charged", "kg"),
            Field("internal_heat_exchanger", "Internal heat exchanger", "flag"),
            Field("rear_evaporator", "Rear evaporator", "flag"),
            Field("receiver", "Receiver or accumulator", hint="type, desiccant"),
            Field("ports", "Ports", hint="where they sit"),
            _number("altitude_m", "Altitude", "m"),
        ),
    ),
    (
        "Order",
        (
            Field("customer", "Customer"),
            Field("order_number", "Order number"),
            Field("model", "Make and model"),
            Field("vin", "VIN"),
            _number("odometer_in_km", "Odometer in", "km"),
            _number("odometer_out_km", "Odometer out", "km"),
            Field("weather", "Weather"),
            _number("complaint_ambient_degc", "Ambient when it happens", "°C"),
            Field("fault_codes", "Fault codes", "list", hint="separated by commas"),
            Field("technician", "Technician"),
            Field("certificate", "Certificate"),
            Field("charging_machine", "Charging machine"),
            Field("charging_machine_calibrated_on", "Machine calibrated on", "date", hint="2026-05-04"),
        ),
    ),
    (
        "Work done",
        (
            Field("cause", "Cause", "area"),
            Field("correction", "Correction", "area"),
            Field("parts", "Parts", "list", hint="separated by commas"),
            _number("labour_h", "Labour", "h"),
        ),
    ),
)
FIELDS = {field.name: field for _, fields in GROUPS for field in fields}
_YES_NO = {"yes": True, "no": False}
_DAY_FIRST = re.compile(r"^(\d{1,2})[./](\d{1,2})[./](\d{4})$")
_DECIMAL = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)$")


def read_form(typed: Mapping[str, Any]) -> tuple[JobSheet | None, dict[str, str]]:
    """Read what was typed: the job sheet, or what is wrong by field.

    Unknown fields are refused under the name ``form``.
    """
    values: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for name, text in typed.items():
        field = FIELDS.get(name)
        if field is None or not isinstance(text, str) or len(text) > LONGEST_TYPED:
            wrong[name if field else "form"] = "cannot be read here."
            continue
        try:
            value = _read(field, text.strip())
            if value is not None:
                values[name] = getattr(job_sheet_from({name: value}, "form"), name)
                if isinstance(values[name], tuple):
                    values[name] = list(values[name])
        except (ValueError, InputError) as reason:
            wrong[name] = _plainly(str(reason))
    return (None, wrong) if wrong else (job_sheet_from(values, "form"), {})


def _read(field: Field, text: str) -> Any:
    if not text:
        return None
    if field.kind == "number":
        if not _DECIMAL.match(text):
            raise ValueError(f"is not a number{' in ' + field.unit if field.unit else ''}.")
        return float(text.replace(",", "."))
    if field.kind == "date":
        return _day(text)
    if field.kind == "flag":
        if text not in _YES_NO:
            raise ValueError("is yes, no or not known.")
        return _YES_NO[text]
    if field.kind == "list":
        return [item.strip() for item in text.split(",") if item.strip()]
    return text


def _day(text: str) -> str:
    """A day as 2026-05-04; also 04.05.2026 and 4/5/2026, day before month."""
    match = _DAY_FIRST.match(text)
    try:
        day = date(*(int(part) for part in reversed(match.groups()))) if match else date.fromisoformat(text)
        return day.isoformat()
    except ValueError:
        raise ValueError("is no day such as 2026-05-04.") from None


def _plainly(reason: str) -> str:
    """The reader's reason without where it stands: that is beside the field."""
    match = re.search(r"job sheet key '\w+' (.*); it is .*$", reason, re.DOTALL)
    return f"{match[1]}." if match else reason


def typed_of(job: Mapping[str, Any]) -> dict[str, str]:
    """A job sheet as it would have been typed."""
    shown: dict[str, str] = {}
    for name, value in job.items():
        if name not in FIELDS:
            continue
        if isinstance(value, bool):
            shown[name] = "yes" if value else "no"
        elif isinstance(value, list | tuple):
            shown[name] = ", ".join(str(item) for item in value)  # pyright: ignore[reportUnknownVariableType, reportUnknownArgumentType]
        elif isinstance(value, float):
            shown[name] = f"{value:g}" if abs(value) < 1e5 else f"{value:.0f}"
        else:
            shown[name] = str(value)
    return shown
