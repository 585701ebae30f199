// The page on test: what arrives is shown at once; marks, guided tests and the stop go to the server.
import {make, order, say} from "./ask.js";
import {LadderView, words} from "./ladder.js";
import {Link} from "./link.js";
import {bindMarks, showMarks} from "./marks.js";
import {Strips} from "./strips.js";
import {choose, chosen, clock} from "./units.js";
import {Alarm} from "./alarm.js";

const by = (id) => document.getElementById(id);
const name = by("test").dataset.name;
const ladder = new LadderView(by("ladder"));
const strips = new Strips(by("strips"));
const alarm = new Alarm(by("alarm"), by("sound"));
let state = null;
let painting = false;
let drawn = 0;
let spoken = -Infinity;
let lastEpisodes = "";
let guidedTold = "";

function paint() {
  painting = false;
  if (!state || !state.ladder) return;
  ladder.draw(state.ladder, state.steady, state.t_s, state.just_pumped);
  by("clock").textContent = clock(state.t_s) + (state.scale > 1 ? ` · ${state.scale}×` : "");
  const {pumping} = state.ladder;
  const compressor = by("pumping");
  compressor.textContent = `compressor: ${pumping === null ? pumpingByPressure() : pumping ? "running" : resting()}`;
  compressor.classList.toggle("good", pumping === true);
  if (state.arrived_ms) by("test").dataset.delay = String(Date.now() - state.arrived_ms);
  const now = performance.now();
  if (now - drawn > 250) {
    drawn = now;
    strips.draw(state.t_s);
    showNodes();
    showWhy();
  }
  if (now - spoken > 5000) {
    spoken = now;
    by("ladder-words").textContent = words(state.ladder);
    by("strips-words").textContent = `Up to ${clock(state.t_s)}. ${words(state.ladder)}`;
  }
}

// A compressor that stands while the high side is still above its usual band was stopped by it, or would be.
function resting() {
  const high = state.ladder.rungs.find((rung) => rung.name === "condensing");
  return state.just_pumped && high?.band && high.degc > high.band[1] ? "stopped, high side high" : "resting";
}

function pumpingByPressure() {
  const run = (state.analysis?.runs ?? []).at(-1);
  if (!run) return "not known";
  return run[1] > state.analysis.duration_s - 3 ? "running" : "resting";
}

function showNodes() {
  by("nodes").replaceChildren(...state.nodes.map((node) => {
    const parts = [node.name];
    if (node.silent_s) parts.push(`silent for ${Math.round(node.silent_s)} s${node.why ? ` (${node.why})` : ""}`);
    if (node.lost) parts.push(`${node.lost} lost`);
    if (node.reconnects) parts.push(`${node.reconnects}× reconnected`);
    if (node.restarts) parts.push(`${node.restarts}× restarted`);
    if (node.rssi_dbm !== null) parts.push(`${node.rssi_dbm} dBm`);
    if (node.unused) parts.push(`${node.unused} not in use`);
    if (node.supply_mv) parts.push(`${(node.supply_mv / 1000).toFixed(2)} V`);
    return make("span", parts.join(", "), {class: node.silent_s ? "bad" : ""});
  }));
  by("disk").textContent = `${(state.free_mb / 1000).toFixed(state.free_mb < 10000 ? 1 : 0)} GB free`;
  by("disk").classList.toggle("bad", state.free_mb < 500);
}

function showWhy() {
  const text = state.ladder.why.join("\n");
  if (by("why").dataset.text === text) return;
  by("why").dataset.text = text;
  by("why").replaceChildren(...state.ladder.why.map((reason) => make("li", reason)));
}

function showAnalysis(analysis) {
  const {headline = "", episodes = [], runs = []} = analysis;
  strips.runs = runs;
  strips.episodes = episodes;
  by("headline").textContent = episodes.length ? headline : "Nothing yet. What comes and goes takes a drive: record on, and mark what the driver feels.";
  const told = JSON.stringify(episodes.map((e) => [e.kind, Math.round(e.start_s)]));
  if (told !== lastEpisodes) {
    lastEpisodes = told;
    by("episodes").replaceChildren(...episodes.slice().reverse().map((e) => {
      const item = make("li", "");
      item.append(make("b", e.when), make("strong", e.title), make("span", e.says[chosen()]));
      return item;
    }));
  }
}

// Sides that read as if exchanged make everything else here wrong: it is told first.
function showSwapped(analysis) {
  by("swapped").hidden = !analysis.swapped;
}

function showCue(cue) {
  by("cue").hidden = !cue;
  by("cue").textContent = cue ?? "";
}

// Drawn anew only when the step changes: a button that is being pressed stays where it is.
function showGuided(guided) {
  by("guided").hidden = !guided;
  by("guided-choose").hidden = Boolean(guided);
  const {since_s: since = 0, ...step} = guided ?? {};
  const told = JSON.stringify(step);
  if (told !== guidedTold) {
    guidedTold = told;
    if (guided) drawGuided(guided);
  }
  if (!guided?.enough_s || guided.over) return;
  by("guided").querySelector("progress").value = Math.min(since, guided.enough_s);
  const over = since > guided.enough_s;
  by("guided").querySelector(".since").textContent = over
    ? `${clock(since)}, longer than usual: what it waits for was not seen yet. Go on, or press Done already.`
    : `${clock(since)} of about ${clock(guided.enough_s)}`;
}

function drawGuided(guided) {
  const parts = [make("p", `${guided.title}, step ${Math.min(guided.step, guided.steps.length)} of ${guided.steps.length}`)];
  parts.push(make("p", guided.says, {class: "do"}), make("p", guided.caution, {class: "quiet"}));
  if (!guided.over && guided.lacking.length) parts.push(make("p", `Without ${guided.lacking.join(" and ")} it cannot watch by itself: press Done already when a step is done.`, {class: "wrong"}));
  if (!guided.over && guided.enough_s) parts.push(make("progress", "", {max: guided.enough_s, "aria-label": "Recorded of what is usually enough"}), make("p", "", {class: "since"}));
  const buttons = make("p", "", {class: "actions"});
  if (!guided.over) buttons.append(guidedButton(guided.by_hand ? "Confirm" : "Done already", {confirm: guided.step}, guided.by_hand ? "strong" : ""));
  buttons.append(guidedButton(guided.over ? "Close" : "Leave the test", {test: ""}, ""));
  const focused = [...by("guided").querySelectorAll("button")].indexOf(document.activeElement);
  by("guided").replaceChildren(...parts, buttons);
  by("guided").querySelectorAll("button")[focused]?.focus();
}

// Pressed once a step, and the step goes along: nobody confirms the next one unread.
function guidedButton(words, values, kind) {
  const button = make("button", words, {type: "button", class: kind});
  button.addEventListener("click", () => {
    button.disabled = true;
    order(`/api/guided/${encodeURIComponent(name)}`, values).catch((reason) => {
      say(reason.message);
      button.disabled = false;
    });
  });
  return button;
}

function take(message) {
  if (message.whole) {
    state = message;
    strips.replace(message.strips);
    drawn = 0;
  } else {
    if (message.strips) strips.add(message.strips);
    state = {...state, ...message};
  }
  if (message.analysis) {
    showAnalysis(message.analysis);
    showSwapped(message.analysis);
  }
  if (message.marks) {
    strips.marks = message.marks;
    showMarks(message.marks);
  }
  if ("guided" in message) showGuided(message.guided);
  if ("cue" in message) showCue(message.cue);
  if (message.ladder) alarm.look(message.ladder.warned);
  if (message.ended) finish(message.ended);
  if (!painting) {
    painting = true;
    requestAnimationFrame(paint);
  }
}

function finish(how) {
  link.end();
  if (how === "sealed") {
    say("Sealed.", true);
    if (state?.guided && !state.guided.over) {
      sessionStorage.setItem("kept", `The recording ended before the guided test “${state.guided.title}” was done.`);
    }
    location.replace(`/write-up/${encodeURIComponent(name)}`);
  } else {
    by("link").replaceChildren(how === "cut_off" ? "the recorder was cut off; what arrived is kept: " : "nothing was received, nothing was kept");
    if (how === "cut_off") by("link").append(make("a", "write-up", {href: `/write-up/${encodeURIComponent(name)}`}));
    by("link").classList.add("bad");
    by("stop").disabled = true;
  }
}

const link = new Link(name, take, (up) => {
  by("link").textContent = up ? "recording" : "page lost, coming back; the recording goes on";
  by("link").classList.toggle("bad", !up);
  by("link").classList.toggle("good", up);
});

bindMarks(name);
// Twice within a few seconds: nothing goes on after it.
let asked = 0;
by("stop").addEventListener("click", () => {
  if (!asked) {
    // As wide as before: a button that is pressed twice must not move.
    by("stop").style.minWidth = `${by("stop").offsetWidth}px`;
    by("stop").textContent = "Press again";
    say("Press again to stop and seal.");
    asked = setTimeout(() => {
      asked = 0;
      by("stop").textContent = "Stop and seal";
    }, 5000);
    return;
  }
  clearTimeout(asked);
  asked = 0;
  by("stop").disabled = true;
  by("stop").textContent = "Sealing …";
  order(`/api/stop/${encodeURIComponent(name)}`).catch((reason) => {
    say(reason.message);
    by("stop").disabled = false;
    by("stop").textContent = "Stop and seal";
  });
});
by("guided-start").addEventListener("click", () => order(`/api/guided/${encodeURIComponent(name)}`, {test: by("guided-test").value}).catch((r) => say(r.message)));
by("units").value = chosen();
by("units").addEventListener("change", () => {
  choose(by("units").value);
  lastEpisodes = "";
  if (state?.analysis) showAnalysis(state.analysis);
  drawn = 0;
  spoken = -Infinity;
  paint();
});
by("passenger").addEventListener("click", () => {
  const on = document.body.classList.toggle("as-passenger");
  by("passenger").setAttribute("aria-pressed", String(on));
  by("passenger").textContent = on ? "Back to everything" : "Passenger's view";
  window.scrollTo(0, 0);
  paint();
});
window.addEventListener("resize", () => { drawn = 0; paint(); });
