// Asking the server: JSON in, JSON out; a fault is told in words.
export class Refused extends Error {
  constructor(status, answer) {
    super(answer.says || "The page does not answer.");
    this.status = status;
    this.answer = answer;
  }
}

export async function ask(path, options = {}) {
  let response;
  try {
    response = await fetch(path, options);
  } catch {
    throw new Refused(0, {says: "The page does not answer. Is it still open on the computer?"});
  }
  const answer = await response.json().catch(() => ({}));
  if (!response.ok) throw new Refused(response.status, answer);
  return answer;
}

export const order = (path, values = {}) =>
  ask(path, {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(values)});

let clearing = 0;
export function say(text, stays = false) {
  const said = document.getElementById("said");
  said.textContent = text;
  clearTimeout(clearing);
  if (!stays) clearing = setTimeout(() => { said.textContent = ""; }, 5000);
}

export function make(tag, text = "", attributes = {}) {
  const element = document.createElement(tag);
  if (text !== "") element.textContent = text;
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}
