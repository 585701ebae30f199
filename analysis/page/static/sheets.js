// Sheets that were written: files to take away, their pages to look at.
import {make} from "./ask.js";

const FILES = [
  ["claim-sheet.pdf", "Claim sheet, PDF"], ["customer-page.pdf", "Customer page, PDF"], ["report.html", "Report with trace, HTML"],
  ["comparison.pdf", "Comparison, PDF"], ["comparison.html", "Comparison with trace, HTML"], ["findings.json", "Findings, JSON"],
  ["comparison.json", "Comparison, JSON"], ["bundle.zip", "Everything, ZIP"],
];
const PAGES = {"claim-sheet": "Claim sheet", "customer-page": "Customer page", comparison: "Comparison"};

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
    const link = make("a", "", {href: source, "aria-label": `${words}, full size`});
    link.append(make("img", "", {src: source, alt: words}));
    papers.append(link);
  }
  host.replaceChildren(links, papers);
}
