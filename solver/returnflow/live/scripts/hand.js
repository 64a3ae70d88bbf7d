"use strict";
// The hand: mouse, finger and keys move what can be grabbed.

const STEPS_OF = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

class Hand {
  constructor(page) {
    this.page = page;
    this.times = []; // from a pointer event to the finished picture, ms
    const over = $("over");
    over.addEventListener("pointerdown", (event) => this.grab(event));
    over.addEventListener("pointermove", (event) => {
      if (!this.held || event.pointerId !== this.held.pointer) return;
      this.wanted = { x: event.clientX, y: event.clientY, since: this.wanted?.since ?? event.timeStamp };
      this.asked ??= requestAnimationFrame(() => this.follow());
    });
    for (const name of ["pointerup", "pointercancel"]) over.addEventListener(name, (event) => this.drop(event));
    document.addEventListener("keydown", (event) => this.key(event));
  }

  grab(event) {
    const { page } = this, group = event.target.closest?.(".point"), { grip } = group ?? {};
    if (!grip || this.held || this.stays(grip)) return;
    const box = $("over").getBoundingClientRect(), [x, y] = grip.place, { frame: f } = page;
    this.held = { grip, pointer: event.pointerId, dx: f.x(x) - (event.clientX - box.left), dy: f.y(y) - (event.clientY - box.top) };
    group.focus({ preventScroll: true });
    $("over").setPointerCapture(event.pointerId);
    event.preventDefault();
  }

  follow() {
    cancelAnimationFrame(this.asked);
    this.asked = null;
    const { wanted, held, page } = this, { frame: f } = page;
    this.wanted = null;
    if (!wanted || !held) return;
    const box = $("over").getBoundingClientRect();
    if (held.grip.to(f.backX(wanted.x - box.left + held.dx), f.backY(wanted.y - box.top + held.dy))) page.refresh();
    this.times.push(performance.now() - wanted.since);
  }

  drop(event) {
    if (!this.held || event.pointerId !== this.held.pointer) return;
    if (this.wanted) this.follow();
    const { grip } = this.held, { page } = this;
    this.held = null;
    page.draw();
    page.say(`${grip.says}. ${page.readings.summary()}`);
    page.rested();
  }

  /** Above 0 Hz contacts, slots and bridges stay where they were drawn. */
  stays(grip) {
    const { page } = this, stays = page.frequency > 0 && !(grip instanceof Corner);
    if (stays) page.say("Above 0 Hz contacts stay as drawn. Slide to DC to move them.");
    return stays;
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const { page } = this, step = STEPS_OF[event.key], { activeElement: active } = document, grip = active?.closest?.(".point")?.grip;
    if (step && grip) {
      event.preventDefault();
      if (this.stays(grip)) return;
      const size = event.shiftKey ? 1e-4 : 1e-3, [x, y] = grip.place;
      page.quick = true;
      if (grip.to(x + step[0] * size, y + step[1] * size)) page.refresh();
      page.say(`${grip.says}. ${page.readings.summary()}`);
      clearTimeout(this.rest);
      this.rest = setTimeout(() => page.rested(), 600);
      return;
    }
    if (["SELECT", "INPUT"].includes(active?.tagName) && active.id !== "frequency") return;
    if (event.key === "h") page.readings.hold();
    if (event.key === "r") page.back();
    if (event.key === "p" && page.over) page.sweep.play();
    if (event.key === "l" && page.planes.length > 1) page.look(page.planes[(page.planes.indexOf(page.copper) + 1) % page.planes.length]);
    if (event.key === "v" || event.key === "V") page.choose((page.variant + (event.key === "v" ? 1 : -1) + page.group.variants.length) % page.group.variants.length);
  }
}
