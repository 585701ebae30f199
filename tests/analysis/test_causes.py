"""Causes: weights of evidence, what follows from nothing being seen, and a reason for every standing."""

import math
import re
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

import analysis
from analysis.causes import BY_EXCLUSION, NOT_OF_THE_CIRCUIT, Curve, cause_modules, weigh
from analysis.diagnose import diagnose
from analysis.facts import Fact
from analysis.findings import EXCLUDED, KINDS, LIKELY, NOT_EXCLUDED, Cause
from analysis.sentences import left_open, reasons
from analysis.shown import KPA, PSI
from analysis.telling_apart import QUESTIONS, told_apart
from analysis.together import MOST_AT_ONCE, likely_together
from analysis.wording import next_checks
from recorder.recording import Recording
from tests.analysis.test_high_side import Car

PRIORS = {module.CAUSE: module.PRIOR for module in cause_modules()}
SOURCE = "\n".join(path.read_text(encoding="utf-8") for path in sorted(Path(analysis.__file__).parent.rglob("*.py")))


def causes(*facts: Fact) -> dict[str, Cause]:
    """The causes by name, in their order."""
    return {cause.cause: cause for cause in weigh({fact.id: fact for fact in facts})}


def odds(probability: float) -> float:
    """Natural logarithm of the odds."""
    return math.log(probability / (1.0 - probability))


def absent_all() -> list[Fact]:
    """Every kind looked for and not there."""
    return [Fact(f"{kind} absent", f"{kind} is not there") for kind in KINDS]


def test_a_level_that_could_lie_on_either_side_of_a_limit_weighs_little():
    curve = Curve("superheat", ((10.0, -2.0), (20.0, 2.0)), "starved", "fed")

    def said(level: float, u: float) -> tuple[float, str]:
        return curve.spoken(Fact("superheat", "", (), level, u))

    assert said(30.0, 1.0) == (2.0, "starved")
    assert said(0.0, 1.0) == (-2.0, "fed")
    assert said(15.0, 1.0)[0] == 0.0
    assert 0.0 < said(21.0, 8.0)[0] < said(21.0, 0.5)[0]
    assert said(19.0, math.nan)[0] == pytest.approx(1.6)


def test_nothing_wrong_in_the_circuit_holds_where_no_cause_in_it_does():
    others = [name for name in PRIORS if name not in NOT_OF_THE_CIRCUIT]
    assert causes()[BY_EXCLUSION].probability == pytest.approx(math.prod(1 - PRIORS[n] for n in others), abs=1e-3)
    one = causes(*absent_all(), Fact("undercharge suspected", "a sign"))
    sound = math.prod(1 - one[name].probability for name in others)
    assert one[BY_EXCLUSION].probability == pytest.approx(sound, abs=0.01)
    # The reasons that are told add up to it.
    told = sum(weighed.llr for weighed in one[BY_EXCLUSION].weighed)
    assert odds(causes()[BY_EXCLUSION].probability) + told == pytest.approx(odds(sound), abs=0.1)


def test_nothing_wrong_in_the_circuit_is_not_likely_where_nobody_looked():
    blind = causes(*(Fact(f"{kind} undecided", "not recorded") for kind in KINDS))
    assert blind[BY_EXCLUSION].standing != LIKELY
    assert causes(*absent_all())[BY_EXCLUSION].standing == LIKELY
    assert next(iter(causes(*absent_all()))) == BY_EXCLUSION


def test_what_was_seen_comes_before_what_follows_from_nothing_else_being_there():
    told = causes(*(f for f in absent_all() if "sensor" not in f.id), Fact("sensor_fault seen", "spikes"))
    assert [name for name, cause in told.items() if cause.standing != EXCLUDED][:2] == ["sensor_fault", BY_EXCLUSION]


def test_a_level_says_nothing_of_what_was_seen_for_a_while_only():
    """Levels are read outside of what passed: a good low side then is no sign against the bad minutes."""
    level = Fact("evaporating", "evaporating 1 degC, steady", (), 1.0, 0.5, True)
    seen = Fact("weak_pumping seen", "it lost its pressure ratio")
    always = causes(level, seen)["weak_pumping"]
    passing = causes(level, seen, Fact("weak_pumping passing", "it was seen for a while only"))["weak_pumping"]
    assert always.reasons_against
    assert not passing.reasons_against
    assert passing.probability > always.probability


def test_every_cause_that_is_not_excluded_says_why(samples: dict[str, Recording]):
    documents = [diagnose(recording, "test").causes for recording in samples.values()]
    for told in (*documents, weigh({}), tuple(causes(*absent_all()).values())):
        for cause in told:
            if cause.standing == NOT_EXCLUDED:
                assert bool(cause.reasons_for) != bool(cause.left_open), cause.cause
                for units in (KPA, PSI):
                    assert reasons(cause, units, speaks_for=True) or left_open(cause, units)
            else:
                assert not cause.left_open


def written(rule: str) -> bool:
    """Whether a rule stands in the source, whole or with one word put in by a state."""
    words = rule.split("_")
    spelt = [rule] + ["_".join([*words[:i], "{state}", *words[i + 1 :]]) for i in range(len(words))]
    return any(f'"{one}"' in SOURCE for one in spelt)


@pytest.mark.parametrize("module", list(cause_modules()), ids=lambda module: module.CAUSE)
def test_every_fact_that_is_weighed_can_be_established(module):
    for name in [weight.fact for weight in module.WEIGHTS] + [narrowed.fact for narrowed in module.NARROWED]:
        kind, _, rule = name.partition(": ")
        if kind in KINDS:
            assert written(rule), name
        elif re.fullmatch(r"(\w+) (seen|absent|suspected|undecided|comes and goes|passing)", name):
            assert name.split(" ")[0] in KINDS, name
        else:
            stem = name.rsplit(" ", 1)[0]
            assert f'"{name}"' in SOURCE or f'f"{stem} {{' in SOURCE or f'f"{kind}: {{' in SOURCE, name


def test_the_charge_known_from_recovery_settles_what_the_traces_leave_open():
    starved = {"over_k": 8.0, "gap_k": 24.0, "evaporating_degc": -1.0}
    job = {"compressor": "variable_internal", "rated_charge_kg": 0.6}
    short = {c.cause: c for c in Car(**starved).findings(**job, recovered_kg=0.3, recovered_u95_kg=0.03).causes}
    full = {c.cause: c for c in Car(**starved).findings(**job, recovered_kg=0.6, recovered_u95_kg=0.03).causes}
    # Oil and a cold accumulator keep some: with 0.25 kg of doubt the same mass says nothing.
    vague = {c.cause: c for c in Car(**starved).findings(**job, recovered_kg=0.3, recovered_u95_kg=0.25).causes}
    assert next(iter(short)) == "undercharge"
    assert next(iter(full)) == "restriction"
    assert any("0.300 kg recovered of 0.600 kg" in reason for reason in short["undercharge"].reasons_for)
    assert any("weighed: it is all there" in reason for reason in full["undercharge"].reasons_against)
    assert not any("weighed" in r for r in (*vague["undercharge"].reasons_for, *vague["undercharge"].reasons_against))


def test_a_level_that_a_seen_cause_explains_speaks_little_for_a_rival_and_not_twice_for_itself():
    starved = Fact("evaporator starved", "vents 24 K above the evaporator", (), steady=True)
    gap = Fact("vent over evaporating", "vent over evaporating 24 K, steady", (), 24.0, 0.5, True)
    seen = Fact("restriction seen", "starved from the start")
    alone, beside = causes(starved, gap)["undercharge"], causes(starved, gap, seen)["undercharge"]
    assert alone.probability > 0.4
    assert beside.probability < 0.3
    assert causes(starved, gap, seen)["restriction"].probability == causes(seen)["restriction"].probability
    # Ice that shut the valve for a while explains it as well.
    ice = (Fact("moisture_freeze seen", "it dived"), Fact("moisture_freeze passing", "for a while only"))
    assert causes(starved, gap, *ice)["undercharge"].probability < alone.probability


def told(*facts: Fact) -> dict[str, str]:
    """What would tell each cause from its nearest rival."""
    established = {fact.id: fact for fact in facts}
    return {cause.cause: cause.apart for cause in told_apart(weigh(established), established)}


def test_what_tells_the_leading_causes_apart_is_what_was_not_measured_yet():
    starved = Fact("evaporator starved", "vents 24 K above the evaporator", (), steady=True)
    over = Fact("condensing over ambient", "condensing over ambient 8 K, steady", (), 8.0, 0.5, True)
    subcooling = Fact("subcooling", "subcooling 5 K, steady", (), 5.0, 1.0, True)
    assert told(starved, over)["undercharge"].startswith("clip a probe on the liquid line")
    assert "restriction" in told(starved, over)["undercharge"]
    rest = Fact("starved, meets slowly", "the sides took 200 s to meet", (), steady=True)
    starving = ("undercharge", "restriction")
    others = [fact for fact in absent_all() if not fact.id.startswith(starving)]
    weighed = told(starved, over, subcooling, rest, *others)
    assert weighed["undercharge"].startswith("recover the charge and weigh it")
    # Nothing is to be told apart where one cause is left.
    others = [fact for fact in absent_all() if "icing" not in fact.id]
    assert not any(told(Fact("evaporator_icing seen", "ice"), *others).values())


def test_every_question_asks_for_a_fact_that_some_cause_weighs():
    weighed = {weight.fact for module in cause_modules() for weight in module.WEIGHTS}
    for question in QUESTIONS:
        assert weighed & set(question.facts), question.do


def test_a_sensor_that_misreads_is_taken_out_of_the_evidence():
    """A vent probe that falls out reads a starved evaporator; what it reads then speaks for no cause."""
    car = Car(over_k=8.0)
    recording = car.recording()
    stream = recording.streams[0]
    fallen = pl.when(pl.col("tick_us") > 300_000_000).then(pl.col("ambient")).otherwise(pl.col("vent"))
    broken = replace(stream, data=stream.data.with_columns(vent=fallen.cast(pl.Float32)))
    findings = diagnose(replace(recording, streams=(broken,)), "test")
    assert {episode.kind for episode in findings.episodes} == {"sensor_fault"}
    gap = [
        w
        for cause in findings.causes
        for w in cause.weighed
        if w.fact in ("vent over evaporating", "evaporator starved")
    ]
    assert all(w.evidence[0].measures["level_k"].value < 10.0 for w in gap)
    assert findings.causes[0].cause == "sensor_fault"


def test_next_checks_come_in_order_of_cost(samples: dict[str, Recording]):
    several = 0
    for recording in samples.values():
        findings = diagnose(recording, "test")
        checks = next_checks(findings)
        costs = {cause.next_check: cause.cost for cause in findings.causes}
        told_costs = [next(cost for check, cost in costs.items() if line.startswith(check)) for line in checks]
        assert told_costs == sorted(told_costs)
        several += len(checks) > 1
    assert several


def test_of_two_causes_that_explain_the_same_level_one_is_enough():
    """A starved evaporator makes it likely that one of them is there, not that all of them are."""
    starved = Fact("evaporator starved", "vents 24 K above the evaporator", (), steady=True)
    gap = Fact("vent over evaporating", "vent over evaporating 24 K, steady", (), 24.0, 0.5, True)
    superheat = Fact("superheat", "superheat 30 K, steady", (), 30.0, 1.0, True)
    rivals = causes(starved, gap, superheat)
    both = [rivals[name].probability for name in ("undercharge", "restriction")]
    assert min(both) > 0.1
    assert 0.75 < sum(both) < 1.1
    assert rivals[BY_EXCLUSION].standing != LIKELY
    # What speaks for one of them alone settles it.
    liquid = Fact("subcooling", "subcooling 15 K, steady", (), 15.0, 1.0, True)
    settled = causes(starved, gap, superheat, liquid)
    assert settled["restriction"].probability > 0.8
    assert settled["undercharge"].probability < 0.2


def test_causes_together_are_what_bayes_theorem_makes_of_them():
    """Two causes and one level by hand; without a shared level each keeps its own odds."""
    likely, none = likely_together({"a": odds(0.1), "b": odds(0.2)}, {"level": {"a": 2.0, "b": 1.0}}, ())
    weight = {"": 0.9 * 0.8, "a": 0.1 * 0.8 * math.e**2, "b": 0.9 * 0.2 * math.e, "ab": 0.1 * 0.2 * math.e**2}
    total = sum(weight.values())
    assert none == pytest.approx(weight[""] / total)
    assert likely["a"] == pytest.approx((weight["a"] + weight["ab"]) / total)
    assert likely["b"] == pytest.approx((weight["b"] + weight["ab"]) / total)
    alone, _ = likely_together({"a": odds(0.1), "b": odds(0.2)}, {}, ())
    assert (alone["a"], alone["b"]) == pytest.approx((0.1, 0.2))
    assert likely_together({"a": odds(0.1), "b": odds(0.2)}, {}, ("b",))[1] == pytest.approx(0.9)
    # Up to so many at once: with rare causes that leaves out nothing to speak of.
    many = {f"{i}": odds(0.1) for i in range(12)}
    assert likely_together(many, {}, ())[0]["0"] == pytest.approx(0.1, abs=0.005)
    assert MOST_AT_ONCE >= 3


@given(st.lists(st.tuples(st.floats(-4.0, 4.0), st.floats(0.0, 5.0)), min_size=1, max_size=6))
def test_a_shared_level_makes_each_cause_likelier_than_before_and_none_of_them_less(pairs: list[tuple[float, float]]):
    log_odds = {f"{i}": own for i, (own, _) in enumerate(pairs)}
    level = {f"{i}": ratio for i, (_, ratio) in enumerate(pairs)}
    before, none_before = likely_together(log_odds, {}, ())
    after, none = likely_together(log_odds, {"level": level}, ())
    assert none <= none_before + 1e-9
    assert max(after[name] - before[name] for name in log_odds) >= -1e-9
    assert all(0.0 <= share <= 1.0 + 1e-9 for share in after.values())
