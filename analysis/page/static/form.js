// A job sheet form: read field by field, faults shown beside the field.
export function typed(form) {
  const values = {};
  for (const element of form.querySelectorAll("[data-field] [name]")) {
    if (element.value !== "") values[element.name] = element.value;
  }
  return values;
}

// A fault goes with the next keystroke in its field: whether it is mended is told when it is sent again.
function mended(event) {
  const field = event.target.closest(".field");
  const text = field?.querySelector(".wrong");
  if (text) text.hidden = true;
  event.target.removeAttribute("aria-invalid");
  event.target.removeAttribute("aria-describedby");
}

export function showWrong(form, wrong) {
  form.addEventListener("input", mended);
  for (const text of form.querySelectorAll(".field .wrong")) text.hidden = true;
  for (const element of form.querySelectorAll("[aria-invalid]")) {
    element.removeAttribute("aria-invalid");
    element.removeAttribute("aria-describedby");
  }
  let first = null;
  for (const [name, says] of Object.entries(wrong)) {
    const field = form.querySelector(`[data-field="${CSS.escape(name)}"]`);
    const text = field?.querySelector(".wrong") ?? form.querySelector("#wrong-form");
    text.textContent = field ? `${field.querySelector("label").firstChild.textContent.trim()} ${says}` : says;
    text.hidden = false;
    const element = field?.querySelector("input, select, textarea");
    if (!element) continue;
    element.setAttribute("aria-invalid", "true");
    element.setAttribute("aria-describedby", text.id);
    const folded = element.closest("details");
    if (folded) folded.open = true;
    first = first ?? element;
  }
  first?.focus();
}
