"""Units of measurement: from what a file or sensor says to what is stored, and back.

Factors: 1 psi = 6894.757293168 Pa, 1 inHg (0 degC, conventional) = 3386.389 Pa, 1 mile = 1609.344 m,
K = degC + 273.15, degF = 1.8 degC + 32 (exact or conventional, NIST SP 811, from memory).
"""

from dataclasses import dataclass

from recorder.errors import InputError

PSI_KPA = 6.894757293168
INHG_KPA = 3.386389
MILE_KM = 1.609344


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit whose stored value is ``value * scale + offset``.

    ``reference`` is the zero of a pressure: ``vented_gauge`` or ``absolute``; None elsewhere. The bare psi, bar
    and kPa mean gauge, as the trade writes.
    """

    symbol: str
    quantity: str
    scale: float
    offset: float = 0.0
    reference: str | None = None


def _gauge(symbol: str, scale: float) -> Unit:
    return Unit(symbol, "pressure", scale, reference="vented_gauge")


def _absolute(symbol: str, scale: float) -> Unit:
    return Unit(symbol, "pressure", scale, reference="absolute")


UNITS = {
    unit.symbol: unit
    for unit in (
        _gauge("psi", PSI_KPA),
        _gauge("psig", PSI_KPA),
        _gauge("kPa", 1.0),
        _gauge("kPag", 1.0),
        _gauge("bar", 100.0),
        _gauge("barg", 100.0),
        _gauge("inHg vacuum", -INHG_KPA),
        _absolute("psia", PSI_KPA),
        _absolute("kPaa", 1.0),
        _absolute("bara", 100.0),
        _absolute("mbara", 0.1),
        _absolute("Torr", 101.325 / 760.0),
        _absolute("micron", 101.325 / 760.0e3),
        Unit("degC", "temperature", 1.0),
        Unit("degF", "temperature", 5.0 / 9.0, -32.0 * 5.0 / 9.0),
        Unit("K", "temperature", 1.0, -273.15),
        Unit("V", "voltage", 1.0),
        Unit("mV", "voltage", 1e-3),
        Unit("A", "current", 1.0),
        Unit("%", "ratio", 1.0),
        Unit("1", "state", 1.0),
        Unit("1/min", "rotation", 1.0),
        Unit("km/h", "speed", 1.0),
        Unit("mph", "speed", MILE_KM),
        Unit("kg", "mass", 1.0),
        Unit("m", "length", 1.0),
    )
}


_BY_LOWER_CASE = {symbol.lower(): unit for symbol, unit in UNITS.items()}


def unit_named(symbol: str) -> Unit:
    """Return the unit with this symbol, in any case of its letters.

    Raises
    ------
    InputError
        If the symbol is not known.
    """
    unit = UNITS.get(symbol) or _BY_LOWER_CASE.get(symbol.lower())
    if unit is None:
        raise InputError(f"unit '{symbol}' is not known. Known units: {', '.join(UNITS)}.")
    return unit
