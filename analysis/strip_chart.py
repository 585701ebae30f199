"""A figure as SVG for print: a paper strip chart in ink on ruled paper."""

from collections.abc import Callable
from html import escape

import numpy as np

from analysis import wording
from analysis.plots import Figure, Flag, Lane, Line, Strip, extent, ticks, time_ticks

INK, RULE, HEAVY_RULE, BAND, EPISODE, PAPER = "#1d2b3a", "#dcd5c4", "#b9b09a", "#e9e3d0", "#8c3b1f", "#fcfaf3"
FONT = "Noto Sans"
DASHES = {"solid": "", "dash": ' stroke-dasharray="5 2.5"', "dot": ' stroke-dasharray="1.4 2.2"'}
LEFT, RIGHT, TOP, BOTTOM, GAP, LANE = 36.0, 122.0, 26.0, 18.0, 12.0, 11.0
LABEL, SMALL = 8.0, 7.0


def svg_of(figure: Figure, width: float = 720.0, height: float = 420.0) -> str:
    """Draw a figure [px]."""
    frame = _Frame(figure, width, height)
    body = [
        f'<rect width="{width:g}" height="{height:g}" fill="{PAPER}"/>',
        _text(LEFT, 11, figure.title, LABEL + 1.0, weight="bold"),
        *frame.strips(),
        *frame.lanes(),
        *frame.flags(),
        *frame.time_axis(),
    ]
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
        f'viewBox="0 0 {width:g} {height:g}" font-family="{FONT}" fill="{INK}">'
    )
    return head + "".join(body) + "</svg>"


def _text(x: float, y: float, text: str, size: float, anchor: str = "start", weight: str = "normal") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}" font-weight="{weight}">'
        f"{escape(text)}</text>"
    )


def _rule(x1: float, y1: float, x2: float, y2: float, colour: str, width: float) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" stroke-width="{width:g}"/>'


class _Frame:
    """Geometry of one chart."""

    def __init__(self, figure: Figure, width: float, height: float) -> None:
        self._figure = figure
        self._x0, self._x1 = LEFT, width - RIGHT
        lanes = LANE * len(figure.lanes) + (GAP if figure.lanes else 0.0)
        self._y0, self._y1 = TOP, height - BOTTOM - lanes
        self._scale = (self._x1 - self._x0) / max(figure.end_s - figure.start_s, 1e-9)
        self._bottom = height - BOTTOM

    def _x(self, seconds: float) -> float:
        return self._x0 + (seconds - self._figure.start_s) * self._scale

    def strips(self) -> list[str]:
        strips = self._figure.strips
        room = self._y1 - self._y0 - GAP * (len(strips) - 1)
        total = sum(strip.height for strip in strips) or 1.0
        parts: list[str] = []
        y = self._y0
        for number, strip in enumerate(strips):
            height = room * strip.height / total
            parts += self._strip(strip, y, y + height, number)
            y += height + GAP
        return parts

    def _strip(self, strip: Strip, top: float, bottom: float, number: int) -> list[str]:
        low, high = extent(strip)

        def y_of(value: float) -> float:
            return bottom - (value - low) / (high - low) * (bottom - top)

        parts: list[str] = []
        clip = f"strip{number}"
        parts.append(
            f'<clipPath id="{clip}"><rect x="{self._x0:.1f}" y="{top:.1f}" width="{self._x1 - self._x0:.1f}" '
            f'height="{bottom - top:.1f}"/></clipPath>'
        )
        if strip.band is not None:
            a, b = (min(max(v, low), high) for v in strip.band)
            if b > a:
                parts.append(
                    f'<rect x="{self._x0:.1f}" y="{y_of(b):.1f}" width="{self._x1 - self._x0:.1f}" '
                    f'height="{y_of(a) - y_of(b):.1f}" fill="{BAND}"/>'
                )
        parts += [_rule(self._x(t), top, self._x(t), bottom, RULE, 0.5) for t in self._time_ticks()]
        for value in ticks(low, high, max(int((bottom - top) / 13), 2)):
            parts.append(_rule(self._x0, y_of(value), self._x1, y_of(value), RULE, 0.5))
            parts.append(_text(self._x0 - 4, y_of(value) + 2.6, f"{value + 0.0:g}", SMALL, "end"))
        parts.append(
            f'<rect x="{self._x0:.1f}" y="{top:.1f}" width="{self._x1 - self._x0:.1f}" height="{bottom - top:.1f}" '
            f'fill="none" stroke="{HEAVY_RULE}" stroke-width="0.7"/>'
        )
        parts.append(f'<g clip-path="url(#{clip})">')
        parts += [self._line(line, y_of) for line in strip.lines]
        parts.append("</g>")
        parts.append(_text(self._x0, top - 3.6, f"{strip.quantity} [{strip.unit}]", SMALL, weight="bold"))
        parts += self._names(strip, y_of, top, bottom)
        return parts

    def _line(self, line: Line, y_of: Callable[[float], float]) -> str:
        points: list[str] = []
        pen_up = True
        for t, v in zip(line.t_s.tolist(), line.values.tolist(), strict=True):
            if not np.isfinite(v):
                pen_up = True
                continue
            points.append(f"{'M' if pen_up else 'L'}{self._x(t):.1f} {y_of(v):.1f}")
            pen_up = False
        width = 0.9 if line.dash == "solid" else 0.8
        return (
            f'<path d="{"".join(points)}" fill="none" stroke="{INK}" stroke-width="{width}" '
            f'stroke-linejoin="round"{DASHES[line.dash]}/>'
        )

    def _names(self, strip: Strip, y_of: Callable[[float], float], top: float, bottom: float) -> list[str]:
        """Name each line at its right end, kept apart."""
        ends: list[tuple[float, Line]] = []
        for line in strip.lines:
            finite = line.values[np.isfinite(line.values)]
            if len(finite):
                ends.append((y_of(float(np.median(finite[-30:]))), line))
        ends.sort(key=lambda pair: pair[0])
        parts: list[str] = []
        lowest = top + 3.0
        for y, line in ends:
            at = min(max(y, lowest), bottom)
            lowest = at + SMALL + 2.0
            x = self._x1 + 4
            parts.append(
                f'<path d="M{x:.1f} {at:.1f}h12" stroke="{INK}" stroke-width="0.9" fill="none"{DASHES[line.dash]}/>'
            )
            parts.append(_text(x + 15, at + 2.4, _fitted(line.name, RIGHT - 22), SMALL))
        return parts

    def lanes(self) -> list[str]:
        parts: list[str] = []
        y = self._y1 + GAP
        for lane in self._figure.lanes:
            parts += self._lane(lane, y)
            y += LANE
        return parts

    def _lane(self, lane: Lane, y: float) -> list[str]:
        parts = [_rule(self._x0, y + LANE - 2, self._x1, y + LANE - 2, RULE, 0.5)]
        fill, height = (EPISODE, LANE - 3) if lane.weight == "episode" else (INK, LANE - 7)
        for start, end in lane.spans:
            a, b = max(start, self._figure.start_s), min(end, self._figure.end_s)
            if b > a:
                parts.append(
                    f'<rect x="{self._x(a):.1f}" y="{y + LANE - 2 - height:.1f}" '
                    f'width="{max((b - a) * self._scale, 0.8):.1f}" height="{height:.1f}" fill="{fill}"/>'
                )
        parts.append(_text(self._x1 + 4, y + LANE - 3, _fitted(lane.name, RIGHT - 4), SMALL))
        return parts

    def flags(self) -> list[str]:
        parts: list[str] = []
        free = -1e9
        for flag in self._figure.flags:
            parts += self._flag(flag, labelled=self._x(flag.time_s) >= free)
            if self._x(flag.time_s) >= free:
                free = self._x(flag.time_s) + 3.6 * min(len(flag.text), 26) + 8
        return parts

    def _flag(self, flag: Flag, *, labelled: bool) -> list[str]:
        x = self._x(flag.time_s)
        parts = [
            _rule(x, self._y0 - 11, x, self._y1, EPISODE, 0.5),
            f'<path d="M{x:.1f} {self._y0 - 14:.1f}l4 2.2l-4 2.2z" fill="{EPISODE}"/>',
        ]
        if labelled:
            anchor = "end" if x > self._x1 - 60 else "start"
            parts.append(
                _text(x + (6 if anchor == "start" else -3), self._y0 - 10.5, flag.text[:26], SMALL - 1, anchor)
            )
        return parts

    def _time_ticks(self) -> list[float]:
        return time_ticks(self._figure.start_s, self._figure.end_s)

    def time_axis(self) -> list[str]:
        parts = [_text(self._x(t), self._bottom + 10, wording.clock(t), SMALL, "middle") for t in self._time_ticks()]
        parts.append(_text(self._x1 + 22, self._bottom + 10, "min:s", SMALL))
        return parts


def _fitted(text: str, room: float) -> str:
    """Text cut to a width at the small size."""
    longest = max(int(room / (SMALL * 0.52)), 4)
    return text if len(text) <= longest else text[: longest - 1] + "…"
