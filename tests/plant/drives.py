"""Random drives: road and engine speed, what the driver asks, weather and service, on a grid of 0.25 s."""

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from tests.plant.circuit import saturated_humidity

GRID_S = 0.25
GEARS = (135.0, 78.0, 52.0, 38.0, 28.5, 21.5)
"""Engine speed for a km/h in each gear."""
KINDS = ("town", "mixed", "motorway", "jam", "workshop", "idle", "stop_start", "recharge")


@dataclass
class Drive:
    """One drive; arrays over the grid, moments in seconds."""

    kind: str
    duration_s: float
    ambient_degc: float
    humidity: float
    engine_on_s: float
    engine_off_s: float | None
    signals: dict[str, np.ndarray] = field(default_factory=dict)
    marks: list[tuple[float, str, str]] = field(default_factory=list)
    charged_kg: float | None = None
    altitude_m: float = 0.0
    warm_k: float = 0.0

    @property
    def t(self) -> np.ndarray:
        """The grid."""
        return np.arange(round(self.duration_s / GRID_S) + 2) * GRID_S


def _legs(rng: np.random.Generator, kind: str, start_s: float, end_s: float) -> list[tuple[float, float]]:
    """Corners of road speed over time."""
    corners, t = [(0.0, 0.0), (start_s, 0.0)], start_s
    while t < end_s - 30.0:
        if kind in ("town", "stop_start") or (kind == "mixed" and rng.random() < 0.6):
            speed, cruise, stand = rng.uniform(18, 58), rng.uniform(8, 55), rng.uniform(5, 45)
            if kind == "mixed":
                speed, cruise = rng.uniform(35, 75), rng.uniform(25, 110)
        elif kind == "jam":
            speed, cruise, stand = rng.uniform(5, 28), rng.uniform(4, 16), rng.uniform(12, 70)
        else:
            speed, cruise, stand = rng.uniform(80, 130), rng.uniform(120, 400), rng.uniform(0, 15)
        up = speed / rng.uniform(3.5, 7.0)
        corners.append((t + up, speed))
        t += up
        for _ in range(int(rng.integers(1, 3))):
            t += cruise / 2
            corners.append((t, speed))
            speed = min(max(speed * rng.uniform(0.7, 1.25), 5.0), 132.0)
            t += 4.0
            corners.append((t, speed))
        down = speed / rng.uniform(4.0, 8.0)
        corners += [(t + down, 0.0), (t + down + stand, 0.0)]
        t += down + stand
    return corners


def _engine(rng: np.random.Generator, t: np.ndarray, speed: np.ndarray, idle: float) -> np.ndarray:
    rising = np.gradient(speed, GRID_S) > 0.8
    rpm = np.full(len(t), idle)
    limit = np.where(rising, rng.uniform(2300, 2900), rng.uniform(1650, 2000))
    gears = np.array(GEARS)[:, None] * speed[None, :]
    usable = gears >= 1080.0
    wished = np.where(usable & (gears <= limit), gears, np.inf)
    best = np.where(rising, np.where(np.isfinite(wished), wished, -np.inf).max(axis=0), wished.min(axis=0))
    lowest = np.where(usable, gears, np.inf).min(axis=0)
    best = np.where(np.isfinite(best), best, lowest)
    moving = speed > 4.0
    rpm = np.where(
        moving & np.isfinite(best), np.clip(best, idle, 5200), np.where(moving, np.maximum(idle, 1100), idle)
    )
    noise = lfilter([0.15], [1, -0.85], rng.normal(0, 1, len(t)))
    return lfilter([0.35], [1, -0.65], rpm, zi=[0.65 * rpm[0]])[0] * (1 + 0.008 * noise)


def humidity_at(t_degc: float) -> float:
    """Mass of water a mass of saturated air at sea level."""
    return float(saturated_humidity(np.array(t_degc), np.array(101325.0)))


def random_drive(rng: np.random.Generator, kind: str, hot: bool | None = None) -> Drive:
    """A drive of a kind; ``hot`` asks for a hot (or a mild) day."""
    u = rng.uniform
    ambient = float(u(23, 38) if rng.random() < 0.75 else u(8, 43))
    if hot is not None:
        ambient = float(u(30, 41) if hot else u(18, 25))
    duration = float(u(1300, 2700)) if kind not in ("workshop", "recharge", "idle") else float(u(1200, 1700))
    rest = kind in ("workshop", "recharge", "idle") or rng.random() < 0.5
    start = float(rng.choice([1.0, 15.0, 20.0])) + float(u(0, 3))
    if kind == "recharge":
        start = float(u(640, 700))
        duration = start + float(u(800, 1000))
    off = duration - float(u(150, 520)) if rest else None
    humidity = min(float(u(0.25, 0.85)), float(u(0.012, 0.019)) / humidity_at(ambient))
    drive = Drive(kind, round(duration * 4) / 4, round(ambient, 1), humidity, start, off)
    t = drive.t
    n = len(t)
    if kind in ("workshop", "recharge", "idle"):
        speed = np.zeros(n)
    else:
        ends = off if off is not None else duration
        corners = _legs(rng, kind, start + float(u(20, 60)), ends)
        x, y = np.array(corners).T
        speed = np.interp(t, x, y)
        speed = lfilter([0.3], [1, -0.7], speed)
        if off is not None:
            speed = speed * np.clip((off - 12 - t) / 8.0, 0, 1)
        wobble = lfilter([0.05], [1, -0.95], rng.normal(0, 1, n))
        speed = np.where(speed > 3, speed * (1 + 0.02 * wobble), np.where(speed > 0.5, speed, 0.0))
    idle = float(u(720, 840))
    rpm = _engine(rng, t, speed, idle)
    if kind in ("workshop", "recharge"):
        up = start + float(u(200, 320))
        down = up + float(u(280, 430))
        raised = float(u(1400, 1900))
        if down > (off or duration) - 60:
            down = 1e9
        rpm = np.where((t >= up) & (t < down), rpm * raised / idle, rpm)
        rpm = lfilter([0.25], [1, -0.75], rpm, zi=[0.75 * rpm[0]])[0]
        drive.marks.append((up, "raised_idle", ""))
    running = (t >= start) & (t < (off if off is not None else 1e9))
    if kind == "stop_start":
        running &= ~_standing(t, speed, start)
    rpm = np.where(running, rpm, 0.0)
    s = drive.signals
    s["speed"], s["rpm"] = speed, rpm
    asked = start + float(u(0, 6)) if rng.random() < 0.8 else start - 0.1
    s["cooling"] = (t >= asked).astype(float)
    drive.marks += [(start, "engine_on", ""), (asked, "ac_on", "")]
    if off is not None:
        drive.marks.append((off, "engine_off", ""))
    s["blower"] = np.where(running | (kind == "stop_start"), float(u(0.75, 1.0)), 0.0) * (t >= asked - 0.1)
    s["ambient"] = ambient + np.cumsum(rng.normal(0, 0.003, n))
    s["door"], s["throttle"] = np.zeros(n), np.zeros(n)
    s["fresh"], s["altitude"] = np.full(n, -1.0), np.full(n, np.nan)
    for name in ("leak", "draw", "fill", "swing"):
        s[name] = np.zeros(n)
    for name in ("supply", "grip", "stroke", "fan"):
        s[name] = np.ones(n)
    return drive


def _standing(t: np.ndarray, speed: np.ndarray, start: float) -> np.ndarray:
    """Standing for more than 2 s, a minute into the drive: the engine stops itself."""
    still = speed < 0.5
    count = np.zeros(len(t))
    idx = np.arange(len(t))
    last_moving = np.maximum.accumulate(np.where(~still, idx, -1))
    count = (idx - last_moving) * GRID_S
    return still & (count > 2.0) & (t > start + 55.0) & (np.cumsum(speed > 5) > 0)


def ordinary_life(rng: np.random.Generator, drive: Drive) -> None:
    """What must raise nothing: cooling off and on, throttle, blower, doors, recirculation, a pass."""
    t, s, u = drive.t, drive.signals, rng.uniform
    if rng.random() < 0.2 and drive.kind != "recharge":
        drive.warm_k = float(u(3, 12))
    first = drive.engine_on_s + 300.0
    last = (drive.engine_off_s or drive.duration_s) - 120.0
    if last < first + 100.0:
        return
    if rng.random() < 0.4 and drive.kind != "recharge":
        for _ in range(int(rng.integers(1, 3))):
            a = float(u(first, last))
            b = a + float(u(25, 180))
            s["cooling"] = np.where((t >= a) & (t < b), 0.0, s["cooling"])
            if rng.random() < 0.88:
                drive.marks += [(a, "ac_off", "")] + ([(b, "ac_on", "")] if b < last + 100 else [])
    if rng.random() < 0.35 and drive.kind in ("town", "mixed", "motorway"):
        for _ in range(int(rng.integers(1, 4))):
            a = float(u(first - 200, last))
            hit = (t >= a) & (t < a + float(u(4, 10)))
            s["throttle"] = np.where(hit, 1.0, s["throttle"])
            s["rpm"] = np.where(hit & (s["rpm"] > 300), np.minimum(s["rpm"] * 1.7 + 800, 5400), s["rpm"])
    if rng.random() < 0.4:
        a = float(u(first - 150, last))
        s["blower"] = np.where(t >= a, s["blower"] * float(u(0.35, 0.75)), s["blower"])
        if rng.random() < 0.5:
            b = a + float(u(100, 400))
            s["blower"] = np.where(t >= b, s["blower"].max() * (s["blower"] > 0), s["blower"])
    if rng.random() < 0.3:
        for _ in range(int(rng.integers(1, 4))):
            a = float(u(first - 100, last))
            s["door"] = np.where((t >= a) & (t < a + float(u(5, 45))), 1.0, s["door"])
    if rng.random() < 0.3:
        a = float(u(first - 150, last))
        s["fresh"] = np.where(t >= a, float(rng.choice([0.1, 1.0])), s["fresh"])


def mountain_pass(rng: np.random.Generator, drive: Drive, base_m: float) -> None:
    """Up to a pass and down again; air density, ambient and gauge zero follow."""
    t = drive.t
    top = base_m + float(rng.uniform(600, 1500))
    corners = ([0.0, 0.15, 0.5, 0.6, 0.95], [base_m, base_m, top, top, base_m + 100.0])
    height = np.interp(t, np.array(corners[0]) * drive.duration_s, corners[1])
    drive.signals["altitude"] = height
    drive.signals["ambient"] = drive.signals["ambient"] - 0.0065 * (height - base_m)


def recharge(rng: np.random.Generator, drive: Drive, charge_kg: float) -> float:
    """Recovery, vacuum and charge before the start; the residual charge that was in."""
    t, s, u = drive.t, drive.signals, rng.uniform
    drawn, pump = 31.0 + float(u(0, 4)), float(u(190, 210))
    charge, done = float(u(450, 500)), float(u(550, 590))
    s["draw"] = np.where((t >= drawn) & (t < charge - 10), 0.06, 0.0)
    length = done - charge - 20.0
    s["fill"] = np.where((t >= charge) & (t < charge + length), charge_kg / length, 0.0)
    drive.marks += [(drawn, "recovery", ""), (pump, "vacuum", ""), (charge, "charging", ""), (done, "recharged", "")]
    drive.charged_kg = round(charge_kg, 3)
    return float(u(0.008, 0.02))
