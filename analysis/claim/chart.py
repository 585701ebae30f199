"""A figure as plotly's data and layout, and its arrays packed small: what the HTML report draws.

Readings are packed as 16-bit steps of each trace's own range (a step is far below any sensor's resolution), differences
in two byte planes, gzip, base64. Time counts milliseconds since the first sample, from 2000-01-01: plotly reads small
numbers on a date axis as years.
"""

import base64
import gzip
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from analysis.coverage import union
from analysis.plots import Band, Figure, Line, Strip, extent
from analysis.strip_chart import BAND, BAND_EDGE, EPISODE, HEAVY_RULE, INK, PAPER, PENS, RULE
from analysis.timeline import Floats

LANE_PX, STRIP_PX, GAP_PX = 17.0, 105.0, 7.0
EPOCH_MS = 946_684_800_000.0
STEPS = 65534
DASHES = {"solid": "solid", "dash": "6px,2px", "dot": "1.5px,2.5px"}


@dataclass(frozen=True, slots=True)
class Packed:
    """Arrays in one text; each trace is told where it lies."""

    text: str
    traces: list[dict[str, float]]


def ms(seconds: float) -> float:
    """A second of the recording on the axis of the chart."""
    return round(EPOCH_MS + 1000.0 * seconds, 3)


def packed(lines: list[Line]) -> Packed:
    """Pack the readings of traces; NaN is step 0."""
    traces: list[dict[str, float]] = []
    steps: list[np.ndarray[Any, np.dtype[np.uint16]]] = []
    at = 0
    for line in lines:
        good = line.values[np.isfinite(line.values)]
        low, high = (float(good.min()), float(good.max())) if len(good) else (0.0, 0.0)
        step = max((high - low) / STEPS, 1e-12)
        whole = np.zeros(len(line.values), np.uint16)
        fine = np.isfinite(line.values)
        whole[fine] = 1 + np.rint((line.values[fine] - low) / step).astype(np.uint16)
        traces.append({"at": at, "n": len(whole), "low": low, "step": step, **even_times(line.t_s)})
        at += len(whole)
        steps.append(np.diff(whole, prepend=np.uint16(0)))
    joined = np.concatenate(steps) if steps else np.zeros(0, np.uint16)
    planes = (joined & 0xFF).astype(np.uint8).tobytes() + (joined >> 8).astype(np.uint8).tobytes()
    return Packed(base64.b64encode(gzip.compress(planes, 9, mtime=0)).decode(), traces)


def even_times(t_s: Floats) -> dict[str, float]:
    """The times of a trace, evenly spaced also where it is reduced, as plotly's start and step."""
    if len(t_s) == 0:
        return {"x0": ms(0.0), "dx": 1000.0}
    step_s = float(t_s[-1] - t_s[0]) / max(len(t_s) - 1, 1)
    return {"x0": ms(float(t_s[0])), "dx": 1000.0 * step_s}


def chart_of(figure: Figure, time: str = "time since the first sample") -> dict[str, Any]:
    """Data (traces without their readings first, then bands) and layout of a figure; ``time`` names its time axis."""
    lanes_px = LANE_PX * len(figure.lanes) + 4.0
    strips_px = sum(STRIP_PX * strip.height for strip in figure.strips) + GAP_PX * max(len(figure.strips) - 1, 0)
    plot_px = strips_px + lanes_px
    layout = _layout(figure, plot_px, time)
    traces: list[dict[str, Any]] = []
    bands: list[dict[str, Any]] = []
    top = plot_px
    for number, strip in enumerate(figure.strips, start=1):
        bottom = top - STRIP_PX * strip.height
        axis = "y" if number == 1 else f"y{number}"
        layout[f"yaxis{'' if number == 1 else number}"] = _axis(strip, bottom / plot_px, top / plot_px)
        layout["annotations"].append(_strip_name(strip, axis))
        traces += [_trace(line, axis, strip.unit) for line in strip.lines]
        layout["annotations"] += _line_names(strip, axis)
        bands += [_band(band, axis) for band in strip.bands]
        top = bottom - GAP_PX
    for number, lane in enumerate(figure.lanes):
        base = LANE_PX * (len(figure.lanes) - 1 - number) / plot_px
        high = LANE_PX * (0.72 if lane.weight == "episode" else 0.32) / plot_px
        for index, (start, end) in enumerate(lane.spans):
            layout["shapes"].append(_block(start, end, base, base + high, lane.weight))
            if lane.numbers:
                layout["annotations"].append(_number(start, base, lane.numbers[index]))
        layout["annotations"].append(_lane_name(lane.name, base))
    layout["shapes"] += _columns(figure, (lanes_px - 4.0) / plot_px)
    layout["annotations"] += _flag_names(figure)
    return {"data": traces + bands, "layout": layout}


def _layout(figure: Figure, plot_px: float, time: str) -> dict[str, Any]:
    margin = {"l": 52, "r": 188, "t": 30, "b": 48}
    return {
        "height": round(plot_px + margin["t"] + margin["b"]),
        "margin": margin,
        "paper_bgcolor": PAPER,
        "plot_bgcolor": PAPER,
        "font": {"color": INK, "size": 12, "family": "Noto Sans, system-ui, sans-serif"},
        "showlegend": False,
        "hovermode": "x",
        "dragmode": "zoom",
        "shapes": [],
        "annotations": [],
        "xaxis": {
            "type": "date",
            "tickformat": "%-H:%M:%S",
            "hoverformat": "%-H:%M:%S.%L",
            "range": [ms(figure.start_s), ms(figure.end_s)],
            "title": {"text": time, "font": {"size": 11}},
            "gridcolor": RULE,
            "linecolor": HEAVY_RULE,
            "anchor": "free",
            "position": 0,
            "zeroline": False,
        },
    }


def _axis(strip: Strip, low: float, high: float) -> dict[str, Any]:
    return {
        "domain": [round(low, 5), round(high, 5)],
        "range": [float(edge) for edge in extent(strip)],
        "gridcolor": RULE,
        "linecolor": HEAVY_RULE,
        "tickfont": {"size": 11},
        "nticks": max(int(strip.height * 5), 3),
        "showline": True,
        "mirror": True,
        "zeroline": False,
        "fixedrange": True,
    }


def _trace(line: Line, axis: str, unit: str) -> dict[str, Any]:
    colour, width, _ = PENS[line.dash]
    return {
        "type": "scatter",
        "mode": "lines",
        "name": f"{line.name} [{unit}]",
        "yaxis": axis,
        "xaxis": "x",
        "line": {"color": colour, "width": width + 0.2, "dash": DASHES[line.dash]},
        "connectgaps": False,
        "hovertemplate": f"%{{y:.4~g}} {unit}<extra>{escape(line.name)}</extra>",
    }


def _band(band: Band, axis: str) -> dict[str, Any]:
    good = np.isfinite(band.low) & np.isfinite(band.high)
    t = [ms(v) for v in band.t_s[good].tolist()]
    edges = [*(round(v, 3) for v in band.high[good].tolist()), *(round(v, 3) for v in band.low[good][::-1].tolist())]
    return {
        "type": "scatter",
        "mode": "lines",
        "name": "usual",
        "x": t + t[::-1],
        "y": edges,
        "yaxis": axis,
        "xaxis": "x",
        "fill": "toself",
        "fillcolor": BAND,
        "line": {"color": BAND_EDGE, "width": 0.7, "dash": "3px,2px"},
        "hoverinfo": "skip",
        "zorder": -1,
    }


def _strip_name(strip: Strip, axis: str) -> dict[str, Any]:
    return {
        "name": "strip",
        "xref": "paper",
        "x": 1.006,
        "xanchor": "left",
        "yref": f"{axis} domain",
        "y": 1.0,
        "yanchor": "top",
        "align": "left",
        "text": f"<b>{escape(strip.quantity)}</b> [{escape(strip.unit)}]",
        "showarrow": False,
        "font": {"size": 11},
    }


def _line_names(strip: Strip, axis: str) -> list[dict[str, Any]]:
    """Each line's name and dash at the right, spread evenly so that they never cover each other."""
    if len(strip.lines) < 2:
        return []
    drawn = {"solid": "━━━", "dash": "╍╍╍", "dot": "┅┅┅"}
    medians = {line.name: float(np.nanmedian(line.values)) for line in strip.lines if np.isfinite(line.values).any()}
    ordered = sorted(strip.lines, key=lambda line: -medians.get(line.name, 0.0))
    return [
        {
            "name": "line",
            "xref": "paper",
            "x": 1.006,
            "xanchor": "left",
            "yref": f"{axis} domain",
            "y": round(0.66 - 0.56 * number / max(len(ordered) - 1, 1), 3),
            "text": f"{drawn[line.dash]} {escape(line.name)}",
            "showarrow": False,
            "font": {"size": 10, "color": PENS[line.dash][0]},
        }
        for number, line in enumerate(ordered)
    ]


def _block(start: float, end: float, low: float, high: float, weight: str) -> dict[str, Any]:
    return {
        "type": "rect",
        "xref": "x",
        "x0": ms(start),
        "x1": ms(end),
        "yref": "paper",
        "y0": round(low, 5),
        "y1": round(high, 5),
        "fillcolor": EPISODE if weight == "episode" else INK,
        "line": {"width": 0},
    }


def _number(start: float, base: float, number: int) -> dict[str, Any]:
    return {
        "name": "number",
        "xref": "x",
        "x": ms(start),
        "xanchor": "left",
        "yref": "paper",
        "y": round(base, 5),
        "yanchor": "bottom",
        "text": str(number),
        "showarrow": False,
        "borderpad": 0,
        "font": {"size": 9, "color": PAPER},
    }


def _lane_name(name: str, base: float) -> dict[str, Any]:
    return {
        "name": "lane",
        "xref": "paper",
        "x": 1.006,
        "xanchor": "left",
        "yref": "paper",
        "y": round(base, 5),
        "yanchor": "bottom",
        "borderpad": 0,
        "text": escape(name),
        "showarrow": False,
        "font": {"size": 10},
    }


def _columns(figure: Figure, floor: float) -> list[dict[str, Any]]:
    """Over the strips: episodes between dotted edges, unrecorded stretches, the poles of the marks."""

    def upright(start: float, end: float, fill: str, line: dict[str, Any]) -> dict[str, Any]:
        return {
            "type": "rect",
            "xref": "x",
            "x0": ms(start),
            "x1": ms(end),
            "yref": "paper",
            "y0": round(floor, 5),
            "y1": 1,
            "fillcolor": fill,
            "line": line,
            "layer": "below",
        }

    dotted = {"color": EPISODE, "width": 0.6, "dash": "dot"}
    episodes = union([span for lane in figure.lanes if lane.weight == "episode" for span in lane.spans])
    shapes = [{**upright(start, end, EPISODE, dotted), "opacity": 0.11} for start, end in episodes]
    shapes += [
        {**upright(start, end, HEAVY_RULE, {"color": INK, "width": 1, "dash": "dot"}), "opacity": 0.35}
        for start, end in figure.gaps
    ]
    pole = {"color": EPISODE, "width": 1}
    return shapes + [
        {**upright(flag.time_s, flag.time_s, EPISODE, pole), "type": "line", "layer": "above"} for flag in figure.flags
    ]


def _flag_names(figure: Figure) -> list[dict[str, Any]]:
    names: list[dict[str, Any]] = []
    free_s = figure.start_s
    for flag in figure.flags:
        if flag.time_s < free_s:
            continue
        text = flag.text if len(flag.text) <= 26 else flag.text[:25] + "…"
        names.append(
            {
                "name": "flag",
                "xref": "x",
                "x": ms(flag.time_s),
                "yref": "paper",
                "y": 1,
                "yanchor": "bottom",
                "xanchor": "left" if flag.time_s < figure.start_s + 0.85 * (figure.end_s - figure.start_s) else "right",
                "text": f"⚑ {escape(text)}",
                "showarrow": False,
                "font": {"size": 10, "color": EPISODE},
            }
        )
        free_s = flag.time_s + (0.02 + 0.006 * len(text)) * (figure.end_s - figure.start_s)
    return names
