// Analysing all recordings, a few at a time, so that it can be watched and left.
import {order} from "./ask.js";

const button = document.getElementById("screen");
const said = document.getElementById("screened");

async function screen() {
  button.disabled = true;
  let [done, after] = [0, ""];
  try {
    for (;;) {
      const told = await order("/api/screen", {after});
      done += told.done;
      after = told.after;
      said.textContent = `${done} of ${done + told.left} analysed`;
      if (told.left === 0) break;
    }
    location.reload();
  } catch (reason) {
    said.textContent = reason.message;
    button.disabled = false;
  }
}

button?.addEventListener("click", screen);
