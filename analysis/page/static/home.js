// The list of recordings: searched on the server, verdicts worked out one after the other.
import {ask, make, order, say} from "./ask.js";

const by = (id) => document.getElementById(id);
const WORDS = {fault_found: "Fault found", no_fault_seen: "No fault seen", cannot_tell: "Cannot tell"};
let asked = 0;

function row(entry) {
  const link = make("a", "", {href: `${entry.state === "under_way" ? "/test/" : "/write-up/"}${encodeURIComponent(entry.name)}`});
  const when = make("span", entry.started_at ? entry.started_at.slice(0, 16).replace("T", " ") : "date not stated", {class: "quiet"});
  if (entry.length) when.append(`, ${entry.length} long`);
  when.append(make("small", entry.path));
  link.append(when);
  const middle = make("span");
  middle.append(make("b", [entry.vehicle, entry.plate].filter(Boolean).join(" · ")), make("span", entry.complaint ?? "", {class: "quiet"}));
  const says = make("span", saying(entry), {class: `says ${entry.wrong ? "wrong" : entry.verdict === "fault_found" ? "fault" : ""}`});
  link.append(middle, says);
  const item = make("li");
  item.append(link);
  return [item, says];
}

function saying(entry) {
  if (entry.state === "under_way") return "recording now";
  if (entry.wrong) return entry.wrong;
  return (entry.copy_of ? `Copy of ${entry.copy_of}. ` : "") + found(entry);
}

function found(entry) {
  return entry.says ?? WORDS[entry.verdict] ?? "…";
}

async function show() {
  const turn = ++asked;
  const wanted = new URLSearchParams(new FormData(by("search")));
  const {entries, count} = await ask(`/api/list?${wanted}`);
  if (turn !== asked) return;
  const rows = entries.map(row);
  by("list").replaceChildren(...rows.map(([item]) => item));
  const filtered = wanted.get("q") || wanted.get("verdict");
  const all = count === 0 ? (filtered ? "Nothing matches." : "Nothing recorded yet.") : `${count} recording${count === 1 ? "" : "s"}`;
  by("count").textContent = all + (entries.length < count ? `, the newest ${entries.length} shown. Search for others.` : "");
  for (const [index, entry] of entries.entries()) {
    if (turn !== asked) return;
    if (entry.state !== "sealed" || entry.verdict || entry.wrong) continue;
    const found = await order(`/api/verdict/${encodeURIComponent(entry.name)}`).catch((reason) => ({wrong: reason.message}));
    const [, says] = rows[index];
    says.textContent = saying({...entry, ...found});
    says.classList.toggle("fault", found.verdict === "fault_found");
    says.classList.toggle("wrong", Boolean(found.wrong));
  }
}

let typing = 0;
by("search").addEventListener("input", () => {
  clearTimeout(typing);
  typing = setTimeout(() => show().catch((reason) => say(reason.message)), 150);
});
by("search").addEventListener("submit", (event) => event.preventDefault());
by("demo")?.addEventListener("click", () => {
  by("demo").disabled = true;
  by("demo").textContent = "Starting …";
  order("/api/demo").then(({name}) => location.assign(`/test/${encodeURIComponent(name)}`)).catch((reason) => {
    say(reason.message, true);
    by("demo").disabled = false;
    by("demo").textContent = "Record the demo drive";
  });
});
by("csv").addEventListener("change", () => {
  const [file] = by("csv").files;
  if (!file) return;
  by("csv-said").textContent = "Reading …";
  ask(`/api/import?name=${encodeURIComponent(file.name)}`, {method: "POST", body: file})
    .then(({name}) => location.assign(`/write-up/${encodeURIComponent(name)}`))
    .catch((reason) => { by("csv-said").textContent = reason.message; });
});
show().catch((reason) => say(reason.message, true));
