"""A CSV to a sealed recording."""

import csv
import hashlib
import json
import re
import shutil
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from recorder.errors import InputError
from recorder.jobsheet import JobSheet
from recorder.marks import Mark, append_mark, utc_ns_of
from recorder.node import Channel
from recorder.places import POSSIBLE, STORED_UNIT, place_of
from recorder.recording import Stream
from recorder.sealing import write_sealed
from recorder.store import new_folder, software
from recorder.streams import stored_values
from recorder.units import Unit, unit_named

_HEADER = re.compile(r"^\s*(?P<place>[^\[\]]+?)\s*(?:\[(?P<unit>[^\[\]]*)\])?\s*$")
_ZERO_ONE = "0/1"
STREAM = "import"
LARGEST_RAW = (-3e38, 3e38)
LONGEST_S = 1e8
EARLIEST, LATEST = "1990", "2100"
_ISO_TIME = r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}"


@dataclass(frozen=True, slots=True)
class _Column:
    header: str
    channel_id: str
    unit: Unit


def parse_map(entries: tuple[str, ...]) -> dict[str, str]:
    """Read ``--map "Suction=low_side [psig]"`` options as header -> place [unit]; raises InputError on others."""
    mapped: dict[str, str] = {}
    for entry in entries:
        header, equals, target = entry.partition("=")
        if not equals or not target.strip():
            raise InputError(f'--map "{entry}": write HEADER=place [unit], as in "Suction=low_side [psig]".')
        mapped[header.strip()] = target.strip()
    return mapped


def _columns(headers: list[str], mapped: dict[str, str], source: str) -> list[_Column]:
    unused = set(mapped) - set(headers)
    if unused:
        raise InputError(f"{source}: --map names the header '{min(unused)}', which line 1 does not have.")
    columns: list[_Column] = []
    for number, header in enumerate(headers, start=2):
        where = f"{source}, line 1, column {number} ('{header}')"
        match = _HEADER.match(mapped.get(header, header))
        if match is None:
            raise InputError(f"{where}: write the header as 'place [unit]', for example 'low_side [psig]'.")
        try:
            place = place_of(match["place"])
            unit = _unit(match["unit"], place.quantity)
        except InputError as reason:
            raise InputError(f'{where}: {reason} Rename it or use --map "{header}=place [unit]".') from None
        if unit.quantity != place.quantity:
            stored = STORED_UNIT[place.quantity]
            raise InputError(f"{where}: '{unit.symbol}' is no unit of {place.quantity} (stored in {stored}).")
        if any(column.channel_id == match["place"] for column in columns):
            raise InputError(f"{where}: '{match['place']}' stands twice; call the second {match['place']}_2.")
        columns.append(_Column(header, match["place"], unit))
    return columns


def _unit(symbol: str | None, quantity: str) -> Unit:
    if quantity == "state" and symbol in (None, "", _ZERO_ONE):
        return unit_named("1")
    if not symbol:
        raise InputError("the unit is missing.")
    return unit_named(symbol.strip())


def _read_text(path: Path) -> tuple[list[str], pl.DataFrame]:
    """Headers and cells of a CSV, all as text."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            headers = [header.strip() for header in next(csv.reader(file), list[str]())]
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not UTF-8 text; save it as a UTF-8 CSV.") from None
    except (OSError, csv.Error) as reason:
        raise InputError(f"{path}: cannot be read ({reason}).") from None
    with path.open("rb") as file:
        beginning = file.read(65536)
    if b"\r" in beginning and b"\n" not in beginning:
        raise InputError(f"{path}: its lines end in CR alone; save it with LF or CRLF line ends.")
    if not any(headers):
        raise InputError(f"{path}: is empty. A CSV needs a header line such as: time_s,low_side [psig],vent [degF]")
    if headers[0] not in ("time_s", "time"):
        hint = " Separate columns by commas." if ";" in headers[0] or "\t" in headers[0] else ""
        raise InputError(f"{path}, line 1: the first column must be 'time_s' or 'time', not '{headers[0]:.40}'.{hint}")
    if len(headers) < 2:
        raise InputError(f"{path}, line 1: there is no channel beside the time.")
    names = [f"c{index}" for index in range(len(headers))]
    try:
        cells = pl.read_csv(path, has_header=False, skip_rows=1, new_columns=names, infer_schema=False, encoding="utf8")
    except pl.exceptions.NoDataError:
        raise InputError(f"{path}: has a header but no samples below it.") from None
    except (pl.exceptions.PolarsError, OSError):
        raise InputError(_first_wrong_line(path, len(headers))) from None
    if cells.width != len(headers):
        raise InputError(
            f"{path}: line 1 has {len(headers)} columns, the lines below have {cells.width}; make them agree."
        )
    return headers, cells


def _first_wrong_line(path: Path, width: int) -> str:
    """Where a file stops being a CSV of so many columns; only called once reading has failed."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        lines = csv.reader(file, strict=True)
        try:
            for row in lines:
                if len(row) not in (0, width):
                    return (
                        f"{path}, line {lines.line_num}: has {len(row)} columns, line 1 has {width}; make them agree."
                    )
                if not row and lines.line_num == 2:
                    return f"{path}, line 2: is empty; take it out."
        except csv.Error as reason:
            return f"{path}, line {lines.line_num}: is no line of a CSV ({reason}); mend its quotes."
    return f"{path}: cannot be read as a CSV of {width} columns."


def _numbers(cells: pl.DataFrame, column: int, header: str, path: Path) -> NDArray[np.float64]:
    text = cells.to_series(column).str.strip_chars()
    numbers = text.cast(pl.Float64, strict=False)
    wrong = (numbers.is_null() & text.is_not_null() & (text != "")).arg_true()
    if len(wrong):
        row = int(wrong[0])
        raise InputError(
            f"{path}, line {row + 2}, column {column + 1} ('{header}'): '{text[row]:.40}' is no number. "
            "Leave the cell empty for a missing sample; write a decimal point, not a comma."
        )
    return numbers.to_numpy().astype(np.float64)


def _times(cells: pl.DataFrame, header: str, path: Path) -> tuple[NDArray[np.float64], int | None]:
    """Seconds of each row, and the UTC [ns] of second 0 where the file tells it."""
    if header == "time_s":
        seconds = _numbers(cells, 0, header, path)
    else:
        text = cells.to_series(0).str.strip_chars()
        possible = text.str.contains(_ISO_TIME) & (text > EARLIEST) & (text < LATEST)
        moments = text.str.to_datetime(strict=False, time_unit="ns", time_zone="UTC")
        wrong = (moments.is_null() | ~possible.fill_null(value=False)).arg_true()
        if len(wrong):
            row = int(wrong[0])
            raise InputError(
                f"{path}, line {row + 2}: '{text[row]}' is no ISO 8601 time such as 2026-07-14T09:12:03.5Z."
            )
        utc_ns = moments.cast(pl.Int64).to_numpy()
        return (utc_ns - utc_ns[0]) / 1e9, int(utc_ns[0])
    missing = np.flatnonzero(~np.isfinite(seconds))
    if len(missing):
        raise InputError(f"{path}, line {missing[0] + 2}: has no time; every row needs one.")
    far = np.flatnonzero(np.abs(seconds - seconds[0]) > LONGEST_S)
    if len(far):
        raise InputError(f"{path}, line {far[0] + 2}: {seconds[far[0]]:g} s is no time within a drive; mend it.")
    return seconds, None


def import_csv(path: Path, job: JobSheet, out: Path, mapped: dict[str, str]) -> Path:
    """Bring a CSV in as a sealed recording.

    Parameters
    ----------
    path : Path
        The CSV: first column ``time_s`` or an ISO 8601 ``time``, then ``place [unit]``.
    job : JobSheet
        What is known of the vehicle; its marks become the recording's.
    out : Path
        Folder that receives the recording's own folder.
    mapped : dict
        Header -> ``place [unit]``, for headers in other words.

    Returns
    -------
    Path
        The sealed recording.

    Raises
    ------
    InputError
        If the file is at fault; nothing half-written stays.
    """
    headers, cells = _read_text(path)
    columns = _columns(headers[1:], mapped, str(path))
    seconds, utc_ns = _times(cells, headers[0], path)
    values = [_numbers(cells, index, column.header, path) for index, column in enumerate(columns, start=1)]
    timed = utc_ns is not None or job.started_at is not None
    if utc_ns is None:
        started = job.started_at
        utc_ns = utc_ns_of(started) if started else path.stat().st_mtime_ns // 10**9 * 10**9
    stream, beyond = _stream(columns, seconds, values, utc_ns)
    digest = hashlib.sha256(path.read_bytes() + json.dumps(job.to_dict(), sort_keys=True).encode()).hexdigest()
    identity = str(uuid.uuid5(uuid.NAMESPACE_OID, digest))
    folder = new_folder(out, utc_ns, job.name or path.stem)
    try:
        for entry in job.marks:
            at_ns = utc_ns + round((entry.time_s - float(seconds[0])) * 1e9)
            append_mark(folder, Mark(at_ns, entry.kind, entry.text))
        nodes: list[dict[str, Any]] = [
            {"name": STREAM, "description": None, "clock": [], "counters": {"rows": cells.height, **beyond}}
        ]
        origin = f"imported from {path.name}"
        write_sealed(folder, identity, job, (stream,), nodes, [], software(), origin, timed=timed)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return folder


def _stream(
    columns: list[_Column], seconds: NDArray[np.float64], values: list[NDArray[np.float64]], utc_ns: int
) -> tuple[Stream, dict[str, int]]:
    """Rows in the file's order; each backward step of time begins a new segment (``boot``).

    What no sensor can say (below vacuum, above any range) stays as sent in the raw column and is missing in the other;
    the second part counts it by channel.
    """
    tick_us = np.rint((seconds - seconds[0]) * 1e6).astype(np.int64)
    boot = np.concatenate([[0], np.cumsum(np.diff(tick_us) < 0)]).astype(np.int32)
    steps = np.diff(tick_us)
    usual_us = float(np.median(steps[steps > 0])) if (steps > 0).any() else 1e6
    data: dict[str, pl.Series | NDArray[np.generic]] = {
        "t": pl.Series(utc_ns + tick_us * 1000, dtype=pl.Datetime("ns", "UTC")),
        "tick_us": tick_us,
        "seq": np.arange(len(tick_us), dtype=np.int64),
        "boot": boot,
    }
    channels: list[Channel] = []
    beyond: dict[str, int] = {}
    for column, raw in zip(columns, values, strict=True):
        unit = column.unit
        channels.append(
            Channel(
                column.channel_id,
                STORED_UNIT[unit.quantity],
                unit.reference,
                scale=unit.scale,
                offset=unit.offset,
                raw_unit=unit.symbol,
            )
        )
        low, high = POSSIBLE[unit.quantity]
        possible = (raw * unit.scale + unit.offset >= low) & (raw * unit.scale + unit.offset <= high)
        outside = int(np.count_nonzero(np.isfinite(raw) & ~possible))
        if outside:
            beyond[f"out_of_range_{column.channel_id}"] = outside
        data[column.channel_id] = stored_values(np.where(possible, raw, np.nan), unit.scale, unit.offset)
        data[f"raw_{column.channel_id}"] = pl.Series(np.clip(raw, *LARGEST_RAW).astype(np.float32), nan_to_null=True)
    order = {
        name: data[name]
        for name in (
            "t",
            "tick_us",
            "seq",
            "boot",
            *(c.id for c in channels),
            *(f"raw_{c.id}" for c in channels),
        )
    }
    return Stream(STREAM, round(1e6 / usual_us, 4), tuple(channels), pl.DataFrame(order)), beyond
