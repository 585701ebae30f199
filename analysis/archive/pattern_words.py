"""Patterns in words, for the terminal and the page."""

import textwrap
from dataclasses import asdict, dataclass
from itertools import pairwise

from analysis import wording
from analysis.archive.patterns import BANDS, LIMITS, NOT_SHOWN, STANDS_OUT, TOO_FEW, Comparison, Patterns
from analysis.shown import KPA, Units, percent

WIDTH = 100
FACTORS = {
    "model": "model",
    "refrigerant": "refrigerant",
    "metering": "metering",
    "compressor": "compressor",
    "ambient_degc": "ambient air",
    "odometer_km": "odometer",
}
WHAT_IT_IS_NOT = (
    "A pattern is no cause. It says what comes together in these recordings, not what makes what.",
    (
        "These are vehicles that somebody recorded, mostly after a complaint, not all vehicles on the road: a model "
        "that is looked after elsewhere, or whose owners do not complain, is missing here."
    ),
    "Model, refrigerant, compressor, age and use go together: a pattern with one of them may belong to another.",
    "Where one group has much more of a kind, every other has less than the rest: read the strongest first.",
    "No pattern shown is not shown that there is none: with few vehicles much goes unseen.",
)
HOW = (
    "Counted are vehicles (by VIN, else plate), not episodes: each once a kind, by its first recording in which the "
    "kind was found or is absent. Where it could not be decided the vehicle does not count."
)


RISING = {"ambient_degc": "warmer ambient air", "odometer_km": "higher odometer"}


@dataclass(frozen=True, slots=True)
class Share:
    """Vehicles that have a kind, of those examined; ``share`` runs from 0 to 1, None of none."""

    name: str
    says: str
    share: float | None


@dataclass(frozen=True, slots=True)
class Said:
    """One comparison in words, with the shares it rests on: the group and all others, or every band."""

    kind: str
    goes_with: str
    shares: tuple[Share, ...]
    odds: str
    chance: str


def said(comparison: Comparison, units: Units = KPA) -> Said:
    """A comparison in words and the reader's units."""
    c = comparison
    way = "commoner" if c.more else "rarer"
    if c.edge is None:
        name = f"{FACTORS[c.factor]} {(c.level or '').replace('_', ' ')}"
        shares = share(name, c.having, c.at_risk), share("all others", c.having_elsewhere, c.at_risk_elsewhere)
        goes_with, where = name, ""
    else:
        named = zip(bands(c.factor, units), c.having_by_band, c.at_risk_by_band, strict=True)
        shares = tuple(share(name, having, at_risk) for name, having, at_risk in named)
        goes_with, where = RISING[c.factor], f", {edge(c.factor, c.edge, units)} and above against below"
    return Said(
        wording.title(c.kind),
        f"{way} with {goes_with}",
        shares,
        "" if c.odds_low is None else f"odds ratio {_limits(c.odds_ratio, c.odds_low, c.odds_high)}{where}",
        "" if c.p_adjusted is None else chance(c.p_adjusted),
    )


def share(name: str, having: int, at_risk: int) -> Share:
    """So many of so many."""
    if not at_risk:
        return Share(name, "none examined", None)
    return Share(name, f"{having} of {at_risk} ({percent(having / at_risk)})", having / at_risk)


def bands(factor: str, units: Units = KPA) -> list[str]:
    """The bands of a factor, lowest first."""
    edges = [edge(factor, value, units) for value in BANDS[factor]] if factor in BANDS else []
    middle = [f"{low} to {high}" for low, high in pairwise(edges)]
    return [f"under {edges[0]}", *middle, f"{edges[-1]} and above"] if edges else []


def edge(factor: str, value: float, units: Units = KPA) -> str:
    """An edge of a band with its unit."""
    if factor == "ambient_degc":
        return f"{units.level(value, 'degC')}\N{NO-BREAK SPACE}{units.symbol('degC')}"
    return f"{value:,.0f},km".replace(",", "\N{NO-BREAK SPACE}")


def chance(p: float) -> str:
    """A chance without false digits."""
    return "under 0.001" if p < 0.001 else f"{p:.2g}" if p < 0.1 else f"{p:.2f}"


def _limits(value: float | None, low: float, high: float | None) -> str:
    if high is None:
        return f"at least {_number(low)}"
    return f"{_number(value or 0.0)} ({_number(low)} to {_number(high)})" if low else f"at most {_number(high)}"


def _number(value: float) -> str:
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}" if value >= 0.995 else f"{value:.2g}"


def basis(patterns: Patterns) -> list[str]:
    """What the patterns rest on, and what was left out, a sentence each."""
    vehicles = wording.count(patterns.vehicles, "vehicle")
    told = [f"{vehicles} in {wording.count(patterns.recordings, 'recording')}. {HOW}"]
    if patterns.unidentified:
        told.append(
            f"{wording.count(patterns.unidentified, 'recording states', 'recordings state')} neither VIN nor plate and "
            "cannot be told apart by vehicle: left out. The job sheet can be corrected after sealing."
        )
    if patterns.unreadable:
        told.append(
            f"{wording.count(patterns.unreadable, 'recording')} left out: not to be analysed, still being recorded, "
            "or a second copy."
        )
    unstated = [f"{FACTORS[name]} of {n}" for name, n in patterns.unstated.items() if n]
    if unstated:
        told.append(f"Not stated or not recorded: {', '.join(unstated)}.")
    if patterns.not_examined:
        told.append(f"No vehicle could be examined for: {', '.join(map(wording.title, patterns.not_examined))}.")
    return told


def verdict(patterns: Patterns) -> str:
    """How many stand out, of how many comparisons."""
    found = len(patterns.of(STANDS_OUT))
    made = wording.count(patterns.made, "comparison")
    if not patterns.made:
        return "Cannot tell: too few vehicles. Not even the most uneven split could stand out from chance."
    if not found:
        return f"No pattern stands out among {made}."
    return f"{wording.count(found, 'pattern stands', 'patterns stand')} out among {made}."


def caution(patterns: Patterns) -> list[str]:
    """How far the list can be trusted, and how much could not be told."""
    told: list[str] = []
    if patterns.of(STANDS_OUT):
        level = LIMITS["false_discoveries"].value
        told.append(
            f"Allowed for {wording.count(patterns.made, 'comparison')} (Benjamini & Hochberg 1995): of a list such as "
            f"this no more than {percent(level)} is chance, on average over archives. Intervals are 95 %, each "
            "by itself."
        )
    few = len(patterns.of(TOO_FEW))
    if few:
        told.append(
            f"{wording.count(few, 'comparison')} cannot tell: there are so few vehicles that not even the most uneven "
            "split would have stood out."
        )
    return told


def summary_of_patterns(patterns: Patterns, units: Units = KPA) -> str:
    """The patterns for a terminal."""
    lines = [verdict(patterns)]
    for number, one in enumerate((said(c, units) for c in patterns.of(STANDS_OUT)), start=1):
        lines += ["", f"{number:3d}  {one.kind}: {one.goes_with}"]
        lines.append(f"     {'; '.join(f'{s.name}: {s.says}' for s in one.shares)}")
        lines.append(f"     {one.odds}, adjusted p {one.chance}")
    lines += ["", *caution(patterns), *basis(patterns), "", "What this is not", *(f"  {s}" for s in WHAT_IT_IS_NOT)]
    return "\n".join(
        textwrap.fill(line, WIDTH, subsequent_indent=" " * (len(line) - len(line.lstrip()) + 2)) for line in lines
    )


def told(patterns: Patterns, units: Units = KPA) -> dict[str, object]:
    """What the page shows, as plain values, the comparisons by their state."""
    return {
        "verdict": verdict(patterns),
        "caution": caution(patterns),
        "basis": basis(patterns),
        "is_not": WHAT_IT_IS_NOT,
        **{state: [asdict(said(c, units)) for c in patterns.of(state)] for state in (STANDS_OUT, NOT_SHOWN, TOO_FEW)},
    }
