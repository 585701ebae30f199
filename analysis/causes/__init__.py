"""One file a cause: its weights of evidence, its parts, the test that tells them apart, the next check.

A weight is a log likelihood ratio: how much more a fact is to be expected with the cause than without it (ln; 0.7
doubles the odds, 3 makes them twentyfold). Several causes can be true at once, so each has a probability by itself.
That nothing is wrong in the refrigerant circuit follows from the others: it holds where none of them does.
"""

import importlib
import math
import pkgutil
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Protocol, cast

from analysis.facts import Fact
from analysis.findings import EXCLUDED, LIKELY, NOT_EXCLUDED, PROVEN, Cause, Weighed
from analysis.limits import PRACTICE, Limit, limit_table, weight_at
from analysis.titles import title
from analysis.together import likely_together

LIMITS = limit_table(
    Limit("proven", 0.95, "probability", "with a fact that leaves no other reading; " + PRACTICE),
    Limit("likely", 0.5, "probability", PRACTICE),
    Limit("excluded", 0.02, "probability", PRACTICE),
    Limit("says_something", 0.1, "log likelihood ratio", "a tenth more or less likely is no reason; " + PRACTICE),
)
RECORD = "how often the detector was right, or missed, over randomised vehicles (tests/accuracy), rounded"
"""The source of what "seen", "suspected" and "absent" weigh."""
BY_EXCLUSION = "outside_the_circuit"
NOT_OF_THE_CIRCUIT = (BY_EXCLUSION, "sensor_fault")
SPREAD = ((-1.5, 0.07), (-0.75, 0.24), (0.0, 0.38), (0.75, 0.24), (1.5, 0.07))
"""Standard normal distribution in five steps: how far a level may be off in standard uncertainties, and how often."""


@dataclass(frozen=True, slots=True)
class Weight:
    """What one fact says about a cause; ``proves`` where it leaves no other reading."""

    fact: str
    llr: float
    reason: str
    source: str = PRACTICE
    proves: bool = False

    def spoken(self, _fact: Fact) -> tuple[float, str]:
        """Log likelihood ratio and reason."""
        return self.llr, self.reason


@dataclass(frozen=True, slots=True)
class Curve:
    """What a measured level says about a cause: straight lines between (level, log likelihood ratio) points.

    ``speaks_for`` is the reason where the ratio is above 0, ``against`` where it is below. The ratio is the mean over
    the level's uncertainty: a level that could lie on either side of a limit weighs little.
    """

    fact: str
    points: tuple[tuple[float, float], ...]
    speaks_for: str
    against: str
    source: str = PRACTICE
    proves = False

    def spoken(self, fact: Fact) -> tuple[float, str]:
        """Log likelihood ratio at the fact's level, and its reason."""
        if fact.level is None:
            return 0.0, ""
        level, u = fact.level, fact.u if math.isfinite(fact.u) else 0.0
        llr = sum(share * weight_at(level + off * u, self.points) for off, share in SPREAD)
        said = round(llr, 2) if abs(llr) >= LIMITS["says_something"].value else 0.0
        return said, self.speaks_for if said > 0 else self.against


STARVED_COIL = Curve(
    "vent over evaporating",
    ((7.0, -1.5), (10.0, -0.7), (13.0, 0.0), (17.0, 0.8), (25.0, 1.5)),
    "a starved evaporator cools little of its air",
    "a starved evaporator does not cool its air so closely",
)
"""Whatever starves it: the vents alone do not tell a short charge from a narrow place."""


@dataclass(frozen=True, slots=True)
class Narrowed:
    """Parts, test and check once a fact has narrowed a cause down."""

    fact: str
    parts: tuple[str, ...]
    telling_test: str
    next_check: str


class CauseModule(Protocol):
    """What each module of this folder provides; ``COST`` orders the next checks, as `findings.Cause` says.

    ``PRIOR`` is the share of vehicles brought in with a complaint that have this cause (common practice, no source).
    ``NARROWED`` holds what to check once a fact has ruled some of the parts out; the first that applies is used.
    """

    CAUSE: str
    PRIOR: float
    WEIGHTS: tuple[Weight | Curve, ...]
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
    modules = {module.CAUSE: module for module in cause_modules()}
    spoken = {name: _spoken(module, facts) for name, module in modules.items()}
    last, by_itself = modules[BY_EXCLUSION], spoken.pop(BY_EXCLUSION)
    told, likely, none = _together(modules, spoken, facts)
    weighed = {name: _cause(modules[name], facts, likely[name], some) for name, some in told.items()}
    circuit = [(modules[name].PRIOR, cause) for name, cause in weighed.items() if name not in NOT_OF_THE_CIRCUIT]
    sound = _probability(_odds(none) + sum(w.llr for w in by_itself))
    weighed[BY_EXCLUSION] = _cause(last, facts, sound, _excluded(circuit, none) + by_itself)
    # What was seen comes before what follows from nothing else being there.
    seen = {n for n, cause in weighed.items() if n != BY_EXCLUSION and cause.standing in (PROVEN, LIKELY)}
    order = {name: (name not in seen, -cause.probability, modules[name].COST) for name, cause in weighed.items()}
    return tuple(sorted(weighed.values(), key=lambda cause: order[cause.cause]))


def _spoken(module: CauseModule, facts: dict[str, Fact]) -> list[Weighed]:
    """What each fact says about a cause, taken by itself."""
    told: list[Weighed] = []
    for weight in module.WEIGHTS:
        fact = facts.get(weight.fact)
        if fact is not None:
            llr, reason = weight.spoken(fact)
            told.append(Weighed(fact.id, llr, fact.says, reason, fact.evidence, weight.proves))
    return told


def _together(
    modules: dict[str, CauseModule], spoken: dict[str, list[Weighed]], facts: dict[str, Fact]
) -> tuple[dict[str, list[Weighed]], dict[str, float], float]:
    """What is told of each cause, its probability, and that of none in the circuit.

    A level counts once, whichever causes explain it. It says nothing of what passed, outside of which it was read, and
    does not count again for what was seen throughout, whose detector saw it.
    """
    told: dict[str, list[Weighed]] = {}
    levels: dict[str, dict[str, float]] = {}
    log_odds: dict[str, float] = {}
    for name, some in spoken.items():
        shared = {w.fact: w.llr for w in some if w.llr > 0 and facts[w.fact].steady}
        for fact, llr in shared.items():
            levels.setdefault(fact, {})[name] = llr
        seen, passing = f"{name} seen" in facts, f"{name} passing" in facts
        told[name] = [w for w in some if not ((seen and w.fact in shared) or (passing and facts[w.fact].steady))]
        log_odds[name] = _odds(modules[name].PRIOR) + sum(w.llr for w in told[name] if w.fact not in shared)
    likely, none = _beside_seen({name for name in told if f"{name} seen" in facts}, log_odds, levels)
    return {name: _as_far(some, likely[name], log_odds[name], levels) for name, some in told.items()}, likely, none


def _beside_seen(
    seen: set[str], log_odds: dict[str, float], levels: dict[str, dict[str, float]]
) -> tuple[dict[str, float], float]:
    """The causes together: where one that was seen is there it explains its levels, else the others have to."""
    explaining = {name for ratios in levels.values() for name in ratios} & seen
    left = {fact: ratios for fact, ratios in levels.items() if not explaining & set(ratios)}
    explained, none = likely_together(log_odds, left, NOT_OF_THE_CIRCUIT)
    if not explaining:
        return explained, none
    absent = math.prod(1.0 - _probability(log_odds[name]) for name in explaining)
    others = {name: odds for name, odds in log_odds.items() if name not in explaining}
    unexplained, none = likely_together(others, levels, NOT_OF_THE_CIRCUIT)
    mixed = {name: (1.0 - absent) * explained[name] + absent * unexplained[name] for name in others}
    return {**explained, **mixed}, absent * none


def _as_far(told: list[Weighed], likely: float, log_odds: float, levels: dict[str, dict[str, float]]) -> list[Weighed]:
    """Levels as far as they moved the cause: less than by themselves where others explain them too."""
    by_themselves = sum(w.llr for w in told if w.llr > 0 and w.fact in levels)
    if by_themselves == 0.0:
        return told
    share = min(max((_odds(likely) - log_odds) / by_themselves, 0.0), 1.0)
    return [replace(w, llr=round(share * w.llr, 2)) if w.llr > 0 and w.fact in levels else w for w in told]


def _excluded(circuit: list[tuple[float, Cause]], none: float) -> list[Weighed]:
    """What the causes in the circuit say about there being none: those that have become unlikely, then each other one.

    The steps are taken one after the other. Causes that explain the same level share it, so that together they say
    more than one by one; what they say more is shared out.
    """
    fallen = [(prior, cause) for prior, cause in circuit if cause.probability < prior]
    risen = [(prior, cause) for prior, cause in circuit if cause.probability > prior]
    told: list[Weighed] = []
    before = math.prod(1.0 - prior for prior, _ in circuit)
    if fallen:
        after = before * math.prod((1.0 - cause.probability) / (1.0 - prior) for prior, cause in fallen)
        says = (
            f"{len(fallen)} of {len(circuit)} causes in the circuit were not seen or are unlikely by what was measured"
        )
        told.append(Weighed("not seen", _odds(after) - _odds(before), says, "little else is left"))
        before = after
    shares = [math.log((1.0 - cause.probability) / (1.0 - prior)) for prior, cause in risen]
    for share, (_, cause) in zip(shares, risen, strict=True):
        first = cause.weighed[0]
        llr = share / sum(shares) * (_odds(none) - _odds(before))
        reason = f"{title(cause.cause)}: that would explain it"
        told.append(Weighed(cause.cause, llr, first.says, reason, first.evidence))
    return [replace(weighed, llr=round(weighed.llr, 2)) for weighed in told if abs(weighed.llr) >= 0.05]


def _odds(probability: float) -> float:
    """Natural logarithm of the odds; of what is next to certain, a large number."""
    inside = min(max(probability, 1e-6), 1.0 - 1e-6)
    return math.log(inside / (1.0 - inside))


def _probability(log_odds: float) -> float:
    """The probability of odds given by their natural logarithm."""
    return 1.0 / (1.0 + math.exp(-log_odds))


def _cause(module: CauseModule, facts: dict[str, Fact], likely: float, told: list[Weighed]) -> Cause:
    told = [weighed for weighed in told if weighed.llr != 0]
    probability = round(min(max(likely, 0.001), 0.999), 3)
    standing = standing_of(probability, proves=any(weighed.proves for weighed in told))
    spoke_for = tuple(sorted((w for w in told if w.llr > 0), key=lambda w: (-w.llr, w.says)))
    spoke_against = tuple(sorted((w for w in told if w.llr < 0), key=lambda w: (w.llr, w.says)))
    left_open = () if standing != NOT_EXCLUDED or spoke_for else (_left_open(module, facts, spoke_against),)
    whole = Narrowed("", module.PARTS, module.TELLING_TEST, module.NEXT_CHECK)
    narrowed = next((narrowed for narrowed in module.NARROWED if narrowed.fact in facts), whole)
    return Cause(
        module.CAUSE,
        probability,
        standing,
        tuple(f"{w.says} – {w.reason}" for w in spoke_for),
        tuple(f"{w.says} – {w.reason}" for w in spoke_against),
        "".join(f"{w.says} – {w.reason}" for w in left_open),
        narrowed.parts,
        narrowed.telling_test,
        narrowed.next_check,
        (*spoke_for, *spoke_against, *left_open),
        cost=module.COST,
    )


def _left_open(module: CauseModule, facts: dict[str, Fact], against: tuple[Weighed, ...]) -> Weighed:
    """Why a cause is not excluded although nothing speaks for it."""
    undecided = facts.get(f"{module.CAUSE} undecided")
    if undecided is not None:
        return Weighed(undecided.id, 0.0, undecided.says, "so it could not be decided", undecided.evidence)
    if against:
        return Weighed("not excluded", 0.0, "it is common enough", "what speaks against it does not exclude it")
    return Weighed("not excluded", 0.0, "nothing that was measured bears on it", "so it could not be decided")


def standing_of(probability: float, *, proves: bool) -> str:
    """A probability in words; "proven" needs a fact that leaves no other reading."""
    if probability >= LIMITS["proven"].value and proves:
        return PROVEN
    if probability >= LIMITS["likely"].value:
        return LIKELY
    return NOT_EXCLUDED if probability >= LIMITS["excluded"].value else EXCLUDED
