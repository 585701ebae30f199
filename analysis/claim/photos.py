"""Photographs that a technician attaches: plate, odometer, charge label, probe positions, the failed part.

Those in the recording's ``photos`` folder when it was sealed are covered by the seal; those handed to ``report`` later
are hashed for themselves. Either way the sheet prints the hash and says which it is. A photograph is never changed.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from recorder.errors import InputError
from recorder.recording import Recording, photo_files, short_digest

MOST, LARGEST_BYTES = 24, 20_000_000
JPEG, PNG = b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True, slots=True)
class Photo:
    """A photograph with its SHA-256; ``sealed`` where the seal of the recording covers it."""

    name: str
    data: bytes
    sha256: str
    sealed: bool

    @property
    def caption(self) -> str:
        """What the file's name says, in words."""
        return Path(self.name).stem.replace("_", " ").replace("-", " ")

    @property
    def digest(self) -> str:
        """The first 80 bits of its SHA-256, as people compare them."""
        return short_digest(self.sha256)

    @property
    def covered(self) -> str:
        """By what its hash is shown not to have changed."""
        return "covered by the seal" if self.sealed else "attached after sealing, hashed here"


def photos_of(recording: Recording, attached: Sequence[Path]) -> tuple[Photo, ...]:
    """The recording's own photographs, then those attached now.

    Raises
    ------
    InputError
        If a file is missing, too large, or no JPEG or PNG that the sheet can print; the message names it.
    """
    inside = [(path, name in recording.sealed_files) for path, name in photo_files(recording.path)]
    found = [_read(path, sealed=sealed) for path, sealed in [*inside, *((p, False) for p in attached)]]
    if len(found) > MOST:
        raise InputError(f"{len(found)} photographs are attached; the sheet takes {MOST} at the most.")
    once = {photo.sha256: photo for photo in reversed(found)}  # the same picture twice is printed once
    return tuple(photo for photo in found if once[photo.sha256] is photo)


def _read(path: Path, *, sealed: bool) -> Photo:
    try:
        data = path.read_bytes()
    except OSError as reason:
        raise InputError(f"{path}: the photograph cannot be read ({reason.strerror}).") from None
    if len(data) > LARGEST_BYTES:
        raise InputError(f"{path}: is larger than {LARGEST_BYTES // 10**6} MB; save it smaller.")
    if not data.startswith((JPEG, PNG)):
        raise InputError(f"{path}: is neither a JPEG nor a PNG picture; save it as one of them.")
    if data.startswith(PNG) and (data[25:26] in (b"\x04", b"\x06") or b"tRNS" in data[:4096]):
        raise InputError(f"{path}: has transparency, which an archival PDF cannot hold; save it as JPEG.")
    return Photo(path.name, data, hashlib.sha256(data).hexdigest(), sealed)
