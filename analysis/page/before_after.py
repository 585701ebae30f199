"""The comparison as the page shows it: the same words as in the terminal, as plain values."""

from typing import Any

from analysis import compare_summary, wording
from analysis.comparison import NOT_COMPARED, NOT_REPAIRED, REPAIRED, Comparison, Difference, Side
from analysis.findings import Rate

MOST_CONDITIONS = 30


def told(comparison: Comparison) -> dict[str, Any]:
    """Everything the screen shows."""
    spells = comparison.spells
    return {
        "headline": compare_summary.VERDICTS[comparison.verdict],
        "why": comparison.verdict_why,
        "good": comparison.verdict == REPAIRED,
        "bad": comparison.verdict == NOT_REPAIRED,
        "sides": [_side("Before", comparison.before), _side("After", comparison.after)],
        "notes": list(comparison.notes),
        "spells": spells.says,
        "rates": [_rate("before", spells.before), _rate("after", spells.after)],
        "chance": f"{spells.p_fell:.2g}" if spells.p_fell is not None and spells.before.count else None,
        "rows": [_row(one) for one in comparison.differences if one.state != NOT_COMPARED],
        "left": [f"{d.says}: {d.difference.why}" for d in comparison.differences if d.state == NOT_COMPARED],
        "matched": [
            {"says": c.says, "before": wording.clock(c.before_s), "after": wording.clock(c.after_s)}
            for c in comparison.conditions
            if c.why is None
        ][:MOST_CONDITIONS],
        "not_matched": [f"{c.says}: {c.why}" for c in comparison.conditions if c.why is not None][:MOST_CONDITIONS]
        + list(comparison.not_matched),
    }


def _side(when: str, side: Side) -> dict[str, Any]:
    seen = ", ".join(wording.title(kind) for kind in side.kinds) or wording.VERDICTS[side.verdict].lower()
    return {
        "when": when,
        "name": side.name,
        "started": side.started_at[:16].replace("T", " ") if side.started_at else "date not stated",
        "length": wording.clock(side.duration_s),
        "sealed": side.sealed,
        "intact": side.intact,
        "seen": seen,
        "kinds": len(side.kinds),
    }


def _rate(when: str, rate: Rate) -> dict[str, Any]:
    limits = None if rate.low is None or rate.high is None else f"{rate.low:.3g} to {rate.high:.3g}"
    return {
        "when": when,
        "count": rate.count,
        "per_hour": None if rate.per_hour is None else f"{rate.per_hour:.3g}",
        "value": rate.per_hour,
        "limits": limits,
    }


def _row(one: Difference) -> dict[str, Any]:
    unit = one.unit if one.unit != "kPa" else "kPa gauge"
    return {
        "says": one.says,
        "before": wording.shown(one.before),
        "after": wording.shown(one.after, unit),
        "change": wording.shown(one.difference, "kPa" if one.unit == "kPa" else "K"),
        "state": one.state,
    }
