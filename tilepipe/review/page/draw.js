// Masks drawn on the picture: figures by clicks, drags and strokes, as fractions of the base frame.

import { apply } from "./viewer.js";

const round = (v) => Math.round(v * 1e5) / 1e5;

export class Drawing extends EventTarget {
  kind = "";
  points = []; // in world pixels; strokes carry pressure as a third number
  radius = 3; // per cent of the shorter side
  hardness = 0.5;
  soft = 1; // per cent
  #down = false;

  constructor(viewer) {
    super();
    this.viewer = viewer;
    viewer.overlays.push((c) => this.#show(c));
  }

  begin(kind) {
    this.kind = kind;
    this.points = [];
    this.viewer.canvas.classList.toggle("drawing", Boolean(kind));
    this.viewer.draw();
  }

  get active() { return Boolean(this.kind); }

  // ---------------------------------------------------------------- the pointer
  press(event, place) {
    if (!this.kind) return false;
    this.#down = true;
    if (this.kind === "polygon") this.points.push(place);
    else this.points = [this.#with(place, event)];
    this.viewer.draw();
    return true;
  }

  move(event, place) {
    if (!this.kind || !this.#down) return this.active;
    if (this.kind === "stroke") {
      const last = this.points.at(-1);
      if (Math.hypot(place[0] - last[0], place[1] - last[1]) * this.viewer.scale > 4) this.points.push(this.#with(place, event));
    } else if (this.kind !== "polygon") this.points[1] = place;
    this.viewer.draw();
    return true;
  }

  release() {
    if (!this.kind || !this.#down) return this.active;
    this.#down = false;
    if (this.kind !== "polygon") this.close();
    return true;
  }

  #with(place, event) {
    const pressure = event.pointerType === "pen" ? event.pressure : 1;
    return this.kind === "stroke" ? [...place, pressure] : place;
  }

  close() {
    const mask = this.mask();
    const box = this.kind === "range" && this.points.length > 1 ? this.points.map((p) => this.fraction(p)) : null;
    const kind = this.kind;
    this.begin("");
    if (mask || box) this.dispatchEvent(new CustomEvent("drawn", { detail: { mask, box, kind } }));
  }

  // ---------------------------------------------------------------- figures
  fraction([x, y, pressure]) {
    const [bx, by] = apply(this.viewer.world.to_base, x, y), base = this.base;
    const at = [round((bx + 0.5) / base.width), round((by + 0.5) / base.height)];
    return pressure === undefined || pressure === 1 ? at : [...at, round(pressure)];
  }

  mask() {
    const p = this.points, f = p.map((each) => this.fraction(each));
    if (this.kind === "polygon") return p.length > 2 ? { polygon: { points: f, soft: `${this.soft}%` } } : null;
    if (this.kind === "gradient") return p.length > 1 ? { gradient: { full: f[0], nothing: f[1] } } : null;
    if (this.kind === "stroke") return p.length > 1 ? { stroke: { points: f, radius: `${this.radius}%`, hardness: this.hardness } } : null;
    if (this.kind !== "ellipse" || p.length < 2) return null;
    const [a, b] = p, shorter = Math.min(this.base.width, this.base.height);
    const to = this.viewer.world.to_base, grow = Math.hypot(to[0][0], to[1][0]), turn = Math.atan2(to[1][0], to[0][0]) * 180 / Math.PI;
    const size = (v) => `${Math.max(round(v * grow / shorter * 100), 0.01)}%`;
    const figure = { centre: this.fraction([(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]), width: size(Math.abs(a[0] - b[0])), height: size(Math.abs(a[1] - b[1])), soft: `${this.soft}%` };
    if (Math.abs(turn) > 0.001) figure.turn = `${round(turn)}deg`;
    return { ellipse: figure };
  }

  #show(c) {
    if (!this.points.length) return;
    const s = this.points.map((p) => this.viewer.toScreen(p[0], p[1])), k = this.viewer.ratio;
    c.lineJoin = c.lineCap = "round";
    if (this.kind === "stroke") {
      const shorter = Math.min(this.base.width, this.base.height);
      c.globalAlpha = 0.45;
      c.lineWidth = 2 * this.radius / 100 * shorter * this.viewer.scale;
      c.strokeStyle = "#fff";
      c.beginPath();
      s.forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
      c.stroke();
      c.globalAlpha = 1;
    }
    for (const [style, width] of [["#fff", 4], ["#000", 1.6]]) {
      c.strokeStyle = style;
      c.lineWidth = width * k;
      c.beginPath();
      if ((this.kind === "ellipse" || this.kind === "range") && s.length > 1) {
        const [[x0, y0], [x1, y1]] = s;
        if (this.kind === "range") c.rect(Math.min(x0, x1), Math.min(y0, y1), Math.abs(x1 - x0), Math.abs(y1 - y0));
        else c.ellipse((x0 + x1) / 2, (y0 + y1) / 2, Math.abs(x1 - x0) / 2, Math.abs(y1 - y0) / 2, 0, 0, 7);
      } else s.forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
      if (this.kind === "gradient" && s.length > 1) {
        const [[x0, y0], [x1, y1]] = s, dx = -(y1 - y0) * 0.5, dy = (x1 - x0) * 0.5;
        c.moveTo(x0 - dx, y0 - dy); c.lineTo(x0 + dx, y0 + dy);
        c.moveTo(x1 - dx / 3, y1 - dy / 3); c.lineTo(x1 + dx / 3, y1 + dy / 3);
      }
      c.stroke();
      if (this.kind === "polygon") for (const [x, y] of s) c.strokeRect(x - 3 * k, y - 3 * k, 6 * k, 6 * k);
    }
  }
}
