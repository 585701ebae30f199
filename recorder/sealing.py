"""Sealing a recording: streams, then ``recording.json``, then ``seal.json`` with the hash of every file."""

import contextlib
import json
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from recorder.amendments import AMENDMENTS_FILE
from recorder.durable import force_folder, put_in_place, write_durably
from recorder.errors import InputError, StoreError
from recorder.files import OPENING_FILE, PHOTOS_FOLDER, RECORDING_FILE, STOP_FILE
from recorder.hashes import SEAL_FILE, check_seal, digest_over, json_object, sha256_of
from recorder.jobsheet import JobSheet
from recorder.marks import MARKS_FILE, Mark, iso_utc, read_marks
from recorder.recording import (
    SCHEMA,
    Stream,
    marks_in_recording_time,
    node_entry,
    origin_of,
    photo_files,
    read_opening,
    read_unsealed_nodes,
)

SEALED_LEVEL, PART_LEVEL = 14, 3
"""zstd levels: what is kept is packed well, once; a part is written while recording and soon replaced (measured)."""
ROW_GROUP = 100_000


def write_json(path: Path, values: dict[str, Any]) -> None:
    """Write a JSON file durably."""
    write_durably(path, (json.dumps(values, indent=1, ensure_ascii=False, sort_keys=True) + "\n").encode())


def write_parquet(path: Path, data: pl.DataFrame, level: int = SEALED_LEVEL) -> None:
    """Write rows as Parquet durably: sorted by time within a boot, zstd, with statistics."""
    aside = path.with_name(path.name + ".aside")
    data.write_parquet(aside, compression="zstd", compression_level=level, statistics=True, row_group_size=ROW_GROUP)
    put_in_place(aside, path)


def write_sealed(
    folder: Path,
    identity: str,
    job: JobSheet,
    streams: tuple[Stream, ...],
    nodes: list[dict[str, Any]],
    marks: list[Mark],
    software: str,
    origin: str | None = None,
    *,
    timed: bool = True,
) -> str:
    """Write streams, ``recording.json`` and the seal; return the digest over all files.

    ``timed`` is False where nobody stated the time of day (a CSV of seconds): it is then told as not stated.
    """
    for stream in streams:
        write_parquet(folder / f"{stream.id}.parquet", stream.data)
    filled = [stream.data["t"] for stream in streams if stream.data.height]
    edges = [int(t.cast(pl.Int64).min()) for t in filled], [int(t.cast(pl.Int64).max()) for t in filled]  # pyright: ignore[reportArgumentType]
    about: dict[str, Any] = {
        "schema": SCHEMA,
        "id": identity,
        "started_at": iso_utc(min(edges[0])) if filled else None,
        "ended_at": iso_utc(max(edges[1])) if filled else None,
        "job_sheet": job.to_dict(),
        "nodes": nodes,
        "streams": [
            {
                "id": stream.id,
                "file": f"{stream.id}.parquet",
                "rate_hz": stream.rate_hz,
                "rows": stream.data.height,
                "channels": [channel.to_dict() for channel in stream.channels],
            }
            for stream in streams
        ],
        "mark_times_utc": {str(m.monotonic_ns): iso_utc(m.utc_ns) for m in marks if m.monotonic_ns is not None},
        "software": software,
        "origin": origin,
        "time_of_day_stated": timed,
    }
    write_json(folder / RECORDING_FILE, about)
    return _write_seal(folder, [f"{stream.id}.parquet" for stream in streams])


def _write_seal(folder: Path, stream_files: list[str]) -> str:
    names = [RECORDING_FILE, *stream_files]
    names += [MARKS_FILE] if (folder / MARKS_FILE).exists() else []
    names += [name for _, name in photo_files(folder)]
    files = {name: sha256_of(folder / name) for name in names}
    digest = digest_over(files)
    # SOURCE_DATE_EPOCH (reproducible builds) lets the shipped recordings be made again byte for byte.
    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    moment = datetime.fromtimestamp(int(epoch), UTC) if epoch else datetime.now(UTC)
    sealed_at = moment.isoformat(timespec="seconds").replace("+00:00", "Z")
    write_json(folder / SEAL_FILE, {"schema": SCHEMA, "files": files, "digest": digest, "sealed_at": sealed_at})
    return digest


def seal(folder: Path, software: str) -> str:
    """Seal a recording that was under way or was cut off.

    Returns the digest over all files. A recording that has its seal already is left as it is; what a cut-off sealing
    left beside its intact seal is removed.

    Raises
    ------
    InputError
        If there is nothing to seal; as StoreError where the disk takes no more.
    """
    if (folder / SEAL_FILE).exists():
        digest, damage = check_seal(folder)
        if digest is not None and not damage and (folder / OPENING_FILE).exists():
            _remove_what_the_seal_replaces(folder)
            return digest
        raise InputError(f"{folder}: is sealed already; verify it with: warmspell check {folder}")
    if not (folder / OPENING_FILE).exists():
        raise InputError(f"{folder}: is not a recording under way ({OPENING_FILE} is missing).")
    opening = read_opening(folder)
    nodes, _ = read_unsealed_nodes(folder, opening.host)
    marks = marks_in_recording_time(read_marks(folder)[0], nodes, opening.host)
    streams = tuple(stream for node in nodes for stream in node.streams)
    if not any(stream.data.height for stream in streams):
        raise InputError(f"{folder}: holds no sample; there is nothing to seal.")
    counted = _losses_by_node(folder)
    entries = [node_entry(node) | counted.get(node.name, {}) for node in nodes]
    if opening.damage:
        entries[0]["damage"] = [*opening.damage, *entries[0].get("damage", ())]
    try:
        digest = write_sealed(folder, opening.id, opening.job, streams, entries, marks, software, origin_of(nodes))
    except (OSError, pl.exceptions.PolarsError) as reason:
        for aside in folder.glob("*.aside"):
            aside.unlink()
        raise StoreError(
            f"{folder}: cannot be sealed ({getattr(reason, 'strerror', None) or reason}); nothing is lost. "
            f"Make room, then: warmspell seal {folder}"
        ) from None
    _remove_what_the_seal_replaces(folder)
    return digest


def _losses_by_node(folder: Path) -> dict[str, dict[str, Any]]:
    """What the session counted on each link (refused frames, reconnects, gaps), where it came to say so."""
    counted: dict[str, dict[str, Any]] = {}
    for path in folder.glob("*.link.json"):
        with contextlib.suppress(InputError):  # without it the samples are no less
            counted[path.name.removesuffix(".link.json")] = {"link": json_object(path)}
    return counted


def _remove_what_the_seal_replaces(folder: Path) -> None:
    """A journal that nothing was made of, since nobody said what it holds, stays."""
    for node in json_object(folder / RECORDING_FILE)["nodes"]:
        for ending in ("journal", "node.json", "link.json"):
            (folder / f"{node['name']}.{ending}").unlink(missing_ok=True)
    for path in folder.iterdir():
        if path.is_dir() and all(part.name.startswith("part-") for part in path.iterdir()):
            shutil.rmtree(path)
    for aside in folder.glob("*.aside"):
        aside.unlink()
    (folder / STOP_FILE).unlink(missing_ok=True)
    (folder / OPENING_FILE).unlink()
    force_folder(folder)


def extra_files(folder: Path) -> list[str]:
    """Files beside a sealed recording that its seal does not speak of."""
    known = {SEAL_FILE, AMENDMENTS_FILE, *json.loads((folder / SEAL_FILE).read_text())["files"]}
    there = [path.name for path in folder.iterdir() if path.name != PHOTOS_FOLDER]
    return sorted(name for name in [*there, *(name for _, name in photo_files(folder))] if name not in known)
