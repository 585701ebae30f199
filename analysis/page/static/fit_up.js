// Fit-up: what is typed is kept in this browser until the recording starts.
import {make, order, say} from "./ask.js";
import {Board} from "./board.js";
import {showWrong, typed} from "./form.js";
import {bindZeroCheck} from "./zero_check.js";

const by = (id) => document.getElementById(id);
const form = by("fit-up");
const KEPT = "fit-up";
const REMEMBERED = "fit-up-usual";
const USUAL = ["technician", "certificate", "charging_machine", "charging_machine_calibrated_on", "altitude_m", "customer"];
const board = new Board(by("board"), by("missing"), JSON.parse(by("facts").textContent), keep);
const checks = () => [...form.querySelectorAll("[data-check]")];
let nodes = [];
let emptied = false;

function keep() {
  const held = {
    emptied, fields: typed(form), address: by("address").value, nodes, moves: board.moves,
    ticked: checks().filter((b) => b.checked).map((b) => b.name),
  };
  localStorage.setItem(KEPT, JSON.stringify(held));
  const left = checks().filter((b) => !b.checked).length;
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

function clear() {
  for (const element of form.querySelectorAll("[data-field] [name]")) element.value = "";
}

// The form of a vehicle: nothing of the invented drive stays in it, and its node is not chosen again by itself.
function leaveDemo() {
  clear();
  if (by("of-the-demo")) by("of-the-demo").hidden = true;
}

// What was typed and not yet used; else what is usually the same for this workshop.
function restore() {
  const held = kept(KEPT);
  emptied = Boolean(held.emptied);
  if (emptied) leaveDemo();
  for (const [name, value] of Object.entries({...kept(REMEMBERED), ...held.fields})) {
    const element = form.querySelector(`[data-field] [name="${CSS.escape(name)}"]`);
    if (element) element.value = value;
  }
  by("address").value = held.address ?? "";
  for (const box of checks()) box.checked = (held.ticked ?? []).includes(box.name);
  nodes = held.nodes ?? [];
  board.moves = held.moves ?? {};
  for (const folded of form.querySelectorAll("details.group")) {
    folded.open = [...folded.querySelectorAll("[name]")].some((element) => held.fields?.[element.name]);
  }
}

const chosen = () => nodes.filter((node) => node.chosen);

function showNodes() {
  by("nodes").replaceChildren(...nodes.map((node) => {
    const label = make("label");
    const box = make("input", "", {type: "checkbox"});
    box.checked = node.chosen;
    box.addEventListener("change", () => {
      node.chosen = box.checked;
      board.show(chosen(), board.moves);
      keep();
    });
    const facts = [
      `${node.channels.length} channel${node.channels.length === 1 ? "" : "s"}`,
      node.supply_mv === null ? "supply not told" : `supply ${(node.supply_mv / 1000).toFixed(2)} V`,
      node.rssi_dbm === null ? "on a wire" : `signal ${signal(node.rssi_dbm)} (${node.rssi_dbm} dBm)`,
      node.note,
    ].filter(Boolean);
    const words = make("span");
    words.append(make("b", node.node ?? "no name"), ` ${node.address} `, make("small", facts.join(" · ")));
    label.append(box, words);
    const item = make("li");
    item.append(label);
    return item;
  }));
  by("zero").hidden = !chosen().some((node) => node.address !== "demo");
  board.show(chosen(), board.moves);
}

// Common practice for 2.4 GHz: below -85 dBm packets get lost.
const signal = (dbm) => (dbm > -70 ? "good" : dbm > -85 ? "fair" : "weak");

async function look(addresses, button) {
  button.disabled = true;
  by("looked").textContent = addresses.length ? "Asking …" : "Looking on serial ports and by radio …";
  try {
    const found = await order("/api/find", {addresses});
    const seen = new Set(found.nodes.map((node) => node.address));
    const fresh = found.nodes.map((node) => ({...node, chosen: node.channels.length > 0 && !(emptied && node.address === "demo")}));
    nodes = [...(addresses.length ? nodes.filter((node) => !seen.has(node.address)) : []), ...fresh];
    by("looked").textContent = [fresh.length ? "" : "No node answers.", ...found.remarks].filter(Boolean).join(" ");
    if (fresh.length && addresses.length) by("address").value = "";
  } catch (reason) {
    by("looked").textContent = reason.message;
  }
  button.disabled = false;
  showNodes();
  keep();
}

const own = () => by("address").value.split(/[\s,]+/).filter(Boolean);
const addresses = () => [...new Set([...chosen().map((node) => node.address), ...own()])];

form.addEventListener("input", keep);
by("look").addEventListener("click", () => look([], by("look")));
by("ask").addEventListener("click", () => { if (own().length) look(own(), by("ask")); else by("address").focus(); });
by("address").addEventListener("keydown", (event) => {
  if (event.key !== "Enter") return;
  event.preventDefault();
  by("ask").click();
});
let beside = false;
form.addEventListener("submit", (event) => {
  event.preventDefault();
  by("start").disabled = true;
  by("start").textContent = "Starting …";
  const ticked = checks().filter((b) => b.checked).map((b) => b.name.replace("check-", ""));
  order("/api/record", {job: typed(form), addresses: addresses(), places: board.texts(), checks: ticked, beside})
    .then(({name}) => {
      const held = typed(form);
      localStorage.setItem(REMEMBERED, JSON.stringify(Object.fromEntries(USUAL.filter((n) => held[n]).map((n) => [n, held[n]]))));
      localStorage.removeItem(KEPT);
      location.assign(`/test/${encodeURIComponent(name)}`);
    })
    .catch((reason) => {
      showWrong(form, reason.answer?.wrong ?? {form: reason.message});
      by("start").disabled = false;
      // Told once: who presses again means it.
      beside = reason.status === 409;
      by("start").textContent = beside ? "Record a second one beside it" : "Start recording";
    });
});
bindZeroCheck(() => chosen().filter((node) => node.address !== "demo"), () => Number(typed(form).altitude_m?.replace(",", ".")) || 0);
restore();
keep();
showNodes();
by("empty")?.addEventListener("click", () => {
  emptied = true;
  leaveDemo();
  nodes = [];
  board.moves = {};
  keep();
  showNodes();
  say("The form is empty; no node is chosen.");
  by("f-vehicle").focus();
});
if (nodes.length === 0 && !emptied && by("fit-up").dataset.demo) look(["demo"], by("look")).catch((reason) => say(reason.message));
