// Correcting, adding and taking out marks of a sealed recording.
import {order} from "./ask.js";
import {showWrong} from "./form.js";
import {clock} from "./units.js";

const by = (id) => document.getElementById(id);

export function bindCorrections(name, marks) {
  const form = by("mark-form");
  if (!form) return;
  let gone = null;

  function open(mark, button) {
    gone = mark;
    by("mark-legend").textContent = mark ? `Correct the mark at ${mark.clock}` : "Add a mark";
    by("m-time").value = mark ? mark.clock : clock(0);
    by("m-kind").value = mark ? mark.kind : "note";
    by("m-text").value = mark ? mark.text : "";
    by("m-by").value = localStorage.getItem("corrects") ?? "";
    by("mark-out").hidden = !mark;
    form.hidden = false;
    form.back = button;
    by("m-time").focus();
    form.scrollIntoView({block: "nearest"});
  }

  function send(values) {
    localStorage.setItem("corrects", by("m-by").value);
    const told = {...values, by: by("m-by").value, reason: by("m-reason").value};
    if (gone) told.gone = {utc: gone.utc, kind: gone.kind};
    order(`/api/amend-mark/${encodeURIComponent(name)}`, told).then(() => {
      sessionStorage.setItem("kept", "The correction is kept.");
      location.reload();
    })
      .catch((reason) => showWrong(form, reason.answer?.wrong ?? {form: reason.message}));
  }

  for (const button of document.querySelectorAll("[data-correct]")) {
    button.addEventListener("click", () => open(marks[Number(button.dataset.correct)], button));
  }
  by("mark-add").addEventListener("click", () => open(null, by("mark-add")));
  by("mark-close").addEventListener("click", () => {
    form.hidden = true;
    form.back?.focus();
  });
  by("mark-out").addEventListener("click", () => send({}));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    send({time: by("m-time").value, kind: by("m-kind").value, text: by("m-text").value});
  });
}
