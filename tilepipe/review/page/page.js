// Puts the parts of the page together: buttons, keys, pointer, state and events.

import { Chain } from "./chain.js";
import { Drawing } from "./draw.js";
import { byId, make } from "./make.js";
import { Overlays } from "./overlays.js";
import { Sheets } from "./sheets.js";
import { fetchJson, Talk } from "./talk.js";
import { Viewer } from "./viewer.js";

const talk = new Talk(), viewer = new Viewer(byId("picture")), overlays = new Overlays(viewer), drawing = new Drawing(viewer);
const chain = new Chain(talk), sheets = new Sheets({ talk, viewer, overlays, drawing });
const canvas = viewer.canvas, message = byId("message");
let state = null, pointer = null, alive = true;
chain.strip = (value) => sheets.strip(value);
window.tilepipe = { talk, viewer, overlays, drawing, chain, sheets };

// ------------------------------------------------------------------ messages
function say(text, ...buttons) {
  message.replaceChildren(make("span", {}, text), ...buttons, make("button", { onclick: () => { message.hidden = true; } }, "Close"));
  message.hidden = false;
}

talk.addEventListener("refused", (event) => { say(event.detail.message); chain.slipFor = ""; if (state) chain.take(state); });
viewer.addEventListener("refused", (event) => { byId("busy").textContent = event.detail.map((f) => f.what).join("; "); });
viewer.addEventListener("gone", () => soon());

// Asks for the state anew; for a change (`revision`) only if this window has not been told of it in answer to its own.
let pending = 0;
function soon(revision) {
  if (revision === undefined) { pending ||= setTimeout(() => { pending = 0; talk.state().catch(lost); }, 40); return; }
  setTimeout(() => { if (state?.desk.revision !== revision) soon(); }, 150);
}

function lost() {
  if (!alive) return;
  alive = false;
  document.body.dataset.line = "lost";
  say("The server has ended. Nothing is lost: what was not saved is kept as a draft. Start `tilepipe review` again and open the address that it prints.");
}

// ------------------------------------------------------------------ state
talk.addEventListener("state", (event) => {
  const first = state === null;
  state = event.detail;
  byId("name").textContent = state.name;
  document.title = `${state.desk.saved ? "" : "• "}${state.name} – tilepipe review`;
  byId("saved").textContent = state.desk.saved ? "saved" : "not saved yet";
  byId("undo").disabled = !state.desk.undo;
  byId("redo").disabled = !state.desk.redo;
  byId("save").disabled = state.desk.saved;
  byId("busy").textContent = state.first_look ? "one frame, while all are measured" : state.busy;
  drawing.base = state.base;
  options(byId("seen"), [], viewer.seen);
  options(byId("beside"), [["", "nothing"]], viewer.beside);
  viewer.take(state);
  byId("seen").value = viewer.seen;
  byId("beside").value = viewer.beside;
  byId("divider").hidden = !viewer.beside;
  chain.take(state);
  sheets.take(state);
  overlays.take(state);
  if (state.fault) say(state.fault);
  else if (state.desk.elsewhere) say("The recipe's file was changed elsewhere while you have unsaved changes here.",
    make("button", { id: "keep-mine", onclick: () => { message.hidden = true; talk.act({ do: "keep mine" }); } }, "Keep what is here"),
    make("button", { id: "take-theirs", onclick: () => { message.hidden = true; talk.act({ do: "take theirs" }); } }, "Take what the file says (Undo brings this back)"));
  else if (state.desk.notice) say(state.desk.notice);
  else if (!first && document.body.dataset.line !== "lost") message.hidden = true;
  document.body.dataset.revision = String(state.desk.revision);
  document.body.dataset.ground = String(state.ground && state.fresh);
});

let quiet = 0;
function busy(text) {
  byId("busy").textContent = state?.first_look ? `one frame, while all are measured – ${text}` : text;
  clearTimeout(quiet);
  quiet = setTimeout(() => { if (!state?.busy) byId("busy").textContent = ""; }, 1500);
}

function options(select, extra, chosen) {
  const wanted = [...extra, ...(state.views ?? []).map((view) => [view.name, view.label])];
  if (JSON.stringify(wanted) === select.dataset.known) return;
  select.dataset.known = JSON.stringify(wanted);
  select.replaceChildren(...wanted.map(([value, text]) => make("option", { value }, text)));
  select.value = chosen;
}

talk.addEventListener("told", (event) => {
  const told = event.detail;
  if (told.event === "changed") soon(told.anew ? undefined : told.revision);
  else if (told.event === "busy") busy(told.text);
  else if (told.event === "run" && state) {
    sheets.told(told.run);
    if (["finished", "paused", "failed"].includes(told.run.state)) { sheets.forgetPlaces(); viewer.forgive(); soon(); }
  }
});
talk.addEventListener("line", (event) => {
  if (event.detail) { document.body.dataset.line = "open"; alive = true; soon(); return; }
  setTimeout(() => fetch("state").then((answer) => { if (!answer.ok) lost(); }, lost), 300);
});

// ------------------------------------------------------------------ buttons
const click = (id, work) => byId(id).addEventListener("click", work);
click("undo", () => talk.act({ do: "undo" }));
click("redo", () => talk.act({ do: "redo" }));
click("save", () => talk.act({ do: "save" }));
click("fit", () => viewer.fit());
click("one", () => one());
click("print", () => print());
click("keep", () => keep());
byId("surround").addEventListener("change", (event) => { viewer.surround = event.target.value; viewer.draw(); });
byId("seen").addEventListener("change", (event) => { viewer.seen = event.target.value; viewer.draw(); });
byId("beside").addEventListener("change", (event) => { viewer.beside = event.target.value; byId("divider").hidden = !viewer.beside; viewer.draw(); });

const one = () => (pointer ? viewer.zoomTo(1, ...pointer) : viewer.zoomTo(1));
const flip = (on) => { if (viewer.flipped !== on) { viewer.flipped = on; viewer.draw(); } };
for (const [name, on] of [["pointerdown", true], ["pointerup", false], ["pointerleave", false]]) byId("flip").addEventListener(name, () => flip(on));
byId("flip").addEventListener("keydown", (e) => { if (e.key === " " || e.key === "Enter") { e.preventDefault(); flip(true); } });
byId("flip").addEventListener("keyup", () => flip(false));

async function keep() {
  const now = await talk.act({ do: "keep" });
  const kept = now?.views.filter((view) => view.name.startsWith("kept:")).at(-1);
  if (kept) { viewer.beside = kept.name; byId("beside").value = kept.name; byId("divider").hidden = false; viewer.draw(); }
}

// The print's size on this screen, from the screen's pixels per inch and the print's.
function print() {
  const screen = make("input", { type: "number", id: "screen-ppi", value: localStorage.getItem("screen-ppi") ?? "110", min: "40", max: "600" });
  const paper = make("input", { type: "number", id: "print-ppi", value: localStorage.getItem("print-ppi") ?? "300", min: "40", max: "1200" });
  say("Print size:", make("label", {}, "this screen has ", screen, " pixels per inch, "), make("label", {}, "the print ", paper), make("button", { id: "print-show", onclick: () => {
    localStorage.setItem("screen-ppi", screen.value);
    localStorage.setItem("print-ppi", paper.value);
    viewer.zoomTo(Number(screen.value) * viewer.ratio / Number(paper.value));
  } }, "Show"));
}

// ------------------------------------------------------------------ pointer
const at = (event) => { const box = canvas.getBoundingClientRect(); return [(event.clientX - box.left) * viewer.ratio, (event.clientY - box.top) * viewer.ratio]; };
let dragged = null;
canvas.addEventListener("pointerdown", (event) => {
  if (event.button > 0) return;
  canvas.setPointerCapture(event.pointerId);
  const place = at(event);
  if (drawing.press(event, viewer.toWorld(...place))) return;
  if (event.altKey) { sheets.ask(...viewer.toWorld(...place)); return; }
  dragged = place;
});
canvas.addEventListener("pointermove", (event) => {
  pointer = at(event);
  readSoon();
  if (drawing.move(event, viewer.toWorld(...pointer))) return;
  if (dragged) { viewer.moveBy(pointer[0] - dragged[0], pointer[1] - dragged[1]); dragged = pointer; }
});
canvas.addEventListener("pointerup", () => { drawing.release(); dragged = null; });
canvas.addEventListener("dblclick", () => { if (drawing.kind === "polygon") { drawing.points.pop(); drawing.close(); } });
canvas.addEventListener("pointerleave", () => { byId("where").textContent = ""; });
canvas.addEventListener("wheel", (event) => { event.preventDefault(); viewer.zoomTo(viewer.scale * Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0016)), ...at(event)); }, { passive: false });

let reading = false;
function readSoon() { if (!reading) { reading = true; setTimeout(read, 60); } }
async function read() {
  if (pointer && state?.ground) {
    const [x, y] = viewer.toWorld(...pointer), { width, height } = viewer.world;
    const stops = (v) => (v === null || v === undefined ? "–" : `${v >= 0 ? "+" : "−"}${Math.abs(v).toFixed(2)} EV`);
    if (x < -0.5 || y < -0.5 || x > width - 0.5 || y > height - 0.5) byId("where").textContent = "";
    else try {
      const view = viewer.seen === "result" ? "finished" : viewer.seen, told = await fetchJson(`point?view=${encodeURIComponent(view)}&x=${x}&y=${y}`);
      byId("where").textContent = `x ${Math.round(x)}, y ${Math.round(y)}${told.codes ? ` · ${told.codes.join(" ")} · ${stops(told.stops)}${told.scene !== undefined ? ` · scene ${stops(told.scene)}` : ""}` : ""}`;
    } catch { /* the next move asks again */ }
  }
  reading = false;
}

// ------------------------------------------------------------------ divider
const divider = byId("divider");
const place = (share) => { viewer.split = Math.min(Math.max(share, 0), 1); divider.style.left = `${viewer.split * 100}%`; divider.setAttribute("aria-valuenow", String(Math.round(viewer.split * 100))); viewer.draw(); };
place(0.5);
divider.addEventListener("pointerdown", (event) => divider.setPointerCapture(event.pointerId));
divider.addEventListener("pointermove", (event) => { if (divider.hasPointerCapture(event.pointerId)) { const box = canvas.getBoundingClientRect(); place((event.clientX - box.left) / box.width); } });
divider.addEventListener("keydown", (event) => { const by = { ArrowLeft: -0.02, ArrowRight: 0.02 }[event.key]; if (by) { event.preventDefault(); event.stopPropagation(); place(viewer.split + by); } });

// ------------------------------------------------------------------ keys
const typing = (target) => target.matches?.("input:not([type=checkbox]), select, textarea");
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey) {
    const key = event.key.toLowerCase();
    if (key === "s") { event.preventDefault(); document.activeElement?.blur?.(); talk.act({ do: "save" }); }
    if (key === "z" && !typing(event.target)) { event.preventDefault(); talk.act({ do: event.shiftKey ? "redo" : "undo" }); }
    return;
  }
  if (typing(event.target) || event.altKey) return;
  if (drawing.active && ["Enter", "Escape", "Backspace"].includes(event.key)) {
    event.preventDefault();
    if (event.key === "Enter") drawing.close();
    else if (event.key === "Escape") drawing.begin("");
    else { drawing.points.pop(); viewer.draw(); }
    return;
  }
  const step = 80 * viewer.ratio, onPicture = event.target === canvas || event.target === document.body;
  const work = { f: () => viewer.fit(), o: one, p: print, k: keep, h: () => flip(true), b: () => surround(), n: () => sheets.step(1), N: () => sheets.step(-1), w: () => pointer && sheets.ask(...viewer.toWorld(...pointer)),
    "+": () => viewer.zoomTo(viewer.scale * 1.25, ...(pointer ?? [])), "-": () => viewer.zoomTo(viewer.scale / 1.25, ...(pointer ?? [])) }[event.key.length === 1 && event.key !== "N" ? event.key.toLowerCase() : event.key]
    ?? (onPicture && { ArrowLeft: () => viewer.moveBy(step, 0), ArrowRight: () => viewer.moveBy(-step, 0), ArrowUp: () => viewer.moveBy(0, step), ArrowDown: () => viewer.moveBy(0, -step) }[event.key]);
  if (work) { event.preventDefault(); work(); }
});
document.addEventListener("keyup", (event) => { if (event.key.toLowerCase() === "h") flip(false); });

function surround() {
  const select = byId("surround");
  select.selectedIndex = (select.selectedIndex + 1) % select.options.length;
  viewer.surround = select.value;
  viewer.draw();
}

viewer.addEventListener("moved", () => { byId("zoom").textContent = `${(viewer.scale * 100).toFixed(viewer.scale < 0.1 ? 1 : 0)} % · ${viewer.bits ?? ""}`; });

// ------------------------------------------------------------------ begin
fetchJson("words").then((words) => chain.words(words.stages));
talk.state().then(() => talk.listen(), lost);
