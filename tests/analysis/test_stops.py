"""Why the compressor stopped: normal behaviour raises nothing, a dropout is found."""

import numpy as np
import pytest

from analysis.cycling import median_of, spread_of
from analysis.diagnose import diagnose
from analysis.findings import Findings
from analysis.refrigerant import refrigerant
from tests.analysis.made import recording_of

STEP_S = 0.5
OUT_KPA, IN_KPA = 150.0, 300.0


class Cycler:
    """A made cycling system: pressures relax toward running or resting levels; a pressure switch cycles the clutch."""

    def __init__(
        self, seconds: float, off: dict[str, tuple[float, float]], keeps_supply: bool = False, pulls_kpa: float = 90.0
    ) -> None:
        rng = np.random.default_rng(11)
        self.t = np.arange(0.0, seconds, STEP_S)
        low, high, on = 600.0, 620.0, False
        rows = []
        self.rpm = np.full(len(self.t), 1500.0)
        for name, (start, end) in off.items():
            if name == "engine":
                self.rpm[(self.t >= start) & (self.t < end)] = 0.0
            if name == "throttle":
                self.rpm[(self.t >= start - 1.0) & (self.t < end)] = 3600.0
        for t in self.t:
            held_off = t < 20.0 or any(start <= t < end for start, end in off.values())
            on = (low > OUT_KPA if on else low > IN_KPA) and not held_off
            low += STEP_S / 8.0 * ((pulls_kpa if on else 620.0) - low)
            high += STEP_S / 10.0 * ((1350.0 if on else 640.0) - high)
            kept = keeps_supply and held_off and t >= 20.0
            vent = 8.0 + max(low - 280.0, 0.0) / 25.0
            rows.append((low, high, 13.8 * (on or kept), vent))
        table = np.array(rows)
        self.low, self.high, self.clutch, self.vent = table.T
        self.low = self.low + rng.normal(0.0, 0.6, len(self.t))
        self.high = self.high + rng.normal(0.0, 2.0, len(self.t))
        self.vent = self.vent + rng.normal(0.0, 0.1, len(self.t))

    def findings(self, marks: list[tuple[float, str]] | None = None, clutch: bool = True) -> Findings:
        """Analyse it."""
        columns = {"low_side [kPa]": self.low, "high_side [kPa]": self.high, "vent [degC]": self.vent}
        columns |= {"ambient [degC]": np.full(len(self.t), 28.0), "engine_speed [1/min]": self.rpm}
        if clutch:
            columns["clutch [V]"] = self.clutch
        entries = [{"time_s": t, "kind": kind, "text": ""} for t, kind in marks or [(20.8, "ac_on")]]
        return diagnose(recording_of(self.t, columns, metering="fixed_orifice", marks=entries), "test")


def dropouts(findings: Findings) -> list[tuple[float, float]]:
    """Found dropouts."""
    return [(e.start_s, e.end_s) for e in findings.episodes if e.kind == "compressor_dropout"]


def whys(findings: Findings) -> set[str]:
    """Reasons of the stops."""
    return {stop.why for stop in findings.compressor.stops}


@pytest.mark.parametrize("clutch", [True, False])
def test_its_own_cycling_is_control_and_nothing_else(clutch: bool):
    findings = Cycler(600.0, {}).findings(clutch=clutch)
    assert whys(findings) == {"control"}
    assert dropouts(findings) == []
    assert findings.verdict == "no_fault_seen"
    (cycle,) = findings.cycling
    assert cycle.cut_in_kpa.value == pytest.approx(IN_KPA, abs=30.0)
    assert cycle.cut_out_kpa.value == pytest.approx(OUT_KPA, abs=15.0)
    assert cycle.cycles == cycle.control_cycles


@pytest.mark.parametrize("clutch", [True, False])
def test_two_dropouts_are_found_where_they_were(clutch: bool):
    marks = [(20.8, "ac_on"), (350.0, "complaint")]
    findings = Cycler(900.0, {"one": (300.0, 380.0), "two": (600.0, 670.0)}).findings(marks, clutch=clutch)
    found = dropouts(findings)
    assert len(found) == 2
    for (start, end), (true_start, true_end) in zip(found, [(300.0, 380.0), (600.0, 670.0)], strict=True):
        assert abs(start - true_start) < 12.0
        assert abs(end - true_end) < 3.0
    assert findings.verdict == "fault_found"
    assert findings.causes[0].cause == "compressor_dropout"


def test_a_clutch_that_keeps_its_supply_is_a_mechanical_dropout():
    findings = Cycler(900.0, {"one": (300.0, 380.0), "two": (600.0, 670.0)}, keeps_supply=True).findings()
    stops = [stop for stop in findings.compressor.stops if stop.why == "dropout"]
    assert {stop.cooling_stopped for stop in stops} == {"mechanical"}
    assert len(dropouts(findings)) == 2
    assert findings.causes[0].standing == "proven"


def test_the_driver_who_switches_cooling_off_and_on_raises_nothing():
    cycler = Cycler(900.0, {"one": (300.0, 380.0), "two": (600.0, 670.0)})
    marks = [(20.8, "ac_on"), (301.2, "ac_off"), (381.0, "ac_on"), (601.9, "ac_off"), (672.0, "ac_on")]
    findings = cycler.findings(marks)
    assert dropouts(findings) == []
    assert "driver" in whys(findings)
    assert len(findings.cycling) == 3
    assert sum(c.cycles for c in findings.cycling) == len(findings.compressor.runs) - 1 - 2


def test_one_unmarked_stop_without_supply_is_not_called_a_fault():
    """The driver may have switched cooling off and nobody marked it: cannot tell, and says so."""
    findings = Cycler(900.0, {"one": (300.0, 380.0)}).findings()
    assert dropouts(findings) == []
    assert findings.verdict == "cannot_tell"
    assert "without a mark" in findings.verdict_why
    assert len(findings.cycling) == 2


def test_the_same_stop_beside_a_complaint_is():
    findings = Cycler(900.0, {"one": (300.0, 380.0)}).findings([(20.8, "ac_on"), (350.0, "complaint")])
    assert len(dropouts(findings)) == 1


def test_a_complaint_before_a_stop_was_about_something_else():
    findings = Cycler(900.0, {"one": (300.0, 380.0)}).findings([(20.8, "ac_on"), (240.0, "complaint")])
    assert dropouts(findings) == []


def test_a_vehicle_that_rolls_on_had_its_engine_running():
    """Cooling is known to be asked for; only the road speed tells of the engine."""
    cycler = Cycler(900.0, {"one": (300.0, 380.0), "two": (600.0, 670.0)})
    for halts_s, found in ((0.0, 2), (40.0, 0)):
        still = np.any([(cycler.t >= a - 5.0) & (cycler.t < a + halts_s) for a in (300.0, 600.0)], axis=0)
        columns = {
            "low_side [kPa]": cycler.low,
            "high_side [kPa]": cycler.high,
            "vehicle_speed [km/h]": np.where(still & (halts_s > 0.0), 0.0, 45.0),
            "cooling_request": np.ones(len(cycler.t)),
        }
        findings = diagnose(recording_of(cycler.t, columns, metering="fixed_orifice"), "test")
        assert len(dropouts(findings)) == found


def test_stops_that_last_until_the_evaporator_is_warm_are_no_habit_of_the_control():
    """Three long ones alike, and no cycle else: each is a dropout."""
    stops = {str(n): (200.0 * n, 200.0 * n + 60.0) for n in range(1, 4)}
    assert len(dropouts(Cycler(900.0, stops, pulls_kpa=200.0).findings())) == 3


def test_an_engine_stop_and_start_raises_nothing():
    findings = Cycler(900.0, {"engine": (300.0, 380.0)}).findings()
    assert dropouts(findings) == []
    assert "engine_off" in whys(findings)


def test_a_full_throttle_cut_out_raises_nothing():
    findings = Cycler(900.0, {"throttle": (300.0, 312.0)}).findings()
    assert dropouts(findings) == []


def test_nothing_but_rest_cannot_tell():
    findings = Cycler(300.0, {"rest": (0.0, 300.0)}).findings()
    assert findings.compressor.runs == ()
    assert findings.verdict == "cannot_tell"


def test_a_vent_probe_that_hangs_outside_the_air_is_told():
    cycler = Cycler(600.0, {})
    cycler.vent = 27.0 + np.random.default_rng(3).normal(0.0, 0.08, len(cycler.t))
    findings = cycler.findings()
    (episode,) = [e for e in findings.episodes if e.kind == "sensor_fault"]
    assert episode.channel == "vent"
    assert "not in the air" in episode.evidence[0].says


def offset(low_kpa: float, high_kpa: float) -> list[tuple[str, str | None]]:
    """Sensor faults of a cycler whose sensors are off by so much; both sides rest at saturation first."""
    cycler = Cycler(600.0, {})
    rest = cycler.t < 20.0
    saturation = refrigerant("R-134a").pressure_at(28.0) - 101.325
    cycler.low[rest] = cycler.high[rest] = saturation + np.random.default_rng(2).normal(0.0, 0.5, int(rest.sum()))
    cycler.low = cycler.low + low_kpa
    cycler.high = cycler.high + high_kpa
    found = cycler.findings()
    return [(e.kind, e.channel) for e in found.episodes if e.kind == "sensor_fault"]


def test_a_zero_that_is_off_shows_at_rest_and_names_its_channel():
    """Both sides must agree once soaked; the one on saturation at ambient is right (R-134a at 28 degC)."""
    assert offset(0.0, 0.0) == []
    assert offset(-110.0, 0.0) == [("sensor_fault", "low_side")]
    assert offset(0.0, 150.0) == [("sensor_fault", "high_side")]


def test_a_stepless_compressor_that_stops_twice_with_warm_vents_drops_out():
    """No clutch to read: the lift is gone, the engine runs, cooling is asked for and the vents warm."""
    cycler = Cycler(900.0, {"one": (300.0, 380.0), "two": (600.0, 670.0)})
    resting = (cycler.t < 20.0) | ((cycler.t >= 300) & (cycler.t < 380)) | ((cycler.t >= 600) & (cycler.t < 670))
    cycler.low = np.where(resting, cycler.low, 210.0 + np.random.default_rng(5).normal(0.0, 0.6, len(cycler.t)))
    cycler.high = np.where(resting, cycler.high, 1300.0 + np.random.default_rng(6).normal(0.0, 2.0, len(cycler.t)))
    columns = {"low_side [kPa]": cycler.low, "high_side [kPa]": cycler.high, "engine_speed [1/min]": cycler.rpm}
    columns |= {"ambient [degC]": np.full(len(cycler.t), 28.0)}
    marks = [{"time_s": 20.8, "kind": "ac_on", "text": ""}, {"time_s": 640.0, "kind": "complaint", "text": ""}]
    for vent, expected in ((np.where(resting, cycler.vent, 8.0), 2), (np.full(len(cycler.t), 8.0), 0)):
        columns["vent [degC]"] = vent + np.random.default_rng(7).normal(0.0, 0.1, len(cycler.t))
        recording = recording_of(cycler.t, columns, compressor="variable_external", marks=marks)
        assert len(dropouts(diagnose(recording, "test"))) == expected


@pytest.mark.parametrize(
    ("electric", "how", "part"),
    [
        ({"clutch_current [A]": 0.0}, "electrical", "coil"),
        ({"clutch_current [A]": 3.8}, "mechanical", "air gap"),
        ({"pressure_switch [V]": 0.1}, "electrical", "switch"),
    ],
)
def test_what_is_clipped_on_names_the_part(electric: dict[str, float], how: str, part: str):
    """Twice the compressor stays off; what the channel reads meanwhile is given, while running it reads as usual."""
    (header, meanwhile), *_ = electric.items()
    supplied = "switch" not in header
    system = Cycler(900.0, {"one": (300.0, 380.0), "two": (600.0, 670.0)}, keeps_supply=supplied)
    off = ((system.t >= 300.0) & (system.t < 380.0)) | ((system.t >= 600.0) & (system.t < 670.0))
    usual = 13.8 if "switch" in header else np.where(system.clutch > 6.0, 3.8, 0.0)
    columns = {
        "low_side [kPa]": system.low,
        "high_side [kPa]": system.high,
        "clutch [V]": system.clutch,
        "engine_speed [1/min]": system.rpm,
        header: np.where(off, meanwhile, usual),
    }
    sheet = {
        "metering": "fixed_orifice",
        "marks": [{"time_s": t, "kind": k, "text": ""} for t, k in ((20.8, "ac_on"), (340.0, "complaint"))],
    }
    findings = diagnose(recording_of(system.t, columns, **sheet), "test")
    dropped = [stop for stop in findings.compressor.stops if stop.why == "dropout"]
    assert {stop.cooling_stopped for stop in dropped} == {how}
    leading = findings.causes[0]
    assert leading.cause == "compressor_dropout"
    assert leading.standing == "proven"
    assert part in leading.parts[0]


def test_a_hot_engine_that_takes_the_compressor_off_is_no_dropout():
    system = Cycler(900.0, {"one": (300.0, 380.0), "two": (600.0, 670.0)})
    columns = {
        "low_side [kPa]": system.low,
        "high_side [kPa]": system.high,
        "clutch [V]": system.clutch,
        "coolant [degC]": np.where((system.t > 290.0) & (system.t < 700.0), 118.0, 92.0),
    }
    sheet = {"metering": "fixed_orifice", "marks": [{"time_s": 20.8, "kind": "ac_on", "text": ""}]}
    findings = diagnose(recording_of(system.t, columns, **sheet), "test")
    assert "engine_protection" in whys(findings)
    assert dropouts(findings) == []


def test_two_stops_without_supply_are_a_fault_only_where_somebody_marked_when_cooling_was_switched_off():
    """Who marks its start alone may well switch it off and on without a word."""
    cycler = Cycler(900.0, {"one": (300.0, 380.0), "two": (600.0, 670.0), "by hand": (760.0, 800.0)})
    marked = [(20.8, "ac_on"), (760.5, "ac_off"), (800.3, "ac_on")]
    assert len(dropouts(cycler.findings(marked))) == 2
    cycler = Cycler(900.0, {"one": (300.0, 380.0), "two": (600.0, 670.0)})
    findings = cycler.findings([(20.8, "ac_on")])
    assert dropouts(findings) == []
    assert findings.verdict == "cannot_tell"
    assert "cooling_request" in next(c.missing for c in findings.checks if c.kind == "compressor_dropout")


def test_an_engine_that_halts_at_every_light_is_no_dropout():
    """No engine speed recorded; the road speed shows that each stop came at standstill."""
    halts = {str(n): (120.0 * n, 120.0 * n + 40.0) for n in range(1, 7)}
    system = Cycler(900.0, halts)
    still = np.any([(system.t >= a - 6.0) & (system.t < b + 1.0) for a, b in halts.values()], axis=0)
    columns = {"low_side [kPa]": system.low, "high_side [kPa]": system.high, "clutch [V]": system.clutch}
    columns["vehicle_speed [km/h]"] = np.where(still, 0.0, 38.0)
    sheet = {"metering": "fixed_orifice", "marks": [{"time_s": 20.8, "kind": "ac_on", "text": ""}]}
    findings = diagnose(recording_of(system.t, columns, **sheet), "test")
    assert dropouts(findings) == []
    assert "engine speed" in findings.verdict_why


def test_a_median_of_cycles_is_as_sure_as_their_edges_however_much_they_differ():
    """It is that of the cycles there were, whose spread is told beside it; one cycle more or less moves it little."""
    rng = np.random.default_rng(8)
    periods = rng.normal(20.0, 4.0, 101)
    found = median_of(periods, 0.05)
    spread = spread_of(periods)
    assert found.value == pytest.approx(float(np.median(periods)))
    assert found.u95 is not None
    assert spread == pytest.approx(4.0, rel=0.25)
    ordered = np.sort(periods)
    assert max(abs(float(np.median(ordered[k:])) - found.value) for k in (1, 2)) < found.u95 < 0.2 * spread  # type: ignore[operator]
