"""The plant keeps its books: mass, energy, saturation, and cars like those of the trade's tables."""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from tests.plant.cars import CYCLING, EXTERNAL, INTERNAL, ORIFICE, VALVE, Car, random_car
from tests.plant.drives import random_drive
from tests.plant.fleet import draft, make
from tests.plant.garage import Specimen, Trace, run
from tests.plant.saturation import H_G, NAMES, V_F, V_G, P, tables_of
from tests.plant.truth import compressor_of

MIX = ((VALVE, CYCLING), (ORIFICE, CYCLING), (VALVE, INTERNAL), (VALVE, EXTERNAL))


def workshop(metering: int, compressor: int, seed: int) -> Specimen:
    """A car at 28 degC in the workshop: idle, raised idle, idle, rest."""
    rng = np.random.default_rng(seed)
    car = random_car(rng, {"metering": metering, "compressor": compressor, "fluid": 0})
    drive = random_drive(rng, "workshop")
    drive.ambient_degc, drive.humidity = 28.0, 0.45
    drive.signals["ambient"][:] = 28.0
    return Specimen(car, drive)


@pytest.fixture(scope="module")
def traces() -> list[tuple[Specimen, Trace]]:
    """Two cars of each kind."""
    specimens = [workshop(*kind, seed) for seed in (1, 2) for kind in MIX]
    return list(zip(specimens, run(specimens), strict=True))


@pytest.mark.parametrize("label", list(NAMES))
@pytest.mark.parametrize("t_k", [243.1, 273.4, 318.7, 350.2])
def test_the_tables_follow_coolprop(label: str, t_k: float):
    tables = tables_of(list(NAMES))
    fluid = np.array([list(NAMES).index(label)])
    props, _ = tables.at(fluid, np.array([t_k]))
    name = NAMES[label]
    assert props[P, 0] == pytest.approx(PropsSI("P", "T", t_k, "Q", 0, name), rel=2e-4)
    assert 1 / props[V_F, 0] == pytest.approx(PropsSI("D", "T", t_k, "Q", 0, name), rel=2e-4)
    assert 1 / props[V_G, 0] == pytest.approx(PropsSI("D", "T", t_k, "Q", 1, name), rel=5e-4)
    assert props[H_G, 0] == pytest.approx(PropsSI("H", "T", t_k, "Q", 1, name), rel=2e-4)


def test_no_refrigerant_is_made_or_lost(traces: list[tuple[Specimen, Trace]]):
    for specimen, trace in traces:
        assert trace.values["mass"] == pytest.approx(specimen.car.charge_kg, abs=2e-6)


def test_a_soaked_car_stands_on_saturation_and_returns_toward_it(traces: list[tuple[Specimen, Trace]]):
    saturated = PropsSI("P", "T", 28.0 + 273.15, "Q", 1, "R134a")
    for _, trace in traces:
        assert trace.values["high"][5] == pytest.approx(saturated, rel=0.03)
        assert trace.values["low"][5] == pytest.approx(saturated, rel=0.05)
        assert abs(trace.values["high"][-1] - trace.values["low"][-1]) < 8e4


def test_running_pressures_stand_in_the_trades_ranges(traces: list[tuple[Specimen, Trace]]):
    """Condensing 10-35 K over 28 degC, evaporating -10 to 16 degC (common practice, reference_values.md 6.1, widened for idle)."""
    for _, trace in traces:
        on = trace.engaged[::2][: len(trace.t)] & (trace.t > 200.0)
        evaporating = PropsSI("T", "P", float(np.median(trace.values["low"][on])), "Q", 1, "R134a") - 273.15
        condensing = PropsSI("T", "P", float(np.median(trace.values["high"][on])), "Q", 1, "R134a") - 273.15
        assert -10.0 < evaporating < 16.0
        assert 8.0 < condensing - 28.0 < 36.0
        assert 2.0 < float(np.median(trace.values["vent"][on])) < 18.0


def test_only_clutches_cycle(traces: list[tuple[Specimen, Trace]]):
    for specimen, trace in traces:
        runs = len(compressor_of(trace)["run_intervals"])
        assert runs == 1 or specimen.car.compressor == CYCLING


def test_short_of_charge_lowers_both_sides_and_warms_the_vents():
    whole = workshop(VALVE, INTERNAL, 3)
    car = Car(**{**whole.car.__dict__, "charge_kg": 0.5 * whole.car.charge_kg})
    full, short = run([whole, Specimen(car, whole.drive)])
    late = (full.t > 250.0) & full.engaged[::2][: len(full.t)]
    assert np.mean(short.values["high"][late]) < np.mean(full.values["high"][late]) - 5e4
    assert np.mean(short.values["vent"][late]) > np.mean(full.values["vent"][late]) + 2.0


def test_a_seed_makes_the_same_car_whatever_it_runs_beside(tmp_path):
    first, second = draft(5), draft(5)
    assert first.healthy.car == second.healthy.car
    assert np.array_equal(first.healthy.drive.signals["speed"], second.healthy.drive.signals["speed"])
    alone = run([draft(9).healthy])[0]
    beside = run([draft(9).healthy, draft(10).healthy])[0]
    assert np.array_equal(alone.values["low"], beside.values["low"])


def test_a_made_recording_is_sealed_with_its_truth(tmp_path):
    folder = make([8], tmp_path)[0]
    assert (folder / "truth.json").exists()
    assert len(list(folder.glob("*/seal.json"))) == 1
