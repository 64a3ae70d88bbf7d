"use strict";
// The hand on the board: pointer, wheel and keys; a crosshair for those without a pointer; drawing corner by corner.

const NEAR = 11; // pixels from a mark

class Hand {
  constructor(page) {
    this.page = page;
    this.corners = []; // of what is being drawn, mm
    this.cross = null; // mm, once keys are used
    const stage = $("stage");
    stage.addEventListener("pointerdown", (event) => this.down(event));
    stage.addEventListener("pointermove", (event) => this.move(event));
    stage.addEventListener("pointerup", (event) => this.up(event));
    stage.addEventListener("pointercancel", () => { this.held = null; });
    stage.addEventListener("pointerleave", () => { this.pointer = null; this.page.tell(""); this.page.view.draw(); });
    stage.addEventListener("wheel", (event) => { event.preventDefault(); this.page.view.zoom(1.2 ** (-Math.sign(event.deltaY) * Math.min(3, Math.abs(event.deltaY) / 60)), ...this.spot(event)); }, { passive: false });
    stage.addEventListener("keydown", (event) => this.key(event));
    stage.addEventListener("focus", () => { if (stage.matches(":focus-visible")) this.aim(); });
  }

  spot(event) {
    const box = $("stage").getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  down(event) {
    if (event.button !== 0) return;
    $("stage").setPointerCapture(event.pointerId);
    this.held = { at: this.spot(event), from: this.spot(event), moved: false };
  }

  move(event) {
    const at = this.spot(event);
    this.pointer = this.page.view.place(...at);
    if (this.held) {
      const [dx, dy] = [at[0] - this.held.at[0], at[1] - this.held.at[1]];
      if (!this.held.moved && Math.hypot(at[0] - this.held.from[0], at[1] - this.held.from[1]) < 5) return;
      this.held.moved = true;
      this.held.at = at;
      this.page.view.pan(dx, dy);
      return;
    }
    this.page.tell(this.page.told(this.pointer));
    if (this.corners.length) this.page.view.draw();
  }

  up(event) {
    const held = this.held;
    this.held = null;
    if (!held || held.moved) return;
    this.cross = null;
    this.act(this.page.view.place(...this.spot(event)));
  }

  /** What is drawn: a rectangle, a polygon, or a contact at a spot. */
  get form() { return this.page.tool === "terminal" ? "spot" : $("form").value; }

  /** A click, or Enter at the crosshair. */
  act(place) {
    const { page } = this;
    if (page.tool === "pins") {
      const pin = this.pinAt(place);
      if (pin) page.take(pin); else page.mark(page.layer.netAt(...place));
      return;
    }
    const corner = this.rounded(place), first = this.corners[0];
    if (this.form === "spot") { this.close([corner]); return; }
    if (this.form === "rect") {
      if (!first) { this.begin(corner); return; }
      if (first[0] === corner[0] || first[1] === corner[1]) return;
      this.close([first, corner]);
      return;
    }
    const { view } = page, back = first && Math.hypot(view.x(first[0]) - view.x(place[0]), view.y(first[1]) - view.y(place[1])) < NEAR;
    if (back && this.corners.length > 2) { this.close(); return; }
    if (this.corners.some(([x, y]) => x === corner[0] && y === corner[1])) return;
    this.begin(corner);
  }

  begin(corner) {
    this.corners.push(corner);
    this.page.say(`Corner ${this.corners.length} at ${corner.join(", ")} millimetres.`);
    this.page.drawing();
    this.page.view.draw();
  }

  /** The shape is whole: it goes into its form. */
  close(corners = this.corners) {
    const text = this.form === "spot" ? `{ circle = [${corners[0].join(", ")}], diameter = ${this.page.data.contact} }` : this.form === "rect"
      ? `{ rect = [${[0, 1].map((k) => Math.min(corners[0][k], corners[1][k])).concat([0, 1].map((k) => Math.max(corners[0][k], corners[1][k]))).join(", ")}] }`
      : `{ polygon = [${corners.map((corner) => `[${corner.join(", ")}]`).join(", ")}] }`;
    this.corners = [];
    this.page.drawnForm.open(this.page.tool, text);
  }

  forget() { this.corners = []; this.page.drawing(); this.page.view.draw(); }

  /** Millimetres to no more digits than a pixel has. */
  rounded(place) {
    const digits = Math.max(0, Math.min(3, Math.ceil(Math.log10(this.page.view.scale))));
    return place.map((v) => Number(v.toFixed(digits)));
  }

  /** Pin at a place: of those nearby that of this layer, and the nearest. */
  pinAt([x, y]) {
    const { page } = this, { view, number } = page;
    let best = null, least = Infinity;
    for (const pin of [...page.contacts, ...page.pins]) for (const [layer, px, py, radius] of pin.spots) {
      const away = view.scale * Math.hypot(px - x, py - y), reach = Math.max(NEAR, 0.9 * view.scale * radius);
      if (away > reach) continue;
      const cost = away / reach + (layer < 0 || layer === number ? 0 : 2);
      if (cost < least) { best = pin; least = cost; }
    }
    return best;
  }

  // --- keys ---------------------------------------------------------------------------------------------------

  aim(place = this.cross ?? this.page.view.middle) {
    const { view } = this.page;
    this.cross = [...place];
    const over = (v, most) => Math.min(0, v - 30) + Math.max(0, v - (most - 30));
    const [dx, dy] = [over(view.x(place[0]), view.width), over(view.y(place[1]), view.height)];
    if (dx || dy) view.pan(-dx, -dy);
    const told = this.page.told(this.cross);
    this.page.tell(told);
    this.page.say(told);
    view.draw();
  }

  key(event) {
    const { page } = this, { view } = page, ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const way = ways[event.key];
    const step = (event.shiftKey ? 0.1 : 1) * 10 ** Math.round(Math.log10(14 / view.scale));
    if (way) this.aim((this.cross ?? view.middle).map((v, k) => Number((v + step * way[k]).toFixed(4))));
    else if (event.key === "Enter" || event.key === " ") this.act(this.cross ?? view.middle);
    else if (event.key === "+" || event.key === "=") this.zoomAt(1.5);
    else if (event.key === "-") this.zoomAt(1 / 1.5);
    else if (event.key === "0") view.fit();
    else if (event.key === "Backspace" && this.corners.length) { this.corners.pop(); page.drawing(); view.draw(); }
    else if (event.key === "Escape") this.forget();
    else if (event.key === "c" && this.corners.length > 2) this.close();
    else return;
    event.preventDefault();
  }

  zoomAt(by) {
    const { view } = this.page, place = this.cross ?? view.middle;
    view.zoom(by, view.x(place[0]), view.y(place[1]));
  }

  draw(context, view) {
    const { page } = this, tip = this.pointer ?? this.cross;
    if (this.corners.length) {
      const points = [...this.corners], first = points[0];
      if (tip) points.push(tip);
      const whole = this.form === "rect" && points.length > 1
        ? [first, [points[1][0], first[1]], points[1], [first[0], points[1][1]], first] : points;
      page.marks.line(context, view, whole, [5, 4]);
      for (const [x, y] of this.corners) { context.fillStyle = INKS.ink; context.fillRect(view.x(x) - 3, view.y(y) - 3, 6, 6); }
    }
    if (page.drawnForm.shape) page.marks.drawn(context, view, { ...page.drawnForm.shape, layers: null });
    if (!this.cross) return;
    const x = view.x(this.cross[0]), y = view.y(this.cross[1]);
    for (const [ink, width] of [["#fff", 4], [INKS.ink, 1.5]]) {
      context.beginPath(); context.moveTo(x - 14, y); context.lineTo(x + 14, y); context.moveTo(x, y - 14); context.lineTo(x, y + 14);
      context.strokeStyle = ink; context.lineWidth = width; context.stroke();
    }
  }
}
