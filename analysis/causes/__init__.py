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

LIMITS = limit_table(
    Limit("proven", 0.95, "probability", "with a fact that leaves no other reading; " + PRACTICE),
    Limit("likely", 0.5, "probability", PRACTICE),
    Limit("excluded", 0.02, "probability", PRACTICE),
    Limit("says_something", 0.1, "log likelihood ratio", "a tenth more or less likely is no reason; " + PRACTICE),
)
BY_EXCLUSION = "outside_the_circuit"
NOT_OF_THE_CIRCUIT = (BY_EXCLUSION, "sensor_fault")
SPREAD = ((-1.5, 0.07), (-0.75, 0.24), (0.0, 0.38), (0.75, 0.24), (1.5, 0.07))
"""Standard normal distribution in five steps: how far a level may be off in standard uncertainties, and how often."""
STEPS = 12
"""Halving steps until causes that share a level are settled: the last moves a probability by a few thousandths."""


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


@dataclass(frozen=True, slots=True)
class Narrowed:
    """Parts, test and check once a fact has narrowed a cause down."""

    fact: str
    parts: tuple[str, ...]
    telling_test: str
    next_check: str


class CauseModule(Protocol):
    """What each module of this folder provides; ``COST`` orders the next checks, as `findings.Cause` says.

    ``PRIOR`` is the share of vehicles brought in with a complaint that have this cause. ``NARROWED`` holds what to
    check once a fact has ruled some of the parts out; the first that applies is used.
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
    told = _beside_rivals(modules, spoken, {name: _own(name, some, facts) for name, some in spoken.items()}, facts)
    weighed = {
        name: _cause(module, facts, module.PRIOR, told[name])
        for name, module in modules.items()
        if name != BY_EXCLUSION
    }
    circuit = [(modules[name].PRIOR, cause) for name, cause in weighed.items() if name not in NOT_OF_THE_CIRCUIT]
    last = modules[BY_EXCLUSION]
    sound = math.prod(1.0 - prior for prior, _ in circuit)
    weighed[BY_EXCLUSION] = _cause(last, facts, sound, _excluded(circuit, sound) + told[BY_EXCLUSION])
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


def _own(name: str, told: list[Weighed], facts: dict[str, Fact]) -> list[Weighed]:
    """Without levels that say nothing: read outside of what passed, or counted in what was seen throughout."""
    seen, passing = f"{name} seen" in facts, f"{name} passing" in facts
    return [w for w in told if not (facts[w.fact].steady and (passing or (seen and w.llr > 0)))]


def _beside_rivals(
    modules: dict[str, CauseModule],
    spoken: dict[str, list[Weighed]],
    told: dict[str, list[Weighed]],
    facts: dict[str, Fact],
) -> dict[str, list[Weighed]]:
    """Each level weighed beside the other causes that it speaks for, as likely as those turn out to be.

    How likely each is depends on the others; halving steps settle it (a fixed point).
    """
    explains: dict[str, list[str]] = {}
    for name, some in spoken.items():
        for weighed in some:
            if weighed.llr > 0 and facts[weighed.fact].steady:
                explains.setdefault(weighed.fact, []).append(name)
    likely = {name: _probability(modules[name].PRIOR, some) for name, some in told.items()}
    beside = told
    for _ in range(STEPS):
        beside = {
            name: [_beside(w, [likely[other] for other in explains.get(w.fact, []) if other != name]) for w in some]
            for name, some in told.items()
        }
        likely = {n: 0.5 * (likely[n] + _probability(modules[n].PRIOR, some)) for n, some in beside.items()}
    return beside


def _beside(weighed: Weighed, others: list[float]) -> Weighed:
    """A level that other causes explain, likely as they are, is to be expected without this one as well."""
    if weighed.llr <= 0 or not others:
        return weighed
    explained = 1.0 - math.prod(1.0 - likely for likely in others)
    ratio = math.exp(weighed.llr)
    return replace(weighed, llr=round(weighed.llr - math.log(explained * ratio + 1.0 - explained), 2))


def _excluded(circuit: list[tuple[float, Cause]], sound: float) -> list[Weighed]:
    """What the causes in the circuit say about there being none: those that have become unlikely, then each other one.

    The steps are taken one after the other, so that their ratios add up to what all of them say together.
    """
    fallen = [(prior, cause) for prior, cause in circuit if cause.probability < prior]
    told: list[Weighed] = []
    before = sound
    if fallen:
        after = before * math.prod((1.0 - cause.probability) / (1.0 - prior) for prior, cause in fallen)
        says = (
            f"{len(fallen)} of {len(circuit)} causes in the circuit were not seen or are unlikely by what was measured"
        )
        told.append(Weighed("not seen", _odds(after) - _odds(before), says, "little else is left"))
        before = after
    for prior, cause in circuit:
        if cause.probability > prior:
            after = before * (1.0 - cause.probability) / (1.0 - prior)
            first = cause.weighed[0]
            reason = f"{title(cause.cause)}: that would explain it"
            told.append(Weighed(cause.cause, _odds(after) - _odds(before), first.says, reason, first.evidence))
            before = after
    return [replace(weighed, llr=round(weighed.llr, 2)) for weighed in told if abs(weighed.llr) >= 0.05]


def _odds(probability: float) -> float:
    """Natural logarithm of the odds."""
    return math.log(probability / (1.0 - probability))


def _probability(prior: float, told: list[Weighed]) -> float:
    """Probability of a cause by Bayes' theorem, each fact taken as independent."""
    return 1.0 / (1.0 + math.exp(-_odds(prior) - sum(weighed.llr for weighed in told)))


def _cause(module: CauseModule, facts: dict[str, Fact], prior: float, told: list[Weighed]) -> Cause:
    told = [weighed for weighed in told if weighed.llr != 0]
    probability = round(min(max(_probability(prior, told), 0.001), 0.999), 3)
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
