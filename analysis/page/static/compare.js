// Before and after: the sheet is written here.
import {order, say} from "./ask.js";
import {showSheets} from "./sheets.js";
import {chosen} from "./units.js";

const button = document.getElementById("write");
button?.addEventListener("click", () => {
  const {before, after} = button.dataset;
  button.disabled = true;
  button.textContent = "Writing …";
  order("/api/comparison", {before, after, units: chosen(), paper: localStorage.getItem("paper") ?? "a4"})
    .then(({files}) => showSheets(document.getElementById("written"), after, files, true))
    .catch((reason) => say(reason.message, true))
    .finally(() => {
      button.disabled = false;
      button.textContent = "Write the comparison again";
    });
});
