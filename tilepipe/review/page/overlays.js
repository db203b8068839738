// What is laid over the picture: hatchings for problems, a mask as a veil or in grey, figures being drawn.

const HATCHES = {
  white: [[0, 8, 8, 0]], black: [[0, 0, 8, 8]], clipped: [[0, 4, 8, 4]], gamut: [[4, 0, 4, 8]],
  halo: [[0, 8, 8, 0], [0, 0, 8, 8]], moved: [[4, 4, 4, 4.01]], spots: [[2, 4, 6, 4], [4, 2, 4, 6]],
};

// A hatching of our own for each kind: black lines edged with white, so that it stands out from any colour.
export function hatch(kind, context, ratio = 1) {
  const side = 10 * ratio, tile = new OffscreenCanvas(side, side), c = tile.getContext("2d");
  c.scale(1.25 * ratio, 1.25 * ratio);
  c.lineCap = "round";
  for (const [style, width] of [["#fff", 2.6], ["#000", 1.1]]) {
    c.strokeStyle = style;
    c.lineWidth = width;
    for (const [x0, y0, x1, y1] of HATCHES[kind]) {
      for (const [sx, sy] of [[0, 0], [-8, 0], [8, 0], [0, -8], [0, 8]]) {
        c.beginPath();
        c.moveTo(x0 + sx, y0 + sy);
        c.lineTo(x1 + sx, y1 + sy);
        c.stroke();
      }
    }
  }
  return context.createPattern(tile, "repeat");
}

// A grey picture from the server as an alpha plane, with where it lies in the base frame.
async function plane(path) {
  const answer = await fetch(path);
  if (!answer.ok) return null;
  const factor = Number(answer.headers.get("x-factor")), flat = JSON.parse(answer.headers.get("x-to-base"));
  const bitmap = await createImageBitmap(await answer.blob());
  const alpha = new OffscreenCanvas(bitmap.width, bitmap.height), c = alpha.getContext("2d");
  c.drawImage(bitmap, 0, 0);
  const pixels = c.getImageData(0, 0, bitmap.width, bitmap.height);
  for (let i = 0; i < pixels.data.length; i += 4) { pixels.data[i + 3] = pixels.data[i]; pixels.data[i] = pixels.data[i + 1] = pixels.data[i + 2] = 0; }
  c.putImageData(pixels, 0, 0);
  return { alpha, bitmap, factor, toBase: [flat.slice(0, 3), flat.slice(3, 6), flat.slice(6, 9)] };
}

export function inverse(m) {
  const [[a, b, c], [d, e, f]] = m, det = a * e - b * d;
  return [[e / det, -b / det, (b * f - c * e) / det], [-d / det, a / det, (c * d - a * f) / det], [0, 0, 1]];
}

export function times(m, n) {
  return m.map((row) => [0, 1, 2].map((k) => row[0] * n[0][k] + row[1] * n[1][k] + row[2] * n[2][k]));
}

export class Overlays {
  shown = new Set();
  mask = "";
  greyMask = false;
  place = null; // a place that is pointed at, in world pixels
  #planes = new Map();
  #stamp = "";
  #asked = 0; // how often planes were asked for: an answer that is not to the last question is dropped
  #scratch = new OffscreenCanvas(1, 1);

  constructor(viewer) {
    this.viewer = viewer;
    viewer.overlays.push((c) => this.#draw(c));
  }

  take(state) {
    if (this.mask && !state.masks.some((mask) => mask.name === this.mask)) { this.mask = ""; this.refresh(); }
    const stamp = state.views?.find((view) => view.name === "finished")?.stamp ?? "";
    if (stamp === this.#stamp) return;
    this.#stamp = stamp;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.refresh(), 250); // the picture first
  }

  async refresh() {
    const wanted = [...[...this.shown].map((kind) => [kind, `layer?kind=${kind}`]), ...(this.mask ? [["mask", `mask?name=${encodeURIComponent(this.mask)}`]] : [])];
    const asked = ++this.#asked, found = new Map();
    for (const [key, path] of wanted) {
      const each = await plane(path);
      if (asked !== this.#asked) return;
      if (each) found.set(key, each);
    }
    this.#planes = found;
    this.viewer.canvas.dataset.overlays = [...this.#planes.keys()].join(" ");
    this.viewer.draw();
  }

  #draw(c) {
    for (const [key, each] of this.#planes) {
      if (key === "mask") this.#veil(c, each); else this.#hatched(c, key, each);
    }
    if (this.place) this.#mark(c, ...this.viewer.toScreen(...this.place));
  }

  #lay(c, each, picture) {
    const { viewer } = this;
    const m = times(inverse(viewer.world.to_base), each.toBase), s = viewer.scale, [dx, dy] = viewer.toScreen(0, 0), f = each.factor;
    c.setTransform(s * m[0][0], s * m[1][0], s * m[0][1], s * m[1][1], s * m[0][2] + dx, s * m[1][2] + dy);
    c.drawImage(picture, -0.5, -0.5, picture.width * f, picture.height * f);
    c.setTransform(1, 0, 0, 1, 0, 0);
  }

  #onScratch() {
    const { width, height } = this.viewer.canvas;
    if (this.#scratch.width !== width || this.#scratch.height !== height) this.#scratch = new OffscreenCanvas(width, height);
    const c = this.#scratch.getContext("2d");
    c.globalCompositeOperation = "source-over";
    c.clearRect(0, 0, width, height);
    return c;
  }

  #hatched(c, kind, each) {
    const s = this.#onScratch();
    s.imageSmoothingEnabled = false;
    this.#lay(s, each, each.alpha);
    s.globalCompositeOperation = "source-in";
    s.fillStyle = hatch(kind, s, this.viewer.ratio);
    s.fillRect(0, 0, s.canvas.width, s.canvas.height);
    c.drawImage(this.#scratch, 0, 0);
  }

  // Grey: the mask itself. Else a veil of hatching over what the mask leaves out.
  #veil(c, each) {
    if (this.greyMask) { this.#lay(c, each, each.bitmap); return; }
    const s = this.#onScratch(), whole = new OffscreenCanvas(each.alpha.width, each.alpha.height), w = whole.getContext("2d");
    w.fillStyle = "#000";
    w.fillRect(0, 0, whole.width, whole.height);
    w.globalCompositeOperation = "destination-out";
    w.drawImage(each.alpha, 0, 0);
    this.#lay(s, each, whole);
    c.globalAlpha = 0.62;
    c.drawImage(this.#scratch, 0, 0);
    c.globalAlpha = 1;
  }

  #mark(c, x, y) {
    const r = 26 * this.viewer.ratio;
    for (const [style, width] of [["#fff", 5], ["#000", 2]]) {
      c.strokeStyle = style;
      c.lineWidth = width * this.viewer.ratio;
      c.beginPath();
      for (const [sx, sy] of [[-1, -1], [1, -1], [1, 1], [-1, 1]]) {
        c.moveTo(x + sx * r, y + sy * r * 0.4);
        c.lineTo(x + sx * r, y + sy * r);
        c.lineTo(x + sx * r * 0.4, y + sy * r);
      }
      c.stroke();
    }
  }
}
