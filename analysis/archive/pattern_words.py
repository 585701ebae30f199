"""Patterns in words, for the terminal and the page."""

from dataclasses import asdict, dataclass
from itertools import pairwise

from analysis import wording
from analysis.archive.patterns import BANDS, LIMITS, NOT_SHOWN, STANDS_OUT, TOO_FEW, Comparison, Patterns
from analysis.shown import KPA, Units

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
    "No pattern shown is not shown that there is none: with few vehicles much goes unseen.",
)
HOW = (
    "Counted are vehicles (by VIN, else plate), not episodes: each once a kind, by its first recording in which the "
    "kind was found or is absent. Where it could not be decided the vehicle does not count."
)


@dataclass(frozen=True, slots=True)
class Said:
    """One comparison in words; ``bands`` are the shares a band, for a trend."""

    kind: str
    group: str
    here: str
    against: str
    elsewhere: str
    odds: str
    chance: str
    bands: tuple[str, ...]


def said(comparison: Comparison, units: Units = KPA) -> Said:
    """A comparison in words and the reader's units."""
    c = comparison
    ratio = "" if c.odds_low is None else f"{_number(c.odds_ratio)} ({_number(c.odds_low)} to {_number(c.odds_high)})"
    return Said(
        wording.title(c.kind),
        group(c, units),
        share(c.having, c.at_risk),
        against(c, units),
        share(c.having_elsewhere, c.at_risk_elsewhere),
        ratio,
        "" if c.p_adjusted is None else chance(c.p_adjusted),
        tuple(
            f"{name}: {share(having, at_risk)}"
            for name, having, at_risk in zip(bands(c.factor, units), c.having_by_band, c.at_risk_by_band, strict=False)
        ),
    )


def group(comparison: Comparison, units: Units = KPA) -> str:
    """Which vehicles are meant; of a trend, which way it goes and where it was cut for the odds."""
    name = FACTORS[comparison.factor]
    if comparison.edge is None:
        return f"{name} {(comparison.level or '').replace('_', ' ')}"
    way = "more" if comparison.more else "less"
    return f"{way} with {name}: {edge(comparison.factor, comparison.edge, units)} and above"


def against(comparison: Comparison, units: Units = KPA) -> str:
    """What they are held against."""
    if comparison.edge is None:
        return "all others"
    return f"under {edge(comparison.factor, comparison.edge, units)}"


def bands(factor: str, units: Units = KPA) -> list[str]:
    """The bands of a factor, lowest first."""
    edges = [edge(factor, value, units) for value in BANDS[factor]] if factor in BANDS else []
    middle = [f"{low} to {high}" for low, high in pairwise(edges)]
    return [f"under {edges[0]}", *middle, f"{edges[-1]} and above"] if edges else []


def edge(factor: str, value: float, units: Units = KPA) -> str:
    """An edge of a band with its unit."""
    if factor == "ambient_degc":
        return f"{units.level(value, 'degC')} {units.symbol('degC')}"
    return f"{value:,.0f},km".replace(",", "\N{NO-BREAK SPACE}")


def share(having: int, at_risk: int) -> str:
    """So many of so many."""
    return f"{having} of {at_risk}" + (f" ({wording.percent(having / at_risk)})" if at_risk else "")


def chance(p: float) -> str:
    """A chance without false digits."""
    return "under 0.001" if p < 0.001 else f"{p:.2g}" if p < 0.1 else f"{p:.2f}"


def _number(value: float | None) -> str:
    return "no bound" if value is None else f"{value:.0f}" if value >= 100 else f"{value:.2g}"


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
        told.append(f"{wording.count(patterns.unreadable, 'recording')} could not be analysed or was left out.")
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
            f"this no more than {wording.percent(level)} is chance, on average over archives. Intervals are 95 %, each "
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
    import textwrap

    lines = [verdict(patterns)]
    for number, one in enumerate((said(c, units) for c in patterns.of(STANDS_OUT)), start=1):
        lines += ["", f"{number:3d}  {one.kind}: {one.group}"]
        lines.append(f"     {one.here} against {one.elsewhere} {one.against}")
        lines.append(f"     odds ratio {one.odds}, adjusted p {one.chance}")
        lines += [f"     {'; '.join(one.bands)}"] if one.bands else []
    lines += ["", *caution(patterns), *basis(patterns), "", "What this is not", *(f"  {s}" for s in WHAT_IT_IS_NOT)]
    return "\n".join(
        textwrap.fill(line, WIDTH, subsequent_indent=" " * (len(line) - len(line.lstrip()) + 2)) for line in lines
    )


def told(patterns: Patterns, units: Units = KPA) -> dict[str, object]:
    """What the page shows, as plain values."""
    return {
        "verdict": verdict(patterns),
        "caution": caution(patterns),
        "basis": basis(patterns),
        "not": WHAT_IT_IS_NOT,
        **{state: [asdict(said(c, units)) for c in patterns.of(state)] for state in (STANDS_OUT, NOT_SHOWN, TOO_FEW)},
    }
