"""Writing that survives a power cut: files forced before they are named, folders forced after."""

import os
from pathlib import Path


def write_all(handle: int, data: bytes) -> None:
    """Write all of it; a disk that takes a part raises OSError on the rest."""
    left = memoryview(data)
    while left:
        left = left[os.write(handle, left) :]


def force_folder(folder: Path) -> None:
    """Force a folder's entries to the disk, where the system can."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def put_in_place(aside: Path, path: Path) -> None:
    """Force a file that was written aside, rename it into place, force the folder."""
    with aside.open("rb+") as file:
        os.fsync(file.fileno())
    aside.replace(path)
    force_folder(path.parent)


def write_durably(path: Path, data: bytes) -> None:
    """Write a whole file: after a cut there is the old one or the new one."""
    aside = path.with_name(path.name + ".aside")
    aside.write_bytes(data)
    put_in_place(aside, path)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it that are missing; each entry is forced.

    Raises
    ------
    FileExistsError
        If the folder is there.
    """
    missing = [folder]
    while not missing[-1].parent.exists():
        missing.append(missing[-1].parent)
    for one in reversed(missing):
        one.mkdir(exist_ok=one is not folder)
        force_folder(one.parent)


def append_line(path: Path, line: bytes) -> None:
    """Append a line, forced; one that a cut left unfinished before it stays a line of its own."""
    is_new = not path.exists()
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
    try:
        size = os.fstat(handle).st_size
        os.lseek(handle, max(size - 1, 0), os.SEEK_SET)
        torn = size > 0 and os.read(handle, 1) != b"\n"
        write_all(handle, b"\n" * torn + line + b"\n")
        os.fsync(handle)
    finally:
        os.close(handle)
    if is_new:
        force_folder(path.parent)
