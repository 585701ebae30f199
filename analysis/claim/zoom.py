"""A figure in a page of HTML that zooms: still where no script runs and in print, else drawn by plotly, offline.

The first view holds all of the figure, reduced or whole; further ones hold every sample of a part, and take its place
when what is shown lies inside one.
"""

import base64
import gzip
import json
from collections.abc import Sequence
from html import escape
from pathlib import Path

from analysis.claim.chart import chart_of, ms, packed
from analysis.plots import Figure
from analysis.strip_chart import BAND, BAND_EDGE, EPISODE, HEAVY_RULE, INK, PAPER, PENS, RULE

HERE = Path(__file__).parent
PLOTLY = HERE / "vendor" / "plotly-basic.min.js"
FULL_RATE, REDUCED = 20_000, 2_000
"""Longest trace [samples] that is drawn whole, and into how many stretches a longer one is reduced."""
DARK = {
    PAPER: "#14191f",
    INK: "#e9e4d6",
    RULE: "#2c343c",
    HEAVY_RULE: "#5c6670",
    BAND: "#26352b",
    BAND_EDGE: "#5f7a66",
    EPISODE: "#e08a63",
    PENS["dash"][0]: "#6fc0c2",
    PENS["dot"][0]: "#e0b25c",
}
"""The paper's colours by night."""


def colours() -> str:
    """The sheet's colours as properties of the page, by day and by night."""
    names = {"ink": INK, "paper": PAPER, "rule": HEAVY_RULE, "fine": RULE, "band": BAND, "rust": EPISODE}
    light = "".join(f"--{name}:{colour};" for name, colour in names.items())
    dark = "".join(f"--{name}:{DARK[colour]};" for name, colour in names.items())
    return f":root{{{light}}}@media screen and (prefers-color-scheme: dark){{:root{{{dark}}}}}"


def parts() -> dict[str, str]:
    """What a page with such figures needs once: style, script and the drawing library, by their place in a template."""
    return {
        "colours": colours(),
        "zoom-style": (HERE / "zoom.css").read_text(encoding="utf-8"),
        "zoom-script": (HERE / "zoom.js").read_text(encoding="utf-8"),
        "plotly": base64.b64encode(gzip.compress(PLOTLY.read_bytes(), 9, mtime=0)).decode(),
    }


def zoomable(name: str, views: Sequence[Figure], still: str, label: str, time: str, *, every: bool) -> str:
    """A figure under a heading whose id is ``name-heading``.

    Parameters
    ----------
    name : str
        Id of the drawn trace.
    views : sequence of Figure
        All of it, then parts with every sample; each with the same traces.
    still : str
        SVG for print and for a browser without script.
    label : str
        What it shows, for whoever hears the page.
    time : str
        What its time counts from.
    every : bool
        Whether the first view holds every sample already.
    """
    whole = views[0]
    lines = [line for strip in whole.strips for line in strip.lines]
    held = packed([line for view in views for strip in view.strips for line in strip.lines])
    placed = [
        {"start": ms(view.start_s), "end": ms(view.end_s), "traces": held.traces[i * len(lines) : (i + 1) * len(lines)]}
        for i, view in enumerate(views)
    ]
    chart = {**chart_of(whole, time), "views": placed, "every": every, "dark": DARK}
    text = json.dumps(chart, separators=(",", ":"), allow_nan=False, ensure_ascii=False).replace("<", "\\u003c")
    return (
        '<p class="onscreen">Drag across to zoom, double-click for all of it. '
        f'<button type="button" class="whole" data-trace="{name}">all of it</button> '
        f'<span class="rate" id="{name}-rate"></span></p>'
        f'<figure><div class="still" id="{name}-still">{still}</div>'
        f'<div class="zoomed" id="{name}" role="img" aria-label="{escape(label)}"></div></figure>'
        f'<script type="application/json" id="{name}-chart">{text}</script>'
        f'<script type="text/plain" id="{name}-readings">{held.text}</script>'
    )
