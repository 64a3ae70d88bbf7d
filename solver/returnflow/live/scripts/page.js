"use strict";
// The page: what is grabbed, what is shown, what is said.

const $ = (id) => document.getElementById(id);
const SVG = "http://www.w3.org/2000/svg";
const SHAPES = { // by role, so that no colour is needed to tell them apart
  sensitive: "M0,-8 L8,0 L0,8 L-8,0 Z", noisy: "M0,-8 L7.5,6 L-7.5,6 Z", cables: "M-6.5,-6.5 H6.5 V6.5 H-6.5 Z", none: "M3.5,0 A3.5,3.5 0 1 0 -3.5,0 A3.5,3.5 0 1 0 3.5,0 Z",
};

function svg(name, attributes = {}, parent = null, text = null) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== null) made.textContent = text;
  if (parent) parent.append(made);
  return made;
}

function html(name, attributes = {}, parent = null, text = null) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== null) made.textContent = text;
  if (parent) parent.append(made);
  return made;
}

class Page {
  constructor(data) {
    this.data = data;
    this.options = { bands: true, voltage: false };
    this.times = [];
    this.coarse = 2;
    this.rasters = [];
    this.frequency = 0;
    data.boards.forEach((board, n) => html("option", { value: n }, $("board"), board.title));
    $("choice").hidden = data.boards.length < 2 || data.class;
    $("title").classList.toggle("hidden", Boolean(data.class)); // the lesson has a name
    $("board").addEventListener("change", () => this.open(Number($("board").value)));
    $("variant").addEventListener("change", () => { this.turn(Number($("variant").value)); this.served?.solve(); });
    this.toggles();
    this.pointers();
    document.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => this.board && this.resize()).observe($("stage"));
    paintScale($("scale"));
    this.open(0);
    this.lessons = new Lessons(this);
    if (data.served) { this.served = new Served(this); this.served.solve(); }
    if (data.class) this.lessons.open(0);
  }

  toggles() {
    const toggle = (id, change) => $(id).addEventListener("click", () => {
      const on = $(id).getAttribute("aria-pressed") !== "true";
      $(id).setAttribute("aria-pressed", on);
      change(on);
    });
    toggle("bands", (on) => { this.options.bands = on; this.draw(); });
    toggle("voltage", (on) => { this.options.voltage = on; this.draw(); });
    toggle("theme", (on) => { document.documentElement.classList.toggle("projector", on); this.resize(); });
    $("hold").addEventListener("click", () => this.hold());
    $("back").addEventListener("click", () => this.back());
    $("frequency").addEventListener("input", () => { this.stop(); this.slideTo(Number($("frequency").value)); this.say(`${$("hertz").textContent}. ${this.summary()}`); });
    $("play").addEventListener("click", () => this.play());
    $("victim").addEventListener("change", () => { this.victim = Number($("victim").value); this.refresh(); this.served?.solve(); });
  }

  /** Show a board, as drawn. */
  open(number, free = true) {
    if (free) this.lessons?.open(-1);
    if (this.board) this.steady();
    this.group = this.data.boards[number];
    $("board").value = number;
    $("title").textContent = this.group.title;
    document.title = `${this.group.title}: live`;
    this.solved = new Map();
    const { variants } = this.group;
    $("variant").replaceChildren(...variants.map((variant, n) => html("option", { value: n }, null, variant.name)));
    $("variantchoice").hidden = variants.length < 2;
    $("held").hidden = true;
    this.loop = this.victim = undefined;
    this.turn(0);
  }

  /** Show a variant of the board; what was chosen stays chosen where the variant has it. */
  turn(number) {
    const before = this.board?.data, data = this.group.variants[number];
    const kept = before && this.loop !== undefined ? [before.loops[this.loop].name, before.victims[this.victim] && before.loops[before.victims[this.victim].loop].name] : [];
    this.steady();
    this.variant = number;
    $("variant").value = number;
    if (!this.solved.has(number)) {
      const board = new Board(data), drawn = data.terminals.map((_, t) => (data.terminals[t].ports.length ? board.place(t) : null));
      this.solved.set(number, { board, drawn, over: data.frequencies && new Frequencies(data.frequencies, data.loops.length) });
    }
    Object.assign(this, this.solved.get(number));
    this.home = this.drawn; // places for which `over` holds
    this.modelled = "[{},[]]";
    this.homeEnds = this.board.sheets.flatMap((sheet) => sheet.slots.map(() => 0));
    this.cables = data.victims.flatMap((victim, n) => (victim.role === "cables" ? [n] : []));
    const sensitive = data.victims.flatMap((victim, n) => (victim.role === "sensitive" ? [n] : []));
    const choice = sensitive.length ? sensitive : this.cables, name = (n) => data.loops[data.victims[n].loop].name;
    $("victim").replaceChildren(...choice.map((n) => html("option", { value: n }, null, name(n))));
    this.victim = choice.find((n) => name(n) === kept[1]) ?? choice[0] ?? -1;
    $("victim").value = this.victim;
    $("victimlabel").parentElement.hidden = this.victim < 0;
    this.makeBars();
    const same = data.loops.findIndex((loop) => loop.name === kept[0]);
    this.loop = same >= 0 ? same : this.loudest();
    this.sheet = this.board.ports[data.loops[this.loop].ports[0]].sheet;
    $("sweep").hidden = !this.over;
    $("wait").hidden = true;
    this.resize();
  }

  /** Loop that adds most to what is heard; the first noisy one where nothing is. */
  loudest() {
    const { loops } = this.board.data;
    const noisy = loops.findIndex((loop) => loop.role === "noisy");
    if (this.victim < 0) return Math.max(0, noisy);
    const { parts } = this.heard(this.board.read().resistance, this.victim);
    return parts.reduce((best, part) => (part.volts > best.volts ? part : best), { loop: Math.max(0, noisy), volts: 0 }).loop;
  }

  heard(resistance, victim) {
    const it = this.board.data.victims[victim];
    return noiseOf(it, (loop, line) => (this.frequency > 0 ? this.over.impedance(it.loop, loop, line) : [resistance[it.loop][loop], 0]));
  }

  // --- frequency --------------------------------------------------------------------------------------------

  /** The slider: DC at its left end, then `lowest` and up, so many steps a decade. */
  get perDecade() { return 48; }

  position(frequency) { return Math.round(1 + this.perDecade * Math.log10(frequency / this.over.lowest)); }

  /** Served, a model of what is on the page comes first; offline, what is above 0 Hz holds for contacts as drawn. */
  async slideTo(position) {
    if (this.served && position > 0 && !this.frequency && this.served.state !== this.modelled) {
      const state = this.served.state, over = await this.served.model();
      if (!over || state !== this.served.state) { $("frequency").value = 0; return; }
      this.over = new Frequencies(over, this.board.data.loops.length);
      this.modelled = state;
      this.homeEnds = this.board.sheets.flatMap((sheet) => sheet.slots.map(({ by }) => by));
      this.home = this.drawn.map((place, t) => place && this.board.place(t));
    }
    this.slide(position);
  }

  slide(position) {
    const was = this.frequency;
    this.frequency = position > 0 ? this.over.lowest * 10 ** ((position - 1) / this.perDecade) : 0;
    $("frequency").value = position;
    const text = position > 0 ? engineering(this.frequency, "Hz") : "DC";
    $("hertz").textContent = text;
    $("frequency").setAttribute("aria-valuetext", text);
    if (!was && this.frequency) { // above 0 Hz all is known for contacts as drawn
      this.left = this.drawn.map((place, t) => (place && this.board.movable(t) ? this.board.place(t) : null));
      this.home.forEach((place, t) => { if (this.left[t]) this.jump(t, place); });
    }
    if (!was && this.frequency) {
      const every = this.board.sheets.flatMap((sheet, n) => sheet.slots.map((slot) => [n, slot, slot.by]));
      this.longer = every.filter(([, , by], k) => by !== this.homeEnds[k]);
      every.forEach(([n, slot, by], k) => { if (by !== this.homeEnds[k]) this.board.stretch(n, slot, this.homeEnds[k]); });
    }
    if (was && !this.frequency) for (const [n, slot, by] of this.longer) this.board.stretch(n, slot, by);
    if (was && !this.frequency) this.left.forEach((place, t) => { if (place) this.jump(t, place); });
    this.quick = true;
    this.refresh();
  }

  /** Back to 0 Hz, whatever comes next. */
  steady() {
    this.stop();
    if (this.frequency) this.slide(0);
    this.frequency = 0;
  }

  play() {
    if (this.playing) { this.stop(); return; }
    let position = Number($("frequency").value) >= Number($("frequency").max) ? 0 : Number($("frequency").value);
    $("play").textContent = "Pause";
    const step = () => {
      position += 2;
      if (position > Number($("frequency").max)) { this.stop(); return; }
      this.slide(position);
      this.playing = requestAnimationFrame(step);
    };
    this.playing = requestAnimationFrame(step);
  }

  stop() {
    if (this.playing) cancelAnimationFrame(this.playing);
    this.playing = null;
    $("play").textContent = "Play";
  }

  /** Marks where the shown return moves. */
  markFrequencies() {
    $("frequency").max = 1 + Math.round(((this.over.count - 1) / this.over.perDecade) * this.perDecade);
    const [turning, ribbon] = this.over.marks[this.loop], span = Number($("frequency").max);
    const marks = [[turning, "half has left the straight way"], [ribbon, "ribbon under the trace"]].filter(([f]) => f);
    $("marks").replaceChildren(...marks.map(([f, what], n) => {
      const at = (1 + this.perDecade * Math.log10(f / this.over.lowest)) / span;
      const left = at > 0.4, words = `${what}, ${engineering(f, "Hz")}`;
      return html("span", { style: `left:${(100 * Math.min(1, Math.max(0, at))).toFixed(1)}%`, class: `${n ? "late" : ""} ${left ? "left" : ""}` }, null, left ? `${words} ▴` : `▴ ${words}`);
    }));
  }

  // --- the picture ------------------------------------------------------------------------------------------

  resize() {
    const stage = $("stage"), width = Math.max(80, Math.floor(stage.clientWidth)), height = Math.max(80, Math.floor(stage.clientHeight));
    const copper = this.board.sheets[this.sheet].copper;
    this.shown = this.board.sheets.flatMap((sheet, n) => (sheet.copper === copper ? [n] : []));
    this.boxes = this.shown.map((n) => this.board.sheets[n].box);
    this.frame = frameOf(this.boxes, width, height, 18);
    this.makeOverlay();
    this.refresh();
  }

  makeOverlay() {
    const over = $("over"), { data, sheets, ports } = this.board, f = this.frame, copper = sheets[this.sheet].copper;
    over.replaceChildren();
    over.setAttribute("viewBox", `0 0 ${f.width} ${f.height}`);
    const line = (points) => points.map(([x, y], n) => `${n ? "L" : "M"}${f.x(x).toFixed(1)},${f.y(y).toFixed(1)}`).join("");
    this.rims = this.shown.map(() => svg("path", { class: "rim" }, over));
    const mm = (lines) => lines.map((points) => line(points.map(([x, y]) => [1e-3 * x, 1e-3 * y])));
    for (const region of data.regions.filter((r) => r.copper === copper)) {
      svg("path", { class: "region", d: mm(region.lines).map((d) => d + "Z").join("") }, over);
      const [x, y] = region.lines[0].reduce(([px, py], [qx, qy]) => [Math.min(px, qx), Math.max(py, qy)], [Infinity, -Infinity]);
      svg("text", { x: f.x(1e-3 * x) + 6, y: f.y(1e-3 * y) + 16 }, over, region.name);
    }
    for (const section of data.sections.filter((s) => s.copper === copper)) svg("path", { class: "cut", d: mm([section.path])[0] }, over);
    this.points = data.terminals.map((terminal, t) => {
      if (!terminal.ports.length || terminal.copper !== copper) return null;
      const stays = !this.board.movable(t);
      if (stays) svg("path", { class: "fixed", d: mm(terminal.lines).map((d) => d + "Z").join("") }, over);
      const bare = !data.loops.some((loop) => loop.ends.includes(t)); // a joint between coppers
      const group = svg("g", { class: "point" + (stays ? " stays" : ""), tabindex: stays || bare ? -1 : 0, role: stays ? "img" : "slider", "data-terminal": t }, over);
      const ends = data.loops.filter((loop) => loop.ends.includes(t));
      const role = ["sensitive", "cables", "noisy"].find((r) => ends.some((loop) => loop.role === r)) ?? "none";
      const into = ends.find((loop) => loop.role === role)?.ends[0] === t; // of the loop whose mark is drawn
      svg("circle", { class: "halo", r: 15 }, group);
      svg("circle", { class: "ring", r: 15 }, group);
      svg("circle", { r: 16, fill: "transparent" }, group);
      svg("path", { class: "mark" + (into ? " in" : ""), d: SHAPES[role] }, group);
      group.label = svg("text", { y: 5 }, group, role === "none" ? "" : terminal.name);
      group.what = `${terminal.name}, ${role === "none" ? "no loop" : ends.map((loop) => `${loop.ends[0] === t ? "inject" : "return"} of ${loop.name}`).join(" and ")}`;
      group.addEventListener("focus", () => { this.chosen = t; });
      return group;
    });
    this.ends = this.shown.flatMap((n) => sheets[n].slots.map((slot) => {
      const group = svg("g", { class: "point end", tabindex: 0, role: "slider", "data-end": "" }, over);
      svg("circle", { class: "halo", r: 15 }, group);
      svg("circle", { class: "ring", r: 15 }, group);
      svg("circle", { r: 16, fill: "transparent" }, group);
      svg("path", { class: "mark", d: "M-9,0 L-4,-5 V-2 H4 V-5 L9,0 L4,5 V2 H-4 V5 Z" }, group);
      Object.assign(group, { sheet: n, gap: slot });
      return group;
    }));
    this.placePoints();
  }

  placePoints() {
    const f = this.frame, taken = [];
    for (const group of this.ends) {
      const { gap: slot } = group, x = f.x(slot.x + slot.by * slot.dx), y = f.y(slot.y + slot.by * slot.dy);
      group.setAttribute("transform", `translate(${x.toFixed(2)},${y.toFixed(2)}) rotate(${(-Math.atan2(slot.dy, slot.dx) * 180 / Math.PI).toFixed(1)})`);
      group.setAttribute("aria-label", `end of ${slot.name}`);
      group.setAttribute("aria-valuenow", (1e3 * slot.by).toFixed(1));
      group.setAttribute("aria-valuetext", `${(1e3 * slot.by).toFixed(1)} mm longer than drawn`);
    }
    this.placeRims();
    this.points.forEach((group, t) => {
      if (!group) return;
      const [x, y] = this.board.place(t), px = f.x(x), py = f.y(y), [mx, my] = [1e3 * x, 1e3 * y].map((v) => v.toFixed(1));
      group.setAttribute("transform", `translate(${px.toFixed(2)},${py.toFixed(2)})`);
      const wide = 8 * group.label.textContent.length + 14;
      const left = px + wide > f.width, clash = taken.some(([qx, qy, w]) => Math.abs(qy - py) < 15 && px < qx + w && qx < px + wide);
      group.label.setAttribute("text-anchor", left ? "end" : "start");
      group.label.setAttribute("x", left ? -12 : 12);
      group.label.setAttribute("y", clash ? 20 : 5);
      taken.push([left ? px - wide : px, clash ? py + 15 : py, wide]);
      group.setAttribute("aria-label", group.what);
      group.setAttribute("aria-valuenow", mx);
      group.setAttribute("aria-valuetext", `x ${mx}, y ${my} mm`);
    });
  }

  placeRims() {
    const f = this.frame;
    this.shown.forEach((n, at) => {
      const sheet = this.board.sheets[n], key = sheet.slots.map(({ by }) => by).join() + f.scale + f.width;
      if (this.rims[at].key === key) return;
      this.rims[at].key = key;
      this.rims[at].setAttribute("d", sheet.rings.map((ring) => Array.from(ring, (edge, i) => {
        const [a] = sheet.edge(edge);
        return `${i ? "L" : "M"}${f.x(sheet.x[a]).toFixed(1)},${f.y(sheet.y[a]).toFixed(1)}`;
      }).join("") + "Z").join(""));
    });
  }

  /** Read and draw everything; while something is dragged, with coarser pixels. */
  refresh() {
    const { currents, links, resistance } = this.board.read();
    this.reading = { currents, links, resistance, ...this.board.watch(currents) };
    if (this.frequency) {
      const { regions, sections, loops } = this.board.data, f = this.frequency;
      this.reading.shares = regions.map((_, r) => loops.map((__, n) => this.over.share(r, n, f, regions.length)));
      this.reading.sections = sections.map((_, c) => loops.map((__, n) => this.over.section(c, n, f, sections.length)));
    }
    this.placePoints();
    this.tell();
    this.draw();
    this.lessons?.follow();
  }

  draw() {
    clearTimeout(this.later);
    const moving = this.dragging || this.quick, begin = performance.now();
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
    if (this.frequency && this.over.moved) collectMoved(raster, this.over.moved, this.over.stream(this.loop, this.frequency));
    colour(image, raster, { bands: this.options.bands, voltage: this.options.voltage && !this.frequency, top });
    context.putImageData(image, 0, 0);
    const loop = this.board.data.loops[this.loop], amps = loop.amps;
    const unit = loop.role === "noisy" ? "A/m" : "A/m per A";
    $("scaletext").textContent = `${engineering(amps * top * 10 ** -DECADES, unit)} to ${engineering(amps * top, unit)}, logarithmic${raster.lined ? "" : "; no lines of equal current where links take parts of it"}`;
    canvas.setAttribute("aria-label", `Sheet current of ${loop.name} on ${this.board.data.coppers[this.board.sheets[this.sheet].copper].name}`);
  }

  // --- the readings -----------------------------------------------------------------------------------------

  makeBars() {
    const { loops } = this.board.data;
    $("bars").replaceChildren();
    this.bars = loops.map((loop, n) => {
      const bar = html("button", { class: "bar", role: "radio", "data-loop": n }, $("bars"));
      const icon = svg("svg", { viewBox: "-10 -10 20 20", width: 16, height: 16, "aria-hidden": "true" }, bar);
      svg("path", { d: SHAPES[loop.role], fill: "currentColor" }, icon);
      html("span", {}, bar, loop.name);
      bar.figure = html("span", {}, bar);
      bar.track = html("i", { "aria-hidden": "true" }, bar);
      bar.fill = html("b", {}, bar.track);
      bar.limit = html("u", {}, bar.track);
      if (loop.role !== "noisy" || this.victim < 0) bar.track.remove();
      bar.addEventListener("click", () => { this.loop = n; this.choose(); });
      return bar;
    });
    $("shapes").textContent = "◆ sensitive ▲ noisy ■ cables; filled: current enters, hollow: it leaves.";
  }

  choose() {
    const start = this.board.ports[this.board.data.loops[this.loop].ports[0]];
    if (this.board.sheets[start.sheet].copper !== this.board.sheets[this.sheet].copper) { this.sheet = start.sheet; this.resize(); }
    else this.refresh();
  }

  tell() {
    const { data } = this.board, { resistance, shares, sections, links } = this.reading;
    this.bars.forEach((bar, n) => bar.setAttribute("aria-checked", n === this.loop));
    if (this.over) this.markFrequencies();
    const between = (i, j) => (this.frequency ? engineering(Math.hypot(...this.over.impedance(i, j, this.frequency)), "Ω") : engineering(resistance[i][j], "Ω"));
    const what = this.frequency ? `Impedance at ${engineering(this.frequency, "Hz")}` : "Resistance";
    const rows = (id, part, list) => {
      $(part).hidden = !list.length;
      $(id).replaceChildren();
      for (const cells of list) { const row = html("tr", {}, $(id)); for (const cell of cells) html("td", {}, row, cell); }
    };
    if (this.victim >= 0) {
      const victim = data.victims[this.victim], { volts, parts } = this.heard(resistance, this.victim);
      this.volts = volts;
      const bad = volts > victim.limit, told = `${this.variant} ${this.victim} ${volts}`;
      if (told !== this.told) { // a bracket stands until something changes
        this.told = told;
        this.served?.forget();
        $("figure").replaceChildren(html("small", {}, null, "about "), engineering(volts, "V"));
        $("verdict").textContent = (bad ? "✖ " : "✔ ") + verdict(volts, victim.limit);
        $("verdict").className = bad ? "over" : "kept";
      }
      const size = (v) => 100 * Math.min(1, Math.max(0, (Math.log10(v / victim.limit) + 3) / 6));
      for (const { loop, volts: each, counted } of parts) {
        const bar = this.bars[loop];
        bar.figure.textContent = counted ? engineering(each, "V") : "out of band";
        bar.fill.style.width = `${each > 0 ? size(each) : 0}%`;
        bar.limit.style.left = "50%";
        bar.track.className = each > victim.limit ? "over" : "";
        bar.setAttribute("aria-label", `${data.loops[loop].name}: ${bar.figure.textContent}`);
      }
      $("sharedlabel").textContent = `${what} that ${data.loops[victim.loop].name} shares with`;
      rows("shared", "sharedpart", parts.map(({ loop }) => [data.loops[loop].name, between(victim.loop, loop)]));
    } else {
      $("sharedlabel").textContent = what;
      rows("shared", "sharedpart", data.loops.map((loop, n) => [loop.name, between(n, n)]));
    }
    rows("shares", "sharepart", [
      ...data.regions.map((region, r) => [region.name, percent(shares[r][this.loop])]),
      ...data.sections.map((section, s) => [`${section.name} (cut)`, percent(sections[s][this.loop])]),
    ]);
    rows("cables", "cablepart", this.cables.map((n) => {
      const { volts } = this.heard(resistance, n), it = data.victims[n];
      return [data.loops[it.loop].name, `${engineering(volts, "V")}, ${verdict(volts, it.limit)}`];
    }));
    rows("links", "linkpart", this.frequency ? [] : data.linkNames.map((name, n) => [name, `${percent(links[n][this.loop])} of ${data.loops[this.loop].name}`]));
  }

  /** A full solve of what is shown: its bracket in the figure's place. */
  bracket({ victims }) {
    if (this.victim < 0 || this.frequency) return;
    const { limit, loop } = this.board.data.victims[this.victim], { low, noise, high } = victims.find((it) => it.loop === loop);
    this.volts = noise;
    $("figure").replaceChildren(engineering(noise, "V"), html("small", {}, null, ` between ${engineering(low, "V")} and ${engineering(high, "V")}`));
    const bad = low > limit, good = high <= limit;
    $("verdict").textContent = bad || good ? `${bad ? "✖" : "✔"} ${verdict(noise, limit)}` : "▬ undecided: the bracket straddles the limit";
    $("verdict").className = good ? "kept" : "over";
    this.say(`Solved: between ${engineering(low, "V")} and ${engineering(high, "V")}.`);
  }

  /** Say the reading to those who do not see it, once the hand rests. */
  say(text) {
    clearTimeout(this.saying);
    this.saying = setTimeout(() => { $("status").textContent = text; }, 350);
  }

  sayPlace(t) {
    const [x, y] = this.board.place(t).map((v) => (1e3 * v).toFixed(1));
    this.say(`${this.board.data.terminals[t].name} at ${x}, ${y} mm. ${this.summary()}`);
  }

  /** Served, a full solve follows once the keys rest. */
  solveLater() {
    clearTimeout(this.rest);
    if (this.served) this.rest = setTimeout(() => this.served.solve(), 600);
  }

  sayEnd({ gap: slot }) { this.say(`End of ${slot.name} ${(1e3 * slot.by).toFixed(1)} mm from where it was drawn. ${this.summary()}`); }

  summary() {
    return this.victim < 0 ? "" : `${$("victim").selectedOptions[0].textContent}: about ${engineering(this.volts, "V")}, ${$("verdict").textContent.slice(2)}.`;
  }

  hold() {
    const from = $("picture"), to = $("heldpicture"), ratio = from.height / from.width;
    this.drawAt(1);
    to.height = Math.round(to.width * ratio);
    to.getContext("2d").drawImage(from, 0, 0, to.width, to.height);
    const name = this.victim < 0 ? "" : $("victim").selectedOptions[0].textContent;
    $("heldtext").replaceChildren("held: ", html("b", {}, null, this.victim < 0 ? "picture" : engineering(this.volts, "V")), ` ${name}, ${this.group.variants[this.variant].name}${this.frequency ? `, ${engineering(this.frequency, "Hz")}` : ""}`);
    $("held").hidden = false;
    this.say(`Held: ${name} about ${this.victim < 0 ? "" : engineering(this.volts, "V")}.`);
  }

  back() {
    this.steady();
    this.board.sheets.forEach((sheet, n) => sheet.slots.forEach((slot) => { if (slot.by) this.board.stretch(n, slot, 0); }));
    this.drawn.forEach((place, t) => { if (place && this.board.movable(t)) this.jump(t, place); });
    this.refresh();
    this.say("All contacts as drawn.");
    this.served?.solve();
  }

  jump(t, [x, y]) {
    const allowed = this.board.allowed;
    this.board.allowed = () => true; // where it was drawn it may be, whatever lies between
    this.board.move(t, x, y);
    this.board.allowed = allowed;
  }

  // --- the hand ---------------------------------------------------------------------------------------------

  pointers() {
    const over = $("over");
    over.addEventListener("pointerdown", (event) => {
      const group = event.target.closest?.(".point");
      if (!group || group.classList.contains("stays") || this.stays()) return;
      const box = over.getBoundingClientRect(), end = "end" in group.dataset && group, t = Number(group.dataset.terminal);
      const [x, y] = end ? [end.gap.x + end.gap.by * end.gap.dx, end.gap.y + end.gap.by * end.gap.dy] : this.board.place(t);
      this.dragging = { t, end, dx: this.frame.x(x) - (event.clientX - box.left), dy: this.frame.y(y) - (event.clientY - box.top) };
      group.focus({ preventScroll: true });
      over.setPointerCapture(event.pointerId);
      event.preventDefault();
    });
    over.addEventListener("pointermove", (event) => {
      if (!this.dragging) return;
      this.wanted = { x: event.clientX, y: event.clientY, since: this.wanted?.since ?? event.timeStamp };
      this.frameAsked ??= requestAnimationFrame(() => this.follow());
    });
    const drop = () => {
      if (!this.dragging) return;
      if (this.wanted) this.follow();
      const { t, end } = this.dragging;
      this.dragging = null;
      this.draw();
      if (end) this.sayEnd(end);
      else this.sayPlace(t);
      this.served?.solve();
    };
    over.addEventListener("pointerup", drop);
    over.addEventListener("pointercancel", drop);
  }

  follow() {
    cancelAnimationFrame(this.frameAsked);
    this.frameAsked = null;
    const { wanted, dragging } = this;
    this.wanted = null;
    if (!wanted || !dragging) return;
    const box = $("over").getBoundingClientRect();
    const x = this.frame.backX(wanted.x - box.left + dragging.dx), y = this.frame.backY(wanted.y - box.top + dragging.dy);
    const { end } = dragging;
    if (end ? this.board.stretch(end.sheet, end.gap, (x - end.gap.x) * end.gap.dx + (y - end.gap.y) * end.gap.dy) : this.board.move(dragging.t, x, y)) this.refresh();
    this.times.push(performance.now() - wanted.since);
  }

  /** Above 0 Hz contacts stay where they were drawn. */
  stays() {
    if (this.frequency) this.say("Above 0 Hz contacts stay as drawn. Slide to DC to move them.");
    return this.frequency > 0;
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    const group = document.activeElement?.closest?.(".point");
    if (steps && group) {
      event.preventDefault();
      if (this.stays()) return;
      const size = event.shiftKey ? 1e-4 : 1e-3;
      this.quick = true;
      if ("end" in group.dataset) {
        const { gap: slot, sheet } = group, along = Math.sign(steps[0] * slot.dx + steps[1] * slot.dy);
        if (along && this.board.stretch(sheet, slot, slot.by + along * size)) this.refresh();
        this.sayEnd(group);
        this.solveLater();
        return;
      }
      const t = Number(group.dataset.terminal), [x, y] = this.board.place(t);
      if (this.board.move(t, x + steps[0] * size, y + steps[1] * size)) this.refresh();
      this.sayPlace(t);
      this.solveLater();
      return;
    }
    if (["SELECT", "INPUT"].includes(document.activeElement?.tagName) && document.activeElement.id !== "frequency") return;
    if (event.key === "h") this.hold();
    if (event.key === "r") this.back();
    if (event.key === "v" || event.key === "V") {
      const { length } = this.group.variants;
      this.turn((this.variant + (event.key === "v" ? 1 : length - 1)) % length);
      this.say(`${this.group.variants[this.variant].name}. ${this.summary()}`);
      this.served?.solve();
    }
    if (event.key === "p" && this.over) this.play();
  }
}

async function start(text) {
  try {
    if (!window.DecompressionStream) throw new Error("this browser cannot unpack it (any of 2023 or later can)");
    window.page = new Page(await unpack(text));
  } catch (error) {
    $("wait").hidden = false;
    $("wait").textContent = `The page cannot be shown: ${error.message}.`;
    throw error;
  }
}
