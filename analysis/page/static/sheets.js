// Sheets that were written: files to take away, their pages to look at.
import {make} from "./ask.js";

const FILES = [
  ["claim-sheet.pdf", "Claim sheet, PDF"], ["customer-page.pdf", "Customer page, PDF"], ["report.html", "Report with trace, HTML"],
  ["comparison.pdf", "Comparison, PDF"], ["comparison.html", "Comparison with trace, HTML"], ["findings.json", "Findings, JSON"],
  ["comparison.json", "Comparison, JSON"], ["bundle.zip", "Everything, ZIP"],
];
const PAGES = {"claim-sheet": "Claim sheet", "customer-page": "Customer page", comparison: "Comparison"};

// Over the page, with a way back: a phone that runs the page as an app has none of its own.
function look(source, words) {
  const viewer = make("dialog", "", {class: "viewer", "aria-label": words});
  const close = make("button", "Close", {type: "button", class: "strong"});
  const larger = make("button", "Larger", {type: "button", "aria-pressed": "false"});
  const image = make("img", "", {src: source, alt: words});
  const bar = make("p", "", {class: "actions"});
  const sheet = make("div", "", {class: "sheet", tabindex: "0", role: "group", "aria-label": `${words}, scrolls`});
  bar.append(close, larger, make("span", words));
  sheet.append(image);
  viewer.append(bar, sheet);
  close.addEventListener("click", () => viewer.close());
  larger.addEventListener("click", () => larger.setAttribute("aria-pressed", String(viewer.classList.toggle("large"))));
  viewer.addEventListener("close", () => viewer.remove());
  document.body.append(viewer);
  viewer.showModal();
}

export function showSheets(host, name, files, fresh) {
  if (files.length === 0) return;
  const links = make("p", "", {class: "actions"});
  for (const [file, words] of FILES) {
    if (files.includes(file)) links.append(make("a", words, {class: "button", href: `/sheets/${encodeURIComponent(name)}/${file}`, download: ""}));
  }
  const papers = make("div", "", {class: "papers"});
  for (const file of files.filter((f) => f.endsWith(".png"))) {
    const [, kind, number] = file.match(/^(.*?)(?:-(\d+))?\.png$/);
    const words = `${PAGES[kind] ?? kind}${number ? `, page ${number}` : ""}`;
    const source = `/sheets/${encodeURIComponent(name)}/${file}${fresh ? `?${Date.now()}` : ""}`;
    const open = make("button", "", {type: "button", class: "paper", "aria-label": `${words}, full size`});
    open.append(make("img", "", {src: source, alt: words}));
    open.addEventListener("click", () => look(source, words));
    papers.append(open);
  }
  host.replaceChildren(...(fresh ? [make("h3", "Written", {tabindex: "-1"})] : []), links, papers);
  if (fresh) {
    host.firstChild.focus({preventScroll: true});
    host.scrollIntoView({block: "start", behavior: "smooth"});
  }
}
