"""Thermocouples K, T, J and N on the ITS-90: EMF to temperature and back.

Reference functions of NIST Monograph 175 (the same as IEC 60584-1:2013) from ``data/its90.csv``. What a meter sees is
the EMF of the hot end less that of its terminals (the cold junction): EMFs are added, never temperatures. The inverse
polynomials err by up to 0.06 K and serve as first guess; the forward function is then solved, so that both ways agree.
"""

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from recorder.errors import InputError

TYPES = ("K", "T", "J", "N")
MV_TO_UV = 1e3
NEWTON_STEPS = 4
"""The guess errs by less than 0.1 K; each step squares that, times 1e-3 /K: two suffice, two are spare."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One polynomial with the range of its argument; ``gauss`` is the extra term of type K above 0 degC."""

    low: float
    high: float
    coefficients: tuple[float, ...]
    gauss: tuple[float, ...] = ()

    def value(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """The function at ``x``."""
        sum_ = _polynomial(self.coefficients, x)
        if self.gauss:
            a0, a1, a2 = self.gauss
            sum_ = sum_ + a0 * np.exp(a1 * (x - a2) ** 2)
        return sum_

    def slope(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Its derivative at ``x``."""
        sum_ = _polynomial(tuple(n * c for n, c in enumerate(self.coefficients))[1:], x)
        if self.gauss:
            a0, a1, a2 = self.gauss
            sum_ = sum_ + 2.0 * a0 * a1 * (x - a2) * np.exp(a1 * (x - a2) ** 2)
        return sum_


@dataclass(frozen=True, slots=True)
class Curve:
    """The pieces of one type, in ascending order: ``forward`` in degC and mV, ``inverse`` in mV and degC."""

    forward: tuple[Piece, ...]
    inverse: tuple[Piece, ...]


def _polynomial(coefficients: tuple[float, ...], x: NDArray[np.float64]) -> NDArray[np.float64]:
    value = np.full_like(x, coefficients[-1])
    for coefficient in reversed(coefficients[:-1]):
        value = value * x + coefficient
    return value


@cache
def curve(kind: str) -> Curve:
    """The reference function of a type.

    Raises
    ------
    InputError
        If the type is not one of ``TYPES``.
    """
    if kind not in TYPES:
        raise InputError(f"thermocouple type '{kind}' is not known. Types: {', '.join(TYPES)}.")
    text = (resources.files("recorder") / "data" / "its90.csv").read_text(encoding="utf-8")
    return curve_from(text, kind)


def curve_from(text: str, kind: str) -> Curve:
    """Read the curve of one type out of the text of a coefficient file."""
    groups: dict[tuple[str, float, float], dict[str, float]] = {}
    for row in csv.DictReader(line for line in text.splitlines() if not line.startswith("#")):
        if row["type"] == kind:
            key = row["function"], float(row["low"]), float(row["high"])
            groups.setdefault(key, {})[row["coefficient"]] = float(row["value"])

    def pieces(function: str, letter: str) -> tuple[Piece, ...]:
        found = (
            Piece(
                low,
                high,
                tuple(named.get(f"{letter}{n}", 0.0) for n in range(1 + max(_numbers(named, letter)))),
                tuple(named[f"a{n}"] for n in _numbers(named, "a")),
            )
            for (name, low, high), named in groups.items()
            if name == function
        )
        return tuple(sorted(found, key=lambda piece: piece.low))

    return Curve(pieces("forward", "c"), pieces("inverse", "d"))


def _numbers(named: dict[str, float], letter: str) -> list[int]:
    return sorted(int(name[1:]) for name in named if name[0] == letter)


def emf_uv(kind: str, t_degc: NDArray[np.float64] | float, of: Curve | None = None) -> NDArray[np.float64]:
    """EMF [uV] of a thermocouple at ``t_degc``, reference junction at 0 degC; NaN outside the function's range."""
    t = np.asarray(t_degc, np.float64)
    emf = np.full_like(t, np.nan)
    for piece in (of or curve(kind)).forward:
        # 0 degC belongs to the lower piece: there type K gives 0 exactly, above it 2e-9 mV are left over.
        own = (t <= piece.high) & (t >= piece.low) & np.isnan(emf)
        emf[own] = piece.value(t[own]) * MV_TO_UV
    return emf


def temperature_degc(kind: str, emf: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Temperature at which a thermocouple gives ``emf`` [uV], reference junction at 0 degC.

    NaN outside the range of the inverse polynomials: -200 degC (J -210) to 1372 (K), 400 (T), 760 (J), 1300 degC (N).
    """
    mv = np.asarray(emf, np.float64) / MV_TO_UV
    t = first_guess_degc(kind, mv)
    forward = curve(kind).forward
    for piece in forward:
        own = ~np.isnan(t) & ((mv > 0.0) if piece.low == 0.0 else (mv <= 0.0) | (len(forward) == 1))
        solved = t[own]
        for _ in range(NEWTON_STEPS):
            solved = solved - (piece.value(solved) - mv[own]) / piece.slope(solved)
        t[own] = solved
    return t


def first_guess_degc(kind: str, mv: NDArray[np.float64]) -> NDArray[np.float64]:
    """The approximate inverse polynomials of NIST SRD 60; NaN outside their range."""
    t = np.full_like(mv, np.nan)
    for piece in curve(kind).inverse:
        own = (mv >= piece.low) & (mv <= piece.high) & np.isnan(t)
        t[own] = piece.value(mv[own])
    return t


def compensated_degc(
    kind: str, measured_uv: NDArray[np.float64] | float, cold_junction_degc: NDArray[np.float64] | float
) -> NDArray[np.float64]:
    """Temperature of the hot end from the EMF [uV] at the terminals and the terminals' temperature."""
    return temperature_degc(kind, np.asarray(measured_uv, np.float64) + emf_uv(kind, cold_junction_degc))
