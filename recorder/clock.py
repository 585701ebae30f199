"""Node ticks to host time.

The host's own time is monotonic inside and UTC outside: one anchor pair is taken when a recording starts, so a step
of the host's wall clock moves no sample. A node's clock is fitted by the lower convex hull of arrival minus tick
(Moon, Skelly & Towsley, Estimation and Removal of Clock Skew from Network Delay Measurements, INFOCOM 1999): delays
only ever add, so the line under all points that runs closest to them is the clock. The constant that no one-way
delay can tell is bounded by the shortest echo round trip.
"""

import time
from dataclasses import asdict, dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

SHORTEST_SKEW_FIT_S = 20.0
"""Below this the skew is not fitted but taken as nil (common practice, no source): noise would exceed it."""
BUCKETS = 512


@dataclass(frozen=True, slots=True)
class HostClock:
    """The host's clock as it was anchored when the recording started."""

    monotonic_ns: int
    utc_ns: int

    @classmethod
    def start(cls) -> Self:
        """Anchor the clock now."""
        return cls(time.monotonic_ns(), time.time_ns())

    @staticmethod
    def now_ns() -> int:
        """Monotonic time [ns]."""
        return time.monotonic_ns()

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
    """Host monotonic time of a node's ticks within one boot of the node.

    ``monotonic = offset_ns + (1 + skew) * tick_us * 1000 / time_scale``. ``residual_s`` is the scatter of the
    fastest frames about the line, ``constant_u_s`` half the shortest echo round trip (None without an echo: then a
    constant delay of the link goes unseen).
    """

    boot: int
    time_scale: float
    offset_ns: float
    skew: float
    residual_s: float
    constant_u_s: float | None
    frames: int

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


def _fastest(x: NDArray[np.float64], delay: NDArray[np.float64]) -> NDArray[np.intp]:
    """Index of the least delay in each of at most ``BUCKETS`` stretches of x (sorted)."""
    bucket = np.minimum((x - x[0]) / max(x[-1] - x[0], 1e-9) * BUCKETS, BUCKETS - 1).astype(np.intp)
    order = np.lexsort((delay, bucket))
    return np.sort(order[np.unique(bucket[order], return_index=True)[1]])


def fit_clock(
    boot: int,
    tick_us: NDArray[np.int64],
    arrival_ns: NDArray[np.int64],
    time_scale: float = 1.0,
    echoes: tuple[Echo, ...] = (),
) -> ClockFit:
    """Fit a node's clock from the ticks and arrivals of its frames.

    Parameters
    ----------
    tick_us, arrival_ns : int arrays of shape (n,), n >= 1
        Node tick of each frame and host monotonic time of its arrival.
    time_scale : float
        How much faster than the host's clock the node's ticks run (a replay).
    echoes : tuple of Echo
        Round trips within the same boot.
    """
    order = np.argsort(tick_us, kind="stable")
    tick, arrival = tick_us[order], arrival_ns[order]
    x = (tick - tick[0]).astype(np.float64) / 1e6 / time_scale
    delay: NDArray[np.float64] = (arrival - arrival[0]).astype(np.float64) / 1e9 - x
    fast = _fastest(x, delay)
    fx, fy = x[fast], delay[fast]
    skew, constant = 0.0, float(fy.min())
    if fx[-1] - fx[0] >= SHORTEST_SKEW_FIT_S:
        hull = lower_hull(fx, fy)
        middle = float(x.mean())
        right = int(np.clip(np.searchsorted(fx[hull], middle), 1, len(hull) - 1))
        a, b = hull[right - 1], hull[right]
        skew = float((fy[b] - fy[a]) / (fx[b] - fx[a]))
        constant = float(fy[a] - skew * fx[a])
    above: NDArray[np.float64] = fy - constant - skew * fx
    residual = float(np.sqrt(np.mean(above * above)))
    offset_ns = float(arrival[0]) + constant * 1e9 - (1.0 + skew) * float(tick[0]) * 1e3 / time_scale
    fit = ClockFit(boot, time_scale, offset_ns, skew, residual, None, len(tick))
    return _bounded_by_echoes(fit, echoes)


def _bounded_by_echoes(fit: ClockFit, echoes: tuple[Echo, ...]) -> ClockFit:
    """Place the constant in the middle of what the shortest round trip leaves possible."""
    if not echoes:
        return fit
    best = min(echoes, key=lambda echo: echo.received_ns - echo.sent_ns)
    half_trip_ns = (best.received_ns - best.sent_ns) / 2.0
    shift_ns = best.sent_ns + half_trip_ns - float(fit.monotonic_ns(np.array([best.tick_us]))[0])
    return ClockFit(
        fit.boot,
        fit.time_scale,
        fit.offset_ns + shift_ns,
        fit.skew,
        fit.residual_s,
        half_trip_ns / 1e9,
        fit.frames,
    )
