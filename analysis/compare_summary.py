"""The comparison in plain words for a terminal."""

import textwrap

from analysis import wording
from analysis.comparison import CANNOT_TELL, NOT_COMPARED, NOT_REPAIRED, REPAIRED, Comparison, Difference
from analysis.findings import Findings
from analysis.sentences import check_says, shown_degrees
from analysis.shown import KPA, Units

WIDTH = 100
MOST_CONDITIONS = 8
VERDICTS = {
    REPAIRED: "Repaired, as far as driving can show",
    NOT_REPAIRED: "Not repaired",
    CANNOT_TELL: "Cannot tell whether it is repaired",
}


def headline(comparison: Comparison, units: Units = KPA) -> str:
    """The verdict in one sentence."""
    return f"{VERDICTS[comparison.verdict]}: {shown_degrees(comparison.verdict_why, units)}."


def verdict_why(comparison: Comparison, after: Findings, units: Units) -> str:
    """The reason for the verdict in the reader's units: the checks that it quotes are said anew."""
    why = comparison.verdict_why
    for check in after.checks:
        why = why.replace(check.why, check_says(check, units)) if check.why else why
    return shown_degrees(why, units)


def comparison_summary(comparison: Comparison, units: Units = KPA) -> str:
    """Say what changed, what did not, what could not be compared, and what that is worth."""
    lines = [headline(comparison, units), ""]
    for when, side in (("Before", comparison.before), ("After", comparison.after)):
        sealed = "sealed" if side.sealed else "not sealed"
        intact = "" if side.intact else ", NOT INTACT"
        seen = ", ".join(wording.title(kind) for kind in side.kinds) or wording.VERDICTS[side.verdict].lower()
        started = f"from {side.started_at}" if side.started_at else "date not stated"
        lines.append(f"{when:<10} {side.name}, {wording.length(side.duration_s)}, {started}, {sealed}{intact}: {seen}")
    lines += [f"Note       {note}" for note in comparison.notes]
    lines += ["", *_spells(comparison), "", *_differences(comparison, units), "", *_conditions(comparison, units)]
    return "\n".join(_wrapped(line) for line in lines)


def _spells(comparison: Comparison) -> list[str]:
    spells = comparison.spells
    lines = [f"Spells     {spells.says}"]
    if spells.p_fell is None:
        return [*lines, *_left_out(comparison)]
    for when, rate in (("before", spells.before), ("after", spells.after)):
        if rate.per_hour is not None and rate.low is not None and rate.high is not None:
            limits = f"exact 95 % limits {rate.low:.3g} to {rate.high:.3g}"
            lines.append(f"  {when:<8} {rate.per_hour:.3g} an hour of good running ({limits})")
    if spells.before.count:
        lines.append(f"  chance of so few after at an unchanged rate: {spells.p_fell:.2g} (exact conditional test)")
    return lines + _left_out(comparison)


def _left_out(comparison: Comparison) -> list[str]:
    left_out = [(comparison.spells.left_out_before, "before"), (comparison.spells.left_out_after, "after")]
    return [f"  {wording.count(n, 'spell')} {when} began where nothing matches" for n, when in left_out if n]


def not_compared(comparison: Comparison) -> list[str]:
    """The quantities that could not be compared, by what hindered it."""
    by_reason: dict[str, list[str]] = {}
    for one in comparison.differences:
        if one.state == NOT_COMPARED:
            by_reason.setdefault(one.difference.why or "no reason given", []).append(one.says)
    return [f"not compared: {', '.join(named)} ({why})" for why, named in by_reason.items()]


def _differences(comparison: Comparison, units: Units) -> list[str]:
    compared = [d for d in comparison.differences if d.state != NOT_COMPARED]
    lines = ["Under like conditions, pumping steadily" if compared else "Under like conditions nothing can be averaged"]
    lines += [f"  {_row(difference, units)}" for difference in compared]
    return lines + [f"  {line}" for line in not_compared(comparison)]


def _row(one: Difference, units: Units) -> str:
    change = units.shown(one.difference, "kPa" if one.unit == "kPa" else "K")
    before, after = units.shown(one.before, one.unit), units.shown(one.after, one.unit)
    gauge = " gauge" if one.unit == "kPa" else ""
    return (
        f"{one.says:<30} {before.removesuffix(f' {units.symbol(one.unit)}')} -> {after}{gauge}: {change}, {one.state}"
    )


def _conditions(comparison: Comparison, units: Units) -> list[str]:
    matched = [c for c in comparison.conditions if c.why is None]
    left = [c for c in comparison.conditions if c.why is not None]
    lines = ["Matched (cooling on, before | after)" if matched else "Nothing matches (cooling on, before | after)"]
    for some, rest in ((matched, "more that match"), (left, "more that do not")):
        if some is left and left and matched:
            lines.append("Not matched")
        shown = some[:MOST_CONDITIONS]
        lines += [
            f"  {wording.clock(c.before_s):>7} | {wording.clock(c.after_s):<7} {shown_degrees(c.says, units)}"
            for c in shown
        ]
        if len(some) > len(shown):
            lines.append(f"  and {len(some) - len(shown)} {rest}")
    lines += [f"  {reason}" for reason in comparison.not_matched]
    lines.append("  not recorded and not matched: humidity, sun, load")
    return lines


def _wrapped(line: str) -> str:
    indent = " " * (len(line) - len(line.lstrip()) + 4)
    return textwrap.fill(line, WIDTH, subsequent_indent=indent, drop_whitespace=True) if line.strip() else ""
