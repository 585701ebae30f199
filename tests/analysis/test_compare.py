"""Before and after on made drives whose difference is known, and on the demo's two recordings."""

import json
from dataclasses import replace
from functools import cache
from itertools import count

import jsonschema
import numpy as np
import pytest

from analysis.case import Case, case_of
from analysis.compare import Analysed, compare_analysed
from analysis.comparison import CANNOT_TELL, NOT_REPAIRED, REPAIRED, SCHEMA_FILE, Comparison
from analysis.conditions import matching_of, outside_air
from analysis.diagnose import diagnose_timeline
from analysis.differences import differences_of, student
from analysis.findings import Check, Episode, Findings
from analysis.timeline import LIMITS as TIMELINE
from analysis.timeline import timeline_of
from recorder.recording import Recording
from tests.analysis.made import recording_of
from tests.conftest import warmspell

NUMBERS = count()
HALF_WIDTH_KPA = TIMELINE["high_side_accuracy"].value


def drive(
    minutes: float = 40.0, ambient: float = 30.0, shift_kpa: float = 0.0, seed: int = 1, **job: object
) -> Recording:
    """Standing 2 of every 10 minutes; the high side follows the road, wanders a little, and can be shifted."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 60.0 * minutes, 1.0)
    standing = t % 600.0 >= 480.0
    wander = np.convolve(rng.normal(0.0, 20.0, len(t) + 60), np.ones(30) / 30**0.5, "same")[: len(t)]
    columns = {
        "low_side [kPa]": 200.0 + rng.normal(0.0, 1.0, len(t)),
        "high_side [kPa]": np.where(standing, 1500.0, 1350.0) + shift_kpa + wander,
        "vent [degC]": 8.0 + rng.normal(0.0, 0.05, len(t)),
        "clutch [V]": np.full(len(t), 13.8),
        "ambient [degC]": np.full(len(t), ambient) + rng.normal(0.0, 0.05, len(t)),
        "vehicle_speed [km/h]": np.where(standing, 0.0, 50.0),
    }
    return recording_of(t, columns, **job)


def analysed(recording: Recording) -> Analysed:
    """A recording analysed, whatever it finds left out."""
    timeline = timeline_of(recording)
    assert timeline is not None
    found, case = diagnose_timeline(recording, timeline, "test")
    return replace(found, episodes=()), case


@cache
def plain_drive(minutes: float = 40.0) -> Analysed:
    return analysed(drive(minutes))


def with_episodes(base: Analysed, *episodes: Episode) -> Analysed:
    """The same drive as a recording of its own."""
    found: Findings = base[0]
    about = replace(found.recording, id=f"drive-{next(NUMBERS)}")
    return replace(found, recording=about, episodes=episodes), base[1]


def stood(*numbers: int, kind: str = "condenser_airflow_loss") -> tuple[Episode, ...]:
    """An episode at the n-th standstill."""
    return tuple(Episode(kind, 600.0 * n + 500.0, 600.0 * n + 560.0, 0.5, ()) for n in numbers)


def of(comparison: Comparison, name: str):
    return next(d for d in comparison.differences if d.quantity == name)


def test_four_spells_before_and_none_after_in_as_much_driving_show_the_repair():
    """Strata: all four began standing; (t1/(t1 + t2))^4 with t1 short of t2 by the spells themselves."""
    base = plain_drive()
    comparison = compare_analysed(with_episodes(base, *stood(0, 1, 2, 3)), base)
    assert comparison.verdict == REPAIRED
    assert comparison.spells.before.count == 4
    assert comparison.spells.after.count == 0
    standing = [c for c in comparison.conditions if "standing" in c.says]
    assert comparison.spells.p_fell is not None
    # Each standstill of 120 s holds 60 s of spell: half of the good time before, all of it after: (1/3)^4.
    assert comparison.spells.p_fell == pytest.approx((1 / 3) ** 4, rel=0.1)
    assert all(c.why is None for c in standing)


def test_averages_that_agree_do_not_prove_an_intermittent_repair():
    """Two spells before, none after a short drive: cannot tell, and so much more driving would show it."""
    before = with_episodes(plain_drive(), *stood(1, 3))
    comparison = compare_analysed(before, plain_drive(20.0))
    assert comparison.verdict == CANNOT_TELL
    assert of(comparison, "high_side_kpa").state == "no difference shown"
    assert comparison.spells.needed_s is not None
    assert "more without it would show the repair, driven standing" in comparison.verdict_why


def test_the_driving_asked_for_is_enough_once_driven():
    before = with_episodes(plain_drive(), *stood(1, 2))
    short = compare_analysed(before, plain_drive(30.0)).spells
    assert short.needed_s is not None
    # Standing is a fifth of the drive, half of it later than 15 min: drive until the needed standstill is there.
    long = compare_analysed(before, analysed(drive(30.0 + 5.0 * short.needed_s / 60.0 + 10.0)))
    assert long.verdict == REPAIRED


def test_a_fault_seen_again_is_not_repaired_however_rare():
    base = plain_drive()
    comparison = compare_analysed(with_episodes(base, *stood(0, 1, 2, 3)), with_episodes(base, *stood(2)))
    assert comparison.verdict == NOT_REPAIRED
    assert "still there after the repair" in comparison.verdict_why
    assert comparison.spells.ratio_high is not None
    assert comparison.spells.ratio_low == pytest.approx(0.0, abs=0.02)


def test_another_fault_after_the_repair_is_told_and_is_no_repair():
    base = plain_drive()
    after = with_episodes(base, *stood(1, kind="valve_hunting"))
    comparison = compare_analysed(with_episodes(base, *stood(0, 1, 2, 3)), after)
    assert comparison.verdict == NOT_REPAIRED
    assert "another fault shows: expansion valve hunts" in comparison.verdict_why


def test_nothing_before_proves_nothing_after():
    comparison = compare_analysed(plain_drive(), with_episodes(plain_drive()))
    assert comparison.verdict == CANNOT_TELL
    assert comparison.verdict_why.startswith("no fault was seen before")


@pytest.mark.parametrize(("state", "verdict"), [("absent", REPAIRED), ("undecided", CANNOT_TELL)])
def test_a_permanent_fault_is_gone_only_where_its_detector_says_absent(state: str, verdict: str):
    lasting = Episode("undercharge", 0.0, 2400.0, 0.5, (), permanent=True)
    found, case = plain_drive()
    judged = replace(found, checks=(Check("undercharge", state, "no liquid-line probe"),))
    comparison = compare_analysed(with_episodes(plain_drive(), lasting), (judged, case))
    assert comparison.verdict == verdict
    assert ("cannot exclude too little refrigerant (no liquid-line probe)" in comparison.verdict_why) == (
        verdict == CANNOT_TELL
    )


def test_a_recording_beside_itself_tells_nothing():
    found = with_episodes(plain_drive(), *stood(0, 1, 2, 3))
    comparison = compare_analysed(found, found)
    assert comparison.verdict == CANNOT_TELL
    assert comparison.verdict_why.startswith("both are one and the same recording")


@pytest.mark.parametrize(
    ("before", "after", "doubt"),
    [
        ({"vin": "HVCT7BUS000000007"}, {"vin": "HVCT9BUS000000009"}, "the job sheets differ in VIN"),
        ({"plate": "HV7"}, {"plate": "HV9"}, "the job sheets differ in plate"),
        ({"started_at": "2026-07-02"}, {"started_at": "2026-07-01"}, "the recording given as 'after' is the older one"),
        ({}, {"intact": False}, "is damaged"),
    ],
)
def test_nothing_is_repaired_while_the_two_do_not_belong_together(before: dict, after: dict, doubt: str):
    sides = [with_episodes(plain_drive(), *stood(0, 1, 2, 3)), with_episodes(plain_drive())]
    assert compare_analysed(*sides).verdict == REPAIRED
    for at, changed in enumerate((before, after)):
        found, case = sides[at]
        about = {name: value for name, value in changed.items() if name in ("started_at", "intact")}
        job = {name: value for name, value in changed.items() if name not in about}
        recording = replace(found.recording, **about)
        sides[at] = replace(found, recording=recording, job_sheet={**found.job_sheet, **job}), case
    comparison = compare_analysed(*sides)
    assert comparison.verdict == CANNOT_TELL
    assert doubt in comparison.verdict_why
    assert any(doubt in note for note in comparison.notes)
    again = compare_analysed(sides[0], (replace(sides[1][0], episodes=stood(2)), sides[1][1]))
    assert again.verdict == NOT_REPAIRED, "what is still there is there, whoever doubts the rest"


def test_pressures_of_different_refrigerants_are_not_compared():
    other = with_episodes(analysed(drive(seed=2, refrigerant="R-1234yf")))
    comparison = compare_analysed(with_episodes(plain_drive(), *stood(0, 1, 2, 3)), other)
    assert of(comparison, "high_side_kpa").difference.why == "pressures of different refrigerants are not alike"
    assert of(comparison, "vent_degc").difference.value is not None
    assert comparison.verdict == CANNOT_TELL


def test_what_a_quantity_lacks_is_named():
    comparison = compare_analysed(plain_drive(), with_episodes(plain_drive()))
    assert of(comparison, "split_k").difference.why == "no return air before and after"


def test_a_recording_that_cannot_show_the_fault_does_not_show_its_repair():
    """Without the high side no lost airflow shows, however long it is driven; and a suspicion is no absence."""
    blind = analysed(drive(seed=2))
    timeline = replace(
        blind[1].timeline, signals={n: s for n, s in blind[1].timeline.signals.items() if n != "high_side"}
    )
    before = with_episodes(plain_drive(), *stood(0, 1, 2, 3))
    seen = compare_analysed(before, with_episodes(plain_drive()))
    unseen = compare_analysed(before, (blind[0], replace(blind[1], timeline=timeline)))
    assert (seen.verdict, unseen.verdict) == (REPAIRED, CANNOT_TELL)
    assert "cannot exclude condenser loses its airflow" in unseen.verdict_why
    found, case = with_episodes(plain_drive())
    suspected = tuple(replace(c, suspected=c.kind == "condenser_airflow_loss") for c in found.checks)
    assert compare_analysed(before, (replace(found, checks=suspected), case)).verdict == CANNOT_TELL


def test_where_the_conditions_were_not_met_again_they_are_named():
    late = compare_analysed(with_episodes(plain_drive(), *stood(2, 3)), with_episodes(analysed(drive(10.0, seed=3))))
    assert late.verdict == CANNOT_TELL
    assert "not met again" in late.verdict_why
    assert "drive it standing, later than 15 min after the start, 28" in late.verdict_why


def test_another_weather_is_not_compared():
    found, case = analysed(drive(ambient=12.0))
    cold = replace(found, checks=tuple(replace(check, suspected=False) for check in found.checks)), case
    comparison = compare_analysed(with_episodes(plain_drive(), *stood(1, 2)), cold)
    assert comparison.verdict == CANNOT_TELL
    assert all(d.state == "not compared" for d in comparison.differences)
    assert all(c.why is not None for c in comparison.conditions)
    assert "no good time under like conditions" in comparison.spells.says
    assert comparison.spells.left_out_before == 2
    assert "not met again" in comparison.verdict_why


def test_a_factor_that_one_recording_lacks_is_told():
    base = plain_drive()
    case = base[1]
    signals = {k: s for k, s in case.timeline.signals.items() if k != "ambient"}
    blind = replace(case, timeline=replace(case.timeline, signals=signals))
    comparison = compare_analysed(base, (base[0], blind))
    assert "ambient was not recorded after: the stretches may differ in it" in comparison.not_matched
    assert "engine speed was not recorded before and after" in " ".join(comparison.not_matched)
    assert of(comparison, "vent_degc").difference.u95 > of(compare_analysed(base, base), "vent_degc").difference.u95  # type: ignore[operator]


def test_a_known_shift_is_found_with_its_sign():
    comparison = compare_analysed(plain_drive(), analysed(drive(shift_kpa=-150.0, seed=2)))
    high = of(comparison, "high_side_kpa")
    assert high.state == "lower"
    assert high.difference.value == pytest.approx(-150.0, abs=high.difference.u95)
    assert of(comparison, "low_side_kpa").state == "no difference shown"


def numbered(case: Case, *places: str, calibrated_on: str = "2026-05-04") -> Case:
    """The case with its sensors' serial numbers stated."""
    signals = {
        k: replace(s, channel=replace(s.channel, serial_number=f"S-{k}", calibrated_on=calibrated_on))
        if k in places
        else s
        for k, s in case.timeline.signals.items()
    }
    return replace(case, timeline=replace(case.timeline, signals=signals))


def difference(before: Case, after: Case, name: str):
    return next(d for d in differences_of(before, after, matching_of(before, after)) if d.quantity == name)


def test_the_same_sensor_cancels_and_one_calibrated_anew_does_not():
    """JCGM 100, 5.2.2 with r = 1: a difference of two readings of one sensor does not hold its unknown error."""
    case, other = plain_drive()[1], analysed(drive(seed=3))[1]
    unknown = difference(case, other, "high_side_kpa").difference.u95
    same = difference(numbered(case, "high_side"), numbered(other, "high_side"), "high_side_kpa").difference.u95
    anew = numbered(other, "high_side", calibrated_on="2026-07-01")
    again = difference(numbered(case, "high_side"), anew, "high_side_kpa").difference.u95
    assert unknown is not None
    assert same is not None
    # Two sensors of 17.5 kPa half-width: 2 sqrt(2) 17.5/sqrt(3) = 28.6 kPa, which the same one does not have.
    assert np.sqrt(unknown**2 - same**2) == pytest.approx(2.0 * np.sqrt(2.0) * 17.5 / np.sqrt(3.0), rel=1e-6)
    assert again == pytest.approx(unknown)


def test_u95_holds_the_truth_about_95_times_in_100():
    """120 pairs of drives: sensors off by up to their accuracy, the same one in both for every other pair."""
    rng = np.random.default_rng(17)
    before, inside = plain_drive()[1], {True: 0, False: 0}
    drives = [analysed(drive(seed=20 + i))[1] for i in range(12)]
    for index in range(120):
        same = index % 2 == 0
        after, truth = drives[index % 12], float(rng.uniform(-200.0, 200.0))
        off = rng.uniform(-HALF_WIDTH_KPA, HALF_WIDTH_KPA, 2)
        moved = _moved(after, "high_side", truth + (0.0 if same else off[1] - off[0]))
        pair = (numbered(before, "high_side"), numbered(moved, "high_side")) if same else (before, moved)
        got = difference(*pair, "high_side_kpa").difference
        assert got.value is not None
        assert got.u95 is not None
        inside[same] += abs(got.value - truth) <= got.u95
    assert inside[True] >= 55
    assert inside[False] >= 55


def _moved(case: Case, place: str, by: float) -> Case:
    assert case.derived.high_kpa is not None
    return replace(case, derived=replace(case.derived, high_kpa=case.derived.high_kpa + by))


def test_the_fault_does_not_make_its_own_weather():
    """A standing vehicle breathes its own heat: ambient reads 8 K more for 5 min, the outside air stays."""
    t = np.arange(0.0, 2400.0, 1.0)
    ambient = np.where((t > 900.0) & (t < 1200.0), 38.0, 30.0)
    recording = recording_of(t, {"low_side [kPa]": np.full(len(t), 200.0), "ambient [degC]": ambient})
    timeline = timeline_of(recording)
    assert timeline is not None
    outside = outside_air(case_of(timeline, recording.job))
    assert outside is not None
    assert outside == pytest.approx(30.0)


def test_student_is_the_guides_table():
    """JCGM 100, table G.2, 95.45 %: 13.97, 4.53, 2.87 (3.31 for 3), 2.28 for 10, 2.13 for 20 degrees of freedom."""
    printed = {1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 10: 2.28, 20: 2.13, 50: 2.05}
    for freedom, value in printed.items():
        assert student(freedom) == pytest.approx(value, abs=0.005)


def test_the_demo_recordings_compare_in_words_and_as_a_document():
    before, after = "recordings/minibus-7-before", "recordings/minibus-7-after"
    words = warmspell("compare", before, after)
    assert words.returncode == 0, words.stderr
    assert words.stdout.startswith("Repaired, as far as driving can show: condenser loses its airflow")
    document = json.loads(warmspell("compare", before, after, "--json").stdout)
    jsonschema.validate(document, json.loads(SCHEMA_FILE.read_text(encoding="utf-8")))
    turned = warmspell("compare", after, before)
    assert turned.stdout.startswith("Cannot tell whether it is repaired: no fault was seen before")
    assert "the recording given as 'after' is the older one" in turned.stdout


def test_a_recording_that_is_not_there_is_told_and_gives_no_traceback(tmp_path):
    done = warmspell("compare", "recordings/minibus-7-before", str(tmp_path))
    assert done.returncode == 1
    assert "is not a recording" in done.stderr
    assert "Traceback" not in done.stderr
