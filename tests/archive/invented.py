"""Invented archives: a screening table of vehicles drawn at random, with patterns planted or with none."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from analysis.archive.rows import EPISODE, NONE, table_of
from analysis.findings import KINDS

LOOKED_FOR = tuple(kind for kind in KINDS if kind != "sensor_fault")
MODELS = tuple(f"Invented {name}" for name in ("Alder", "Birch", "Cedar", "Elm", "Hazel", "Maple", "Rowan", "Willow"))
SHARE = 0.12
"""Of the vehicles examined for a kind, those that have it while nothing goes with anything."""
UNDECIDED = 0.15


def invented(
    seed: int,
    vehicles: int = 400,
    planted: Mapping[tuple[str, str], float] | None = None,
    mileage_odds: Mapping[str, float] | None = None,
    again: float = 0.4,
) -> pl.DataFrame:
    """A screening table.

    Parameters
    ----------
    planted : mapping of (kind, model) to float
        By how much the odds of a kind are raised in a model.
    mileage_odds : mapping of kind to float
        By how much the odds of a kind rise with every 100 000 km.
    again : float
        Share of the vehicles that come back, with what they had before.
    """
    random = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    start = datetime(2026, 1, 1, tzinfo=UTC)
    for number in range(vehicles):
        model = MODELS[random.integers(len(MODELS))]
        odometer = float(random.uniform(0, 300_000))
        about = {
            "vin": f"INVENTED{number:09d}",
            "plate": f"HV {number:04d}",
            "model": model,
            "odometer_km": odometer,
            "refrigerant": ("R-134a", "R-1234yf")[random.integers(2)],
            "metering": ("expansion_valve", "fixed_orifice")[random.integers(2)],
            "compressor": ("cycling_clutch", "variable_internal", "electric")[random.integers(3)],
            "ambient_degc": float(random.uniform(5, 42)),
        }
        odds = np.full(len(LOOKED_FOR), SHARE / (1 - SHARE))
        for i, kind in enumerate(LOOKED_FOR):
            odds[i] *= (planted or {}).get((kind, model), 1.0)
            odds[i] *= (mileage_odds or {}).get(kind, 1.0) ** ((odometer - 150_000) / 100_000)
        has = random.random(len(LOOKED_FOR)) < odds / (1 + odds)
        for visit in range(1 + (random.random() < again)):
            open_ = random.random(len(LOOKED_FOR)) < UNDECIDED
            present = [kind for kind, h, o in zip(LOOKED_FOR, has, open_, strict=True) if h and not o]
            rows.append({
                "recording_id": f"{number}-{visit}",
                "path": f"{number}-{visit}",
                "row": EPISODE if present else NONE,
                "kind": present[0] if present else None,
                "present_kinds": present,
                "absent_kinds": [k for k, h, o in zip(LOOKED_FOR, has, open_, strict=True) if not h and not o],
                "undecided_kinds": [k for k, o in zip(LOOKED_FOR, open_, strict=True) if o],
                "started_at": start + timedelta(days=number % 300 + 40 * visit),
                **about,
            })  # fmt: skip
            rows += [{**rows[-1], "kind": kind} for kind in present[1:]]
    return table_of(rows)
