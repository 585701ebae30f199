// Strips of the last ten minutes on one time axis, drawn like a paper chart.
import {clock, converted, unit} from "./units.js";

const SPAN_S = 600;
const STRIPS = [
  {title: "pressure, gauge", quantity: "pressure", share: 1.3, least: 100, lines: [["high_side", "high side", [], "ink"], ["low_side", "low side", [6, 3], "line-2"]]},
  {title: "temperature", quantity: "temperature", share: 1.6, least: 10, lines: [["condensing", "condensing", [], "ink"], ["ambient", "ambient", [1.5, 3], "line-3"], ["vent", "vent", [6, 3], "rust"], ["evaporating", "evaporating", [10, 3, 2, 3], "line-2"]]},
  {title: "difference", quantity: "difference", share: 0.9, least: 10, lines: [["superheat", "superheat", [], "line-2"], ["subcooling", "subcooling", [6, 3], "ink"]]},
];
const LEFT = 48;
const LANES = 44;
const CLUTCH_ON_V = 6;
const AXIS = 22;

export class Strips {
  constructor(host) {
    this.host = host;
    this.canvas = document.createElement("canvas");
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-labelledby", "strips-title strips-words");
    host.replaceChildren(this.canvas);
    this.lines = new Map();
    this.runs = [];
    this.episodes = [];
    this.marks = [];
    this.offset = {low_side: 0, high_side: 0};
  }

  replace(strips) {
    this.lines.clear();
    this.add(strips);
  }

  add(strips) {
    for (const [name, buckets] of Object.entries(strips)) {
      if (!this.lines.has(name)) this.lines.set(name, new Map());
      const line = this.lines.get(name);
      let newest = line.newest ?? -Infinity;
      let late = false;
      for (const [second, low, high] of buckets) {
        late ||= second < newest && !line.has(second);
        newest = Math.max(newest, second);
        line.set(second, [low, high]);
      }
      line.newest = newest;
      // What a node sent again fills its hole: lines are drawn in order of time.
      if (late) this.lines.set(name, Object.assign(new Map([...line].sort(([a], [b]) => a - b)), {newest}));
    }
  }

  forget(before) {
    for (const line of this.lines.values()) {
      for (const second of line.keys()) {
        if (second >= before) break;
        line.delete(second);
      }
    }
  }

  draw(now) {
    this.forget(now - SPAN_S - 5);
    const css = getComputedStyle(document.documentElement);
    this.colour = Object.fromEntries(["ink", "faint", "rule", "heavy", "rust", "sheet", "line-2", "line-3"].map((n) => [n, css.getPropertyValue(`--${n}`).trim()]));
    const width = Math.max(this.host.clientWidth, 260);
    const height = width < 500 ? 430 : 350;
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    if (this.canvas.width !== Math.round(width * ratio) || this.canvas.height !== Math.round(height * ratio)) {
      this.canvas.width = Math.round(width * ratio);
      this.canvas.height = Math.round(height * ratio);
    }
    const g = this.canvas.getContext("2d");
    g.setTransform(ratio, 0, 0, ratio, 0, 0);
    g.clearRect(0, 0, width, height);
    g.font = "13px system-ui, sans-serif";
    this.g = g;
    this.right = width - (width < 500 ? 6 : 112);
    this.start = Math.max(0, now - SPAN_S);
    this.end = Math.max(now, this.start + 60);
    this.narrow = width < 500;
    const head = this.narrow ? 36 : 20;
    const room = height - AXIS - LANES - (this.narrow ? 24 : 0) - STRIPS.length * head;
    const total = STRIPS.reduce((sum, strip) => sum + strip.share, 0);
    let top = head - 2;
    for (const strip of STRIPS) {
      const tall = room * strip.share / total;
      this.strip(strip, top, top + tall);
      top += tall + head;
    }
    this.lanes(top - head + 12);
    this.axis(height - 6);
  }

  x(second) {
    return LEFT + (second - this.start) / (this.end - this.start) * (this.right - LEFT);
  }

  strip(strip, top, bottom) {
    const {g} = this;
    const drawn = strip.lines.filter(([name]) => this.lines.has(name));
    let low = Infinity;
    let high = -Infinity;
    for (const [name] of drawn) {
      for (const [second, [a, b]] of this.lines.get(name)) {
        if (second < this.start - 1) continue;
        low = Math.min(low, a);
        high = Math.max(high, b);
      }
    }
    if (!(high >= low)) [low, high] = [0, strip.least];
    const middle = (low + high) / 2;
    const half = Math.max(high - low, strip.least) * 0.54;
    const [from, to] = [middle - half, middle + half];
    const y = (v) => bottom - (v - from) / (to - from) * (bottom - top);
    g.lineWidth = 1;
    g.setLineDash([]);
    g.strokeStyle = this.colour.heavy;
    g.strokeRect(LEFT + 0.5, Math.round(top) + 0.5, this.right - LEFT, Math.round(bottom - top));
    this.ruled(strip, from, to, y);
    g.fillStyle = this.colour.ink;
    g.textAlign = "left";
    g.fillText(`${strip.title} [${unit(strip.quantity)}]`, LEFT, top - (this.narrow ? 20 : 5), this.right - LEFT);
    if (this.narrow) this.key(drawn, top - 5);
    g.save();
    g.beginPath();
    g.rect(LEFT, top, this.right - LEFT, bottom - top);
    g.clip();
    for (const [name, , dash, colour] of drawn) this.line(this.lines.get(name), dash, this.colour[colour], y);
    g.restore();
    if (!this.narrow) this.names(drawn, y, top, bottom);
  }

  ruled(strip, from, to, y) {
    const {g} = this;
    const [a, b] = [converted(from, strip.quantity), converted(to, strip.quantity)];
    const rough = (b - a) / 3;
    const power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough);
    g.textAlign = "right";
    for (let v = Math.ceil(a / step) * step; v <= b; v += step) {
      const at = y(from + (v - a) / (b - a) * (to - from));
      g.strokeStyle = this.colour.rule;
      g.beginPath();
      g.moveTo(LEFT, at);
      g.lineTo(this.right, at);
      g.stroke();
      g.fillStyle = this.colour.faint;
      g.fillText(String(Math.round(v * 1000) / 1000).replace("-", "−"), LEFT - 5, at + 4);
    }
  }

  line(buckets, dash, colour, y) {
    const {g} = this;
    g.strokeStyle = colour;
    g.lineWidth = 1.6;
    g.setLineDash(dash);
    g.beginPath();
    let last = null;
    for (const [second, [low, high]] of buckets) {
      if (second < this.start - 2) continue;
      const x = this.x(second + 0.5);
      if (last === null || second - last > 12) g.moveTo(x, y(low));
      else g.lineTo(x, y(low));
      if (high !== low) g.lineTo(x, y(high));
      last = second;
    }
    g.stroke();
    g.setLineDash([]);
  }

  // Where there is no room beside the lines their names stand over them, each with its dash.
  key(drawn, y) {
    const {g} = this;
    let x = LEFT;
    g.textAlign = "left";
    for (const [, words, dash, colour] of drawn) {
      this.sample(x, y - 4, dash, colour);
      g.fillStyle = this.colour.ink;
      g.fillText(words, x + 20, y);
      x += 30 + g.measureText(words).width;
    }
  }

  sample(x, y, dash, colour) {
    const {g} = this;
    g.setLineDash(dash);
    g.lineWidth = 2;
    g.strokeStyle = this.colour[colour];
    g.beginPath();
    g.moveTo(x, y);
    g.lineTo(x + 16, y);
    g.stroke();
    g.setLineDash([]);
  }

  names(drawn, y, top, bottom) {
    const {g} = this;
    const ends = drawn.map(([name, words, dash, colour]) => [[...this.lines.get(name).values()].at(-1), words, dash, colour]).filter(([end]) => end);
    ends.sort((a, b) => b[0][1] - a[0][1]);
    let at = top + 4;
    for (const [end, words, dash, colour] of ends) {
      at = Math.min(Math.max(y(end[1]), at), bottom);
      this.sample(this.right + 4, at, dash, colour);
      g.fillStyle = this.colour.ink;
      g.textAlign = "left";
      g.fillText(words, this.right + 23, at + 4);
      at += 15;
    }
  }

  lanes(top) {
    const {g} = this;
    g.textAlign = "left";
    const step = this.narrow ? 30 : 20;
    this.blocks(this.pumping(), top + 10, 5, this.colour.ink, "compressor");
    this.blocks(this.episodes.map((e) => [e.start_s, e.end_s]), top + 10 + step, 9, this.colour.rust, "episodes");
    g.strokeStyle = this.colour.rust;
    g.setLineDash([2, 3]);
    for (const mark of this.marks) {
      if (mark.t_s === null || mark.t_s < this.start) continue;
      g.beginPath();
      g.moveTo(this.x(mark.t_s), 18);
      g.lineTo(this.x(mark.t_s), top + 16 + step);
      g.stroke();
    }
    g.setLineDash([]);
  }

  // By the clutch up to this moment; where there is none, as far as the analysis has come.
  pumping() {
    const clutch = this.lines.get("clutch");
    if (!clutch) return this.runs;
    const spans = [];
    for (const [second, [, high]] of clutch) {
      if (high <= CLUTCH_ON_V) continue;
      if (spans.length && second - spans.at(-1)[1] < 0.5) spans.at(-1)[1] = second + 1;
      else spans.push([second, second + 1]);
    }
    return spans;
  }

  blocks(spans, y, tall, colour, words) {
    const {g} = this;
    g.fillStyle = colour;
    for (const [a, b] of spans) {
      if (b < this.start) continue;
      const from = this.x(Math.max(a, this.start));
      g.fillRect(from, y, Math.max(this.x(Math.min(b, this.end)) - from, 1.5), tall);
    }
    g.fillStyle = this.colour.ink;
    g.textAlign = "left";
    if (this.narrow) g.fillText(words, LEFT, y - 3);
    else g.fillText(words, this.right + 6, y + tall + 1);
  }

  axis(y) {
    const {g} = this;
    g.fillStyle = this.colour.faint;
    g.textAlign = "center";
    const step = this.end - this.start > 300 ? 120 : 30;
    for (let t = Math.ceil(this.start / step) * step; t <= this.end; t += step) {
      const x = this.x(t);
      if (x < LEFT + 10 || x > this.right - 14) continue;
      g.fillText(clock(t), x, y);
    }
  }
}
