"""Guided tests, one small file each: what to do, what to watch for, what to mark, when enough has been recorded.

Each states ``TITLE``, ``CAUTION``, ``NEEDS`` (places that let it watch by itself) and ``STEPS``.
"""

import importlib
import pkgutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import ModuleType
from typing import Any, Protocol

from analysis.page.ladder import Ladder
from recorder.errors import InputError
from recorder.places import PLACES

SWITCHES = {"engine_on": "engine_off", "ac_on": "ac_off"}
ENGINE_TURNS = 200.0
"""Engine speed above which it runs [1/min] (common practice, no source)."""


class Seen(Protocol):
    """What a step may look at: the recording under way."""

    now_s: float

    def places(self) -> set[str]:
        """Places from which readings came so far."""
        ...

    def ladder(self) -> Ladder:
        """The ladder now."""
        ...

    def spread(self, name: str, seconds: float) -> float | None:
        """Largest less smallest value of a line over the last seconds."""
        ...

    def value(self, name: str) -> float | None:
        """A channel's latest value, if it is not stale."""
        ...


@dataclass(frozen=True, slots=True)
class Watch:
    """A step under way: the recording, and the seconds of the drive since the step began."""

    seen: Seen
    since_s: float

    @property
    def ladder(self) -> Ladder:
        """The ladder now."""
        return self.seen.ladder()

    def difference_kpa(self) -> float | None:
        """High side less low side now."""
        ladder = self.ladder
        return None if ladder.high_kpa is None or ladder.low_kpa is None else ladder.high_kpa - ladder.low_kpa

    def engine_runs(self) -> bool | None:
        """Whether the engine turns; None without an engine speed."""
        rpm = self.ladder.engine_rpm
        return None if rpm is None else rpm > ENGINE_TURNS

    def steady(self, name: str, seconds: float, within: float) -> bool:
        """Whether a line kept within a width over the last seconds of this step."""
        spread = self.seen.spread(name, seconds)
        return self.since_s >= seconds and spread is not None and spread <= within


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do. ``done`` sees that it happened; None means that only the technician can say so.

    ``marks`` (kind, text) are set when it is done. ``enough_s`` is how long it takes when all is well, for the progress
    that people see.
    """

    says: str
    done: Callable[[Watch], bool] | None = None
    marks: tuple[tuple[str, str], ...] = ()
    enough_s: float | None = None


def guided_tests() -> dict[str, ModuleType]:
    """Every guided test by name."""
    names = sorted(info.name for info in pkgutil.iter_modules(__path__))
    modules = {name: importlib.import_module(f"{__name__}.{name}") for name in names}
    return dict(sorted(modules.items(), key=lambda pair: pair[1].ORDER))


def guided_test(name: str) -> ModuleType:
    """The guided test of that name.

    Raises
    ------
    InputError
        If there is none.
    """
    found = guided_tests().get(name)
    if found is None:
        raise InputError(f"'{name[:40]}': there is no such guided test.")
    return found


class GuidedRun:
    """A guided test under way on one recording."""

    def __init__(self, test: ModuleType, now_s: float) -> None:
        self._test = test
        self._steps: tuple[Step, ...] = test.STEPS
        self._index = 0
        self._began_s = now_s
        self._confirmed = False
        self._ran: bool | None = None

    def confirm(self, step: object) -> None:
        """Take the technician's word for a step, counted from 1, if it is the one under way."""
        self._confirmed = self._confirmed or step == self._index + 1

    def look(self, seen: Seen, marked: Sequence[str] = ()) -> tuple[tuple[str, str], ...]:
        """Watch the step; returns the marks that are due now. ``marked`` are the kinds set so far, in their order."""
        if self._index >= len(self._steps):
            return ()
        step = self._steps[self._index]
        watch = Watch(seen, seen.now_s - self._began_s)
        if self._ran is None:
            self._ran = _runs(watch)
        if not (self._confirmed or (step.done is not None and step.done(watch))):
            return ()
        ran, self._ran = self._ran, None
        self._index += 1
        self._began_s, self._confirmed = seen.now_s, False
        return tuple(_as_it_was(kind, text, marked, ran=ran) for kind, text in step.marks)

    def told(self, seen: Seen) -> dict[str, Any]:
        """The test and its step in words."""
        since_s = seen.now_s - self._began_s
        over = self._index >= len(self._steps)
        step = None if over else self._steps[self._index]
        return {
            "title": self._test.TITLE,
            "caution": self._test.CAUTION,
            "step": self._index + 1,
            "steps": [one.says for one in self._steps],
            "says": self._test.ENOUGH if step is None else step.says,
            "by_hand": step is not None and step.done is None,
            "lacking": sorted(PLACES[need].title for need in set(self._test.NEEDS) - seen.places()),
            "since_s": round(since_s),
            "enough_s": step.enough_s if step else None,
            "over": over,
        }


def _runs(watch: Watch) -> bool:
    return watch.ladder.pumping is True


def _as_it_was(kind: str, text: str, marked: Sequence[str], *, ran: bool) -> tuple[str, str]:
    """A switching on as a note where it was on already: a mark would say of all that came before that it was off."""
    off = SWITCHES.get(kind)
    last = next((one for one in reversed(marked) if one in (kind, off)), None)
    if off is None or last == off or (last is None and not ran):
        return kind, text
    return "note", text or f"{kind.replace('_', ' ')} before"
