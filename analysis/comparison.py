"""The comparison document: before beside after, what a sheet or a page draws.

Its JSON Schema is shipped as ``data/comparison.schema.json``. A number that could not be had is null with its reason.
"""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from analysis.findings import Rate, plain
from analysis.uncertainty import Measured

COMPARISON_VERSION = 1
SCHEMA_FILE = Path(__file__).parent / "data" / "comparison.schema.json"
REPAIRED, NOT_REPAIRED, CANNOT_TELL = "repaired_shown", "not_repaired", "cannot_tell"
HIGHER, LOWER, NO_DIFFERENCE, NOT_COMPARED = "higher", "lower", "no difference shown", "not compared"


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two recordings."""

    id: str
    name: str
    started_at: str | None
    duration_s: float
    sealed: bool
    intact: bool
    digest: str | None
    verdict: str
    kinds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Conditions:
    """Cooling time of a set of like conditions before and after; ``why`` says why it was not matched, if it was not."""

    says: str
    before_s: float
    after_s: float
    why: str | None


@dataclass(frozen=True, slots=True)
class Difference:
    """A quantity before and after over matched stretches; pressures gauge.

    ``state`` is ``higher``, ``lower``, ``no difference shown`` (within its u95) or ``not compared``.
    """

    quantity: str
    says: str
    unit: str
    before: Measured
    after: Measured
    difference: Measured
    state: str
    matched_s: float


@dataclass(frozen=True, slots=True)
class Spells:
    """Spells at fault over matched good time before and after, and the exact test that their rate fell.

    ``ratio_low`` and ``ratio_high`` are the exact 95 % limits of the rate after over the rate before. ``needed_s`` is
    how much more driving without a spell, mixed as after, would show at 95 % that the rate fell.
    """

    before: Rate
    after: Rate
    left_out_before: int
    left_out_after: int
    p_fell: float | None
    ratio_low: float | None
    ratio_high: float | None
    needed_s: float | None
    needed_under: str | None
    says: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Before beside after; ``to_dict`` gives the document."""

    before: Side
    after: Side
    notes: tuple[str, ...]
    conditions: tuple[Conditions, ...]
    not_matched: tuple[str, ...]
    differences: tuple[Difference, ...]
    spells: Spells
    verdict: str
    verdict_why: str

    def to_dict(self) -> dict[str, Any]:
        """Return the document as plain JSON values."""
        return {"schema": COMPARISON_VERSION, **cast("dict[str, Any]", plain(self))}

    def to_json(self) -> str:
        """Return the document as JSON text."""
        return json.dumps(self.to_dict(), indent=1, ensure_ascii=False, allow_nan=False)
