// The steps as a chain under the picture, and the slip with the values of the chosen one.

import { byId, make } from "./make.js";

const STEPS = { EV: [0.1, 0.01], K: [100, 10], deg: [0.5, 0.05], "px or %": [1, 0.1], s: [0.1, 0.01] };
const NUMBER = /^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)\s*([A-Za-z°%]*)\s*$/i;

export class Chain {
  chosen = "";
  #stages = [];
  #seen = "";
  #gestures = 0;

  constructor(talk) {
    this.talk = talk;
    this.list = byId("steps");
    this.slip = byId("slip");
    for (const kind of ["focusin", "pointerover"]) this.slip.addEventListener(kind, (event) => this.#help(event));
  }

  words(stages) { this.#stages = stages; }

  take(state) {
    this.state = state;
    const shape = JSON.stringify(state.steps.map((s) => [s.id, s.stage, s.on, s.active, s.where]));
    if (shape !== this.#seen) { this.#seen = shape; this.#cards(); }
    this.#crops();
    const step = state.steps.find((each) => each.id === this.chosen);
    if (!step) { this.slip.hidden = true; this.chosen = ""; this.slipFor = ""; } else this.#fill(step);
  }

  choose(id) {
    this.chosen = this.chosen === id ? "" : id;
    for (const card of this.list.querySelectorAll(".card")) this.#mark(card);
    const step = this.state.steps.find((each) => each.id === this.chosen);
    this.slip.hidden = !step;
    this.slipFor = "";
    if (step) this.#fill(step);
  }

  #mark(card) {
    const chosen = card.dataset.step === this.chosen;
    card.classList.toggle("chosen", chosen);
    card.querySelector(".open").setAttribute("aria-expanded", String(chosen));
  }

  // ---------------------------------------------------------------- cards
  #cards() {
    const held = document.activeElement?.closest?.("#steps") ? document.activeElement.id : "";
    this.list.replaceChildren(...this.state.steps.map((step) => this.#card(step)));
    if (held) byId(held)?.focus();
  }

  #card(step) {
    const pictured = step.kind !== "measure";
    const card = make("div", { class: `card${step.on ? "" : " off"}`, "data-step": step.id },
      make("button", { class: "open", id: `open-${step.id}`, title: step.sentence, onclick: () => this.choose(step.id), onkeydown: (e) => this.#keys(e, step) }, step.id),
      make("input", { type: "checkbox", id: `on-${step.id}`, checked: step.on, "aria-label": `${step.id} is on`, title: "on or off", onchange: (e) => this.talk.act({ do: "set", values: { [`steps.${step.id}.on`]: String(e.target.checked) } }) }),
      pictured ? make("img", { alt: `${step.id}: where it changed the picture most, before and after`, "data-crop": step.id })
        : make("div", { class: "none" }, "measures"));
    this.#mark(card);
    const add = make("button", { class: "between", "aria-label": `Add a step after ${step.id}`, title: "add a step here", onclick: () => this.#adding(step.id) }, "+");
    return make("li", { class: "step" }, card, add);
  }

  #keys(event, step) {
    if (!event.altKey || !["ArrowLeft", "ArrowRight"].includes(event.key)) return;
    event.preventDefault();
    this.#move(step.id, event.key === "ArrowLeft" ? -1 : 1);
  }

  #move(id, by) {
    const order = this.state.steps.map((each) => each.id), at = order.indexOf(id);
    const before = by < 0 ? order[at - 1] : order[at + 2] ?? null;
    if (by < 0 ? at > 0 : at < order.length - 1) this.talk.act({ do: "move", step: id, before });
  }

  // Crops come when the picture is there and nothing has changed for a while.
  #crops() {
    const stamps = new Map((this.state.views ?? []).map((view) => [view.name === "joined" ? "joined" : view.name.replace("step:", ""), view.stamp]));
    clearTimeout(this.timer);
    this.timer = setTimeout(() => {
      for (const picture of this.list.querySelectorAll("img[data-crop]")) {
        const step = this.state.steps.find((each) => each.id === picture.dataset.crop);
        const name = step?.kind === "blend" ? "joined" : picture.dataset.crop, stamp = stamps.get(name);
        if (stamp && picture.dataset.stamp !== stamp) { picture.dataset.stamp = stamp; picture.src = `crop?step=${encodeURIComponent(name)}&stamp=${stamp}`; }
        if (!stamp) picture.removeAttribute("src");
      }
    }, 900);
  }

  #adding(after) {
    const at = this.state.steps.findIndex((each) => each.id === after);
    this.chosen = "";
    const offered = this.#stages.filter((stage) => !["blend"].includes(stage.kind) || !this.state.steps.some((s) => s.kind === "blend"));
    const choice = make("select", { id: "new-stage" }, offered.map((stage) => make("option", { value: stage.name }, stage.name)));
    const told = make("p", { class: "small" });
    const show = () => { const s = offered.find((each) => each.name === choice.value); told.textContent = s.sentence + (s.needs.length ? ` It needs: ${s.needs.join(", ")}.` : ""); rest.value = s.needs.map((n) => `${n}: `).join(", "); };
    const rest = make("input", { type: "text", id: "new-values", size: 30 });
    choice.addEventListener("change", show);
    const go = async () => {
      const values = rest.value.trim();
      const state = await this.talk.act({ do: "add", after, step: values ? `${choice.value}: {${values}}` : choice.value });
      if (state) this.choose(state.steps[at + 1].id);
    };
    this.slip.replaceChildren(make("header", {}, make("h2", {}, `A new step after ${after}`)), make("div", { class: "pair" },
      make("label", { for: "new-stage" }, "stage "), choice, make("label", { for: "new-values" }, " with "), rest, " ", make("button", { onclick: go }, "Add"), " ", make("button", { onclick: () => { this.slip.hidden = true; } }, "Leave it")), told);
    show();
    this.slip.hidden = false;
    this.slipFor = "adding";
    choice.focus();
  }

  // ---------------------------------------------------------------- the slip
  #fill(step) {
    const masks = this.state.masks.map((mask) => mask.name);
    const shape = JSON.stringify([step.id, masks, flat(step.values).map((v) => v.address), this.state.steps.length]);
    if (this.slipFor === shape) { this.#refresh(step); return; }
    this.slipFor = shape;
    const at = this.state.steps.indexOf(step);
    const rows = step.values.map((value) => this.#row(value));
    if (step.masked) {
      rows.unshift(this.#row({ name: "strength", address: `steps.${step.id}.strength`, value: String(step.strength), kind: "number", unit: "", low: 0, high: 1, choices: [], allowed: "0 to 1", default: "1", sentence: "How strongly the step applies: 0 not at all, 1 fully." }));
      const where = make("select", { id: "where-mask", "data-address": `steps.${step.id}.where`, onchange: (e) => this.talk.act({ do: "set", values: { [`steps.${step.id}.where`]: e.target.value || "null" } }) },
        make("option", { value: "" }, "everywhere"), masks.map((name) => make("option", { value: name }, name)), step.where === "in place" && make("option", { value: "in place", disabled: true }, "a mask written in place"));
      where.value = step.where ?? "";
      rows.unshift(make("div", { class: "value" }, make("label", { for: "where-mask" }, "where"), where, make("span", { class: "told" }, "Where the step applies: a named mask.")));
    }
    this.slip.replaceChildren(make("header", {}, make("h2", {}, `${at + 1}. ${step.id}`), make("span", { class: "small help" }, step.sentence),
      make("span", { class: "words" }, make("button", { disabled: at === 0, onclick: () => this.#move(step.id, -1), title: "Alt + left on the card" }, "Earlier"), make("button", { disabled: at === this.state.steps.length - 1, onclick: () => this.#move(step.id, 1), title: "Alt + right on the card" }, "Later"),
        make("button", { onclick: () => this.talk.act({ do: "remove", step: step.id }) }, "Remove"),
        make("button", { id: "side-by-side", title: "Five values of what was last touched, as samples of what is seen", onclick: () => this.strip?.(this.#lastNumber(step)) }, "Side by side"), make("button", { onclick: () => this.choose(step.id) }, "Close"))),
    make("div", { class: "values" }, rows));
  }

  // The sentence of the value at hand stands in the slip's head, so that the picture keeps its room.
  #help(event) {
    const told = event.target.closest?.(".value")?.querySelector(":scope > .told"), help = this.slip.querySelector(".help");
    if (told && help) help.textContent = told.textContent;
  }

  // The value last touched, or the first number: what it is and five values around the present one.
  #lastNumber(step) {
    const all = flat(step.values).filter((value) => value.kind === "number"), value = all.find((each) => each.address === this.touched) ?? all[0];
    if (!value) return null;
    const m = (value.value || "").match(NUMBER) ?? value.default.match(NUMBER) ?? ["", "0", ""], unit = m[2] || (value.unit.includes(" ") ? value.unit.split(" ").at(-1) : value.unit);
    const by = value.low !== null && value.high !== null && !STEPS[value.unit] ? Number(((value.high - value.low) / 16).toPrecision(1)) : (STEPS[value.unit]?.[0] ?? 0.1) * 3;
    const values = [-2, -1, 0, 1, 2].map((k) => Number((Number(m[1]) + k * (value.whole ? Math.ceil(by) : by)).toPrecision(6)))
      .filter((v) => (value.low === null || v >= value.low) && (value.high === null || v <= value.high)).map((v) => `${v}${unit}`);
    return { ...value, values };
  }

  #refresh(step) {
    const known = new Map(flat(step.values).map((value) => [value.address, value.value]));
    known.set(`steps.${step.id}.strength`, String(step.strength));
    for (const input of this.slip.querySelectorAll("[data-address]")) {
      if (input.dataset.address.endsWith(".where")) { input.value = step.where ?? ""; continue; }
      const value = known.get(input.dataset.address);
      if (value === undefined || input === document.activeElement) continue;
      if (input.type === "checkbox") input.checked = value === "true";
      else if (input.type === "range") { const m = value.match(NUMBER); if (m) input.value = m[1]; }
      else input.value = value;
    }
  }

  #row(value) {
    if (value.kind === "list" || value.kind === "group") {
      const entries = value.entries.map((entry, index) => make("div", { class: "entry" }, entry.map((each) => this.#row(each)),
        value.kind === "list" && make("button", { onclick: () => this.talk.act({ do: "set", values: { [value.address]: JSON.stringify(value.json.filter((_, k) => k !== index)) } }) }, "Remove")));
      const more = value.kind === "list" && make("button", { onclick: () => this.talk.act({ do: "set", values: { [value.address]: JSON.stringify([...value.json, value.json.at(-1) ?? value.template]) } }) }, "Add an entry");
      return make("div", { class: value.kind === "list" && !entries.length ? "value" : "value wide" }, make("label", {}, value.name), make("span", { class: "told" }, value.sentence), make("div", { class: "entries" }, entries, more));
    }
    const id = `v-${value.address}`, inputs = [];
    if (value.kind === "switch") inputs.push(make("input", { id, type: "checkbox", "data-address": value.address, checked: value.value === "true", onchange: (e) => this.#send(value, String(e.target.checked)) }));
    else if (value.kind === "choice") {
      const choice = make("select", { id, "data-address": value.address, onchange: (e) => this.#send(value, e.target.value) }, value.choices.map((each) => make("option", { value: each }, each)));
      choice.value = value.value;
      inputs.push(choice);
    } else inputs.push(...this.#number(value, id));
    return make("div", { class: "value" }, make("label", { for: id }, value.name), make("span", { class: "pair" }, inputs),
      make("span", { class: "told", id: `told-${value.address}` }, `${value.sentence.replaceAll("`", "")} ${value.allowed ? `Allowed: ${value.allowed.replaceAll("`", "")}.` : ""} Left out: ${value.default}.`));
  }

  #number(value, id) {
    const text = make("input", { id, type: "text", autocomplete: "off", spellcheck: "false", "data-address": value.address, "aria-label": value.name });
    text.value = value.value;
    const found = [text];
    const bounded = value.low !== null && value.high !== null && value.kind === "number";
    const range = bounded && make("input", { type: "range", min: String(value.low), max: String(value.high), step: "any", "data-address": value.address, "aria-label": `${value.name}, by moving` });
    let gesture = "";
    const begin = () => { gesture = `${value.address} ${++this.#gestures}`; };
    const put = (spelled) => { text.value = spelled; const m = spelled.match(NUMBER); if (range && m) range.value = m[1]; this.#send(value, spelled, gesture); };
    const turn = (by) => {
      const m = text.value.match(NUMBER) ?? value.default.match(NUMBER) ?? ["", value.low ?? "0", ""];
      let next = Number((Number(m[1]) + by).toPrecision(10));
      if (value.low !== null) next = Math.max(next, value.low);
      if (value.high !== null) next = Math.min(next, value.high);
      put(`${next}${m[2] || (value.unit.includes(" ") ? value.unit.split(" ").at(-1) : value.unit)}`);
    };
    const size = (e) => { const span = value.low !== null && value.high !== null ? (value.high - value.low) / 100 : 0.1; const [coarse, fine] = STEPS[value.unit] ?? (value.whole ? [1, 1] : [span, span / 10]); return e.shiftKey ? fine : coarse; };
    text.addEventListener("focus", () => { begin(); this.touched = value.address; });
    text.addEventListener("change", () => { if (text.value.trim()) this.#send(value, text.value.trim(), gesture); });
    text.addEventListener("keydown", (e) => {
      if (e.key === "Enter") text.dispatchEvent(new Event("change"));
      if (value.kind === "number" && ["ArrowUp", "ArrowDown"].includes(e.key)) { e.preventDefault(); turn(e.key === "ArrowUp" ? size(e) : -size(e)); }
    });
    text.addEventListener("wheel", (e) => { if (document.activeElement === text && value.kind === "number") { e.preventDefault(); turn((e.deltaY || e.deltaX) < 0 ? size(e) : -size(e)); } }, { passive: false });
    if (range) {
      const m = value.value.match(NUMBER) ?? value.default.match(NUMBER);
      range.value = m ? m[1] : String((value.low + value.high) / 2);
      const unit = () => text.value.match(NUMBER)?.[2] || value.unit;
      range.addEventListener("pointerdown", begin);
      range.addEventListener("focus", () => { begin(); this.touched = value.address; });
      range.addEventListener("input", () => { const span = value.high - value.low, places = value.whole ? 0 : Math.max(0, 3 - Math.floor(Math.log10(span || 1))); put(`${Number(Number(range.value).toFixed(places))}${unit()}`); });
      found.push(range);
    }
    for (const choice of value.choices) found.push(make("button", { onclick: () => { begin(); put(choice); } }, choice));
    return found;
  }

  #send(value, spelled, gesture = "") { this.talk.set({ [value.address]: spelled }, gesture); }
}

function flat(values) {
  return values.flatMap((value) => [value, ...(value.entries ?? []).flatMap((entry) => flat(entry))]);
}
