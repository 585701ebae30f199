// The write-up: trace, stepping, sheets.
import {ask, make, order, say} from "./ask.js";
import {bindCorrections} from "./correct_mark.js";
import {showSheets} from "./sheets.js";
import {Trace} from "./trace.js";
import {choose, chosen} from "./units.js";

const by = (id) => document.getElementById(id);
const {name} = by("write-up").dataset;
let moments = [];
let at = -1;

const read = () => JSON.parse(by("told").textContent);
const trace = new Trace(by("trace"), name, read());

function go(moment, words) {
  const margin = Math.max(45, 0.6 * (moment.end - moment.start));
  trace.show(moment.start - margin, moment.end + margin);
  by("step").textContent = words;
}

function step(by_) {
  if (moments.length === 0) {
    by("step").textContent = by("waiting") ? "still being analysed" : "no episode, no mark";
    return;
  }
  at = Math.min(Math.max(at + by_, 0), moments.length - 1);
  go(moments[at], `${at + 1} of ${moments.length}: ${moments[at].title}`);
}

function whole() {
  at = -1;
  trace.whole();
  by("step").textContent = "whole drive";
}

by("on").addEventListener("click", () => step(1));
by("back").addEventListener("click", () => step(-1));
by("whole").addEventListener("click", whole);
by("in").addEventListener("click", () => trace.zoom(0.5));
by("out").addEventListener("click", () => trace.zoom(2));
by("left").addEventListener("click", () => trace.pan(-0.4));
by("right").addEventListener("click", () => trace.pan(0.4));
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, select, textarea")) return;
  const keys = {j: () => step(-1), k: () => step(1), 0: whole, "+": () => trace.zoom(0.5), "-": () => trace.zoom(2)};
  keys[event.key]?.();
});
function showPhotos(photos) {
  by("photos").replaceChildren(...photos.map((photo) => {
    const item = make("li", `${photo} `);
    const leave = make("button", "Leave out", {type: "button", class: "small", "aria-label": `Leave out ${photo}`});
    leave.addEventListener("click", () => order(`/api/drop-photo/${encodeURIComponent(name)}`, {photo}).then((a) => showPhotos(a.photos)).catch((r) => say(r.message)));
    item.append(leave);
    return item;
  }));
}

async function attach() {
  for (const file of by("photo").files) {
    try {
      showPhotos((await ask(`/api/photo/${encodeURIComponent(name)}?name=${encodeURIComponent(file.name)}`, {method: "POST", body: file})).photos);
    } catch (reason) {
      say(`${file.name}: ${reason.message}`, true);
    }
  }
  by("photo").value = "";
}

// Everything but the trace: there from the start, or once the analysis is done.
function bind() {
  const told = read();
  moments = [
    ...told.episodes.filter((e) => !e.permanent).map((e) => ({start: e.start_s, end: e.end_s, title: e.title})),
    ...told.marks.map((m) => ({start: m.time_s, end: m.time_s, title: m.kind.replaceAll("_", " ")})),
  ].sort((a, b) => a.start - b.start);
  for (const button of document.querySelectorAll(".episodes button[data-start]")) {
    button.addEventListener("click", () => {
      go({start: Number(button.dataset.start), end: Number(button.dataset.end)}, button.dataset.title);
      by("trace-title").scrollIntoView({block: "start"});
    });
  }
  by("write")?.addEventListener("click", () => {
    by("write").disabled = true;
    by("write").textContent = "Writing …";
    order(`/api/sheets/${encodeURIComponent(name)}`, {units: chosen(), paper: by("paper").value, bundle: by("bundle").checked}).then(({files}) => {
      showSheets(by("written"), name, files, true);
      say("The claim sheet is written.");
    }).catch((reason) => say(reason.message, true)).finally(() => {
      by("write").disabled = false;
      by("write").textContent = "Write the claim sheet again";
    });
  });
  if (by("photo")) {
    showPhotos(by("photos").dataset.photos.split(" ").filter(Boolean));
    by("photo").addEventListener("change", attach);
    by("units").value = chosen();
    by("units").addEventListener("change", () => {
      choose(by("units").value);
      location.reload();
    });
    by("paper").value = localStorage.getItem("paper") ?? "a4";
    by("paper").addEventListener("change", () => localStorage.setItem("paper", by("paper").value));
  }
  by("seal")?.addEventListener("click", () => {
    by("seal").disabled = true;
    order(`/api/seal/${encodeURIComponent(name)}`).then(() => location.reload()).catch((reason) => {
      say(reason.message, true);
      by("seal").disabled = false;
    });
  });
  bindCorrections(name, told.marks);
  if (sessionStorage.getItem("kept")) say(sessionStorage.getItem("kept"));
  sessionStorage.removeItem("kept");
  showSheets(by("written"), name, by("written").dataset.files.split(" ").filter(Boolean), false);
}

// The analysis of a long drive takes a while: how far it is, then what it found, around a trace that stays as it is.
async function wait() {
  const told = await ask(`/api/progress/${encodeURIComponent(name)}`).catch((reason) => ({says: reason.message, step: 0, steps: 1}));
  if (!told.done) {
    if (by("progress").textContent !== told.says) by("progress").textContent = told.says;
    by("steps").max = told.steps;
    by("steps").value = told.step;
    setTimeout(wait, 400);
    return;
  }
  const fresh = new DOMParser().parseFromString(await (await fetch(location.href)).text(), "text/html");
  if (!fresh.getElementById("write-up")) {
    location.reload();
    return;
  }
  for (const id of ["above", "below", "told"]) by(id).replaceWith(document.adoptNode(fresh.getElementById(id)));
  if (by("waiting")) {
    await wait();
    return;
  }
  trace.told = read();
  trace.refresh();
  bind();
  say("Analysed.");
}

if (by("waiting")) wait().catch(() => location.reload());
else bind();
