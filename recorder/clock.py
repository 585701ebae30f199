"""Node ticks to host time.

The host's own time is monotonic inside and UTC outside: one anchor pair is taken when a recording starts, so a step
of the host's wall clock moves no sample. A node's clock is fitted by the lower convex hull of arrival minus tick
(Moon, Skelly & Towsley, Estimation and Removal of Clock Skew from Network Delay Measurements, INFOCOM 1999): delays
only ever add, so the line under all points that runs closest to them is the clock. The constant that no one-way
delay can tell is bounded by echo round trips: the question left before the node's tick, the answer came after it.
"""

import time
from dataclasses import asdict, dataclass, replace
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

_SINCE_BOOT = getattr(time, "CLOCK_BOOTTIME", None)


def now_ns() -> int:
    """Monotonic host time [ns]; it goes on while the computer sleeps, where the system has such a clock."""
    return time.monotonic_ns() if _SINCE_BOOT is None else time.clock_gettime_ns(_SINCE_BOOT)


def utc_now_ns() -> int:
    """The host's wall clock [ns]; it may step."""
    return time.time_ns()


SHORTEST_SKEW_FIT_S = 20.0
"""Below this the skew is not fitted but taken as nil (common practice, no source): noise would exceed it."""
BUCKETS, STRETCHES = 512, 16
SKEW_LIMIT = 200e-6
"""No crystal is further off over a vehicle's temperatures (common practice, no source)."""
SKEW_DRIFT = 20e-6
"""A crystal's change from one stretch of a drive to another (common practice, no source)."""
SMALLEST_STEP_S = 0.2
"""A smaller jump of the wall clock is taken for slewing or a late look at it (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class HostClock:
    """The host's clock as it was anchored when the recording started."""

    monotonic_ns: int
    utc_ns: int

    @classmethod
    def start(cls) -> Self:
        """Anchor the clock now."""
        return cls(now_ns(), utc_now_ns())

    @staticmethod
    def now_ns() -> int:
        """Monotonic time [ns]."""
        return now_ns()

    def to_utc_ns(self, monotonic_ns: int) -> int:
        """UTC of a monotonic time [ns]."""
        return self.utc_ns + monotonic_ns - self.monotonic_ns


@dataclass(frozen=True, slots=True)
class Echo:
    """One round trip: host times of question and answer, and the node's tick at the answer."""

    sent_ns: int
    received_ns: int
    tick_us: int


@dataclass(frozen=True, slots=True)
class ClockFit:
    """Host monotonic time of a node's ticks within one segment (one start of the node).

    ``monotonic = offset_ns + (1 + skew) * tick_us * 1000 / time_scale``. ``residual_s`` is the scatter of the fastest
    frames about the line, ``constant_u_s`` half the shortest echo round trip (None without an echo: then a constant
    delay of the link goes unseen). ``u95_s`` bounds the error of a sample's time: constant, scatter, and the skew that
    a short segment cannot show. ``skew_from`` says how the skew was had: ``fit``, ``other_segment`` or ``nominal``.
    """

    boot: int
    time_scale: float
    offset_ns: float
    skew: float
    residual_s: float
    constant_u_s: float | None
    frames: int
    u95_s: float
    skew_from: str

    def monotonic_ns(self, tick_us: NDArray[np.int64]) -> NDArray[np.float64]:
        """Host monotonic time [ns] of ticks [us]."""
        return self.offset_ns + (1.0 + self.skew) * np.asarray(tick_us, np.float64) * 1e3 / self.time_scale

    def tick_us(self, monotonic_ns: float) -> float:
        """Tick [us] at a host monotonic time [ns]."""
        return (monotonic_ns - self.offset_ns) / (1.0 + self.skew) * self.time_scale / 1e3

    def to_dict(self) -> dict[str, Any]:
        """Return the fit as plain JSON values."""
        return asdict(self)


def lower_hull(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.intp]:
    """Indices of the lower convex hull of points sorted by x (Andrew's monotone chain)."""
    hull: list[int] = []
    for index in range(len(x)):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (x[b] - x[a]) * (y[index] - y[a]) > (y[b] - y[a]) * (x[index] - x[a]):
                break
            hull.pop()
        hull.append(index)
    return np.asarray(hull, np.intp)


def _fastest(x: NDArray[np.float64], delay: NDArray[np.float64], buckets: int) -> NDArray[np.intp]:
    """Index of the least delay in each of at most ``buckets`` stretches of x (sorted)."""
    bucket = np.minimum((x - x[0]) / max(x[-1] - x[0], 1e-9) * buckets, buckets - 1).astype(np.intp)
    order = np.lexsort((delay, bucket))
    return np.sort(order[np.unique(bucket[order], return_index=True)[1]])


def fit_clock(
    boot: int,
    tick_us: NDArray[np.int64],
    arrival_ns: NDArray[np.int64],
    time_scale: float = 1.0,
    echoes: tuple[Echo, ...] = (),
    known_skew: float | None = None,
) -> ClockFit:
    """Fit a node's clock from the ticks and arrivals of its frames.

    Parameters
    ----------
    tick_us, arrival_ns : int arrays of shape (n,), n >= 1
        Node tick of each frame and host monotonic time of its arrival.
    time_scale : float
        How much faster than the host's clock the node's ticks run (a replay).
    echoes : tuple of Echo
        Round trips within the same segment.
    known_skew : float, optional
        Skew that a longer segment of the same node showed: used where this one is too short to show its own.
    """
    order = np.argsort(tick_us, kind="stable")
    tick, arrival = tick_us[order], arrival_ns[order]
    x = (tick - tick[0]).astype(np.float64) / 1e6 / time_scale
    delay: NDArray[np.float64] = (arrival - arrival[0]).astype(np.float64) / 1e9 - x
    fast = _fastest(x, delay, BUCKETS)
    fx, fy = x[fast], delay[fast]
    if fx[-1] - fx[0] >= SHORTEST_SKEW_FIT_S:
        skew, skew_from = _hull_slope(fx, fy, float(x.mean())), "fit"
        skew_u_s = 0.0
    else:
        skew, skew_from = (0.0, "nominal") if known_skew is None else (known_skew, "other_segment")
        skew_u_s = (SKEW_LIMIT if known_skew is None else SKEW_DRIFT) * float(fx[-1] - fx[0])
    constant = float((fy - skew * fx).min())
    above: NDArray[np.float64] = fy - constant - skew * fx
    residual = float(np.sqrt(np.mean(above * above)))
    offset_ns = float(arrival[0]) + constant * 1e9 - (1.0 + skew) * float(tick[0]) * 1e3 / time_scale
    few = _fastest(x, delay - skew * x - constant, STRETCHES)
    slack: NDArray[np.float64] = (delay - skew * x - constant)[few]
    scatter = 2.0 * float(np.sqrt(np.mean(slack * slack)))
    u95 = skew_u_s + scatter
    fit = ClockFit(boot, time_scale, offset_ns, skew, residual, None, len(tick), u95, skew_from)
    return _bounded_by_echoes(fit, echoes)


def _hull_slope(x: NDArray[np.float64], delay: NDArray[np.float64], middle: float) -> float:
    """Slope of the lower hull's edge over the middle: the line under all points that runs closest to them."""
    hull = lower_hull(x, delay)
    right = int(np.clip(np.searchsorted(x[hull], middle), 1, len(hull) - 1))
    a, b = hull[right - 1], hull[right]
    return float((delay[b] - delay[a]) / (x[b] - x[a]))


def _bounded_by_echoes(fit: ClockFit, echoes: tuple[Echo, ...]) -> ClockFit:
    """Move the constant by as little as the round trips ask for.

    A question leaves before the node's tick and its answer arrives after it: every round trip is an interval in which
    the tick's host time lies. The middle of what all of them leave is taken, half its width is the bound; where a
    wandering clock leaves nothing in common, the shortest trip alone speaks.
    """
    if not echoes:
        return fit
    ticks = fit.monotonic_ns(np.array([echo.tick_us for echo in echoes], np.int64))
    earliest = np.array([echo.sent_ns for echo in echoes], np.float64) - ticks
    latest = np.array([echo.received_ns for echo in echoes], np.float64) - ticks
    low, high = float(earliest.max()), float(latest.min())
    if low > high:
        shortest = int(np.argmin(latest - earliest))
        low, high = float(earliest[shortest]), float(latest[shortest])
    half_ns = (high - low) / 2.0
    return replace(
        fit,
        offset_ns=fit.offset_ns + (low + high) / 2.0,
        constant_u_s=half_ns / 1e9,
        u95_s=fit.u95_s + half_ns / 1e9,
    )


def steps_of_the_wall_clock(
    monotonic_ns: NDArray[np.int64], utc_ns: NDArray[np.int64], host: HostClock
) -> list[tuple[int, float]]:
    """Where the host's wall clock was stepped: host monotonic time [ns] and step [s] of each.

    Parameters
    ----------
    monotonic_ns, utc_ns : int arrays of shape (n,)
        Both clocks at each arrival, in order.
    """
    ahead_s = np.concatenate([[0.0], (utc_ns - host.utc_ns - (monotonic_ns - host.monotonic_ns)) / 1e9])
    steps = np.diff(ahead_s)
    return [(int(monotonic_ns[i]), float(steps[i])) for i in np.flatnonzero(np.abs(steps) > SMALLEST_STEP_S)]
