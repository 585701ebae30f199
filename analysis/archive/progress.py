"""How far long work is: done, rate, time left; one line on a terminal, now and then a line in a log."""

import time
from dataclasses import dataclass, field
from typing import TextIO

LINE_EVERY_S = 15.0
"""Where nobody watches a terminal a line now and then is enough (our own choice)."""
REDRAW_EVERY_S = 0.2


@dataclass(slots=True)
class Progress:
    """Told of each recording that is done."""

    total: int
    out: TextIO
    done: int = 0
    _began_s: float = field(default_factory=time.monotonic)
    _told_s: float = field(default_factory=time.monotonic)
    _width: int = 0

    def step(self) -> None:
        """One more is done."""
        self.done += 1
        now_s = time.monotonic()
        if now_s - self._told_s >= (REDRAW_EVERY_S if self.out.isatty() else LINE_EVERY_S):
            self._told_s = now_s
            self._tell(self.line())

    def line(self) -> str:
        """What is said."""
        took_s = max(time.monotonic() - self._began_s, 1e-9)
        rate = self.done / took_s
        left = f", {duration(round((self.total - self.done) / rate))} left" if self.done else ""
        told = f"{rate:.1f} a second" if rate >= 1.0 else f"{rate * 60.0:.1f} a minute"
        return f"{self.done} of {self.total} recordings, {told}{left}"

    def clear(self) -> None:
        """Leave the terminal's line to what follows."""
        if self._width and self.out.isatty():
            self.out.write("\r" + " " * self._width + "\r")
            self.out.flush()

    def _tell(self, text: str) -> None:
        if self.out.isatty():
            self.out.write("\r" + text.ljust(self._width))
            self._width = max(self._width, len(text))
        else:
            self.out.write(text + "\n")
        self.out.flush()


def duration(seconds: int) -> str:
    """A time left, for people: seconds under two minutes, then minutes, then hours."""
    if seconds < 120:
        return f"{seconds} s"
    return f"{round(seconds / 60)} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
