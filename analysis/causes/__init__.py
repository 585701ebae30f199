"""One file a cause: its weights of evidence, its parts, the test that tells them apart, the next check.

A weight is a log likelihood ratio: how much more a fact is to be expected with the cause than without it (ln; 0.7
doubles the odds, 3 makes them twentyfold). Several causes can be true at once, so each has a probability by itself.
"""

import importlib
import math
import pkgutil
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol, cast

from analysis.facts import Fact
from analysis.findings import EXCLUDED, LIKELY, NOT_EXCLUDED, PROVEN, Cause, Weighed
from analysis.limits import PRACTICE, Limit, limit_table

LIMITS = limit_table(
    Limit("proven", 0.95, "probability", "with a fact that leaves no other reading; " + PRACTICE),
    Limit("likely", 0.5, "probability", PRACTICE),
    Limit("excluded", 0.02, "probability", PRACTICE),
)


@dataclass(frozen=True, slots=True)
class Weight:
    """What one fact says about a cause; ``proves`` where it leaves no other reading."""

    fact: str
    llr: float
    reason: str
    source: str = PRACTICE
    proves: bool = False


@dataclass(frozen=True, slots=True)
class Narrowed:
    """Parts, test and check once a fact has narrowed a cause down."""

    fact: str
    parts: tuple[str, ...]
    telling_test: str
    next_check: str


class CauseModule(Protocol):
    """What each module of this folder provides; ``COST`` orders the next checks, cheapest first.

    ``NARROWED`` holds what to check once a fact has ruled some of the parts out; the first that applies is used.
    """

    CAUSE: str
    PRIOR: float
    WEIGHTS: tuple[Weight, ...]
    PARTS: tuple[str, ...]
    TELLING_TEST: str
    NEXT_CHECK: str
    NARROWED: tuple[Narrowed, ...]
    COST: int


def cause_modules() -> Iterator[CauseModule]:
    """Every cause of this folder."""
    for info in sorted(pkgutil.iter_modules(__path__), key=lambda info: info.name):
        yield cast("CauseModule", importlib.import_module(f"{__name__}.{info.name}"))


def weigh(facts: dict[str, Fact]) -> tuple[Cause, ...]:
    """Weigh the facts for each cause; the likeliest first, then the cheapest next check."""
    weighed = [(_weighed(module, facts), module.COST) for module in cause_modules()]
    ordered = sorted(weighed, key=lambda pair: (-round(pair[0].probability, 2), pair[1]))
    return tuple(cause for cause, _ in ordered)


def _weighed(module: CauseModule, facts: dict[str, Fact]) -> Cause:
    spoken = [weight for weight in module.WEIGHTS if weight.fact in facts]
    log_odds = math.log(module.PRIOR / (1.0 - module.PRIOR)) + sum(weight.llr for weight in spoken)
    probability = 1.0 / (1.0 + math.exp(-log_odds))
    weighed = [
        Weighed(w.fact, w.llr, facts[w.fact].says, w.reason, facts[w.fact].evidence, w.proves)
        for w in spoken
        if w.llr != 0
    ]
    spoke_for = tuple(sorted((w for w in weighed if w.llr > 0), key=lambda w: (-w.llr, w.says)))
    spoke_against = tuple(sorted((w for w in weighed if w.llr < 0), key=lambda w: (w.llr, w.says)))
    whole = Narrowed("", module.PARTS, module.TELLING_TEST, module.NEXT_CHECK)
    told = next((narrowed for narrowed in module.NARROWED if narrowed.fact in facts), whole)
    return Cause(
        module.CAUSE,
        round(min(max(probability, 0.001), 0.999), 3),
        standing_of(probability, proves=any(weight.proves for weight in spoken)),
        tuple(f"{w.says} – {w.reason}" for w in spoke_for),
        tuple(f"{w.says} – {w.reason}" for w in spoke_against),
        told.parts,
        told.telling_test,
        told.next_check,
        (*spoke_for, *spoke_against),
    )


def standing_of(probability: float, *, proves: bool) -> str:
    """A probability in words; "proven" needs a fact that leaves no other reading."""
    if probability >= LIMITS["proven"].value and proves:
        return PROVEN
    if probability >= LIMITS["likely"].value:
        return LIKELY
    return NOT_EXCLUDED if probability >= LIMITS["excluded"].value else EXCLUDED
