"""Marks by one key a kind, in the terminal that records."""

import asyncio
import contextlib
import os
import sys
import threading
from collections.abc import Callable, Generator

MARK_KEYS = {
    "e": "engine_on",
    "o": "engine_off",
    "a": "ac_on",
    "s": "ac_off",
    "i": "raised_idle",
    "r": "recovery",
    "v": "vacuum",
    "h": "charging",
    "g": "recharged",
    "c": "complaint",
    "p": "repaired",
    "n": "note",
}


def legend() -> str:
    """The keys in words, three lines."""
    words = [f"{key} {kind.replace('_', ' ')}" for key, kind in MARK_KEYS.items()]
    return "\n".join("   ".join(f"{word:<16}" for word in words[start : start + 4]).rstrip() for start in (0, 4, 8))


@contextlib.contextmanager
def keys_heard(on_key: Callable[[str], None]) -> Generator[bool]:
    """Call ``on_key`` for each key pressed, within a running loop; yields whether there is a terminal to listen to.

    The terminal is given back as it was, whatever happens.
    """
    if not sys.stdin.isatty():
        yield False
    elif sys.platform == "win32":
        with _console_keys(on_key):
            yield True
    else:
        with _terminal_keys(on_key):
            yield True


@contextlib.contextmanager
def _terminal_keys(on_key: Callable[[str], None]) -> Generator[None]:
    import termios
    import tty

    loop, handle = asyncio.get_running_loop(), sys.stdin.fileno()
    before = termios.tcgetattr(handle)

    def read() -> None:
        for key in os.read(handle, 64).decode(errors="ignore"):
            on_key(key.lower())

    tty.setcbreak(handle)
    # Ctrl-C empties the terminal's queue: a key that was announced may be gone by then; a read must not wait for it.
    mode = termios.tcgetattr(handle)
    mode[6][termios.VMIN], mode[6][termios.VTIME] = 0, 0
    termios.tcsetattr(handle, termios.TCSANOW, mode)
    loop.add_reader(handle, read)
    try:
        yield
    finally:
        loop.remove_reader(handle)
        termios.tcsetattr(handle, termios.TCSADRAIN, before)


@contextlib.contextmanager
def _console_keys(on_key: Callable[[str], None]) -> Generator[None]:
    import msvcrt

    loop, over = asyncio.get_running_loop(), threading.Event()

    def read() -> None:
        while not over.wait(0.05):
            while msvcrt.kbhit():  # pyright: ignore[reportAttributeAccessIssue] - on Windows alone
                loop.call_soon_threadsafe(on_key, msvcrt.getwch().lower())  # pyright: ignore[reportAttributeAccessIssue, reportUnknownArgumentType, reportUnknownMemberType]

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
