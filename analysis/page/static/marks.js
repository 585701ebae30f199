// Marks: one button and one key each; a note is typed.
import {make, order, say} from "./ask.js";
import {clock} from "./units.js";

const by = (id) => document.getElementById(id);

export function showMarks(marks) {
  by("marked").replaceChildren(...marks.map((mark) =>
    make("li", `${mark.t_s === null ? "" : `${clock(mark.t_s)} `}${mark.kind.replaceAll("_", " ")}${mark.text ? `: ${mark.text}` : ""}`)));
}

export function bindMarks(name) {
  const buttons = new Map([...document.querySelectorAll("[data-mark]")].map((b) => [b.getAttribute("aria-keyshortcuts"), b]));

  let pressed = 0;

  function strike(button, text = "", ago = 0) {
    button.classList.add("struck");
    setTimeout(() => button.classList.remove("struck"), 600);
    const words = button.firstChild.textContent.trim();
    order(`/api/mark/${encodeURIComponent(name)}`, {kind: button.dataset.mark, text, ago_s: ago})
      .then(() => say(`Marked: ${words}`))
      .catch((reason) => say(`Not marked: ${reason.message}`, true));
  }

  function press(button) {
    if (button.dataset.mark !== "note") {
      strike(button);
      return;
    }
    // It stands where the button was pressed, however long the words take.
    if (by("note").hidden) pressed = performance.now();
    by("note").hidden = false;
    by("note-text").focus({preventScroll: true});
  }

  for (const button of buttons.values()) button.addEventListener("click", () => press(button));
  by("note").addEventListener("submit", (event) => {
    event.preventDefault();
    strike(buttons.get("n"), by("note-text").value, (performance.now() - pressed) / 1000);
    by("note-text").value = "";
    by("note").hidden = true;
  });
  function close() {
    by("note").hidden = true;
    buttons.get("n").focus();
  }

  by("note-close").addEventListener("click", close);
  by("note").addEventListener("keydown", (event) => { if (event.key === "Escape") close(); });
  by("more").addEventListener("click", () => {
    const all = document.querySelector(".marks").classList.toggle("all");
    by("more").setAttribute("aria-expanded", String(all));
    by("more").textContent = all ? "Fewer" : "More";
  });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    if (event.target.closest("input, select, textarea")) return;
    const button = buttons.get(event.key.toLowerCase());
    if (button) {
      event.preventDefault();
      press(button);
    }
  });
}
