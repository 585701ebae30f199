"""The screening table: one row a finding, as Parquet, for any data tool.

A recording has one row an episode, or a single row that says why there is none: no recording is missing from the table.
What belongs to the recording stands on each of its rows. Numbers that cannot be had are null.
"""

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import polars as pl

from recorder.errors import InputError

EPISODE, NONE, ERROR, SKIPPED = "episode", "none", "error", "skipped"
"""What a row is: an episode; a recording that was analysed and has none; one that could not be analysed; one that was
left out on purpose (a second copy of another, or still being recorded). The last two say why in ``error``."""

_WORDS = pl.List(pl.String)
COLUMNS: dict[str, tuple[Any, str]] = {
    "recording_id": (pl.String, "the recording's own id; null where it cannot be read"),
    "path": (pl.String, "folder, relative to the archive, with forward slashes; one recording a path"),
    "row": (pl.String, "episode, none, error or skipped"),
    "kind": (pl.String, "kind of the episode"),
    "channel": (pl.String, "channel that misreads, for a sensor fault"),
    "start_s": (pl.Float64, "start of the episode since the recording's first sample [s]"),
    "end_s": (pl.Float64, "its end [s]"),
    "permanent": (pl.Boolean, "whether it is there throughout rather than at times"),
    "severity": (pl.Float64, "0 to 1"),
    "cause": (pl.String, "the recording's leading cause: the likeliest that is not excluded"),
    "cause_probability": (pl.Float64, "probability of that cause by itself"),
    "standing": (pl.String, "its standing: proven, likely, not excluded"),
    "verdict": (pl.String, "fault_found, no_fault_seen, cannot_tell"),
    "says": (pl.String, "the verdict in a few words"),
    "present_kinds": (_WORDS, "kinds that were found"),
    "absent_kinds": (_WORDS, "kinds that were looked for and are absent"),
    "undecided_kinds": (_WORDS, "kinds that this recording cannot decide: not at risk of being found"),
    "suspected_kinds": (_WORDS, "those of the undecided for which something was seen"),
    "vehicle": (pl.String, "job sheet: the vehicle as people call it"),
    "model": (pl.String, "job sheet: its make and model"),
    "plate": (pl.String, "job sheet"),
    "vin": (pl.String, "job sheet"),
    "odometer_km": (pl.Float64, "job sheet: odometer in, else out [km]"),
    "refrigerant": (pl.String, "job sheet"),
    "metering": (pl.String, "job sheet: expansion_valve or fixed_orifice"),
    "compressor": (pl.String, "job sheet: cycling_clutch, variable_internal, variable_external or electric"),
    "ambient_degc": (pl.Float64, "mean of the ambient channel over the recording [degC]"),
    "started_at": (pl.Datetime("us", "UTC"), "first sample; null where nobody stated the time of day"),
    "recorded_h": (pl.Float64, "length of the recording [h]"),
    "pumped_h": (pl.Float64, "how long the compressor pumped [h]"),
    "exposure_h": (pl.Float64, "exposure that counts for rates: good time under the stated conditions [h]"),
    "sealed": (pl.Boolean, "whether the recording is sealed"),
    "intact": (pl.Boolean, "whether nothing of it is missing or altered"),
    "digest": (pl.String, "digest of its seal"),
    "software": (pl.String, "what analysed it, name and version"),
    "findings_digest": (pl.String, "SHA-256 of its findings document"),
    "error": (pl.String, "why it could not be analysed or was left out"),
}
SCHEMA = pl.Schema({name: dtype for name, (dtype, _) in COLUMNS.items()})


def table_of(rows: Iterable[Mapping[str, Any]]) -> pl.DataFrame:
    """Put rows together as a table; a column that a row does not have is null."""
    return pl.DataFrame([{name: row.get(name) for name in SCHEMA} for row in rows], schema=SCHEMA)


def read_table(path: Path) -> pl.DataFrame:
    """Read a screening table.

    Raises
    ------
    InputError
        If there is no such table, or its columns are not those of this version.
    """
    try:
        table = pl.read_parquet(path)
        return table.select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())
    except FileNotFoundError:
        raise InputError(f"{path}: is not there. Make it first: warmspell screen ARCHIVE --out {path.name}") from None
    except (pl.exceptions.PolarsError, OSError) as reason:
        first = str(reason).splitlines()[0] if str(reason) else "unreadable"
        raise InputError(
            f"{path}: is no screening table of this version ({first}). Screen the archive again."
        ) from None
