// The board: every channel of the chosen nodes at its place; an empty place says what it costs.
import {make, order, say} from "./ask.js";

const place = (channel) => channel.replace(/_\d+$/, "");
const ANY = "Other places";
const UNUSED = "unused";
const unused = (name) => name.startsWith(UNUSED);
const TYPING_MS = 700;

export class Board {
  constructor(host, missing, facts, changed) {
    this.host = host;
    this.missing = missing;
    this.places = facts.places;
    this.groups = facts.board;
    this.changed = changed;
    this.nodes = [];
    this.moves = {};
    this.lost = {};
    this.turn = 0;
    this.typing = null;
    this.dragged = null;
    this.dropped = null;
  }

  show(nodes, moves) {
    this.nodes = nodes;
    this.moves = moves;
    this.draw();
    this.ask();
  }

  placeOf(node, channel) {
    return this.moves[`${node}/${channel}`] ?? place(channel);
  }

  chips() {
    return this.nodes.flatMap((node) => node.channels.filter((c) => place(c) in this.places)
      .map((channel) => ({node: node.node, channel, at: this.placeOf(node.node, channel)})));
  }

  // What the server is told: only what differs from the node's own words.
  texts() {
    return this.chips().filter((c) => c.at !== place(c.channel)).map((c) => `${c.node}/${c.channel}=${c.at}`);
  }

  async ask() {
    const turn = ++this.turn;
    try {
      const {lost, blind} = await order("/api/missing", {places: this.chips().map((c) => c.at)});
      if (turn !== this.turn) return;
      this.lost = lost;
      this.costs();
      const list = make("ul");
      list.append(...blind.map((text) => make("li", text)));
      this.missing.replaceChildren(blind.length ? list : make("p", "Every kind of fault can be looked for."));
    } catch (reason) {
      say(reason.message);
    }
  }

  // What an empty place costs, put in where it stands: an answer never moves what a hand is on.
  costs() {
    for (const slot of this.host.querySelectorAll("[data-place].empty")) {
      if (slot.dataset.place !== UNUSED) slot.querySelector("span").textContent = this.lost[slot.dataset.place] ?? "";
    }
  }

  draw() {
    // A list that is being typed in and a channel that is being dragged stay; both draw when they are over.
    if (this.dragged || this.typing?.isConnected) return;
    const focused = document.activeElement?.closest?.("[data-chip]")?.dataset.chip;
    const chips = this.chips();
    const usual = new Set(this.groups.flatMap((g) => g.places));
    const others = [...new Set(chips.map((c) => c.at))].filter((name) => !usual.has(name) && !unused(name));
    const groups = [...this.groups, {title: ANY, places: others}, {title: "Left out", places: [UNUSED]}].filter((g) => g.places.length);
    this.host.replaceChildren(...groups.map((group) => this.column(group, chips)));
    if (focused) this.host.querySelector(`[data-chip="${CSS.escape(focused)}"] select`)?.focus();
  }

  column(group, chips) {
    const column = make("section", "", {"aria-label": group.title});
    column.append(make("h3", group.title));
    const list = make("ul");
    list.append(...group.places.map((name) => this.slot(name, chips.filter((c) => c.at === name || (name === UNUSED && unused(c.at))))));
    column.append(list);
    return column;
  }

  slot(name, held) {
    const slot = make("li", "", {"data-place": name, class: held.length ? "held" : "empty"});
    slot.append(make("b", name === UNUSED ? "not in use" : this.places[name].title));
    if (held.length) slot.append(...held.map((chip) => this.chip(chip)));
    if (name === UNUSED) slot.append(make("p", "Recorded and kept, but nothing is judged by it.", {class: "quiet"}));
    else if (!held.length) slot.append(make("span", this.lost[name] ?? ""));
    slot.addEventListener("dragover", (event) => {
      if (this.dragged && this.fits(this.dragged, name)) {
        event.preventDefault();
        slot.classList.add("over");
      }
    });
    slot.addEventListener("dragleave", () => slot.classList.remove("over"));
    slot.addEventListener("drop", (event) => {
      event.preventDefault();
      this.dropped = name;
    });
    return slot;
  }

  chip(chip) {
    const key = `${chip.node}/${chip.channel}`;
    const own = make("div", "", {class: "clip", draggable: "true", "data-chip": key});
    own.append(make("span", this.nodes.length > 1 ? `${chip.node} ` : "", {class: "quiet"}), make("span", chip.channel.replaceAll("_", " ")));
    const select = make("select", "", {"aria-label": `Place of ${chip.channel.replaceAll("_", " ")} of node ${chip.node}`});
    for (const [name, about] of Object.entries(this.places)) {
      if (about.quantity !== this.places[place(chip.channel)].quantity) continue;
      const option = make("option", about.title, {value: name});
      option.selected = name === chip.at;
      select.append(option);
    }
    this.decide(select, () => this.move(chip, select.value));
    own.append(select);
    own.addEventListener("dragstart", (event) => {
      this.dragged = chip;
      this.dropped = null;
      event.dataTransfer.setData("text/plain", key);
      event.dataTransfer.effectAllowed = "move";
      for (const slot of this.host.querySelectorAll("[data-place]")) slot.classList.toggle("fits", this.fits(chip, slot.dataset.place));
    });
    // The move waits for the drag's end: until then the browser swallows keys, and what is dragged must stay.
    own.addEventListener("dragend", () => {
      this.dragged = null;
      if (this.dropped && this.fits(chip, this.dropped) && chip.at !== this.dropped) this.move(chip, this.dropped);
      else this.draw();
    });
    return own;
  }

  // Every letter typed ahead chooses anew: the choice stands once the keyboard rests, or the list is left.
  decide(select, chosen) {
    let waiting = 0;
    const rest = () => {
      clearTimeout(waiting);
      if (this.typing !== select) return;
      this.typing = null;
      chosen();
      this.draw();
    };
    select.addEventListener("keydown", (event) => {
      if (event.key.length !== 1) return;
      this.typing = select;
      clearTimeout(waiting);
      waiting = setTimeout(rest, TYPING_MS);
    });
    select.addEventListener("change", () => {
      if (this.typing !== select) chosen();
    });
    select.addEventListener("blur", rest);
  }

  fits(chip, name) {
    return name === UNUSED || this.places[place(chip.channel)].quantity === this.places[name].quantity;
  }

  // A place that holds one channel gives it in exchange, unless it is that of what is not in use; a node's channels cannot share one.
  move(chip, target) {
    const name = target === UNUSED ? `${UNUSED}_${this.places[place(chip.channel)].quantity}` : target;
    if (!this.fits(chip, name) || chip.at === name) return;
    const held = unused(name) ? [] : this.chips().filter((c) => c.at === name);
    this.moves[`${chip.node}/${chip.channel}`] = name;
    if (held.length === 1) this.moves[`${held[0].node}/${held[0].channel}`] = chip.at;
    say(`${chip.channel.replaceAll("_", " ")} is now ${unused(name) ? "" : "at "}${this.places[name].title}${held.length === 1 ? `, ${held[0].channel.replaceAll("_", " ")} at ${this.places[chip.at].title}` : ""}.`);
    this.draw();
    this.ask();
    this.changed();
  }
}
