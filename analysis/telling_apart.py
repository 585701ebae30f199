"""What would tell a cause from its nearest rival: a measure not had yet that weighs differently for the two."""

from dataclasses import dataclass, replace

from analysis.causes import Curve, cause_modules
from analysis.facts import Fact
from analysis.findings import EXCLUDED, PROVEN, Cause
from analysis.limits import PRACTICE, Limit, limit_table, weight_at
from analysis.titles import title

LIMITS = limit_table(
    Limit("rival", 0.1, "probability", "below it there is nothing to tell apart; " + PRACTICE),
    Limit("tells", 1.2, "log likelihood ratio", "between the two; three times as likely; " + PRACTICE),
)


@dataclass(frozen=True, slots=True)
class Question:
    """What to do, and the facts that it may establish; the table lists the cheapest first."""

    do: str
    facts: tuple[str, ...]


QUESTIONS = (
    Question("record the supply and current of the fan", tuple(
        f"condenser_airflow_loss: fan_{state}_{what}" for what in ("supply", "current") for state in ("with", "without")
    )),
    Question("record the supply and current of the clutch", ("stopped electrical", "stopped mechanical")),
    Question("log the control valve's duty", ("weak_pumping: duty_full", "weak_pumping: duty_low")),
    Question("record the ambient air before the condenser", ("condensing over ambient",)),
    Question("clip a probe on the liquid line for subcooling", ("subcooling",)),
    Question("clip a probe on the suction line for superheat", ("superheat",)),
    Question("record the vent air", ("vent over evaporating", "evaporator starved")),
    Question("record road speed", ("only when slow", "also at speed")),
    Question("record a rest after a stop until both sides met", ("starved, meets slowly", "starved, meets quickly")),
    Question("recover the charge and weigh it", ("charge over rated",)),
    Question("let it soak overnight and record both sides before the first start", ("static over saturation",)),
    Question("evacuate and record the rise", ("vacuum hold: leak", "vacuum hold: moisture", "vacuum hold: tight")),
)  # fmt: skip


def told_apart(causes: tuple[Cause, ...], facts: dict[str, Fact]) -> tuple[Cause, ...]:
    """The causes, each that is not far off with what would tell it from the likeliest other one."""
    return tuple(replace(cause, apart=_apart(cause, causes, facts)) for cause in causes)


def _apart(cause: Cause, causes: tuple[Cause, ...], facts: dict[str, Fact]) -> str:
    least = LIMITS["rival"].value
    rivals = [
        one
        for one in causes
        if one is not cause and one.standing not in (EXCLUDED, PROVEN) and one.probability >= least
    ]
    if not rivals or cause.standing == PROVEN or cause.probability < least:
        return ""
    rival = max(rivals, key=lambda one: one.probability)
    own, other = _weights(cause.cause), _weights(rival.cause)
    for question in QUESTIONS:
        known = any(fact in facts for fact in question.facts)
        if not known and max(_between(own.get(f), other.get(f)) for f in question.facts) >= LIMITS["tells"].value:
            return f"{question.do}: it tells this from “{title(rival.cause)}”"
    return ""


def _weights(name: str) -> dict[str, tuple[tuple[float, float], ...]]:
    """What each fact may weigh for a cause, as points; a fact without a level weighs the same everywhere."""
    module = next(module for module in cause_modules() if name == module.CAUSE)
    return {w.fact: w.points if isinstance(w, Curve) else ((0.0, w.llr),) for w in module.WEIGHTS}


def _between(own: tuple[tuple[float, float], ...] | None, other: tuple[tuple[float, float], ...] | None) -> float:
    """How far a fact can move two causes apart."""
    none = ((0.0, 0.0),)
    levels = [level for level, _ in (*(own or none), *(other or none))]
    return max(abs(weight_at(level, own or none) - weight_at(level, other or none)) for level in levels)
