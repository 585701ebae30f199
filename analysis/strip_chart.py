"""A figure as SVG for print: a paper strip chart, ruled paper with sprocket holes, three pens, hatched episodes.

Legible in grey: pens differ in weight and dash as well as in colour and are named at their end; episodes are hatched
and numbered, normal bands are a tint with an edge of its own. Nothing is transparent, so that PDF/A-1 can hold it.
"""

import math
from collections.abc import Callable
from html import escape

import numpy as np

from analysis import wording
from analysis.coverage import union
from analysis.plots import Band, Figure, Lane, Line, Strip, extent, ticks, time_ticks
from analysis.timeline import Span

INK, RULE, HEAVY_RULE, PAPER = "#1d2b3a", "#e4dccb", "#b9ab8f", "#fcfaf3"
BAND, BAND_EDGE = "#e3e8d6", "#9aa685"
EPISODE, HATCH = "#8c3b1f", "#d8a58f"
FONT = "'Noto Sans', sans-serif"
PENS = {
    "solid": (INK, 1.25, ""),
    "dash": ("#2b6a6e", 0.95, ' stroke-dasharray="5 2"'),
    "dot": ("#96640f", 1.0, ' stroke-dasharray="1.4 2"'),
}
LEFT, RIGHT, TOP, BOTTOM, GAP, LANE = 38.0, 122.0, 34.0, 26.0, 5.0, 12.0
ONE_POLE = 2.0
"""Marks closer to each other than this stand on one pole."""
NO_FLAGS = 14.0
"""What the top needs where neither title nor flag stands there."""
PRINTED, WHOLE, SHY = 600.0, 20.0, 0.0003
"""Width of a printed figure and the step of its height; see ``printed``."""
LABEL, SMALL = 8.4, 7.6
UNDER_TITLE, NAME, ABOVE_NEXT = 16.0, SMALL + 1.6, 3.0
"""Where the first name stands under a strip's title, how far names stand apart, the last one over the strip's end."""
WIDEST_HATCH = 0.5
"""Share of a figure above which an episode is told by its lane alone: a hatch over everything says nothing."""


def svg_of(figure: Figure, width: float = 600.0, height: float = 380.0, shy: float = 0.0) -> str:
    """Draw a figure [px]; ``shy`` is taken off the height that it states."""
    frame = _Frame(figure, width, height)
    body = [
        f'<rect width="{width:g}" height="{height:g}" fill="{PAPER}"/>',
        *_holes(width, height),
        _text(LEFT, 17, figure.title, LABEL + 0.6, weight="bold") if figure.title else "",
        *frame.strips(),
        *frame.lanes(),
        *frame.flags(),
        *frame.time_axis(),
    ]
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height - shy:.9g}" '
        f'viewBox="0 0 {width:g} {height:g}" font-family="{FONT}" fill="{INK}">'
    )
    return head + "".join(body) + "</svg>"


def printed(figure: Figure, strips: float) -> str:
    """Draw a figure for a sheet: 600 wide, ``strips`` high with its flags, lanes and time beside.

    The typesetter draws a picture into pixels of its own, their number rounded up, and lays these on the page by the
    nearest pixel: where width or height is no whole number of pixels a row or column is left out, and a letter that it
    runs through is cut. At the widths of ``look.typ`` a height in twenties is whole. It is a hair less than that,
    since rounding up would make one pixel more of the smallest excess.
    """
    bare = not figure.flags and not figure.title
    height = strips + LANE * len(figure.lanes) - (TOP - NO_FLAGS if bare else 0.0)
    return svg_of(figure, PRINTED, WHOLE * -(-height // WHOLE), SHY)


def _holes(width: float, height: float) -> list[str]:
    """The sprocket holes along both edges of the paper."""
    return [
        f'<path d="M7 {y:g}H{width - 3:g}" stroke="{colour}" stroke-width="{size:g}" stroke-linecap="round" '
        'stroke-dasharray="0 14" fill="none"/>'
        for y in (6.0, height - 6.0)
        for colour, size in ((HEAVY_RULE, 4.6), ("#ffffff", 3.6))
    ]


def _text(x: float, y: float, text: str, size: float, anchor: str = "start", weight: str = "normal") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}" font-weight="{weight}">'
        f"{escape(text)}</text>"
    )


def _rule(x1: float, y1: float, x2: float, y2: float, colour: str, width: float) -> str:
    return f'<path d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}" stroke="{colour}" stroke-width="{width:g}" fill="none"/>'


class _Frame:
    """Geometry of one chart."""

    def __init__(self, figure: Figure, width: float, height: float) -> None:
        self._figure = figure
        self._x0, self._x1 = LEFT, width - RIGHT
        lanes = LANE * len(figure.lanes) + (GAP if figure.lanes else 0.0)
        top = TOP if figure.flags or figure.title else NO_FLAGS
        self._y0, self._y1 = top, height - BOTTOM - lanes
        self._scale = (self._x1 - self._x0) / max(figure.end_s - figure.start_s, 1e-9)
        self._bottom = height - BOTTOM

    def _x(self, seconds: float) -> float:
        return self._x0 + (seconds - self._figure.start_s) * self._scale

    def strips(self) -> list[str]:
        strips = self._figure.strips
        room = self._y1 - self._y0 - GAP * (len(strips) - 1)
        needs = [UNDER_TITLE + NAME * max(len(strip.lines) - 1, 0) + ABOVE_NEXT for strip in strips]
        heights = shared_out(room, [strip.height for strip in strips], needs)
        parts: list[str] = []
        y = self._y0
        for strip, height in zip(strips, heights, strict=True):
            parts += self._strip(strip, y, y + height)
            y += height + GAP
        return parts

    def _strip(self, strip: Strip, top: float, bottom: float) -> list[str]:
        low, high = extent(strip)

        def y_of(value: float) -> float:
            return bottom - (value - low) / (high - low) * (bottom - top)

        width, height = self._x1 - self._x0, bottom - top
        # Named by what it cuts out: of two charts in one page the first of a name would cut both.
        clip = f"cut-{self._x0:.1f}-{top:.1f}-{width:.1f}-{height:.1f}"
        box = f'x="{self._x0:.1f}" y="{top:.1f}" width="{width:.1f}" height="{height:.1f}"'
        parts = [f'<clipPath id="{clip}"><rect {box}/></clipPath>', f'<g clip-path="url(#{clip})">']
        parts += [self._band(band, y_of) for band in strip.bands]
        parts += self._grid(top, bottom, ticks(low, high, min(max(int(height / 12), 2), 7)), y_of)
        parts += self._hatched(top, bottom)
        parts += [self._line(line, y_of) for line in strip.lines]
        parts += self._gaps(top, bottom)
        parts += ["</g>", f'<rect {box} fill="none" stroke="{HEAVY_RULE}" stroke-width="0.8"/>']
        parts += [
            _text(self._x0 - 4, y_of(v) + 2.6, f"{v + 0.0:g}", SMALL, "end")
            for v in ticks(low, high, min(max(int(height / 12), 2), 7))
            if top + 1 <= y_of(v) <= bottom - 1
        ]
        parts.append(_text(self._x1 + 4, top + 7, f"{strip.quantity} [{strip.unit}]", SMALL, weight="bold"))
        return parts + self._names(strip, y_of, top, bottom)

    def _grid(self, top: float, bottom: float, levels: list[float], y_of: Callable[[float], float]) -> list[str]:
        """Ruling of the paper: time at its ticks and fifths of them, the quantity at its ticks and halves."""
        times = self._time_ticks()
        fifth = (times[1] - times[0]) / 5.0 if len(times) > 1 else 0.0
        count = round((self._figure.end_s - self._figure.start_s) / fifth) + 6 if fifth else 0
        fine_at = [times[0] + (i - 5) * fifth for i in range(count)] if fifth else []
        half = (levels[1] - levels[0]) / 2.0 if len(levels) > 1 else 0.0
        fine = "".join(
            f"M{self._x(t):.1f} {top:.1f}V{bottom:.1f}"
            for t in fine_at
            if self._figure.start_s < t < self._figure.end_s
        ) + "".join(f"M{self._x0:.1f} {y_of(v + half):.1f}H{self._x1:.1f}" for v in levels if half)
        main = "".join(f"M{self._x(t):.1f} {top:.1f}V{bottom:.1f}" for t in times)
        main += "".join(f"M{self._x0:.1f} {y_of(v):.1f}H{self._x1:.1f}" for v in levels)
        return [
            f'<path d="{path}" stroke="{RULE}" stroke-width="{width}" fill="none"/>'
            for path, width in ((fine, 0.35), (main, 0.8))
            if path
        ]

    def _band(self, band: Band, y_of: Callable[[float], float]) -> str:
        good = np.isfinite(band.low) & np.isfinite(band.high)
        if good.sum() < 2:
            return ""
        x = [self._x(t) for t in band.t_s[good].tolist()]
        upper = [y_of(v) for v in band.high[good].tolist()]
        lower = [y_of(v) for v in band.low[good].tolist()]
        over = " ".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, upper, strict=True))
        under = " ".join(f"{a:.1f} {b:.1f}" for a, b in zip(x[::-1], lower[::-1], strict=True))
        edges = f'stroke="{BAND_EDGE}" stroke-width="0.6" stroke-dasharray="2.4 1.6" fill="none"'
        return f'<path d="M{over} L{under}Z" fill="{BAND}"/><path d="M{over}" {edges}/><path d="M{under}" {edges}/>'

    def _hatched(self, top: float, bottom: float) -> list[str]:
        """Episodes as a hatch behind the traces."""
        whole = self._figure.end_s - self._figure.start_s
        spans = union([s for lane in self._figure.lanes if lane.weight == "episode" for s in lane.spans])
        return [
            self._hatch(a, b, top, bottom)
            for a, b in spans
            if b > self._figure.start_s and a < self._figure.end_s and (b - a) < WIDEST_HATCH * whole
        ]

    def _hatch(self, start: float, end: float, top: float, bottom: float) -> str:
        """Diagonals every 5 px from a fixed origin, cut to the episode by hand."""
        a, b = max(self._x(start), self._x0), min(self._x(end), self._x1)
        path = f"M{a:.1f} {top:.1f}V{bottom:.1f}M{b:.1f} {top:.1f}V{bottom:.1f}"
        first = np.floor((a - (bottom - top)) / 5.0) * 5.0
        for x in np.arange(first, b, 5.0).tolist():  # from (x, bottom) to (x + height, top)
            left, right = max(x, a), min(x + bottom - top, b)
            if right > left:
                path += f"M{left:.1f} {bottom - (left - x):.1f}L{right:.1f} {bottom - (right - x):.1f}"
        return f'<path d="{path}" stroke="{HATCH}" stroke-width="0.55" fill="none"/>'

    def _gaps(self, top: float, bottom: float) -> list[str]:
        """Stretches without any record: bare paper between two torn edges."""
        parts: list[str] = []
        for start, end in self._figure.gaps:
            a, b = max(self._x(start), self._x0), min(self._x(end), self._x1)
            parts.append(
                f'<rect x="{a:.1f}" y="{top:.1f}" width="{max(b - a, 1.0):.1f}" height="{bottom - top:.1f}" '
                f'fill="#ffffff" stroke="{INK}" stroke-width="0.6" stroke-dasharray="1 1.6"/>'
            )
            if b - a > 46 and bottom - top > 14:
                parts.append(_text((a + b) / 2, (top + bottom) / 2 + 2.6, "no record", SMALL, "middle"))
        return parts

    def _line(self, line: Line, y_of: Callable[[float], float]) -> str:
        """The pen, lifted where there is no reading; a reading alone between two gaps is a dot."""
        good = np.isfinite(line.values)
        if not good.any():
            return ""
        x = self._x0 + (line.t_s - self._figure.start_s) * self._scale
        slope = y_of(1.0) - y_of(0.0)
        y = y_of(0.0) + slope * np.clip(line.values, -1e7, 1e7)
        starts = good & ~np.concatenate([[False], good[:-1]])
        letters = np.where(starts, "M", "L")
        points = zip(letters[good].tolist(), x[good].tolist(), y[good].tolist(), strict=True)
        path = "".join([f"{letter}{a:.1f} {b:.1f}" for letter, a, b in points])
        alone = np.flatnonzero(starts & ~np.concatenate([good[1:], [False]]))
        path += "".join(f"M{x[i]:.1f} {y[i]:.1f}h0.3" for i in alone.tolist())
        colour, width, dash = PENS[line.dash]
        return f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{width}" stroke-linejoin="round"{dash}/>'

    def _names(self, strip: Strip, y_of: Callable[[float], float], top: float, bottom: float) -> list[str]:
        """Name each line at its right end, kept apart."""
        if all(line.name == strip.quantity for line in strip.lines):
            return []
        ends: list[tuple[float, Line]] = []
        for line in strip.lines:
            finite = line.values[np.isfinite(line.values)]
            if len(finite):
                ends.append((y_of(float(np.median(finite[-30:]))), line))
        ends.sort(key=lambda pair: pair[0])
        parts: list[str] = []
        places = apart([y for y, _ in ends], top + UNDER_TITLE, bottom - ABOVE_NEXT)
        for at, line in zip(places, (n for _, n in ends), strict=True):
            x = self._x1 + 4
            colour, width, dash = PENS[line.dash]
            parts.append(
                f'<path d="M{x:.1f} {at:.1f}h14" stroke="{colour}" stroke-width="{width + 0.2}" fill="none"{dash}/>'
            )
            parts.append(_text(x + 17, at + 2.6, _fitted(line.name, RIGHT - 22), SMALL))
        return parts

    def lanes(self) -> list[str]:
        parts: list[str] = []
        y = self._y1 + GAP
        for lane in self._figure.lanes:
            parts += self._lane(lane, y)
            y += LANE
        return parts

    def _lane(self, lane: Lane, y: float) -> list[str]:
        parts = [_rule(self._x0, y + LANE - 1.5, self._x1, y + LANE - 1.5, HEAVY_RULE, 0.5)]
        episode = lane.weight == "episode"
        fill, height = (EPISODE, LANE - 2.5) if episode else (INK, LANE - 7.5)
        cut = [self._cut(span) for span in lane.spans]
        parts += [
            f'<rect x="{a:.1f}" y="{y + LANE - 1.5 - height:.1f}" width="{max(b - a, 0.8):.1f}" '
            f'height="{height:.1f}" fill="{fill}"/>'
            for a, b in cut
            if b > a
        ]
        parts += self._numbers(lane, cut, y)
        parts.append(_text(self._x1 + 4, y + LANE - 2.6, _fitted(lane.name, RIGHT - 6), SMALL))
        return parts

    def _numbers(self, lane: Lane, cut: list[Span], y: float) -> list[str]:
        """The episodes' numbers in their bars, beside a bar that is too short, nowhere where there is no room."""
        parts: list[str] = []
        free = -1e9
        for (a, b), number in zip(cut, lane.numbers or (0,) * len(cut), strict=True):
            if b <= a or not number:
                continue
            wide = 4.6 * len(str(number)) + 2
            inside = b - a > wide
            at = (a + b - wide) / 2 if inside else b + 1
            if at < free:
                continue
            parts.append(
                f'<text x="{at + 1:.1f}" y="{y + LANE - 3.4:.1f}" font-size="{SMALL:g}" font-weight="bold" '
                f'fill="{"#ffffff" if inside else EPISODE}">{number}</text>'
            )
            free = at + wide
        return parts

    def _cut(self, span: Span) -> Span:
        a, b = max(span[0], self._figure.start_s), min(span[1], self._figure.end_s)
        return (self._x(a), self._x(b)) if b >= a else (0.0, -1.0)

    def flags(self) -> list[str]:
        """Marks as pennants in two rows over the strips; one that finds no room keeps its pole.

        From the last to the first: the earlier of two that are close flies higher or to the left, so that no pole cuts
        a text.
        """
        parts: list[str] = []
        marks = self._marks()
        poles = [x for x, _ in marks]
        free = [math.inf, math.inf]
        for at in reversed(range(len(poles))):
            x, end = poles[at], poles[at + 2] if at + 2 < len(poles) else self._x1
            # A long text runs to the flag after the next.
            room = min(max(end - x - 12.0, 118.0), 240.0)
            # All marks of one moment where the lower row has room for that, else the first alone.
            text, flown = "", None
            for said in (", ".join(marks[at][1]), marks[at][1][0]):
                text = _fitted(said, room)
                wide = 3.9 * len(text) + 12
                flown = self._flown(poles[:at], x, wide, free)
                if flown == (0, 1):
                    break
            row, way = flown or (0, 1)
            y = self._y0 - 4.0 - 9.0 * row
            parts.append(_rule(x, y - 6, x, self._y1, EPISODE, 0.6))
            free[0] = min(free[0], x)
            if flown is None:
                continue
            parts.append(f'<path d="M{x:.1f} {y - 6.4:.1f}l{5 * way} 2.7l{-5 * way} 2.7z" fill="{EPISODE}"/>')
            parts.append(_text(x + 7 * way, y - 1.2, text, SMALL, "start" if way == 1 else "end"))
            free[row] = x - 3.9 * len(text) - 12 if way == -1 else x
        return parts

    def _flown(self, before: list[float], x: float, wide: float, free: list[float]) -> tuple[int, int] | None:
        """Row and direction in which a text finds room up to where each row is free; None where it finds none."""
        for row in (0, 1):
            if x + wide <= min(free[row], self._x1 + RIGHT - 6):
                return row, 1
        cut = any(x - wide < pole < x for pole in before) or x - wide < self._x0 - LEFT
        return None if cut else next(((row, -1) for row in (0, 1) if x <= free[row]), None)

    def _marks(self) -> list[tuple[float, list[str]]]:
        """Where the poles of the marks stand and what they say; marks of one moment share a pole."""
        marks: list[tuple[float, list[str]]] = []
        for flag in self._figure.flags:
            x = self._x(flag.time_s)
            if marks and x - marks[-1][0] < ONE_POLE:
                marks[-1][1].append(flag.text)
            else:
                marks.append((x, [flag.text]))
        return marks

    def _time_ticks(self) -> list[float]:
        return time_ticks(self._figure.start_s, self._figure.end_s)

    def time_axis(self) -> list[str]:
        y = self._bottom + 9.5
        parts = [_text(self._x(t), y, wording.clock(t), SMALL, "middle") for t in self._time_ticks()]
        parts.append(_text(self._x1 + 24, y, "h:min:s" if self._figure.end_s >= 3600 else "min:s", SMALL))
        return parts


def apart(wanted: list[float], first: float, last: float) -> list[float]:
    """Heights of names near where they belong, a line apart, none over the first or under the last."""
    placed: list[float] = []
    for y in wanted:
        placed.append(max(y, placed[-1] + NAME if placed else first))
    below = last
    for number in range(len(placed) - 1, -1, -1):
        placed[number] = min(placed[number], below)
        below = placed[number] - NAME
    return placed


def shared_out(room: float, shares: list[float], needs: list[float]) -> list[float]:
    """Heights by share, but none under what its names need; the others give way."""
    fixed: dict[int, float] = {}
    while True:
        free = [i for i in range(len(shares)) if i not in fixed]
        left, total = room - sum(fixed.values()), sum(shares[i] for i in free) or 1.0
        short = [i for i in free if left * shares[i] / total < needs[i]]
        if not short or sum(needs) > room:
            return [fixed.get(i, left * shares[i] / total) for i in range(len(shares))]
        fixed |= {i: needs[i] for i in short}


def _fitted(text: str, room: float) -> str:
    """Text cut to a width at the small size."""
    longest = max(int(room / (SMALL * 0.5)), 4)
    return text if len(text) <= longest else text[: longest - 1] + "…"
