// Fit-up: what is typed is kept in this browser until the recording starts.
import {ask, make, order, say} from "./ask.js";
import {showWrong, typed} from "./form.js";

const by = (id) => document.getElementById(id);
const form = by("fit-up");
const KEPT = "fit-up";
const REMEMBERED = "fit-up-usual";
const USUAL = ["technician", "certificate", "charging_machine", "charging_machine_calibrated_on", "altitude_m", "customer"];
const boxes = () => [...form.querySelectorAll("input[type=checkbox]")];

function keep() {
  const held = {
    fields: typed(form),
    address: by("address").value,
    ticked: boxes().filter((b) => b.checked).map((b) => b.name || b.value),
  };
  localStorage.setItem(KEPT, JSON.stringify(held));
  const left = form.querySelectorAll("[data-check]:not(:checked)").length;
  by("unchecked").textContent = left ? `${left} pre-check${left === 1 ? "" : "s"} not ticked` : "";
}

function kept(key) {
  try {
    return JSON.parse(localStorage.getItem(key) ?? "{}");
  } catch {
    localStorage.removeItem(key);
    return {};
  }
}

// What was typed and not yet used; else what is usually the same for this workshop.
function restore() {
  const held = kept(KEPT);
  for (const [name, value] of Object.entries({...kept(REMEMBERED), ...held.fields})) {
    const element = form.querySelector(`[data-field] [name="${CSS.escape(name)}"]`);
    if (element) element.value = value;
  }
  by("address").value = held.address ?? "";
  for (const box of boxes()) box.checked = (held.ticked ?? []).includes(box.name || box.value);
}

async function lookForPorts() {
  const {ports} = await ask("/api/ports");
  by("ports").replaceChildren(...(ports.length ? ports.map((port) => {
    const label = make("label");
    label.append(make("input", "", {type: "checkbox", value: port, "data-port": ""}), ` ${port}`);
    const item = make("li");
    item.append(label);
    return item;
  }) : [make("li", "No node on a serial port. Plug one in, or type where it speaks.", {class: "quiet"})]));
}

async function showMissing() {
  const places = [...form.querySelectorAll("[data-place]:checked")].map((b) => b.value);
  const {missing} = await order("/api/missing", {places});
  const list = make("ul");
  list.append(...missing.map((text) => make("li", text)));
  by("missing").replaceChildren(missing.length ? list : make("p", "Everything that the detectors look at."));
}

function addresses() {
  const ticked = [...form.querySelectorAll("[data-port]:checked")].map((b) => b.value);
  const own = by("address").value.split(/[\s,]+/).filter(Boolean);
  return [...new Set([...ticked, ...own])];
}

form.addEventListener("input", keep);
form.addEventListener("change", (event) => {
  if (event.target.matches("[data-place]")) showMissing().catch((reason) => say(reason.message));
});
by("look-again").addEventListener("click", () => lookForPorts().catch((reason) => say(reason.message)));
form.addEventListener("submit", (event) => {
  event.preventDefault();
  by("start").disabled = true;
  by("start").textContent = "Starting …";
  order("/api/record", {job: typed(form), addresses: addresses()})
    .then(({name}) => {
      const held = typed(form);
      localStorage.setItem(REMEMBERED, JSON.stringify(Object.fromEntries(USUAL.filter((n) => held[n]).map((n) => [n, held[n]]))));
      localStorage.removeItem(KEPT);
      location.assign(`/test/${encodeURIComponent(name)}`);
    })
    .catch((reason) => {
      showWrong(form, reason.answer.wrong ?? {form: reason.message});
      by("start").disabled = false;
      by("start").textContent = "Start recording";
    });
});
restore();
keep();
lookForPorts().catch((reason) => say(reason.message));
showMissing().catch((reason) => say(reason.message));
