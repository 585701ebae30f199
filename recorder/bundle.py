"""A bundle: one zip with a recording or the two of a comparison, what was made of it, and the hash of every file.

Verified on any machine. ``hashes.json`` holds the SHA-256 of each file and one digest over all, as a seal does; a
recording inside keeps its own seal. A zip is written with fixed times and order, so that the same files give the same
bytes.
"""

import hashlib
import io
import json
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import Any, cast

from recorder.amendments import read_amendments
from recorder.errors import InputError
from recorder.hashes import SEAL_FILE, check_seal, digest_over

HASHES_FILE = "hashes.json"
RECORDING_FOLDER, PAIR = "recording", ("before", "after")
"""Where the recording lies in a bundle, and the two of a comparison."""
MOST_FILES, LARGEST_BYTES = 2000, 8 * 10**9
_EPOCH = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class BundleCheck:
    """What verifying a bundle found: its own digest, its recordings' by folder, a sentence for each thing wrong."""

    digest: str | None
    recording_digests: Mapping[str, str | None]
    damage: tuple[str, ...]


def bundle_of(recordings: Mapping[str, Path], made: Mapping[str, bytes]) -> bytes:
    """Zip recordings and what was made of them.

    Parameters
    ----------
    recordings : mapping
        Folders of the recordings by their folder in the bundle; all their files go in, sealed or not.
    made : mapping
        Further files by their name in the bundle.
    """
    files = {
        f"{folder}/{path.relative_to(recording).as_posix()}": path.read_bytes()
        for folder, recording in recordings.items()
        for path in sorted(recording.rglob("*"))
        if path.is_file()
    } | dict(made)
    hashes = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    listing = {"schema": 1, "files": hashes, "digest": digest_over(hashes)}
    files[HASHES_FILE] = (json.dumps(listing, indent=1, ensure_ascii=False, sort_keys=True) + "\n").encode()
    zipped = io.BytesIO()
    with zipfile.ZipFile(zipped, "w") as archive:
        for name, data in sorted(files.items()):
            entry = zipfile.ZipInfo(name, _EPOCH)
            packed = name.endswith((".parquet", ".png", ".jpg", ".jpeg", ".pdf"))
            entry.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, data)
    return zipped.getvalue()


def check_bundle(path: Path) -> BundleCheck:
    """Verify every hash in a bundle, and the seals of the recordings in it.

    Raises
    ------
    InputError
        If the file is no bundle, or holds names or sizes that no bundle has.
    """
    try:
        with zipfile.ZipFile(path) as archive, TemporaryDirectory(prefix="warmspell-") as name:
            return _checked(path, archive, Path(name))
    except (zipfile.BadZipFile, zlib.error, RuntimeError, EOFError) as reason:
        raise InputError(f"{path}: is not a bundle that can be read ({reason}).") from None
    except OSError as reason:
        raise InputError(f"{path}: cannot be read ({reason.strerror or reason}).") from None


def _checked(path: Path, archive: zipfile.ZipFile, room: Path) -> BundleCheck:
    entries = archive.infolist()
    _refuse_what_no_bundle_has(path, entries)
    try:
        listing = cast("dict[str, Any]", json.loads(archive.read(HASHES_FILE)))
        files = cast("dict[str, str]", dict(listing["files"]))
        digest = str(listing["digest"])
    except (KeyError, ValueError, TypeError):
        raise InputError(f"{path}: is not a bundle ({HASHES_FILE} is missing or cannot be read).") from None
    damage: list[str] = []
    names = {entry.filename for entry in entries}
    for name, expected in sorted(files.items()):
        if name not in names:
            damage.append(f"{name} is missing")
            continue
        held = _bytes_of(archive, name)
        if held is None or hashlib.sha256(held).hexdigest() != expected:
            damage.append(f"{name} was altered after bundling")
        elif PurePosixPath(name).parts[0] in (RECORDING_FOLDER, *PAIR):
            target = room / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(held)
    damage += [f"{name} stands in the bundle unhashed" for name in sorted(names - set(files) - {HASHES_FILE})]
    if digest_over(files) != digest:
        damage.append(f"{HASHES_FILE} does not agree with its own digest")
    folders = PAIR if any(name.startswith(f"{PAIR[0]}/") for name in files) else (RECORDING_FOLDER,)
    seals = {folder: _seal_of(room / folder) for folder in folders}
    damage += [sentence for _, within in seals.values() for sentence in within]
    return BundleCheck(digest, {folder: sealed for folder, (sealed, _) in seals.items()}, tuple(damage))


def _bytes_of(archive: zipfile.ZipFile, name: str) -> bytes | None:
    """A file of the zip; None where its bytes are damaged."""
    try:
        return archive.read(name)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError):
        return None


def _seal_of(recording: Path) -> tuple[str | None, list[str]]:
    if not (recording / SEAL_FILE).exists():
        which = "inside" if recording.name == RECORDING_FOLDER else f"'{recording.name}'"
        return None, [f"the recording {which} carries no seal"]
    digest, damage = check_seal(recording)
    _, broken, _ = read_amendments(recording, digest)
    return digest, [f"{recording.name}: {sentence}" for sentence in (*damage, *broken)]


def _refuse_what_no_bundle_has(path: Path, entries: list[zipfile.ZipInfo]) -> None:
    """Names that leave the folder, one name twice, too many or too large: refused before anything is unpacked."""
    names = [entry.filename for entry in entries]
    for name in names:
        parts = PurePosixPath(name).parts
        if not parts or name.startswith("/") or ".." in parts or "\\" in name or ":" in name or name.endswith("/"):
            raise InputError(f"{path}: holds the name {name!r}, which no bundle has.")
    if len(set(names)) != len(names):
        raise InputError(f"{path}: holds a name twice; no bundle does.")
    if len(names) > MOST_FILES or sum(entry.file_size for entry in entries) > LARGEST_BYTES:
        raise InputError(f"{path}: is larger than a bundle can be.")
