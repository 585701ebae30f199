"""Make the JSON Schemas that Warmspell ships from the dataclasses of the documents they describe.

    python -m tests.reference.make_schema analysis/data

Run it after a change of `analysis/findings.py` or of the comparison; a test makes the schemas again and compares.
Types become JSON types, a class's first docstring line its description; closed lists of words stand in WORDS here.
"""

import json
import sys
import types
import typing
from dataclasses import fields, is_dataclass
from pathlib import Path

from analysis import comparison, findings
from analysis.comparison import Comparison
from analysis.findings import Findings
from analysis.uncertainty import Measured

WORDS: dict[tuple[str, str], list[str]] = {
    ("Findings", "verdict"): [findings.FAULT_FOUND, findings.NO_FAULT_SEEN, findings.CANNOT_TELL],
    ("Check", "state"): [findings.PRESENT, findings.ABSENT, findings.UNDECIDED],
    ("Check", "kind"): list(findings.KINDS),
    ("Episode", "kind"): list(findings.KINDS),
    ("Cause", "standing"): [findings.PROVEN, findings.LIKELY, findings.NOT_EXCLUDED, findings.EXCLUDED],
    ("Compressor", "basis"): ["clutch", "pressures", "temperatures", "none"],
    ("Stop", "why"): [
        *("engine_off", "driver", "control", "high_pressure_trip", "full_throttle_cut", "dropout", "not_recorded"),
        "engine_protection",
        "unknown",
    ],
    ("Stop", "cooling_stopped"): ["commanded", "electrical", "mechanical", "not decidable"],
    ("Expected", "state"): ["inside", "outside", "within its uncertainty of the limit", "not measured"],
    ("Comparison", "verdict"): [comparison.REPAIRED, comparison.NOT_REPAIRED, comparison.CANNOT_TELL],
    ("Side", "verdict"): [findings.FAULT_FOUND, findings.NO_FAULT_SEEN, findings.CANNOT_TELL],
    ("Difference", "state"): [
        comparison.HIGHER,
        comparison.LOWER,
        comparison.NO_DIFFERENCE,
        comparison.NOT_COMPARED,
    ],
    ("Circumstance", "factor"): ["road_speed", "since_start", "ambient", "engine_speed"],
}
FROM_ZERO = ("start_s", "end_s", "at_s", "exposure_s", "duration_s", "under_s", "outside_s", "matched_s")
SHARES = ("severity", "probability", "missing", "p", "p_adjusted")
MEASURED = {
    "description": "A number with its expanded uncertainty (k = 2, JCGM 100), or null with the reason why.",
    "oneOf": [
        {
            "type": "object",
            "properties": {"value": {"type": "number"}, "u95": {"type": ["number", "null"]}},
            "required": ["value", "u95"],
            "additionalProperties": False,
        },
        {
            "type": "object",
            "properties": {"value": {"type": "null"}, "why": {"type": "string", "minLength": 1}},
            "required": ["value", "why"],
            "additionalProperties": False,
        },
    ],
}
CHANNELS = {
    "type": "array",
    "items": {
        "type": "object",
        "properties": {
            "place": {"type": "string"},
            "unit": {"type": "string"},
            "rate_hz": {"type": ["number", "null"]},
            "missing": {"type": ["number", "null"]},
        },
        "required": ["place", "unit", "rate_hz", "missing"],
        "additionalProperties": False,
    },
}
PLAIN = {str: "string", int: "integer", bool: "boolean", type(None): "null", float: "number"}


class Maker:
    """Schema of one document: its own properties, and a definition for each class they use."""

    def __init__(self) -> None:
        self._definitions: dict[str, dict[str, object]] = {}

    def document(self, title: str, top: type, version: int) -> dict[str, object]:
        """The whole schema of a document."""
        described = self._object(top)
        described["properties"] = {"schema": {"const": version}, **described["properties"]}
        described["required"] = list(described["properties"])
        return {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": title,
            **described,
            "$defs": dict(sorted(self._definitions.items())),
        }

    def _object(self, cls: type) -> dict[str, typing.Any]:
        hints = typing.get_type_hints(cls)
        properties = {f.name: self._type(hints[f.name], cls.__name__, f.name) for f in fields(cls)}
        if cls is findings.About:
            properties["channels"] = CHANNELS
        return {
            "description": (cls.__doc__ or "").split("\n")[0],
            "type": "object",
            "properties": properties,
            "required": list(properties),
            "additionalProperties": False,
        }

    def _type(self, hint: typing.Any, owner: str = "", name: str = "") -> dict[str, typing.Any]:
        if (owner, name) in WORDS:
            return {"enum": WORDS[owner, name]}
        if is_dataclass(hint):
            return self._reference(hint)
        origin, inner = typing.get_origin(hint), typing.get_args(hint)
        if origin is tuple and inner[-1] is Ellipsis:
            return {"type": "array", "items": self._type(inner[0])}
        if origin is tuple:
            items = [self._type(item) for item in inner]
            return {"type": "array", "prefixItems": items, "items": False, "minItems": len(items)}
        if origin is dict:
            free = {} if inner[1] is typing.Any else {"additionalProperties": self._type(inner[1])}
            return {"type": "object", **free}
        if origin in (types.UnionType, typing.Union):
            return {"anyOf": [self._type(item, owner, name) for item in inner]}
        plain: dict[str, typing.Any] = {"type": PLAIN[hint]}
        if hint is int or (hint is float and name in FROM_ZERO):
            plain["minimum"] = 0
        if hint is float and name in SHARES:
            plain.update(minimum=0, maximum=1)
        return plain

    def _reference(self, cls: type) -> dict[str, str]:
        if cls.__name__ not in self._definitions:
            self._definitions[cls.__name__] = {}
            self._definitions[cls.__name__] = MEASURED if cls is Measured else self._object(cls)
        return {"$ref": f"#/$defs/{cls.__name__}"}


def schemas() -> dict[str, str]:
    """The text of each schema file by its name."""
    made = {
        "findings.schema.json": Maker().document("Warmspell findings, schema 1", Findings, findings.SCHEMA_VERSION),
        "comparison.schema.json": Maker().document(
            "Warmspell comparison, schema 1", Comparison, comparison.COMPARISON_VERSION
        ),
    }
    return {name: json.dumps(document, indent=1, ensure_ascii=False) + "\n" for name, document in made.items()}


def main() -> None:
    """Write the schemas."""
    for name, text in schemas().items():
        (Path(sys.argv[1]) / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
