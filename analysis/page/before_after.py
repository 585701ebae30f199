"""The comparison as the page shows it: the same words as in the terminal, as plain values."""

from pathlib import Path
from typing import Any

from analysis import compare_summary, wording
from analysis.comparison import NOT_COMPARED, NOT_REPAIRED, REPAIRED, Comparison, Conditions, Difference, Side
from analysis.findings import Findings, Rate
from analysis.sentences import shown_degrees
from analysis.shown import Units
from recorder.errors import InputError
from recorder.files import RECORDING_FILE
from recorder.hashes import json_object

MOST_CONDITIONS = 30


def of_two_drives(before: Path, after: Path) -> None:
    """Hold two recordings to be of two drives; raises InputError where they have one id or began at one moment."""
    about = [json_object(folder / RECORDING_FILE) for folder in (before, after)]
    ids, starts = ([one.get(key) for one in about] for key in ("id", "started_at"))
    if ids[0] == ids[1] or (starts[0] == starts[1] and all(one.get("time_of_day_stated", True) for one in about)):
        raise InputError(f"{before.name} and {after.name} are of one drive: nothing comes before or after itself.")


def told(comparison: Comparison, after: Findings, units: Units) -> dict[str, Any]:
    """Everything the screen shows, in the reader's units."""
    spells = comparison.spells
    return {
        "headline": compare_summary.VERDICTS[comparison.verdict],
        "why": compare_summary.verdict_why(comparison, after, units),
        "good": comparison.verdict == REPAIRED,
        "bad": comparison.verdict == NOT_REPAIRED,
        "sides": [_side("Before", comparison.before), _side("After", comparison.after)],
        "notes": list(comparison.notes),
        "spells": spells.says,
        "rates": [_rate("before", spells.before), _rate("after", spells.after)],
        "chance": f"{spells.p_fell:.2g}" if spells.p_fell is not None and spells.before.count else None,
        "rows": [_row(one, units) for one in comparison.differences if one.state != NOT_COMPARED],
        "left": [f"{d.says}: {d.difference.why}" for d in comparison.differences if d.state == NOT_COMPARED],
        "matched": [_conditions(c, units) for c in comparison.conditions if c.why is None][:MOST_CONDITIONS],
        "not_matched": _not_matched(comparison, units),
    }


def _conditions(one: Conditions, units: Units) -> dict[str, str]:
    clocks = {"before": wording.clock(one.before_s), "after": wording.clock(one.after_s)}
    return {"says": shown_degrees(one.says, units), **clocks}


def _not_matched(comparison: Comparison, units: Units) -> list[str]:
    left = [f"{one.says}: {one.why}" for one in comparison.conditions if one.why is not None][:MOST_CONDITIONS]
    return [shown_degrees(line, units) for line in [*left, *comparison.not_matched]]


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


def _row(one: Difference, units: Units) -> dict[str, Any]:
    gauge = ", gauge" if one.unit == "kPa" else ""
    return {
        "says": f"{one.says}{gauge}",
        "before": units.shown(one.before, one.unit),
        "after": units.shown(one.after, one.unit),
        "change": units.shown(one.difference, "kPa" if one.unit == "kPa" else "K"),
        "state": one.state,
    }
