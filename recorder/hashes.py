"""Hashes of a sealed recording's files, and the one digest over all of them."""

import hashlib
import json
from pathlib import Path
from typing import Any, cast

from recorder.errors import InputError

SEAL_FILE = "seal.json"


def sha256_of(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def digest_over(files: dict[str, str]) -> str:
    """One digest over all files: SHA-256 of the sorted lines ``hash  name``."""
    listing = "".join(f"{digest}  {name}\n" for name, digest in sorted(files.items()))
    return hashlib.sha256(listing.encode()).hexdigest()


def json_object(path: Path) -> dict[str, Any]:
    """Read a file that holds one JSON object; raises InputError."""
    try:
        values: object = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as reason:
        raise InputError(f"{path}: cannot be read ({reason}).") from None
    if not isinstance(values, dict):
        raise InputError(f"{path}: is not a JSON object.")
    return cast("dict[str, Any]", values)


def sealed_names(folder: Path) -> frozenset[str]:
    """Names of the files that a seal speaks of; none where it cannot be read."""
    try:
        return frozenset(cast("dict[str, str]", json_object(folder / SEAL_FILE)["files"]))
    except (InputError, KeyError, TypeError):
        return frozenset()


def check_seal(folder: Path) -> tuple[str | None, list[str]]:
    """Verify every hash of a sealed recording.

    Returns
    -------
    digest : str or None
        The seal's digest over all files; None where the seal cannot be read.
    damage : list of str
        One sentence for each file that is missing or altered.
    """
    try:
        seal = json_object(folder / SEAL_FILE)
        files = cast("dict[str, str]", seal["files"])
        digest = str(seal["digest"])
    except (InputError, KeyError):
        return None, [f"{SEAL_FILE} is missing or cannot be read"]
    damage: list[str] = []
    for name, expected in files.items():
        path = folder / name
        if not path.is_file():
            damage.append(f"{name} is missing")
        elif sha256_of(path) != expected:
            damage.append(f"{name} was altered after sealing")
    if digest_over(files) != digest:
        damage.append(f"{SEAL_FILE} does not agree with its own digest")
    return digest, damage
