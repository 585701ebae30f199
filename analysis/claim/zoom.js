"use strict";
const text = (id) => document.getElementById(id).textContent;
const unpack = async (id) => {
  const bytes = Uint8Array.from(atob(text(id)), (c) => c.charCodeAt(0));
  return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"))).arrayBuffer();
};
const night = matchMedia("(prefers-color-scheme: dark)");
// The chart in the colours of the hour; on a narrow screen names stand over their strip instead of beside it.
const chartNow = (source) => {
  const {dark} = JSON.parse(source);
  const chart = JSON.parse(night.matches ? source.replace(/#[0-9a-f]{6}/g, (colour) => dark[colour] || colour) : source);
  if (innerWidth < 700) {
    const {layout} = chart;
    Object.assign(layout.margin, {l: 42, r: 6, t: 34});
    const axes = Object.keys(layout).filter((key) => key.startsWith("yaxis"));
    layout.height += 18 * axes.length;
    const name = 18 / (layout.height - layout.margin.t - layout.margin.b);
    axes.forEach((key) => { layout[key].domain[1] = Math.max(layout[key].domain[1] - name, layout[key].domain[0] + 0.01); });
    const lines = layout.annotations.filter((a) => a.name === "line");
    layout.annotations = layout.annotations.filter((a) => !["line", "flag", "lane"].includes(a.name));
    layout.annotations.forEach((a) => {
      if (a.name === "number") a.text = "";
      if (a.name !== "strip") return;
      const names = lines.filter((l) => l.yref === a.yref).map((l) => l.text.replace(/^(.)\1+/, "$1")).join(" ");
      Object.assign(a, {x: 0, y: 1, yanchor: "bottom", borderpad: 0, text: a.text + (names ? " " + names : ""), font: {size: 10}});
    });
  }
  return chart;
};
const readings = (bytes, place) => {
  const half = bytes.length / 2, values = new Float32Array(place.n);
  let step = 0;
  for (let i = 0; i < place.n; i++) {
    step = (step + bytes[place.at + i] + 256 * bytes[half + place.at + i]) & 0xffff;
    values[i] = step ? place.low + (step - 1) * place.step : NaN;
  }
  return values;
};
// A trace that zooms: all of it by the first view, by every sample where another view holds all that is shown.
const zooming = async (trace) => {
  const source = text(`${trace.id}-chart`), rate = document.getElementById(`${trace.id}-rate`);
  const bytes = new Uint8Array(await unpack(`${trace.id}-readings`));
  const {views, every} = JSON.parse(source);
  let drawn = 0, range = [views[0].start, views[0].end];
  const whole = range.slice();
  const filled = (chart, view) => {
    view.traces.forEach((place, i) => Object.assign(chart.data[i], {x0: place.x0, dx: place.dx, y: readings(bytes, place)}));
    chart.layout.xaxis.range = range.slice();
    return chart;
  };
  const draw = async () => {
    const chart = filled(chartNow(source), views[drawn]);
    await Plotly.react(trace, chart.data, chart.layout, {responsive: true, displaylogo: false, modeBarButtons: [["zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "resetScale2d", "toImage"]]});
    rate.textContent = drawn || every ? "Every sample is drawn." : "Drawn by minimum and maximum" + (views.length > 1 ? "; around the episodes every sample." : ".");
    const lanes = JSON.parse(source).layout.annotations.filter((a) => a.name === "lane").map((a) => a.text);
    if (innerWidth < 700 && lanes.length) rate.append(" Bars under the strips, from above: ", new DOMParser().parseFromString(lanes.join(", "), "text/html").body.textContent, ".");
  };
  await draw();
  const moved = () => {
    const [start, end] = trace.layout.xaxis.range.map((v) => typeof v === "number" ? v : Date.parse(v.replace(" ", "T") + "Z"));
    range = [start, end];
    const inside = views.map((v, i) => [v, i]).slice(1).filter(([v]) => v.start <= start + 1 && end <= v.end + 1);
    const best = inside.length ? inside[0][1] : 0;
    if (best !== drawn) { drawn = best; return draw(); }
  };
  const show = async (start, end) => {
    await Plotly.relayout(trace, {"xaxis.range": [Math.max(start, whole[0]), Math.min(end, whole[1])]});
    document.getElementById(`${trace.id}-heading`).scrollIntoView({block: "start"});
  };
  trace.on("plotly_relayout", moved);
  trace.on("plotly_doubleclick", () => { show(...whole); return false; });
  night.addEventListener("change", draw);
  document.querySelectorAll(`button[data-trace=${trace.id}]`).forEach((button) => {
    button.addEventListener("click", () => "start" in button.dataset ? show(Number(button.dataset.start), Number(button.dataset.end)) : show(...whole));
  });
};
const ready = (async () => {
  const script = document.createElement("script");
  script.textContent = new TextDecoder().decode(await unpack("plotly"));
  document.head.append(script);
  document.body.classList.add("drawn");
  await Promise.all([...document.querySelectorAll(".zoomed")].map(zooming));
  document.body.dataset.ready = "yes";
})();
ready.catch((reason) => {
  document.body.classList.remove("drawn");
  document.querySelectorAll(".rate").forEach((rate) => { rate.textContent = "This browser shows the still picture only (" + reason + ")."; });
});
