// The trace: plotly strips, fetched anew for every window so that no spike is lost at any zoom.
import {ask, say} from "./ask.js";
import {converted, unit} from "./units.js";

const EPOCH = Date.UTC(2000, 0, 1);
const STRIPS = [
  {title: "pressure, gauge", quantity: "pressure", weight: 1.5, names: ["high_side", "low_side", "vacuum"]},
  {title: "temperature", quantity: "temperature", weight: 1.7, few: ["condensing", "ambient", "vent", "evaporating"], names: ["condensing", "liquid_line", "ambient", "return_air", "vent", "suction_line", "evaporating", "discharge_line", "evaporator_out", "cabin"]},
  {title: "difference", quantity: "difference", weight: 1.1, few: ["superheat", "subcooling"], names: ["condensing over ambient", "superheat", "subcooling"]},
  {title: "supply [V]", quantity: "voltage", weight: 0.6, names: null},
  {title: "engine [1/min]", quantity: "rotation", weight: 0.7, names: null},
  {title: "road [km/h]", quantity: "speed", weight: 0.7, names: null},
];
// A line is told by its dash and its colour, so that neither alone carries meaning.
const DASHES = ["solid", "6px,3px", "1.5px,2.5px", "9px,3px,2px,3px", "14px,4px", "14px,3px,2px,3px", "3px,3px", "10px,2px,2px,2px,2px,2px", "20px,3px", "5px,6px"];
const DRAWN = ["──", "– –", "····", "–·–", "— —", "—·—", "---", "–··", "———", "‐ ‐"];
const COLOURS = ["ink", "line-2", "line-3", "line-4", "line-5", "ink", "line-2", "line-3", "line-4", "line-5"];
const KNOWN = new Set(["pressure", "temperature", "difference"]);
const LANE = 32;
const STRIP = 105;
const FONT = '12px system-ui, sans-serif';

const doubles = (text) => new Float64Array(bytes(text).buffer);
const floats = (text) => new Float32Array(bytes(text).buffer);

function bytes(text) {
  const raw = atob(text);
  const held = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i += 1) held[i] = raw.charCodeAt(i);
  return held;
}

export class Trace {
  // The whole drive at first: its length comes with it. ``told`` holds episodes, marks and runs as far as they are known.
  constructor(host, name, told) {
    this.host = host;
    this.name = name;
    this.told = told;
    this.turn = 0;
    this.drawn = false;
    this.duration = null;
    this.window = null;
    // Module scripts run before a deferred script's end only if they stand first; plotly stands before this one.
    this.refresh();
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.refresh());
  }

  whole() {
    if (this.duration !== null) this.show(0, this.duration);
  }

  show(start, end) {
    if (this.duration === null) return;
    const span = Math.min(Math.max(end - start, 2), this.duration);
    const from = Math.min(Math.max(start, 0), this.duration - span);
    this.window = [from, from + span];
    this.refresh();
  }

  zoom(factor) {
    if (this.duration === null) return;
    const [start, end] = this.window;
    const middle = (start + end) / 2;
    const half = (end - start) / 2 * factor;
    this.show(middle - half, middle + half);
  }

  pan(share) {
    if (this.duration === null) return;
    const [start, end] = this.window;
    this.show(start + share * (end - start), end + share * (end - start));
  }

  async refresh() {
    const turn = ++this.turn;
    const all = !this.window || (this.window[0] <= 0 && this.window[1] >= this.duration);
    const span = !all ? `start=${this.window[0]}&end=${this.window[1]}` : "whole";
    // Two points a bucket: about one a pixel. Powers of two, so that the whole of a drive is kept for all windows alike.
    const buckets = 2 ** Math.round(Math.log2(Math.min(Math.max(this.host.clientWidth / 2, 256), 1024)));
    const began = performance.now();
    try {
      const held = await ask(`/api/trace/${encodeURIComponent(this.name)}?${span}&buckets=${buckets}`);
      if (turn !== this.turn) return;
      this.duration ??= held.end_s;
      this.window ??= [0, this.duration];
      const [start, end] = this.window;
      await this.draw(held);
      this.host.dataset.took = String(Math.round(performance.now() - began));
      this.host.dataset.window = `${start.toFixed(1)} ${end.toFixed(1)}`;
    } catch (reason) {
      say(reason.message);
    }
  }

  async draw({times, lines}) {
    const x = times.map((text) => Array.from(doubles(text), (s) => EPOCH + 1000 * s));
    const narrow = this.host.clientWidth < 640;
    const strips = STRIPS.map((strip) => ({...strip, lines: this.linesOf(strip, lines, narrow)})).filter((s) => s.lines.length);
    const ink = this.colours();
    const lanes = [...new Set(this.told.episodes.map((e) => e.title))];
    this.laneAxis = `yaxis${strips.length + 1}`;
    for (const strip of strips) strip.key = this.key(strip, narrow);
    const layout = this.layout(ink, narrow, strips, lanes);
    const base = this.base;
    const spans = this.lanes(layout, lanes, ink, base);
    const data = strips.flatMap((strip, index) => strip.lines.map((line, number) => this.line(strip, line, number, index, x, ink)));
    await window.Plotly.react(this.host, [...data, ...spans], layout, {displayModeBar: false, responsive: true, doubleClick: false});
    if (!this.drawn) {
      this.drawn = true;
      this.host.on("plotly_relayout", (change) => this.relayout(change));
      this.host.on("plotly_doubleclick", () => this.whole());
    }
  }

  linesOf(strip, lines, narrow) {
    if (narrow && strip.few) return lines.filter((l) => strip.few.includes(l.name));
    if (strip.names === null) return lines.filter((l) => l.quantity === strip.quantity);
    const rank = (line) => strip.names.indexOf(line.place);
    return lines.filter((l) => l.quantity === strip.quantity && rank(l) >= 0).sort((a, b) => rank(a) - rank(b));
  }

  line(strip, line, number, index, x, ink) {
    const values = floats(line.values);
    const own = KNOWN.has(strip.quantity) ? values.map((v) => converted(v, strip.quantity)) : values;
    return {
      type: "scatter", mode: "lines", name: line.name.replaceAll("_", " "), x: x[line.times], y: own, xaxis: "x", yaxis: index ? `y${index + 1}` : "y",
      connectgaps: false, line: {color: ink[COLOURS[number % COLOURS.length]], width: 1.5, dash: DASHES[number % DASHES.length]},
      hovertemplate: `%{y:.1f} ${KNOWN.has(strip.quantity) ? unit(strip.quantity) : line.unit}<extra>${line.name.replaceAll("_", " ")}</extra>`,
    };
  }

  colours() {
    const css = getComputedStyle(document.documentElement);
    return Object.fromEntries(["ink", "faint", "rule", "heavy", "rust", "paper", "sheet", "band", "line-2", "line-3", "line-4", "line-5"].map((n) => [n, css.getPropertyValue(`--${n}`).trim()]));
  }

  // Laid out in pixels: a name, its key and a picture never lie over each other, however narrow the window.
  layout(ink, narrow, strips, lanes) {
    const rows = lanes.length + 1;
    const heads = strips.map((strip) => 20 + 16 * Math.max(strip.key.length - 1, 0));
    const inner = heads.reduce((sum, tall) => sum + tall, 0) + strips.reduce((sum, strip) => sum + STRIP * strip.weight, 0) + LANE * rows + 8;
    const marks = 42;
    const [start, end] = this.window;
    const layout = {
      height: inner + marks + 34, margin: {l: narrow ? 44 : 56, r: narrow ? 8 : 16, t: marks, b: 34},
      paper_bgcolor: ink.paper, plot_bgcolor: ink.sheet, font: {color: ink.ink, size: 13, family: "system-ui, sans-serif"}, showlegend: false,
      hovermode: "x", hoverlabel: {bgcolor: ink.sheet, font: {color: ink.ink}}, dragmode: narrow ? "pan" : "zoom", shapes: [], annotations: [],
      xaxis: {type: "date", tickformat: "%-H:%M:%S", range: [EPOCH + 1000 * start, EPOCH + 1000 * end], gridcolor: ink.rule, linecolor: ink.heavy, anchor: "free", position: 0, zeroline: false, nticks: narrow ? 5 : 9},
    };
    let top = inner;
    strips.forEach((strip, index) => {
      const head = top - heads[index];
      const low = head - STRIP * strip.weight;
      layout[index ? `yaxis${index + 1}` : "yaxis"] = {domain: [low / inner, head / inner], gridcolor: ink.rule, linecolor: ink.heavy, mirror: true, zeroline: false, fixedrange: true, nticks: strip.weight < 1 ? 3 : 4, tickfont: {size: 12}};
      strip.key.forEach((row, number) => row.forEach(({words, x, colour}) =>
        layout.annotations.push({...this.text(words, 0, (head + 2 + 16 * (strip.key.length - 1 - number)) / inner, ink, "bottom"), xshift: x, font: {size: 12, color: ink[colour]}})));
      top = low;
    });
    this.base = (LANE * rows) / inner;
    this.flags(layout, ink);
    return layout;
  }

  // The strip's name and its lines' names, in as many rows as the window needs: words, where they begin, colour.
  key(strip, narrow) {
    this.pen ??= document.createElement("canvas").getContext("2d");
    this.pen.font = FONT;
    const title = KNOWN.has(strip.quantity) ? `${strip.title} [${unit(strip.quantity)}]` : strip.title;
    const room = this.host.clientWidth - (narrow ? 56 : 76);
    const rows = [[]];
    let x = 0;
    const put = (words, colour) => {
      const wide = this.pen.measureText(words).width + 16;
      if (x > 0 && x + wide > room) {
        rows.push([]);
        x = 0;
      }
      rows.at(-1).push({words, x, colour});
      x += wide;
    };
    put(title, "ink");
    if (strip.lines.length > 1) strip.lines.forEach((line, number) => put(`${DRAWN[number % DRAWN.length]} ${line.name.replaceAll("_", " ")}`, COLOURS[number % COLOURS.length]));
    return rows;
  }

  text(text, x, y, ink, yanchor) {
    return {text, xref: "paper", x, xanchor: "left", yref: "paper", y, yanchor, align: "left", showarrow: false, borderpad: 0, font: {size: 12, color: ink.ink}};
  }

  // Runs and episodes as one line each with gaps: hundreds of shapes would make every zoom slow.
  lanes(layout, lanes, ink, base) {
    const rows = lanes.length + 1;
    layout[this.laneAxis] = {domain: [0, base], range: [0, rows], visible: false, fixedrange: true};
    const lane = (spans, row, colour, width) => ({
      type: "scatter", mode: "lines", x: spans.flatMap(([a, b]) => [EPOCH + 1000 * a, EPOCH + 1000 * b, null]), y: spans.flatMap(() => [row, row, null]),
      xaxis: "x", yaxis: this.laneAxis.replace("axis", ""), connectgaps: false, hoverinfo: "skip", line: {color: colour, width},
    });
    const high = (row) => rows - row - 0.8;
    layout.annotations.push(this.text("compressor pumps", 0, base, ink, "top"));
    lanes.forEach((title, row) => layout.annotations.push(this.text(title, 0, base * (rows - row - 1) / rows, ink, "top")));
    return [lane(this.told.runs, high(0), ink.ink, 6), ...lanes.map((title, row) =>
      lane(this.told.episodes.filter((e) => e.title === title).map((e) => [e.start_s, e.end_s]), high(row + 1), ink.rust, 9))];
  }

  flags(layout, ink) {
    const [start, end] = this.window;
    let free = -Infinity;
    for (const mark of this.told.marks) {
      if (mark.time_s < start || mark.time_s > end) continue;
      layout.shapes.push({type: "line", xref: "x", x0: EPOCH + 1000 * mark.time_s, x1: EPOCH + 1000 * mark.time_s, yref: "paper", y0: 0, y1: 1, line: {color: ink.rust, width: 1.5, dash: "dot"}});
      const words = (mark.text || mark.kind.replaceAll("_", " ")).slice(0, 24);
      const wide = (7 * words.length + 10) / this.host.clientWidth * (end - start);
      const late = mark.time_s > end - 0.15 * (end - start);
      if (mark.time_s - (late ? wide : 0) < free) continue;
      free = mark.time_s + (late ? 0 : wide);
      layout.annotations.push({text: words.replaceAll("<", "&lt;"), xref: "x", x: EPOCH + 1000 * mark.time_s, xanchor: late ? "right" : "left", yref: "paper", y: 1, yshift: 22, yanchor: "bottom", showarrow: false, font: {size: 12, color: ink.rust}});
    }
  }

  relayout(change) {
    const from = change["xaxis.range[0]"] ?? change["xaxis.range"]?.[0];
    const to = change["xaxis.range[1]"] ?? change["xaxis.range"]?.[1];
    if (from === undefined) return;
    const seconds = (value) => ((typeof value === "number" ? value : Date.parse(`${String(value).replace(" ", "T")}Z`)) - EPOCH) / 1000;
    this.show(seconds(from), seconds(to));
  }
}

