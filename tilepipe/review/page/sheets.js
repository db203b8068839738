// The sheets beside the picture: what to look at, masks, figures, the full run, keys.

import { byId, make } from "./make.js";
import { hatch } from "./overlays.js";
import { fetchJson } from "./talk.js";

const KEYS = [["Arrows", "move the picture"], ["+ and −, wheel", "zoom at the pointer"], ["F", "the whole picture"], ["O", "1 : 1"], ["P", "print size"],
  ["hold H", "see the other picture"], ["K", "keep this state to compare with"], ["N, Shift + N", "next and previous of the worst places"], ["W", "why the pixel under the pointer is as it is"],
  ["B", "next surround"], ["Enter, Backspace, Escape", "close a polygon, take back a corner, stop drawing"], ["Ctrl + Z, Ctrl + Shift + Z", "undo, redo"], ["Ctrl + S", "save"], ["Alt + ← →", "move a step, on its card"]];

export class Sheets {
  open = "";
  places = [];
  at = -1;

  constructor({ talk, viewer, overlays, drawing }) {
    Object.assign(this, { talk, viewer, overlays, drawing });
    this.sheet = byId("sheet");
    for (const button of document.querySelectorAll("[data-sheet]")) button.addEventListener("click", () => this.show(this.open === button.dataset.sheet ? "" : button.dataset.sheet));
    drawing.addEventListener("drawn", (event) => this.#drawn(event.detail));
    viewer.addEventListener("moved", () => { if (this.open === "figures") this.#figuresSoon(); });
  }

  show(name) {
    this.open = name;
    for (const button of document.querySelectorAll("[data-sheet]")) button.setAttribute("aria-expanded", String(button.dataset.sheet === name));
    this.sheet.hidden = !name;
    if (name) this.#render();
  }

  take(state) {
    this.state = state;
    const shape = JSON.stringify([state.masks, state.groups, state.spots, state.frames, state.steps.map((s) => s.id), state.ground]);
    if (this.open && (this.open === "run" || this.open === "look" || this.open === "masks") && shape !== this.seen) this.#render();
    this.seen = shape;
  }

  told(run) {
    this.state.run = run;
    if (this.open === "run") this.#render();
  }

  #render() {
    const held = document.activeElement?.id, top = this.sheet.scrollTop;
    this.sheet.replaceChildren(...this[`_${this.open}`]());
    this.sheet.scrollTop = top;
    if (held && this.sheet.contains(byId(held))) byId(held).focus();
  }

  // ---------------------------------------------------------------- look at
  _look() {
    const kinds = Object.entries(this.state.layers).map(([kind, text]) => {
      const swatch = make("canvas", { class: "swatch", width: 34, height: 20 }), c = swatch.getContext("2d");
      c.fillStyle = "#9a9a9a";
      c.fillRect(0, 0, 34, 20);
      c.fillStyle = hatch(kind, c);
      c.fillRect(0, 0, 34, 20);
      return make("label", {}, make("input", { type: "checkbox", id: `layer-${kind}`, checked: this.overlays.shown.has(kind), onchange: (e) => { this.overlays.shown[e.target.checked ? "add" : "delete"](kind); this.overlays.refresh(); } }), swatch, make("span", {}, text));
    });
    const places = make("ol", {}, this.places.map((place, k) => make("li", {}, make("button", { class: "place", "aria-current": String(k === this.at), onclick: () => this.step(k - this.at) }, place.text))));
    return [make("h2", {}, "Look at"), ...kinds, make("h3", {}, "The worst places of the last run"),
      this.places.length ? places : make("p", { class: "small" }, this.asked ? "None: there was no run yet, or nothing to tell." : "Press N to step through them."),
      make("h3", {}, "What moved"), ...this.#groups(), ...this.#spots(), make("h3", {}, "Why is this pixel so?"), make("p", { class: "small" }, "Point at it and press W, or click the picture with Alt."), ...(this.why ? [make("pre", { id: "why" }, this.why)] : [])];
  }

  #groups() {
    const groups = this.state.groups ?? [];
    if (!groups.length) return [make("p", { class: "small" }, "Nothing that was told apart from noise.")];
    const frames = (this.state.frames ?? []).map((frame, k) => [String(k + 1), `frame ${k + 1}: ${frame.name}, ${frame.light >= 0 ? "+" : "−"}${Math.abs(frame.light).toFixed(1)} EV`]);
    return [make("ol", {}, groups.slice(0, 30).map((group) => {
      const choice = make("select", { id: `group-${group.id}`, "aria-label": `Frame for group ${group.id}`, onchange: (e) => this.talk.act({ do: "group", group: group.id, frame: e.target.value }) },
        [...frames, ["average", "the mean of all"], ["merge", "merged, as if nothing moved"]].map(([value, text]) => make("option", { value }, text)));
      choice.value = group.name === "average" ? "average" : String(group.frame + 1);
      const go = () => { const base = this.state.base; this.#goBase(group.at[0] * base.width, group.at[1] * base.height); };
      return make("li", {}, make("button", { onclick: go }, `${group.window[2]} × ${group.window[3]} px`), " ", choice, make("div", { class: "small" }, group.why));
    }))];
  }

  #spots() {
    const spots = this.state.spots ?? [];
    if (!spots.length) return [];
    const base = this.state.base, choose = (spot, what) => this.talk.act({ do: "spot", spot: spot.id, what });
    return [make("h3", {}, "Spots of dirt"), make("ol", {}, spots.slice(0, 60).map((spot) => make("li", {}, make("button", { onclick: () => this.#goBase(spot.at[0] * base.width - 0.5, spot.at[1] * base.height - 0.5, 1) }, spot.id), ` ${spot.what === "healed" ? "healed" : "stays"} `,
      make("button", { id: `accept-${spot.id}`, disabled: spot.what === "healed", onclick: () => choose(spot, "accept") }, "Heal"), " ", make("button", { id: `refuse-${spot.id}`, onclick: () => choose(spot, "refuse") }, "Leave"), make("div", { class: "small" }, (spot.reasons ?? []).join("; ")))))];
  }

  #goBase(x, y, scale) {
    const m = this.viewer.world.to_base, det = m[0][0] * m[1][1] - m[0][1] * m[1][0], u = x - m[0][2], v = y - m[1][2];
    const place = [(m[1][1] * u - m[0][1] * v) / det, (m[0][0] * v - m[1][0] * u) / det];
    this.overlays.place = place;
    this.viewer.goTo(...place, scale ?? Math.max(this.viewer.scale, 0.5));
  }

  async step(by) {
    if (!this.places.length) { this.places = await fetchJson("worst"); this.asked = true; this.at = by > 0 ? -1 : 0; }
    if (this.places.length) {
      this.at = (this.at + by + this.places.length) % this.places.length;
      const place = this.places[this.at];
      this.#goBase(...place.base, 1);
      byId("what").textContent = `${this.at + 1} of ${this.places.length}: ${place.text}`;
      this.viewer.canvas.dataset.place = String(this.at);
    } else byId("what").textContent = "no worst places are known: run the recipe once";
    if (this.open === "look") this.#render();
  }

  forgetPlaces() { this.places = []; this.at = -1; this.asked = false; }

  async ask(x, y) {
    this.why = "looking at the full-size picture there …";
    this.overlays.place = [x, y];
    this.viewer.draw();
    this.show("look");
    try {
      this.why = (await fetchJson(`why?x=${Math.round(x)}&y=${Math.round(y)}`)).lines.join("\n");
    } catch (error) { this.why = error.message; }
    this.#render();
    byId("why").scrollIntoView({ block: "nearest" });
  }

  // ---------------------------------------------------------------- values side by side
  strip(value) {
    if (!value) return;
    this.stripped = value;
    this.show("strip");
  }

  _strip() {
    const value = this.stripped, { x, y, space } = this.viewer;
    return [make("h2", {}, `${value.name}: side by side`), make("p", { class: "small" }, "Around the middle of what is seen. Click one to take it."),
      ...value.values.map((each) => make("button", { class: "sample", "data-value": each, onclick: () => this.talk.set({ [value.address]: each }) },
        make("img", { alt: `${value.name} ${each}`, src: `sample?${new URLSearchParams({ address: value.address, value: each, x, y, space, rev: this.state.desk.revision })}` }), make("span", {}, each))),
      make("div", { class: "row" }, make("button", { onclick: () => this.#render() }, "Again, here"), make("button", { onclick: () => this.show("") }, "Close"))];
  }

  // ---------------------------------------------------------------- masks
  _masks() {
    const { drawing, overlays } = this;
    const tools = [["polygon", "Polygon"], ["ellipse", "Ellipse"], ["gradient", "Gradient"], ["stroke", "Stroke"]];
    const ranges = [["luminance", "Brightness"], ["hue", "Hue"], ["chroma", "Chroma"]];
    const number = (id, label, from, to, step) => make("label", {}, label, make("input", { type: "number", id: `draw-${id}`, min: String(from), max: String(to), step: String(step), value: String(drawing[id]), oninput: (e) => { drawing[id] = Number(e.target.value); } }));
    const start = (kind, range) => { overlays.mask = ""; overlays.refresh(); this.range = range; drawing.begin(kind); byId("what").textContent = HINTS[kind]; this.viewer.canvas.focus(); };
    const names = this.state.masks.map((mask) => mask.name);
    const target = make("select", { id: "draw-target", onchange: (e) => { this.target = e.target.value; } }, make("option", { value: "" }, "a new mask"),
      names.flatMap((name) => [make("option", { value: `add ${name}` }, `added to ${name}`), make("option", { value: `erase ${name}` }, `taken from ${name}`)]));
    target.value = this.target ?? "";
    if (target.selectedIndex < 0) { target.value = ""; this.target = ""; }
    const user = make("select", { id: "draw-step", onchange: (e) => { this.user = e.target.value; } }, make("option", { value: "" }, "no step yet"), this.state.steps.filter((s) => s.masked).map((s) => make("option", { value: s.id }, s.id)));
    user.value = this.user ?? "";
    if (user.selectedIndex < 0) user.value = "";
    const shown = make("select", { id: "mask-shown", onchange: (e) => { overlays.mask = e.target.value; overlays.refresh(); byId("what").textContent = overlays.mask && `mask ${overlays.mask}`; } }, make("option", { value: "" }, "none"), names.map((name) => make("option", { value: name }, name)));
    shown.value = names.includes(overlays.mask) ? overlays.mask : "";
    return [make("h2", {}, "Masks"), make("h3", {}, "Draw on the picture"),
      make("div", { class: "row" }, tools.map(([kind, text]) => make("button", { id: `draw-${kind}`, "aria-pressed": String(drawing.kind === kind), onclick: () => start(kind) }, text))),
      make("div", { class: "row" }, make("span", { class: "small" }, "or pick by dragging over an example:"), ranges.map(([kind, text]) => make("button", { id: `pick-${kind}`, onclick: () => start("range", kind) }, text))),
      make("label", {}, "what is drawn becomes ", target), make("label", {}, "and is used by ", user),
      number("radius", "radius of strokes, % ", 0.05, 30, 0.1), number("hardness", "their hardness, 0 to 1 ", 0, 1, 0.05), number("soft", "soft rim of figures, % ", 0, 50, 0.1),
      make("h3", {}, "See a mask"), make("label", {}, "shown ", shown),
      make("label", {}, make("input", { type: "checkbox", id: "mask-grey", checked: overlays.greyMask, onchange: (e) => { overlays.greyMask = e.target.checked; this.viewer.draw(); } }), "in grey (else a veil over what it leaves out)"),
      make("h3", {}, "In this recipe"),
      names.length ? make("ul", {}, this.state.masks.map((mask) => this.#mask(mask))) : make("p", { class: "small" }, "No masks are named.")];
  }

  #mask(mask) {
    const text = make("textarea", { id: `text-${mask.name}`, rows: 3, spellcheck: "false", "aria-label": `Mask ${mask.name} as the recipe writes it` });
    text.value = mask.spelled;
    return make("li", {}, `${mask.name}: ${mask.kind}${mask.used_by.length ? `, used by ${mask.used_by.join(", ")}` : ", not used"}`,
      make("details", {}, make("summary", {}, "as the recipe writes it"), text, make("button", { onclick: () => this.talk.act({ do: "mask", name: mask.name, mask: text.value }).then(() => this.overlays.refresh()) }, "Change")));
  }

  async #drawn({ mask, box, kind }) {
    if (box) {
      const [a, b] = box, step = this.user || "";
      try { mask = await fetchJson(`range?kind=${this.range}&step=${encodeURIComponent(step)}&box=${[a[0], a[1], b[0], b[1]]}`); } catch (error) { this.talk.dispatchEvent(new CustomEvent("refused", { detail: error })); return; }
      kind = this.range;
    }
    const [how, known] = (this.target ?? "").split(" ");
    let name = known, done;
    if (known) done = await this.talk.act({ do: "join-mask", name, how, mask });
    else {
      const taken = new Set(this.state.masks.map((each) => each.name));
      for (let k = 1; !name || taken.has(name); k++) name = `${kind}-${k}`;
      done = await this.talk.act({ do: "mask", name, mask, step: this.user || null });
    }
    if (done) { this.overlays.mask = name; this.overlays.refresh(); byId("what").textContent = `mask ${name}`; }
    if (this.open === "masks") this.#render();
  }

  // ---------------------------------------------------------------- figures
  _figures() {
    this.#figuresSoon();
    return [make("h2", {}, "Figures of what is seen"), make("h3", {}, "How many pixels have which code value"),
      make("canvas", { id: "histogram", width: 512, height: 180, role: "img", "aria-label": "Histogram: lines for red (solid), green (dashed), blue (dotted)" }), make("p", { class: "small" }, "red solid, green dashed, blue dotted; left black, right white"),
      make("h3", {}, "Brightness from left to right"), make("img", { class: "figure", id: "waveform", alt: "Waveform: code values of green over the width of the part" }), make("p", { class: "small" }, "each column is a column of the picture; bright above")];
  }

  #figuresSoon() {
    clearTimeout(this.figuresTimer);
    this.figuresTimer = setTimeout(() => this.#figuresNow(), 200);
  }

  async #figuresNow() {
    if (this.open !== "figures" || !this.state.ground) return;
    const view = this.viewer.seen === "result" ? "finished" : this.viewer.seen, asked = `view=${encodeURIComponent(view)}&box=${this.viewer.box.map((v) => v.toFixed(5))}&rev=${this.state.desk.revision}`;
    const counts = await fetchJson(`figures?${asked}`), canvas = byId("histogram");
    if (!canvas) return;
    byId("waveform").src = `waveform?${asked}`;
    const c = canvas.getContext("2d"), most = Math.max(...["red", "green", "blue"].flatMap((name) => counts[name].slice(1, -1)), 1);
    c.fillStyle = "#fff";
    c.fillRect(0, 0, 512, 180);
    c.lineWidth = 2;
    for (const [name, style, dash] of [["red", "#a02a1c", []], ["green", "#1d6b2f", [7, 4]], ["blue", "#2747a8", [2, 3]]]) {
      c.strokeStyle = style;
      c.setLineDash(dash);
      c.beginPath();
      counts[name].forEach((count, k) => c.lineTo(k * 4 + 2, 178 - 172 * Math.min(Math.sqrt(count / most), 1)));
      c.stroke();
    }
    canvas.dataset.done = String(this.state.desk.revision);
  }

  // ---------------------------------------------------------------- run
  _run() {
    const run = this.state.run, going = run.state === "running" || run.state === "pausing";
    const words = { idle: "Not started.", running: "Running.", pausing: "Pausing: the tiles in flight are being finished.", paused: "Paused. What is finished is kept.", finished: `Finished in ${run.seconds} s.`, failed: "It ended with a fault; see the log." };
    const last = run.passes.at(-1);
    const passes = run.passes.map((pass) => make("li", {}, `${pass.name}: ${pass.done} of ${pass.tiles}`));
    const squares = last && make("div", { class: "squares", role: "img", "aria-label": `${last.done} of ${last.tiles} tiles` }, Array.from({ length: Math.min(last.tiles, 600) }, (_, k) => make("i", { class: k < last.done * Math.min(last.tiles, 600) / last.tiles ? "done" : "" })));
    return [make("h2", {}, "The full run"), make("p", { id: "run-state", role: "status" }, words[run.state]),
      make("div", { class: "row" }, make("button", { id: "plan", onclick: () => this.#plan() }, "What it would take"), make("button", { id: "start", disabled: going, onclick: () => this.talk.act({ do: "run" }) }, run.state === "paused" ? "Go on" : "Save and start"),
        make("button", { id: "pause", disabled: run.state !== "running", onclick: () => this.talk.act({ do: "pause" }) }, "Pause")),
      this.plan && make("p", { id: "planned" }, this.plan), last && make("h3", {}, last.name), squares, passes.length > 0 && make("ol", {}, passes), run.receipt && make("p", { class: "small" }, `receipt: ${run.receipt}`),
      run.log.length > 0 && make("pre", { tabindex: 0, "aria-label": "Log" }, run.log.join("\n"))].filter(Boolean);
  }

  async #plan() {
    try {
      const plan = await fetchJson("plan"), size = (bytes) => `${(bytes / 2 ** 30).toFixed(2)} GiB`;
      this.plan = `About ${plan.seconds < 90 ? `${Math.ceil(plan.seconds)} s` : `${Math.ceil(plan.seconds / 60)} min`}; memory ${size(plan.memory_bytes)}; disk ${size(plan.scratch_bytes)} while it works, ${size(plan.output_bytes)} of results; ${plan.tiles} tiles in ${plan.passes.length} passes.`;
    } catch (error) { this.plan = error.message; }
    this.#render();
  }

  _keys() {
    return [make("h2", {}, "Keys"), make("ul", {}, KEYS.map(([key, text]) => make("li", {}, make("strong", {}, key), `: ${text}`)))];
  }
}

export const HINTS = {
  polygon: "click the corners; Enter or a double click closes the figure", ellipse: "drag from one corner of its frame to the other", gradient: "drag from where the mask is full to where it is nothing",
  stroke: "paint over the place; a pen's pressure counts", range: "drag a frame over an example of what is meant", "": "",
};

