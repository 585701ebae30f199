// Correcting the job sheet of a sealed recording: added beside it, never written over it.
import {order} from "./ask.js";
import {showWrong, typed} from "./form.js";

const form = document.getElementById("job-sheet");
const by = document.getElementById("c-by");
by.value = localStorage.getItem("corrects") || form.querySelector("[name=technician]")?.value || "";
form.addEventListener("submit", (event) => {
  event.preventDefault();
  localStorage.setItem("corrects", by.value);
  order(`/api/amend/${encodeURIComponent(form.dataset.name)}`, {job: typed(form), by: by.value, reason: document.getElementById("c-reason").value})
    .then(() => sessionStorage.setItem("kept", "The job sheet is kept as a new revision."))
    .then(() => location.assign(`/write-up/${encodeURIComponent(form.dataset.name)}`))
    .catch((reason) => showWrong(form, reason.answer?.wrong ?? {form: reason.message}));
});
