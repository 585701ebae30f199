"""The figure and its drawing: reduction, bands, hatches and gaps, marks, ticks."""

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from analysis.plots import Band, Figure, Flag, Lane, Line, Strip, chosen, figure_of, reduced, ticks, time_ticks
from analysis.shown import PSI
from analysis.strip_chart import svg_of
from recorder.recording import open_recording
from tests.analysis.made import recording_of
from tests.analysis.test_claim import BEFORE, diagnosed


def test_reduction_keeps_every_one_sample_spike_and_every_gap():
    t = np.arange(0.0, 10_000.0, 0.1)
    values = np.zeros(len(t))
    spikes = np.random.default_rng(4).choice(len(t), 40, replace=False)
    values[spikes] = 1000.0 + np.arange(40)
    values[50_000:60_000] = np.nan
    times, kept = reduced(t, values, 0.0, 10_000.0, 300)
    assert len(kept) <= 2 * 301
    assert np.isnan(kept[(times > 5040.0) & (times < 5960.0)]).all()
    size = -(-len(t) // 300)
    highest = [
        np.nanmax(values[i : i + size]) for i in range(0, len(t), size) if np.isfinite(values[i : i + size]).any()
    ]
    assert set(highest) <= set(kept[np.isfinite(kept)])


def test_ticks_are_round_and_inside():
    assert ticks(-3.0, 41.0, 4) == [0.0, 20.0, 40.0]
    assert time_ticks(0.0, 2160.0)[:3] == [0.0, 300.0, 600.0]


def test_the_usual_pressures_follow_refrigerant_and_ambient():
    """The shaded band against CoolProp: saturation at ambient plus what the document expects of condensing."""
    case, findings = diagnosed(open_recording(BEFORE))
    figure = figure_of(case, findings, "", 0.0, case.timeline.duration_s)
    high = figure.strips[0].bands[0]
    rows = [r for r in findings.expected if r.quantity.startswith("condensing over ambient")]
    low_k, high_k = min(r.low for r in rows), max(r.high for r in rows)
    ambient = case.timeline.grid("ambient")
    assert ambient is not None
    for at in (10, 80, 150):
        degc = float(ambient[case.timeline.index(float(high.t_s[at]))])
        for edge, over in ((high.low, low_k), (high.high, high_k)):
            true = PropsSI("P", "T", 273.15 + degc + over, "Q", 1, "R134a") / 1e3 - case.timeline.barometric_kpa
            assert float(edge[at]) == pytest.approx(true, rel=1e-3)


def test_a_figure_in_psi_shows_the_same_pressures():
    case, findings = diagnosed(open_recording(BEFORE))
    window = (0.0, 600.0)
    kpa = figure_of(case, findings, "", *window).strips
    psi = figure_of(case, findings, "", *window, units=PSI).strips
    assert psi[0].unit == "psi"
    assert np.allclose(psi[0].lines[0].values * 6.894757293168, kpa[0].lines[0].values, equal_nan=True)
    assert psi[1].unit == "°F"
    assert np.allclose((psi[1].lines[0].values - 32) / 1.8, kpa[1].lines[0].values, equal_nan=True)
    assert psi[2].unit == "°F"
    assert np.allclose(psi[2].lines[0].values / 1.8, kpa[2].lines[0].values, equal_nan=True)


def test_readings_that_were_set_aside_are_drawn():
    t = np.arange(0.0, 300.0, 0.5)
    vent = 12.0 + 0.01 * np.sin(t)
    vent[300] = 90.0
    case, findings = diagnosed(recording_of(t, {"vent [degC]": vent}))
    assert len(case.timeline.signals["vent"].spikes_s) == 1
    (strip,) = (s for s in figure_of(case, findings, "", 0.0, 300.0).strips if s.quantity == "air and evaporator")
    assert np.nanmax(strip.lines[0].values) == pytest.approx(90.0)
    assert strip.lines[0].span[1] < 13.0


def test_a_drawing_is_well_formed_and_needs_no_colour_to_be_read():
    """Three lines differ in dash, an episode has its number and hatch, a gap its words, a mark its flag."""
    t = np.arange(0.0, 100.0, 1.0)
    lines = tuple(
        Line(f"line {dash} <&>", dash, t, np.sin(t / 9.0) + i, (-1.0, 3.0))
        for i, dash in enumerate(("solid", "dash", "dot"))
    )
    band = Band(t[[0, -1]], np.array([0.0, 0.0]), np.array([1.0, 1.0]))
    figure = Figure(
        "title <b>",
        0.0,
        100.0,
        (Strip("quantity", "kPa", lines, (band,)),),
        (Lane("pumps", ((0.0, 40.0),), "run"), Lane("fault", ((30.0, 60.0),), "episode", (7,))),
        (Flag(20.0, 'said "warm" <now>'),),
        ((70.0, 90.0),),
    )
    text = svg_of(figure)
    root = ElementTree.fromstring(text)
    words = [e.text for e in root.iter("{http://www.w3.org/2000/svg}text")]
    assert {"title <b>", "quantity [kPa]", "7", "no record", 'said "warm" <now>', "line dot <&>"} <= set(words)
    dashes = set(re.findall(r'stroke-linejoin="round"( stroke-dasharray="[^"]+")?', text))
    assert len(dashes) == 3
    assert "opacity" not in text  # PDF/A-1 holds no transparency
    assert "#d8a58f" in text
    bare = svg_of(replace(figure, lanes=figure.lanes[:1]))
    assert "#d8a58f" not in bare


def test_two_charts_in_one_page_do_not_cut_each_other():
    """A page resolves a name to its first bearer: charts of other sizes must not share one, or lines vanish."""
    case, findings = diagnosed(open_recording(BEFORE))
    figure = figure_of(case, findings, "one", 0.0, 2000.0, 200)
    names = [set(re.findall(r'clipPath id="([^"]+)"', svg_of(figure, 720.0, height))) for height in (420.0, 600.0)]
    assert len(names[0]) == len(figure.strips)
    assert not names[0] & names[1]


def test_a_pen_is_lifted_over_a_gap_and_leaves_a_dot_for_a_reading_alone():
    t = np.arange(8.0)
    values = np.array([1.0, 2.0, np.nan, np.nan, 3.0, np.nan, 4.0, 5.0])
    line = Line("x", "solid", t, values, (1.0, 5.0))
    text = svg_of(Figure("", 0.0, 7.0, (Strip("x", "K", (line,)),), (), ()))
    (path,) = re.findall(r'<path d="([^"]+)"[^>]+stroke-linejoin', text)
    assert path.count("M") == 4
    assert path.count("h0.3") == 1


def test_the_strips_that_show_a_fault_best_are_chosen():
    case, findings = diagnosed(open_recording(BEFORE))
    whole = figure_of(case, findings, "", 0.0, case.timeline.duration_s)
    names = [strip.quantity for strip in chosen(whole, ["condenser_airflow_loss"]).strips]
    assert names == ["pressure, gauge", "air and evaporator", "condensing over ambient", "road"]
    names = [strip.quantity for strip in chosen(whole, ["undercharge"]).strips]
    assert names == ["pressure, gauge", "air and evaporator", "superheat", "subcooling"]


CLOSE = (
    *((50.0, "recovery"), (480.0, "charging"), (571.0, "recharged"), (671.0, "engine on"), (671.5, "A/C on")),
    *((877.0, "raised idle"), (1300.0, "A/C off"), (1301.0, "note"), (1560.0, "engine off"), (1580.0, "repaired")),
)


def test_no_pole_of_a_mark_cuts_the_text_of_another():
    """The earlier of two that are close flies higher or to the left; marks of one moment share a pole."""
    flags = tuple(Flag(time_s, text) for time_s, text in CLOSE)
    line = Line("vent", "solid", np.arange(0.0, 1600.0), np.zeros(1600), (0.0, 1.0))
    drawn = svg_of(Figure("", 0.0, 1600.0, (Strip("air", "°C", (line,)),), (), flags))
    poles = [
        (float(x), float(y)) for x, y in re.findall(r'<path d="M([0-9.]+) ([0-9.]+)L\1 [0-9.]+" stroke="#8c', drawn)
    ]
    texts = {e.text: e for e in ElementTree.fromstring(drawn).iter() if e.tag.endswith("text")}
    said = ("recovery", "charging", "recharged", "engine on", "raised idle", "A/C off, note", "engine off", "repaired")
    assert len(poles) == len(said)
    for words in said:
        x, y, wide = float(texts[words].get("x", "")), float(texts[words].get("y", "")), 3.9 * len(words)
        first = x - wide if texts[words].get("text-anchor") == "end" else x
        assert not [pole for pole, top in poles if first < pole < first + wide and top < y], words
