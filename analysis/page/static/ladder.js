// The temperature ladder: three columns (low side, air, high side) on one scale, values at the right.
import {converted, shown, unit} from "./units.js";

const SVG = "http://www.w3.org/2000/svg";
const COLUMN = {
  evaporating: 0, suction_line: 0, vent: 1, return_air: 1, ambient: 1, liquid_line: 2, condensing: 2, discharge_line: 2,
};
const WORDS = {
  evaporating: "evaporating", suction_line: "suction line", vent: "vent air", return_air: "return air", ambient: "ambient air",
  liquid_line: "liquid line", condensing: "condensing", discharge_line: "discharge line",
};
const HEIGHT = 490;
const TOP = 26;
const BOTTOM = 12;
const LASTS_S = 15;

function node(parent, tag, attributes, text) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text !== undefined) element.textContent = text;
  parent.appendChild(element);
  return element;
}

export class LadderView {
  constructor(host) {
    this.host = host;
    this.low = -5;
    this.high = 70;
    this.since = new Map();
  }

  // Outside its usual band is told of steady running and once it lasts: in every start and stop something is outside.
  // A high side above its band is told at once, also where a pressure switch has just stopped the compressor.
  draw(ladder, steady, t_s = 0, justPumped = false) {
    this.steady = steady;
    this.now = t_s;
    this.justPumped = justPumped;
    // For the passenger as large as the window allows: it is read at arm's length.
    const large = document.body.classList.contains("as-passenger") ? (window.innerHeight - 330) / HEIGHT : 1;
    const width = Math.max(this.host.clientWidth / Math.min(Math.max(large, 1), Math.max(this.host.clientWidth / 440, 1)), 280);
    const svg = document.createElementNS(SVG, "svg");
    svg.setAttribute("viewBox", `0 0 ${width} ${HEIGHT}`);
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-labelledby", "ladder-title ladder-words");
    this.width = width;
    this.wide = width > 430;
    this.pumping = ladder.pumping;
    this.fit(ladder.rungs);
    this.paper(svg);
    this.bands(svg, ladder.rungs);
    this.gaps(svg, ladder.gaps);
    this.rungs(svg, ladder.rungs);
    this.host.replaceChildren(svg);
  }

  outside(name, value, band) {
    const above = band && value > band[1];
    // Vent air that is cold for its evaporator is nobody's complaint.
    const below = band && value < band[0] && name !== "vent";
    if (name === "condensing" && above && (this.pumping !== false || this.justPumped)) return true;
    if (!this.steady || !(above || below)) {
      this.since.delete(name);
      return false;
    }
    if (!this.since.has(name)) this.since.set(name, this.now);
    return this.now - this.since.get(name) >= LASTS_S;
  }

  // The scale moves in steps, so that the paper stands still while the rungs move.
  fit(rungs) {
    const values = rungs.filter((r) => r.name !== "discharge_line").map((r) => r.degc);
    if (values.length === 0) return;
    const low = Math.min(...values);
    const high = Math.max(...values);
    while (low < this.low + 2) this.low -= 10;
    while (low > this.low + 16 && this.low < -5) this.low += 10;
    while (high > this.high - 2) this.high += 10;
    while (high < this.high - 16 && this.high > 70) this.high -= 10;
  }

  y(degc) {
    const share = (degc - this.low) / (this.high - this.low);
    return HEIGHT - BOTTOM - Math.min(Math.max(share, 0), 1) * (HEIGHT - TOP - BOTTOM);
  }

  column(index) {
    const left = 40;
    const each = Math.min(74, (this.width - left - (this.wide ? 210 : 178)) / 3);
    return [left + index * each, each];
  }

  paper(svg) {
    const [left] = this.column(0);
    const [last, each] = this.column(2);
    const right = last + each;
    const fahrenheit = unit("temperature") === "°F";
    const step = fahrenheit ? 100 / 9 : 10;
    const first = fahrenheit ? Math.ceil((this.low * 1.8 + 32) / 20) * (100 / 9) - 160 / 9 : Math.ceil(this.low / 10) * 10;
    for (let t = first; t <= this.high; t += step) {
      node(svg, "line", {class: "rule", x1: left, x2: right, y1: this.y(t), y2: this.y(t)});
      node(svg, "text", {class: "soft", x: left - 6, y: this.y(t) + 5, "font-size": 14, "text-anchor": "end"}, converted(t, "temperature").toFixed(0).replace("-", "−"));
    }
    (this.wide ? ["low side", "air", "high side"] : ["low", "air", "high"]).forEach((words, index) => {
      const [x, w] = this.column(index);
      node(svg, "rect", {class: "frame", x, y: TOP, width: w, height: HEIGHT - TOP - BOTTOM});
      node(svg, "text", {class: "soft", x: x + w / 2, y: TOP - 9, "font-size": 13, "text-anchor": "middle"}, words);
    });
    node(svg, "text", {class: "soft", x: 4, y: TOP - 9, "font-size": 13}, unit("temperature"));
  }

  bands(svg, rungs) {
    for (const rung of rungs) {
      if (!rung.band) continue;
      const [x, w] = this.column(COLUMN[rung.name]);
      const [top, bottom] = [this.y(rung.band[1]), this.y(rung.band[0])];
      if (rung.name === "liquid_line") continue;
      node(svg, "rect", {class: "band", x: x + 1, y: top, width: w - 2, height: Math.max(bottom - top, 1)});
    }
  }

  gaps(svg, gaps) {
    this.gapLabels = gaps.map((gap) => {
      const [x, w] = this.column(gap.name === "superheat" ? 0 : 2);
      const [top, bottom] = [this.y(Math.max(gap.high_degc, gap.low_degc)), this.y(Math.min(gap.high_degc, gap.low_degc))];
      const at = x + w - 5;
      node(svg, "path", {class: "gap", d: `M${at - 5} ${top}H${at}V${bottom}H${at - 5}`});
      const outside = this.outside(gap.name, gap.kelvin, gap.band);
      return {gap, from: (top + bottom) / 2, right: at, outside, room: 38};
    });
  }

  rungs(svg, rungs) {
    const labels = [...this.gapLabels];
    for (const rung of rungs) {
      const [x, w] = this.column(COLUMN[rung.name]);
      const y = this.y(rung.degc);
      const outside = this.outside(rung.name, rung.degc, rung.band);
      node(svg, "line", {class: outside ? "rung outside" : "rung", x1: x + 3, x2: x + w - 12, y1: y, y2: y});
      labels.push({rung, from: y, right: x + w - 12, outside, room: rung.kpa === null ? 39 : 61});
    }
    labels.sort((a, b) => a.from - b.from);
    spread(labels, TOP + 8, HEIGHT - 4);
    const [last, each] = this.column(2);
    const edge = last + each;
    for (const label of labels) {
      node(svg, "path", {class: "lead", d: `M${label.right + 2} ${label.from}L${edge + 3} ${label.from}L${edge + 14} ${label.at}`});
      if (label.gap) gapLabel(svg, label, edge + 18, this.wide);
      else rungLabel(svg, label, edge + 18, this.wide);
    }
  }
}

function rungLabel(svg, {rung, at, outside}, x, wide) {
  const value = node(svg, "text", {x, y: at + 6, "font-size": wide ? 24 : 21, "font-weight": 700}, shown(rung.degc, "temperature"));
  if (outside) value.setAttribute("class", "outside");
  const side = outside ? (rung.degc > rung.band[1] ? ": high" : ": low") : "";
  node(svg, "text", {class: "soft", x, y: at + 21, "font-size": 13.5}, WORDS[rung.name] + side);
  if (rung.kpa !== null) node(svg, "text", {x, y: at + 40, "font-size": wide ? 20 : 18, "font-weight": 600}, shown(rung.kpa, "pressure"));
}

function gapLabel(svg, {gap, at, outside}, x, wide) {
  const value = node(svg, "text", {x, y: at + 6, "font-size": wide ? 19 : 16, "font-weight": 600}, `${gap.name} ${shown(gap.kelvin, "difference")}`);
  if (outside) value.setAttribute("class", "outside");
  const side = outside ? (gap.kelvin > gap.band[1] ? "high, " : "low, ") : "";
  node(svg, "text", {class: "soft", x, y: at + 21, "font-size": 13.5}, `${side}usual ${Math.round(converted(gap.band[0], "difference"))}–${Math.round(converted(gap.band[1], "difference"))} ${unit("difference")}`);
}

// Labels keep their order and do not cover each other.
function spread(labels, top, bottom) {
  let at = top;
  for (const label of labels) {
    label.at = Math.max(label.from, at);
    at = label.at + label.room;
  }
  let over = at - bottom;
  for (let i = labels.length - 1; i >= 0 && over > 0; i -= 1) {
    const limit = (i + 1 < labels.length ? labels[i + 1].at : bottom) - labels[i].room;
    labels[i].at = Math.max(Math.min(labels[i].at, limit), top);
    if (labels[i].at < limit) over = 0;
  }
}

export function words(ladder) {
  const parts = ladder.rungs.map((r) => `${WORDS[r.name]} ${shown(r.degc, "temperature")}${r.kpa === null ? "" : ` at ${shown(r.kpa, "pressure")} gauge`}`);
  parts.push(...ladder.gaps.map((g) => `${g.name} ${shown(g.kelvin, "difference")}, usual ${shown(g.band[0], "difference", false)} to ${shown(g.band[1], "difference")}`));
  return parts.join("; ");
}
