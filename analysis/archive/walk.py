"""What lies in an archive: recordings at any depth, told apart from whatever else is there.

Of a recording that is known already only the folder's own time stamp is asked for, since every look costs a round trip
on a network drive: files that come, go or are replaced show in it. Corrections are appended in place and have a stamp
of their own.
"""

import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from recorder.amendments import AMENDMENTS_FILE
from recorder.errors import InputError
from recorder.files import CALIBRATIONS_FILE, OPENING_FILE, RECORDING_FILE
from recorder.hashes import SEAL_FILE

DEEPEST = 8
"""Folders in folders below the archive that are looked into (our own choice)."""
TELLING = (RECORDING_FILE, OPENING_FILE, SEAL_FILE)


@dataclass(frozen=True, slots=True)
class Stamps:
    """Time stamps [ns] of a recording's folder and of its corrections; None without any."""

    folder_ns: int
    amended_ns: int | None


@dataclass(slots=True)
class Walked:
    """Paths relative to the archive, with forward slashes.

    ``known`` did not change since they were stamped; ``fresh`` are new or changed; ``foreign`` are files that are no
    part of a recording; ``closed`` could not be looked into, with the reason.
    """

    known: list[str] = field(default_factory=list[str])
    fresh: list[str] = field(default_factory=list[str])
    foreign: list[str] = field(default_factory=list[str])
    closed: list[tuple[str, str]] = field(default_factory=list[tuple[str, str]])


def walk(archive: Path, stamps: Mapping[str, Stamps]) -> Walked:
    """Look for recordings; those whose ``stamps`` are the same are known.

    Hidden files and folders are not looked at, links are not followed.

    Raises
    ------
    InputError
        If there is no such folder.
    """
    walked = Walked()
    try:
        entries = list(os.scandir(archive))
    except OSError as reason:
        raise InputError(f"{archive}: is no folder that can be looked into ({reason.strerror}).") from None
    _look(entries, "", stamps, walked)
    return walked


def _look(entries: list["os.DirEntry[str]"], above: str, stamps: Mapping[str, Stamps], walked: Walked) -> None:
    for entry in entries:
        name, path = entry.name, above + entry.name
        if name.startswith(".") or entry.is_symlink():
            continue
        if not entry.is_dir(follow_symlinks=False):
            if name != CALIBRATIONS_FILE:
                walked.foreign.append(path)
            continue
        try:
            if path in stamps and stamps[path] == _stamps(entry, stamps[path].amended_ns is not None):
                walked.known.append(path)
                continue
            inside = list(os.scandir(entry.path))
        except OSError as reason:
            walked.closed.append((path, reason.strerror or str(reason)))
            continue
        if holds_a_recording([child.name for child in inside]):
            walked.fresh.append(path)
        elif path.count("/") < DEEPEST:
            _look(inside, f"{path}/", stamps, walked)
        else:
            walked.closed.append((path, f"more than {DEEPEST} folders deep"))


def holds_a_recording(names: list[str]) -> bool:
    """Whether these are the names in a recording's folder, be it half of one."""
    return any(name in names for name in TELLING) or any(name.endswith(".journal") for name in names)


def _stamps(entry: "os.DirEntry[str]", amended: bool) -> Stamps:
    at = os.stat(os.path.join(entry.path, AMENDMENTS_FILE)).st_mtime_ns if amended else None  # noqa: PTH116, PTH118
    return Stamps(entry.stat(follow_symlinks=False).st_mtime_ns, at)


def stamps_of(folder: Path) -> Stamps:
    """The stamps of a recording's folder now."""
    amendments = folder / AMENDMENTS_FILE
    return Stamps(folder.stat().st_mtime_ns, amendments.stat().st_mtime_ns if amendments.exists() else None)


def content_stamp(folder: Path) -> str:
    """Changes when any file of a recording does: over their names, sizes and times, not over their bytes."""
    files = sorted(
        (entry.name, status.st_size, status.st_mtime_ns)
        for entry in os.scandir(folder)
        if entry.is_file(follow_symlinks=False)
        for status in (entry.stat(follow_symlinks=False),)
    )
    return hashlib.sha256(repr(files).encode()).hexdigest()[:32]
