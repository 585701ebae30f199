"""A disk as a power cut may leave it: names and contents that nobody forced are undone, done, or done out of order.

While a ``CrashDisk`` is entered, each change under its folder is noted. What a ``fsync`` of a file or a folder returned
from is there after a cut; of the rest anything may be: nothing, all, each change alone, all but one; an unforced end of
a file may be missing, cut or zeros. POSIX promises no more (fsync(2)); the way of looking at it is that of Pillai et
al., All File Systems Are Not Created Equal, OSDI 2014. Needs /proc.
"""

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self


@dataclass(frozen=True)
class Change:
    """A change of names that was not forced yet: a file made, moved, removed; ``folder`` or ``no_folder``."""

    kind: str
    path: Path
    file: int = -1
    source: Path | None = None


@dataclass
class State:
    """What is on the disk: folders, and files by name."""

    folders: set[Path]
    names: dict[Path, int]

    def apply(self, change: Change) -> None:
        """Do a change, as far as what it builds on is there."""
        if change.kind == "folder":
            self.folders.add(change.path)
        elif change.kind == "no_folder":
            self.folders.discard(change.path)
        elif change.kind == "remove":
            self.names.pop(change.path, None)
        else:
            if change.source is not None:
                self.names.pop(change.source, None)
            self.names[change.path] = change.file


@dataclass
class CrashDisk:
    """Watches a folder; ``on_change`` is called after each change or forcing."""

    root: Path
    on_change: Callable[["CrashDisk"], None] = lambda _: None
    pending: list[Change] = field(default_factory=list)
    _files: int = 0
    _cuts: int = 0

    def __post_init__(self) -> None:
        self.durable = State({self.root}, {})
        self._live: dict[Path, int] = {}
        self._forced: dict[int, bytes] = {}
        self._unforced: dict[int, bytes] = {}
        self._real: dict[str, Any] = {}

    def __enter__(self) -> Self:
        for name in ("fsync", "replace", "unlink", "mkdir", "rmdir"):
            self._real[name] = getattr(os, name)
        self._watch()
        return self

    def __exit__(self, *_: object) -> None:
        self._look_away()

    def _watch(self) -> None:
        for name in self._real:
            setattr(os, name, getattr(self, f"_{name}"))

    def _look_away(self) -> None:
        for name, real in self._real.items():
            setattr(os, name, real)

    def _note(self, change: Change) -> None:
        self.pending.append(change)
        self._tell()

    def _tell(self) -> None:
        self._look_away()  # what the listener writes elsewhere is no matter of this disk
        self.on_change(self)
        self._watch()

    def _look_for_new_files(self) -> None:
        for path in sorted(self.root.rglob("*")):
            if path.is_file():
                if path not in self._live:
                    self._files += 1
                    self._live[path] = self._files
                    self.pending.append(Change("make", path, self._files))
                self._unforced[self._live[path]] = path.read_bytes()

    def _fsync(self, handle: int) -> None:
        self._real["fsync"](handle)
        self._look_for_new_files()
        path = Path(f"/proc/self/fd/{handle}").readlink()
        if path.is_dir():
            for change in [change for change in self.pending if change.path.parent == path]:
                self.durable.apply(change)
                self.pending.remove(change)
        elif path in self._live:
            self._forced[self._live[path]] = path.read_bytes()
        self._tell()

    def _replace(self, source: os.PathLike[str], target: os.PathLike[str]) -> None:
        self._look_for_new_files()
        self._real["replace"](source, target)
        file = self._live[Path(target)] = self._live.pop(Path(source))
        self._note(Change("move", Path(target), file, Path(source)))

    def _unlink(self, path: os.PathLike[str], *, dir_fd: int | None = None) -> None:
        self._look_for_new_files()
        self._real["unlink"](path, dir_fd=dir_fd)
        whole = _whole(path, dir_fd)
        self._live.pop(whole, None)
        self._note(Change("remove", whole))

    def _mkdir(self, path: os.PathLike[str], mode: int = 0o777, *, dir_fd: int | None = None) -> None:
        self._real["mkdir"](path, mode, dir_fd=dir_fd)
        self._note(Change("folder", _whole(path, dir_fd)))

    def _rmdir(self, path: os.PathLike[str], *, dir_fd: int | None = None) -> None:
        whole = _whole(path, dir_fd)
        self._real["rmdir"](path, dir_fd=dir_fd)
        self._note(Change("no_folder", whole))

    def after_a_cut(self) -> Iterator[State]:
        """The states in which a cut now may leave the disk's names."""
        count = len(self.pending)
        chosen = {frozenset[int](), frozenset(range(count))}
        chosen |= {frozenset([i]) for i in range(count)} | {frozenset(range(count)) - {i} for i in range(count)}
        for indices in sorted(chosen, key=sorted):
            state = State(set(self.durable.folders), dict(self.durable.names))
            for index in sorted(indices):
                state.apply(self.pending[index])
            yield state

    def write(self, state: State, target: Path) -> None:
        """Make a state in another folder; unforced ends of files come out missing, cut or as zeros in turn."""
        for folder in sorted(state.folders):
            (target / folder.relative_to(self.root)).mkdir(parents=True, exist_ok=True)
        for path, file in state.names.items():
            to = target / path.relative_to(self.root)
            if path.parent in state.folders:
                to.write_bytes(self._after_cut(file))

    def _after_cut(self, file: int) -> bytes:
        forced, now = self._forced.get(file, b""), self._unforced.get(file, b"")
        if not now.startswith(forced) or len(now) == len(forced):
            return forced
        self._cuts += 1
        rest = now[len(forced) :]
        return forced + (b"", rest[: len(rest) // 2], bytes(len(rest)))[self._cuts % 3]


def _whole(path: os.PathLike[str] | str, dir_fd: int | None) -> Path:
    return Path(path) if dir_fd is None else Path(f"/proc/self/fd/{dir_fd}").readlink() / path
