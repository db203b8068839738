// The picture: a canvas that draws tiles of any view at any zoom, two views side by side, and what is laid over them.

const TILE = 512; // of final bits and of stored pictures
const LARGE = 1280; // of reduced pictures: mostly one, so that a change is asked for and painted once
const PATIENCE_MS = 80; // how long a tile waits for others before they are painted
const MOST_BYTES = 320 << 20;
const QUIET_MS = 350; // how long nothing may have changed before final bits are asked for
const AT_ONCE = 4;

export const apply = (m, x, y) => [m[0][0] * x + m[0][1] * y + m[0][2], m[1][0] * x + m[1][1] * y + m[1][2]];

export class Viewer extends EventTarget {
  world = { width: 1, height: 1 };
  views = new Map();
  seen = "finished";
  beside = "";
  split = 0.5;
  flipped = false;
  surround = "grey";
  overlays = []; // functions (context, viewer)
  space = matchMedia("(color-gamut: p3)").matches ? "display-p3" : "srgb";
  #tiles = new Map();
  #bytes = 0;
  #loading = new Map();
  #stale = new Map();
  #wanted = [];
  #patience = 0;
  #failed = new Set();
  #changed = 0;
  #frame = 0;
  #fitted = true;

  constructor(canvas) {
    super();
    this.canvas = canvas;
    this.context = canvas.getContext("2d", { alpha: false, colorSpace: this.space });
    this.x = this.y = 0;
    this.scale = 1;
    new ResizeObserver(() => this.#resize()).observe(canvas);
    this.#resize();
  }

  #resize() {
    this.ratio = devicePixelRatio || 1;
    this.canvas.width = Math.max(Math.round(this.canvas.clientWidth * this.ratio), 1);
    this.canvas.height = Math.max(Math.round(this.canvas.clientHeight * this.ratio), 1);
    if (this.#fitted) this.fit(); else this.draw();
  }

  // ---------------------------------------------------------------- what is shown
  take(state) {
    if (!state.views) return;
    const first = this.views.size === 0;
    this.world = state.world;
    const views = new Map();
    for (const view of state.views) {
      const old = this.views.get(view.name);
      if (old && old.stamp !== view.stamp) { this.#stale.set(view.name, old.stamp); this.#changed = performance.now(); }
      views.set(view.name, view);
    }
    this.views = views;
    if (!views.has(this.seen)) this.seen = "finished";
    if (!views.has(this.beside)) this.beside = "";
    for (const [key, stop] of this.#loading) if (!this.#current(key)) stop.abort();
    if (first || this.#fitted) this.fit(); else this.draw();
  }

  #current(key) {
    const [name, stamp] = key.split("|");
    return this.views.get(name)?.stamp === stamp;
  }

  fit() {
    const { width, height } = this.world;
    this.scale = Math.min(this.canvas.width / width, this.canvas.height / height) * 0.97;
    this.x = (width - 1) / 2;
    this.y = (height - 1) / 2;
    this.#fitted = true;
    this.draw();
  }

  zoomTo(scale, px = this.canvas.width / 2, py = this.canvas.height / 2) {
    const [wx, wy] = this.toWorld(px, py);
    const least = Math.min(this.canvas.width / this.world.width, this.canvas.height / this.world.height) / 4;
    const view = this.views.get(this.seen), finest = view ? 1 / (Math.hypot(view.to_world[0][0], view.to_world[1][0]) / (view.final?.[0] ?? 1)) : 1;
    this.scale = Math.min(Math.max(scale, least), 32 * Math.max(finest, 1));
    this.x = wx - (px - this.canvas.width / 2) / this.scale;
    this.y = wy - (py - this.canvas.height / 2) / this.scale;
    this.#moved();
  }

  moveBy(dx, dy) { this.x -= dx / this.scale; this.y -= dy / this.scale; this.#moved(); }

  goTo(x, y, scale = this.scale) { this.x = x; this.y = y; this.scale = scale; this.#moved(); }

  #moved() {
    this.#fitted = false;
    this.x = Math.min(Math.max(this.x, 0), this.world.width - 1);
    this.y = Math.min(Math.max(this.y, 0), this.world.height - 1);
    this.draw();
  }

  toWorld(px, py) {
    return [(px - this.canvas.width / 2) / this.scale + this.x, (py - this.canvas.height / 2) / this.scale + this.y];
  }

  toScreen(wx, wy) {
    const [dx, dy] = this.#shift();
    return [wx * this.scale + dx, wy * this.scale + dy];
  }

  #shift() {
    const dx = this.canvas.width / 2 - this.x * this.scale, dy = this.canvas.height / 2 - this.y * this.scale;
    // Whole picture pixels on whole screen pixels: nothing is smeared at 1 : 1.
    return this.scale >= 1 ? [Math.round(dx - 0.5 * this.scale) + 0.5 * this.scale, Math.round(dy - 0.5 * this.scale) + 0.5 * this.scale] : [dx, dy];
  }

  // The part of the world that is seen: left, top, right, bottom as shares of the picture.
  get box() {
    const [x0, y0] = this.toWorld(0, 0), [x1, y1] = this.toWorld(this.canvas.width, this.canvas.height);
    const { width, height } = this.world;
    return [x0 / width, y0 / height, x1 / width, y1 / height].map((v) => Math.min(Math.max(v, 0), 1));
  }

  // ---------------------------------------------------------------- drawing
  draw() {
    if (!this.#frame) this.#frame = requestAnimationFrame(() => { this.#frame = 0; this.#paint(); });
  }

  #paint() {
    const { context: c, canvas } = this;
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.fillStyle = { grey: "#777777", white: "#ffffff", black: "#000000" }[this.surround];
    c.fillRect(0, 0, canvas.width, canvas.height);
    const wanted = [];
    const other = this.beside && this.views.get(this.beside);
    const main = this.views.get(this.flipped && other ? this.beside : this.seen);
    let whole = true;
    this.rough = true;
    if (main) {
      const middle = other && !this.flipped ? Math.round(this.split * canvas.width) : canvas.width;
      whole = this.#view(main, 0, middle, wanted);
      if (middle < canvas.width && other) whole = this.#view(other, middle, canvas.width, wanted) && whole;
    }
    c.setTransform(1, 0, 0, 1, 0, 0);
    for (const overlay of this.overlays) { c.save(); overlay(c, this); c.restore(); }
    this.#ask(wanted);
    this.#note("painted", main && this.rough ? `${main.name}|${main.stamp}|${this.bits}` : "");
    this.#note("settled", main && whole ? `${main.name}|${main.stamp}|${this.bits}` : "");
    this.dispatchEvent(new Event("moved"));
  }

  // What stands on the screen, for who watches the page: `painted` whole, if only reduced, `settled` as it will stay.
  #note(name, text) {
    if (!text) delete this.canvas.dataset[name];
    else if (this.canvas.dataset[name] !== text) this.canvas.dataset[name] = text;
  }

  // One view between two columns of the screen; true when everything seen of it is there at the right size.
  #view(view, left, right, wanted) {
    const c = this.context, m = view.to_world, [dx, dy] = this.#shift(), s = this.scale;
    const stretch = Math.hypot(m[0][0], m[1][0]);
    c.save();
    c.beginPath();
    c.rect(left, 0, right - left, this.canvas.height);
    c.clip();
    c.setTransform(s * m[0][0], s * m[1][0], s * m[0][1], s * m[1][1], s * m[0][2] + dx, s * m[1][2] + dy);
    c.imageSmoothingEnabled = true;
    c.imageSmoothingQuality = "medium"; // levels lie within a factor of two
    const levels = this.#levels(view), finest = 1 / (s * stretch);
    const enough = levels.filter((each) => each.factor <= finest * 1.001), most = Math.max(...enough.map((each) => each.factor));
    const level = enough.find((each) => each.factor === most) ?? levels[0]; // of two alike the final bits, which stand first
    const quick = levels.filter((each) => each.path !== "final");
    const rough = quick.findLast((each) => each.factor <= finest * 1.001) ?? quick[0];
    const corners = [[left, 0], [right, 0], [left, this.canvas.height], [right, this.canvas.height]]
      .map(([px, py]) => this.#toView(m, (px - dx) / s, (py - dy) / s));
    const area = [Math.min(...corners.map((p) => p[0])), Math.min(...corners.map((p) => p[1])),
      Math.max(...corners.map((p) => p[0])), Math.max(...corners.map((p) => p[1]))];
    if (!this.#covered(view, rough, view.stamp, area)) this.#level(view, quick.at(-1), view.stamp, area, null);
    const old = this.#stale.get(view.name);
    let whole = this.#covered(view, rough, view.stamp, area);
    if (!whole && old) this.#level(view, rough, old, area, null);
    whole = this.#level(view, rough, view.stamp, area, wanted);
    this.rough = this.rough && whole;
    this.bits = level.path === "final" ? "final" : view.levels && level.number === 0 ? "as delivered" : "reduced";
    if (level !== rough) {
      if (s * stretch * level.factor >= 1) c.imageSmoothingEnabled = false;
      const quiet = performance.now() - this.#changed > QUIET_MS && whole;
      if (!quiet) setTimeout(() => this.draw(), QUIET_MS);
      whole = this.#level(view, level, view.stamp, area, quiet ? wanted : null) && whole;
      if (!whole) this.bits = "reduced, final bits are being made";
    }
    c.restore();
    return whole;
  }

  #toView(m, x, y) {
    const det = m[0][0] * m[1][1] - m[0][1] * m[1][0], u = x - m[0][2], v = y - m[1][2];
    return [(m[1][1] * u - m[0][1] * v) / det, (m[0][0] * v - m[1][0] * u) / det];
  }

  #levels(view) {
    const found = [];
    if (view.levels) { for (let k = 0; k < view.levels; k++) found.push({ factor: 2 ** k, number: k, path: "tile", side: TILE }); return found; }
    const size = view.final ?? [1, 1];
    if (view.exact) for (let k = 0; 2 ** k <= view.factor && k < 2; k++) found.push({ factor: 2 ** k / size[0], number: k, path: "final", side: TILE });
    for (let k = 0; k < 5; k++) found.push({ factor: view.factor * 2 ** k, number: k, path: "tile", side: LARGE });
    return found;
  }

  * #places(view, level, area) {
    const size = level.side * level.factor;
    const m = view.to_world, across = this.world.width / Math.hypot(m[0][0], m[1][0]) + 4 * size, down = this.world.height / Math.hypot(m[0][1], m[1][1]) + 4 * size;
    const first = [Math.max(Math.floor((area[1] + 0.5) / size), 0), Math.max(Math.floor((area[0] + 0.5) / size), 0)];
    const last = [Math.floor((Math.min(area[3], down) + 0.5) / size), Math.floor((Math.min(area[2], across) + 0.5) / size)];
    for (let row = first[0]; row <= last[0]; row++) for (let column = first[1]; column <= last[1]; column++) yield [row, column];
  }

  #key(view, stamp, level, row, column) { return `${view.name}|${stamp}|${level.path}|${level.number}|${row}|${column}`; }

  #covered(view, level, stamp, area) {
    for (const [row, column] of this.#places(view, level, area)) if (!this.#tiles.has(this.#key(view, stamp, level, row, column))) return false;
    return true;
  }

  #level(view, level, stamp, area, wanted) {
    let whole = true;
    for (const [row, column] of this.#places(view, level, area)) {
      const key = this.#key(view, stamp, level, row, column), tile = this.#tiles.get(key);
      if (tile === undefined) {
        whole = false;
        wanted?.push({ key, view, level, row, column });
      } else if (tile) {
        this.#tiles.delete(key);
        this.#tiles.set(key, tile); // the latest used stand last
        const f = level.factor;
        this.context.drawImage(tile, column * level.side * f - 0.5, row * level.side * f - 0.5, tile.width * f, tile.height * f);
      }
    }
    return whole;
  }

  // ---------------------------------------------------------------- tiles
  #ask(wanted) {
    const needed = new Set(wanted.map((each) => each.key));
    for (const [key, stop] of this.#loading) if (!needed.has(key)) stop.abort();
    const cx = this.x, cy = this.y;
    wanted.sort((a, b) => this.#away(a, cx, cy) - this.#away(b, cx, cy));
    this.#wanted = wanted;
    this.#next();
  }

  #next() {
    for (const each of this.#wanted) {
      if (this.#loading.size >= AT_ONCE) return;
      if (!this.#loading.has(each.key) && !this.#tiles.has(each.key)) this.#load(each);
    }
  }

  #away({ view, level, row, column }, cx, cy) {
    const size = level.side * level.factor, [x, y] = apply(view.to_world, (column + 0.5) * size, (row + 0.5) * size);
    return Math.hypot(x - cx, y - cy);
  }

  async #load({ key, view, level, row, column }) {
    const stop = new AbortController();
    this.#loading.set(key, stop);
    const asked = new URLSearchParams({ view: view.name, stamp: view.stamp, level: level.number, row, column, space: this.space });
    const begun = performance.now();
    try {
      const answer = await fetch(`${level.path}?${asked}`, { signal: stop.signal });
      const kept = answer.headers.get("x-tile"); // where there is no picture: beyond the rim, or no longer wanted
      if (answer.status === 200) this.#put(key, await createImageBitmap(await answer.blob()));
      else if (kept === "none") this.#put(key, null);
      else if (kept === "gone") this.dispatchEvent(new Event("gone"));
      else if (answer.status === 409) this.#refused(key);
      if (answer.status === 409) this.dispatchEvent(new CustomEvent("refused", { detail: (await answer.json()).faults }));
      if (answer.status === 200) this.dispatchEvent(new CustomEvent("tile", { detail: performance.now() - begun }));
    } catch (error) {
      if (error.name !== "AbortError") this.dispatchEvent(new CustomEvent("lost", { detail: error }));
    } finally {
      this.#loading.delete(key);
      this.#wanted = this.#wanted.filter((each) => each.key !== key);
      if (!stop.signal.aborted) this.#next();
      if (this.#loading.size === 0) this.draw();
      else this.#patience ||= setTimeout(() => { this.#patience = 0; this.draw(); }, PATIENCE_MS);
    }
  }

  #refused(key) { this.#put(key, null); this.#failed.add(key); }

  // What was refused may be asked for again: the run that stood in its way has ended.
  forgive() {
    for (const key of this.#failed) this.#tiles.delete(key);
    this.#failed.clear();
    this.draw();
  }

  #put(key, bitmap) {
    this.#tiles.set(key, bitmap);
    this.#bytes += bitmap ? bitmap.width * bitmap.height * 4 : 0;
    for (const [old, tile] of this.#tiles) {
      if (this.#bytes <= MOST_BYTES) break;
      this.#tiles.delete(old);
      if (tile) { this.#bytes -= tile.width * tile.height * 4; tile.close(); }
    }
    if (this.#tiles.size > 4000) for (const [old, tile] of this.#tiles) if (!tile) this.#tiles.delete(old);
  }
}
