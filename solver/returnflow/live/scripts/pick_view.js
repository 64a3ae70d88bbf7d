"use strict";
// What is seen of the board: copper as a picture that follows the hand, and marks above it, drawn anew each time.

const INKS = { copper: "#c3a76f", edge: "#7d6a3f", net: "#5b9cc4", ink: "#14202b", quiet: "#5d6b77", paper: "#ffffff", bad: "#a3330a" };
const MARGIN = 0.25; // of the window, drawn beyond each of its sides

class View {
  constructor(page) {
    this.page = page;
    this.canvas = $("board");
    this.picture = document.createElement("canvas");
    this.at = null; // what the picture shows
    this.took = 0;
    new ResizeObserver(() => this.resize()).observe($("stage"));
    this.resize();
    this.fit();
  }

  resize() {
    const box = $("stage").getBoundingClientRect(), dots = Math.min(2, window.devicePixelRatio || 1);
    this.width = Math.max(80, box.width); this.height = Math.max(80, box.height); this.dots = dots;
    this.canvas.width = Math.round(dots * this.width); this.canvas.height = Math.round(dots * this.height);
    this.at = null;
    if (this.scale) this.draw();
  }

  fit() {
    const { low, size } = this.page.data;
    this.show(low[0], low[1], low[0] + size[0], low[1] + size[1]);
  }

  /** Show a rectangle of the board, mm, with some room around. */
  show(x0, y0, x1, y1, most = Infinity) {
    this.scale = Math.min(most, 0.94 * this.width / Math.max(x1 - x0, 1), 0.94 * this.height / Math.max(y1 - y0, 1));
    this.middle = [(x0 + x1) / 2, (y0 + y1) / 2];
    this.draw();
  }

  get closest() { return 400; } // pixels of a millimetre
  get farthest() { return 0.3 * Math.min(this.width / Math.max(this.page.data.size[0], 1), this.height / Math.max(this.page.data.size[1], 1)); }

  x(mm) { return (mm - this.middle[0]) * this.scale + this.width / 2; }
  y(mm) { return this.height / 2 - (mm - this.middle[1]) * this.scale; }
  place(px, py) { return [this.middle[0] + (px - this.width / 2) / this.scale, this.middle[1] - (py - this.height / 2) / this.scale]; }

  /** Zoom about a place in pixels. */
  zoom(by, px = this.width / 2, py = this.height / 2) {
    const [x, y] = this.place(px, py);
    this.scale = Math.min(this.closest, Math.max(this.farthest, this.scale * by));
    this.middle = [x - (px - this.width / 2) / this.scale, y + (py - this.height / 2) / this.scale];
    this.draw();
  }

  pan(dx, dy) {
    const { low, size } = this.page.data;
    const kept = (v, k) => Math.min(low[k] + size[k], Math.max(low[k], v)); // the board stays in sight
    this.middle = [kept(this.middle[0] - dx / this.scale, 0), kept(this.middle[1] + dy / this.scale, 1)];
    this.draw();
  }

  /** Something has changed on the copper itself: another layer, another net. */
  renew() { this.at = null; this.draw(); }

  draw() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => { this.waiting = 0; this.paint(); });
  }

  /** Picture of the copper with some margin; what was drawn last is moved and stretched while the hand moves. */
  copper() {
    const wide = this.width * (1 + 2 * MARGIN), high = this.height * (1 + 2 * MARGIN), begin = performance.now();
    const dots = this.dots, { picture, page } = this, { layer } = page;
    if (picture.width !== Math.round(dots * wide) || picture.height !== Math.round(dots * high)) { picture.width = Math.round(dots * wide); picture.height = Math.round(dots * high); }
    const context = picture.getContext("2d");
    context.setTransform(dots, 0, 0, dots, 0, 0);
    context.clearRect(0, 0, wide, high);
    const frame = { scale: this.scale, left: wide / 2 - this.scale * this.middle[0], top: high / 2 + this.scale * this.middle[1], width: wide, height: high };
    context.lineWidth = 1;
    page.outline?.paint(context, frame, { fill: "#eef1f3", stroke: INKS.quiet });
    layer.paint(context, frame, { fill: INKS.copper, stroke: this.scale > 14 ? INKS.edge : null });
    if (page.net >= 0) layer.paint(context, frame, { fill: INKS.net, stroke: INKS.ink, wanted: (net) => net === page.net });
    this.at = { middle: [...this.middle], scale: this.scale, wide, high };
    this.took = performance.now() - begin;
  }

  paint() {
    const { page, dots } = this, context = this.canvas.getContext("2d"), old = this.at;
    const same = old && old.scale === this.scale && old.middle[0] === this.middle[0] && old.middle[1] === this.middle[1];
    clearTimeout(this.later);
    if (!old || (!same && this.took < 8)) this.copper();
    else if (!same) this.later = setTimeout(() => { this.copper(); this.paint(); }, 110); // once the hand rests
    const { at } = this, by = this.scale / at.scale;
    context.setTransform(dots, 0, 0, dots, 0, 0);
    context.fillStyle = INKS.paper; context.fillRect(0, 0, this.width, this.height);
    const left = this.x(at.middle[0]) - by * at.wide / 2, top = this.y(at.middle[1]) - by * at.high / 2;
    context.drawImage(this.picture, left, top, by * at.wide, by * at.high);
    page.marks.draw(context, this);
  }
}

/** All that stands above the copper: pins, parts, what was drawn, ends of loops, crosshair. */
class Marks {
  constructor(page) { this.page = page; }

  draw(context, view) {
    const { page } = this;
    context.lineJoin = "round"; context.textBaseline = "middle";
    for (const thing of page.state.made) if (thing.kind !== "loop") this.drawn(context, view, thing);
    this.pins(context, view);
    this.parts(context, view);
    if (page.way) for (const leg of page.way) this.line(context, view, leg, [6, 4]);
    for (const thing of page.state.made) if (thing.kind === "loop") this.loop(context, view, thing, 1.4);
    if (page.shown) this.loop(context, view, page.shown, 2.6);
    const form = page.loopForm.ends();
    if (form.inject || form.return) this.loop(context, view, { ...form, role: page.loopForm.role }, 2.6);
    page.hand.draw(context, view);
    if (page.found) this.ring(context, view, page.found);
  }

  pins(context, view) {
    const { page } = this, layer = page.number;
    for (const [here, fill, line] of [[false, INKS.paper, INKS.quiet], [true, INKS.ink, INKS.paper]]) {
      context.beginPath();
      for (const pin of page.pins) for (const [n, x, y, radius] of pin.spots) {
        const on = n < 0 || n === layer;
        if (on !== here) continue;
        const px = view.x(x), py = view.y(y), r = Math.min(6, Math.max(here ? 1.6 : 1.2, 0.45 * view.scale * radius));
        if (px < -9 || py < -9 || px > view.width + 9 || py > view.height + 9) continue;
        // A ground's pin is square.
        if (pin.ground) context.rect(px - 0.88 * r, py - 0.88 * r, 1.76 * r, 1.76 * r);
        else { context.moveTo(px + r, py); context.arc(px, py, r, 0, 7); }
      }
      context.fillStyle = fill; context.strokeStyle = line; context.lineWidth = 0.8;
      context.fill(); context.stroke();
    }
    if (view.scale < 22) return;
    context.font = "11px system-ui, sans-serif"; context.textAlign = "left";
    for (const pin of page.pins) {
      const [, x, y, radius] = pin.spots.find(([n]) => n < 0 || n === layer) ?? pin.spots[0] ?? [0, NaN, NaN, 0], px = view.x(x), py = view.y(y);
      if (px > -40 && py > -9 && px < view.width && py < view.height && 2 * radius * view.scale > 8) this.text(context, pin.name.slice(pin.part.length + 1), px + 8, py);
    }
  }

  /** References where there is room for them: in the middle of a part's pins, or beside what is smaller than its name. */
  parts(context, view) {
    const taken = new Set(), all = view.scale > 7 || this.page.parts.length < 50;
    context.font = "600 12px system-ui, sans-serif"; context.textAlign = "center";
    for (const part of this.page.parts) {
      const [x0, y0, x1, y1] = part.box, wide = 4 + 7.5 * part.name.length, small = Math.max(x1 - x0, y1 - y0) * view.scale < wide;
      const px = view.x((x0 + x1) / 2), py = view.y((y0 + y1) / 2) - (small ? 13 : 0);
      if (small && !all && part.pins.length < 3) continue;
      if (px < 0 || py < 0 || px > view.width || py > view.height) continue;
      const cells = [];
      for (let i = Math.floor((px - wide / 2) / 12); i <= (px + wide / 2) / 12; i++) cells.push(`${i},${Math.floor(py / 14)}`);
      if (cells.some((cell) => taken.has(cell))) continue;
      cells.forEach((cell) => taken.add(cell));
      this.text(context, part.name, px, py);
    }
  }

  text(context, text, x, y) {
    context.strokeStyle = "rgba(255,255,255,.85)"; context.lineWidth = 3.5; context.strokeText(text, x, y);
    context.fillStyle = INKS.ink; context.fillText(text, x, y);
  }

  line(context, view, points, dash) {
    context.setLineDash([]);
    for (const [ink, width] of [[INKS.paper, 4.5], [INKS.ink, 2]]) {
      context.beginPath();
      points.forEach(([x, y], n) => (n ? context.lineTo(view.x(x), view.y(y)) : context.moveTo(view.x(x), view.y(y))));
      context.strokeStyle = ink; context.lineWidth = width;
      if (ink === INKS.ink) context.setLineDash(dash);
      context.stroke();
    }
    context.setLineDash([]);
  }

  /** A cutout is hatched, a bridge dashed, a contact checked; on other layers only their borders are drawn. */
  drawn(context, view, thing) {
    context.beginPath();
    for (const ring of thing.lines) {
      ring.forEach(([x, y], n) => (n ? context.lineTo(view.x(x), view.y(y)) : context.moveTo(view.x(x), view.y(y))));
      context.closePath();
    }
    const here = !thing.layers || thing.layers.includes(this.page.number);
    if (here && thing.kind === "bridge") { context.fillStyle = INKS.copper; context.fill("evenodd"); }
    if (here && thing.kind === "cutout") { context.fillStyle = "rgba(255,255,255,.8)"; context.fill("evenodd"); }
    if (here) { context.fillStyle = this.pattern(context, thing.kind); context.fill("evenodd"); }
    context.strokeStyle = here ? INKS.ink : INKS.quiet; context.lineWidth = here ? 1.6 : 0.8; context.stroke();
  }

  pattern(context, kind) {
    this.patterns ??= Object.fromEntries(["cutout", "bridge", "terminal"].map((name) => {
      const tile = document.createElement("canvas"), ink = tile.getContext("2d");
      tile.width = tile.height = 8;
      ink.strokeStyle = INKS.ink; ink.lineWidth = 1; ink.beginPath();
      if (name === "cutout") { ink.moveTo(-2, 6); ink.lineTo(6, -2); ink.moveTo(2, 10); ink.lineTo(10, 2); } else if (name === "bridge") { ink.moveTo(1.5, 4); ink.lineTo(4.5, 4); } else ink.strokeRect(0, 0, 8, 8);
      ink.stroke();
      return [name, context.createPattern(tile, "repeat")];
    }));
    return this.patterns[kind];
  }

  loop(context, view, loop, width) {
    const ends = [loop.inject, loop.return].map((name) => this.page.pinOf(name)).map((pin) => pin && this.page.spotOf(pin));
    if (ends[0] && ends[1]) {
      context.beginPath(); context.moveTo(view.x(ends[0][0]), view.y(ends[0][1])); context.lineTo(view.x(ends[1][0]), view.y(ends[1][1]));
      context.strokeStyle = INKS.paper; context.lineWidth = width + 2.5; context.stroke();
      context.setLineDash([8, 5]); context.strokeStyle = INKS.ink; context.lineWidth = width; context.stroke(); context.setLineDash([]);
    }
    // The mark of the role, dark where the return current enters.
    ends.forEach((end, n) => {
      if (!end) return;
      context.save(); context.translate(view.x(end[0]), view.y(end[1]));
      const mark = new Path2D(MARKS[loop.role === "supply" ? "noisy" : loop.role] ?? MARKS.none);
      context.fillStyle = n ? "#fff" : INKS.ink; context.strokeStyle = n ? INKS.ink : "#fff"; context.lineWidth = 1.6;
      context.fill(mark); context.stroke(mark); context.restore();
    });
  }

  ring(context, view, pin) {
    const spot = this.page.spotOf(pin);
    if (!spot) return;
    for (const [ink, width] of [["#fff", 6], [INKS.ink, 2.5]]) {
      context.beginPath(); context.arc(view.x(spot[0]), view.y(spot[1]), 15, 0, 7);
      context.strokeStyle = ink; context.lineWidth = width; context.stroke();
    }
  }
}
