"use strict";
// The page: boards, variants, the loop that is shown; and what follows whatever changes.

class Page {
  constructor(data) {
    this.data = data;
    this.options = { bands: true, voltage: false };
    this.coarse = 2;
    this.rasters = [];
    this.frequency = 0;
    Object.assign(this, { overlay: new Overlay(this), readings: new Readings(this), sweep: new Sweep(this), hand: new Hand(this) });
    if (data.served) this.served = new Served(this);
    data.boards.forEach((board, n) => html("option", { value: n }, $("board"), board.title));
    $("choice").hidden = data.boards.length < 2 || data.class;
    $("title").classList.toggle("hidden", Boolean(data.class)); // the lesson has a name
    this.controls();
    paintScale($("scale"));
    this.open(0);
    new ResizeObserver(() => { if (String(this.room()) !== String([this.frame.width, this.frame.height])) this.resize(); }).observe($("stage"));
    this.lessons = new Lessons(this);
    this.served?.solve();
    if (data.class) this.lessons.open(0);
  }

  controls() {
    const toggle = (id, change) => $(id).addEventListener("click", () => {
      const on = $(id).getAttribute("aria-pressed") !== "true";
      $(id).setAttribute("aria-pressed", on);
      change(on);
    });
    toggle("bands", (on) => { this.options.bands = on; this.draw(); });
    toggle("voltage", (on) => { this.options.voltage = on; this.draw(); });
    toggle("theme", (on) => { document.documentElement.classList.toggle("projector", on); this.resize(); });
    $("back").addEventListener("click", () => this.back());
    $("board").addEventListener("change", () => { this.open(Number($("board").value)); this.served?.solve(); });
    $("variant").addEventListener("change", () => this.choose(Number($("variant").value)));
    $("plane").addEventListener("change", () => this.look(Number($("plane").value)));
    $("victim").addEventListener("change", () => { this.victim = Number($("victim").value); this.refresh(); this.served?.solve(); });
  }

  /** Show a board, as drawn. */
  open(number, free = true) {
    if (free) this.lessons?.open(-1);
    if (this.board) this.sweep.steady();
    this.group = this.data.boards[number];
    $("board").value = number;
    $("title").textContent = this.group.title;
    document.title = `${this.group.title}: live`;
    this.solved = new Map();
    const { variants } = this.group;
    $("variant").replaceChildren(...variants.map((variant, n) => html("option", { value: n }, null, variant.name)));
    $("variantchoice").hidden = variants.length < 2;
    $("held").hidden = true;
    this.loop = this.victim = this.looked = undefined;
    this.turn(0);
  }

  /** A variant that somebody asks for. */
  choose(number) {
    const at = this.frequency;
    this.turn(number);
    if (at && this.over) this.sweep.to(this.sweep.position(at));
    this.say(`${this.group.variants[number].name}. ${this.readings.summary()}`);
    if (!at) this.served?.solve();
  }

  /** Show a variant of the board; what was chosen stays chosen where the variant has it. */
  turn(number) {
    const before = this.board?.data, data = this.group.variants[number];
    const kept = before && this.loop !== undefined ? [before.loops[this.loop].name, before.victims[this.victim] && before.loops[before.victims[this.victim].loop].name] : [];
    if (before) this.sweep.steady();
    this.variant = number;
    $("variant").value = number;
    if (!this.solved.has(number)) this.solved.set(number, this.solve(data));
    Object.assign(this, this.solved.get(number));
    this.cables = data.victims.flatMap((victim, n) => (victim.role === "cables" ? [n] : []));
    const sensitive = data.victims.flatMap((victim, n) => (victim.role === "sensitive" ? [n] : []));
    const choice = sensitive.length ? sensitive : this.cables, name = (n) => data.loops[data.victims[n].loop].name;
    $("victim").replaceChildren(...choice.map((n) => html("option", { value: n }, null, name(n))));
    this.victim = choice.find((n) => name(n) === kept[1]) ?? choice[0] ?? -1;
    $("victim").value = this.victim;
    $("victimlabel").parentElement.hidden = this.victim < 0;
    this.readings.makeBars();
    const same = data.loops.findIndex((loop) => loop.name === kept[0]);
    this.loop = same >= 0 ? same : this.loudest();
    this.copper = this.startOf(this.loop);
    // Of several planes any may be looked at: what runs in the others is the better part of a lesson on vias.
    this.planes = [...new Set(this.board.sheets.map((sheet) => sheet.copper))];
    this.copper = this.planes.find((copper) => data.coppers[copper].name === this.looked) ?? this.copper;
    $("plane").replaceChildren(...this.planes.map((copper) => html("option", { value: copper }, null, data.coppers[copper].name)));
    $("planechoice").hidden = this.planes.length < 2;
    $("sweep").hidden = !this.over;
    put($("pins"), this.readings.pins());
    $("wait").hidden = true;
    this.resize();
  }

  /** What is known of a variant, as drawn; `home` and `modelled`: the places for which `over` holds, null where it is to come. */
  solve(data) {
    const board = this.board = boardOf(data), routes = this.routes = data.loops.map((loop) => loop.routes.map((path) => path.map((point) => [...point])));
    const over = this.over = data.frequencies && new Frequencies(data.frequencies, data.loops.length);
    const grips = this.grips = gripsOf(this);
    return { board, routes, over, grips, home: this.snapshot(), modelled: over?.toCome ? null : "" };
  }

  /** Loop that adds most to what is heard; the first noisy one where nothing is. */
  loudest() {
    const noisy = Math.max(0, this.board.data.loops.findIndex((loop) => loop.role === "noisy"));
    if (this.victim < 0) return noisy;
    const { parts } = this.heard(this.board.read().resistance, this.victim);
    return parts.reduce((best, part) => (part.volts > best.volts ? part : best), { loop: noisy, volts: 0 }).loop;
  }

  /** Copper where a loop's current enters, or leaves if that is pads alone, or the widest. */
  startOf(loop) {
    const { data, ports, sheets } = this.board;
    const ends = data.loops[loop].ports.map((port) => sheets[ports[port].sheet].copper);
    return ends.find((copper) => data.coppers[copper].wide) ?? data.coppers.findIndex(({ wide }) => wide);
  }

  heard(resistance, victim) {
    const it = this.board.data.victims[victim];
    return noiseOf(it, (loop, line) => (this.frequency > 0 ? this.over.impedance(it.loop, loop, line) : [resistance[it.loop][loop], 0]));
  }

  /** Where all is that stays above 0 Hz; corners of routes do not. */
  snapshot() { return this.grips.map((grip) => (grip instanceof Corner ? null : grip.state)); }

  restore(states) { this.grips.forEach((grip, n) => { if (states[n] !== null) grip.state = states[n]; }); }

  /** Legs of a loop's route in millimetres; its ends go with the contacts. */
  routeOf(loop) {
    const legs = this.routes[loop].map((path) => path.map((point) => [...point])), [enter, leave] = this.board.data.loops[loop].ends;
    const shift = (terminal, point) => {
      const grip = this.grips.find((it) => it.terminal === terminal);
      if (grip) grip.place.forEach((v, k) => { point[k] = Number((point[k] + 1e3 * (v - grip.drawn[k])).toFixed(4)); });
    };
    if (legs.length) { shift(leave, legs[0][0]); shift(enter, legs[legs.length - 1].at(-1)); }
    return legs;
  }

  // --- the picture ------------------------------------------------------------------------------------------

  /** Show the loop that was chosen, on the copper where its current enters. */
  show() {
    const start = this.startOf(this.loop);
    this.looked = null;
    if (start === this.copper) { this.refresh(); return; }
    this.copper = start;
    this.resize();
  }

  /** Look at another plane; the loop stays. */
  look(copper) {
    this.copper = copper;
    this.looked = this.board.data.coppers[copper].name; // in variants too
    this.resize();
    this.say(`Plane ${this.board.data.coppers[copper].name}.`);
  }

  room() { return [$("stage").clientWidth, $("stage").clientHeight].map((v) => Math.max(80, Math.floor(v))); }

  resize() {
    const [width, height] = this.room();
    $("plane").value = this.copper;
    this.shown = this.board.sheets.flatMap((sheet, n) => (sheet.copper === this.copper ? [n] : []));
    this.boxes = this.shown.map((n) => this.board.sheets[n].box);
    this.bounds = [0, 1, 2, 3].map((k) => (k < 2 ? Math.min : Math.max)(...this.boxes.map((box) => box[k])));
    const stay = this.board.data.terminals.filter(({ copper, lines }) => copper === this.copper && lines.length).map(({ lines }) => boxOf(lines));
    this.frame = frameOf([...this.boxes, ...stay], width, height, 18);
    this.overlay.make();
    this.refresh();
  }

  /** Read and draw everything; while something is dragged, with coarser pixels. */
  refresh() {
    const { currents, links, resistance } = this.board.read();
    this.reading = { currents, links, resistance, ...this.board.watch(currents) };
    if (this.frequency) {
      const { regions, sections, loops } = this.board.data, f = this.frequency;
      this.reading.shares = regions.map((_, r) => loops.map((__, n) => this.over.share(r, n, f, regions.length)));
      this.reading.sections = sections.map((_, c) => loops.map((__, n) => this.over.section(c, n, f, sections.length)));
      const { linkNames } = this.board.data;
      this.reading.links = this.over.links?.length ? linkNames.map((_, l) => loops.map((__, n) => this.over.link(l, n, f, linkNames.length))) : null;
    }
    this.overlay.place();
    this.readings.tell();
    this.draw();
    this.lessons?.follow();
  }

  draw() {
    clearTimeout(this.later);
    const moving = this.hand.held || this.quick, begin = performance.now();
    this.drawAt(moving ? this.coarse : 1);
    if (moving) {
      // As coarse as the machine needs to follow the hand.
      const took = performance.now() - begin;
      if (took > 18) this.coarse = Math.min(4, this.coarse + 1);
      else if (took < 7) this.coarse = Math.max(2, this.coarse - 1);
      this.later = setTimeout(() => this.drawAt(1), 150);
    }
    this.quick = false;
  }

  drawAt(coarse) {
    const canvas = $("picture"), raster = (this.rasters[coarse] = rasterOf(this.frame, coarse, this.rasters[coarse])), { width, height } = raster;
    if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
    const context = canvas.getContext("2d"), image = context.createImageData(width, height), top = topCurrent(this.boxes);
    for (const n of this.shown) collect(raster, this.board.sheets[n], this.board.loopField(n, this.reading.currents, this.loop), this.options.voltage);
    const moved = this.frequency ? this.over.moved(this.copper) : null;
    if (moved?.vectors) collectCurrents(raster, moved, this.over.currents(moved, this.loop, this.frequency));
    else if (moved) collectMoved(raster, moved, this.over.stream(this.loop, this.frequency));
    colour(image, raster, { bands: this.options.bands, voltage: this.options.voltage && !this.frequency, top });
    context.putImageData(image, 0, 0);
    $("bands").disabled = !raster.lined;
    const { name, amps, role } = this.board.data.loops[this.loop], unit = role === "noisy" ? "A/m" : "A/m per A";
    const steady = this.frequency && !moved ? "; the picture stays that of steady current" : "";
    put($("scaletext"), `${engineering(amps * top * 10 ** -DECADES, unit)} to ${engineering(amps * top, unit)}, logarithmic${raster.lined ? "" : "; no lines of equal current where links take parts of it"}${steady}`);
    canvas.setAttribute("aria-label", `Sheet current of ${name} on ${this.board.data.coppers[this.copper].name}`);
  }

  // --- what was done ----------------------------------------------------------------------------------------

  back() {
    this.sweep.steady();
    for (const grip of this.grips) grip.back();
    this.refresh();
    this.say("All as drawn.");
    this.rested();
  }

  /** Something was moved, and the hand rests: whoever listens is told, and served, a full solve follows. */
  rested() {
    if (window.parent !== window) window.parent.postMessage({ returnflow: this.told() }, "*");
    if (!this.served) return;
    if (this.frequency) this.sweep.model().then((known) => known && this.refresh());
    else this.served.solve();
  }

  /** All that is not as drawn, in millimetres: contacts, ends of slots, bridges, routes. */
  told() {
    const message = { board: this.data.boards.indexOf(this.group), variant: this.group.variants[this.variant].name, places: {}, ends: [], bridges: [], routes: {} };
    for (const grip of this.grips) if (!grip.asDrawn) grip.tell(message);
    return message;
  }

  /** Say a text to those who do not see the page, once the hand rests. */
  say(text) {
    clearTimeout(this.saying);
    this.saying = setTimeout(() => { $("status").textContent = text; }, 350);
  }
}
