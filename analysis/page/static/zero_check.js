// The zero check: pressure sensors in open air, temperature probes in the same air.
import {make, order} from "./ask.js";
import {chosen, converted, shown, unit} from "./units.js";

const by = (id) => document.getElementById(id);
const signed = (value, quantity) => `${value < 0 ? "−" : "+"}${shown(Math.abs(value), quantity)}`;
const PLACES = {kpa: 2, bar: 4, psi: 2};
const fine = (kpa) => converted(kpa, "pressure").toFixed(PLACES[chosen()]).replace("-", "−");
const words = (channel) => channel.replaceAll("_", " ");

export function bindZeroCheck(nodes, altitude) {
  by("zero-open").addEventListener("change", () => { by("zero-start").disabled = !by("zero-open").checked; });
  by("zero-start").addEventListener("click", () => listen([]));

  async function listen(keep) {
    by("zero-start").disabled = true;
    by("zero-told").replaceChildren(make("p", "Listening …"));
    const rows = [];
    for (const node of nodes()) {
      try {
        rows.push(...table(node, await order("/api/zero", {address: node.address, altitude_m: altitude(), keep})));
      } catch (reason) {
        rows.push(make("p", `${node.node}: ${reason.message}`, {class: "wrong"}));
      }
    }
    by("zero-told").replaceChildren(...rows);
    by("zero-start").disabled = !by("zero-open").checked;
  }

  function table(node, {pressures, temperatures}) {
    const list = make("ul", "", {class: "zeros"});
    for (const row of pressures) list.append(pressure(row));
    for (const row of temperatures) {
      const much = row.accuracy_k !== null && Math.abs(row.off_k) > 2 * row.accuracy_k;
      list.append(make("li", `${words(row.channel)} ${shown(row.degc, "temperature")}, ${signed(row.off_k, "difference")} from the middle of all${much ? ": more than two probes may differ" : ""}`, {class: much ? "outside" : ""}));
    }
    return [make("h3", node.node ?? node.address), list];
  }

  function pressure(row) {
    if (row.says) return make("li", `${words(row.channel)}: ${row.says}`, {class: "outside"});
    const item = make("li", `${words(row.channel)} reads ${row.error_kpa < 0 ? "" : "+"}${fine(row.error_kpa)} ± ${fine(row.u95_kpa)} ${unit("pressure")} in open air: ${row.kept ? "corrected from now on" : row.good ? "good" : row.accuracy_kpa === null ? "the node states no accuracy" : "more than it states"}`, {class: row.good || row.kept || row.accuracy_kpa === null ? "" : "outside"});
    if (!row.kept) {
      const button = make("button", `Correct the zero of ${words(row.channel)}`, {type: "button"});
      button.addEventListener("click", () => listen([row.channel]));
      item.append(" ", button);
    }
    return item;
  }
}
