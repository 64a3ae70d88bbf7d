"use strict";
// The page: what is grabbed, what is shown, what is said.

const $ = (id) => document.getElementById(id);
const SVG = "http://www.w3.org/2000/svg";
const SHAPES = { // by role, so that no colour is needed to tell them apart
  sensitive: "M0,-8 L8,0 L0,8 L-8,0 Z", noisy: "M0,-8 L7.5,6 L-7.5,6 Z", cables: "M-6.5,-6.5 H6.5 V6.5 H-6.5 Z", none: "M5,0 A5,5 0 1 0 -5,0 A5,5 0 1 0 5,0 Z",
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
    data.boards.forEach((board, n) => html("option", { value: n }, $("board"), board.name));
    $("choice").hidden = data.boards.length < 2;
    $("board").addEventListener("change", () => this.open(Number($("board").value)));
    this.toggles();
    this.pointers();
    document.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => this.board && this.resize()).observe($("stage"));
    paintScale($("scale"));
    this.open(0);
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
    $("victim").addEventListener("change", () => { this.victim = Number($("victim").value); this.refresh(); });
  }

  open(number) {
    const data = this.data.boards[number];
    this.board = new Board(data);
    this.drawn = data.terminals.map((_, t) => (data.terminals[t].ports.length ? this.board.place(t) : null));
    $("title").textContent = data.title;
    this.sensitive = data.victims.flatMap((victim, n) => (victim.role === "sensitive" ? [n] : []));
    this.cables = data.victims.flatMap((victim, n) => (victim.role === "cables" ? [n] : []));
    $("victim").replaceChildren();
    const choice = this.sensitive.length ? this.sensitive : this.cables;
    for (const n of choice) html("option", { value: n }, $("victim"), data.loops[data.victims[n].loop].name);
    this.victim = choice[0] ?? -1;
    $("victimlabel").parentElement.hidden = this.victim < 0;
    this.makeBars();
    this.loop = this.loudest();
    const start = this.board.ports[data.loops[this.loop].ports[0]];
    this.sheet = start.sheet;
    $("held").hidden = true;
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
    return noiseOf(it, (loop) => [resistance[it.loop][loop], 0]);
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
    for (const n of this.shown) {
      const sheet = sheets[n];
      const d = sheet.rings.map((ring) => line(Array.from(ring, (edge) => { const [a] = sheet.edge(edge); return [sheet.x[a], sheet.y[a]]; })) + "Z").join("");
      svg("path", { class: "rim", d }, over);
    }
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
      const group = svg("g", { class: "point" + (stays ? " stays" : ""), tabindex: stays ? -1 : 0, role: stays ? "img" : "slider", "data-terminal": t }, over);
      const ends = data.loops.filter((loop) => loop.ends.includes(t));
      const role = ["sensitive", "cables", "noisy"].find((r) => ends.some((loop) => loop.role === r)) ?? "none";
      const into = ends.some((loop) => loop.ends[0] === t);
      svg("circle", { class: "halo", r: 15 }, group);
      svg("circle", { class: "ring", r: 15 }, group);
      svg("circle", { r: 16, fill: "transparent" }, group);
      svg("path", { class: "mark" + (into ? " in" : ""), d: SHAPES[role] }, group);
      group.label = svg("text", { y: 5 }, group, terminal.name);
      group.what = `${terminal.name}, ${role === "none" ? "no loop" : `${into ? "inject" : "return"} of ${ends.map((loop) => loop.name).join(" and ")}`}`;
      group.addEventListener("focus", () => { this.chosen = t; });
      return group;
    });
    this.placePoints();
  }

  placePoints() {
    const f = this.frame, taken = [];
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

  /** Read and draw everything; while something is dragged, with coarser pixels. */
  refresh() {
    const { currents, links, resistance } = this.board.read();
    this.reading = { currents, links, resistance, ...this.board.watch(currents) };
    this.placePoints();
    this.tell();
    this.draw();
  }

  draw() {
    clearTimeout(this.later);
    this.drawAt(this.dragging || this.quick ? 2 : 1);
    if (this.dragging || this.quick) this.later = setTimeout(() => this.drawAt(1), 120);
    this.quick = false;
  }

  drawAt(coarse) {
    const canvas = $("picture"), f = this.frame, width = Math.ceil(f.width / coarse), height = Math.ceil(f.height / coarse);
    if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
    const context = canvas.getContext("2d"), image = context.createImageData(width, height);
    const top = topCurrent(this.boxes);
    for (const n of this.shown)
      paint(image, this.board.sheets[n], this.board.loopField(n, this.reading.currents, this.loop), f, coarse, { ...this.options, top });
    context.putImageData(image, 0, 0);
    const loop = this.board.data.loops[this.loop], amps = loop.amps;
    const unit = loop.role === "noisy" ? "A/m" : "A/m per A";
    $("scaletext").textContent = `${engineering(amps * top * 10 ** -DECADES, unit)} to ${engineering(amps * top, unit)}, logarithmic`;
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
      if (loop.role !== "noisy") bar.track.remove();
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
    const rows = (id, part, list) => {
      $(part).hidden = !list.length;
      $(id).replaceChildren();
      for (const cells of list) { const row = html("tr", {}, $(id)); for (const cell of cells) html("td", {}, row, cell); }
    };
    if (this.victim >= 0) {
      const victim = data.victims[this.victim], { volts, parts } = this.heard(resistance, this.victim);
      this.volts = volts;
      $("figure").replaceChildren(html("small", {}, null, "about "), engineering(volts, "V"));
      const bad = volts > victim.limit;
      $("verdict").textContent = (bad ? "✖ " : "✔ ") + verdict(volts, victim.limit);
      $("verdict").className = bad ? "over" : "kept";
      const size = (v) => 100 * Math.min(1, Math.max(0, (Math.log10(v / victim.limit) + 3) / 6));
      for (const { loop, volts: each, counted } of parts) {
        const bar = this.bars[loop];
        bar.figure.textContent = counted ? engineering(each, "V") : "out of band";
        bar.fill.style.width = `${each > 0 ? size(each) : 0}%`;
        bar.limit.style.left = "50%";
        bar.track.className = each > victim.limit ? "over" : "";
        bar.setAttribute("aria-label", `${data.loops[loop].name}: ${bar.figure.textContent}`);
      }
      $("sharedlabel").textContent = `Resistance that ${data.loops[victim.loop].name} shares with`;
      rows("shared", "sharedpart", parts.map(({ loop }) => [data.loops[loop].name, engineering(resistance[victim.loop][loop], "Ω")]));
    } else {
      $("sharedlabel").textContent = "Resistance";
      rows("shared", "sharedpart", data.loops.map((loop, n) => [loop.name, engineering(resistance[n][n], "Ω")]));
    }
    rows("shares", "sharepart", [
      ...data.regions.map((region, r) => [region.name, percent(shares[r][this.loop])]),
      ...data.sections.map((section, s) => [`${section.name} (cut)`, percent(sections[s][this.loop])]),
    ]);
    rows("cables", "cablepart", this.cables.map((n) => {
      const { volts } = this.heard(resistance, n), it = data.victims[n];
      return [data.loops[it.loop].name, `${engineering(volts, "V")}, ${verdict(volts, it.limit)}`];
    }));
    rows("links", "linkpart", data.linkNames.map((name, n) => [name, `${percent(links[n][this.loop])} of ${data.loops[this.loop].name}`]));
  }

  /** Say the reading to those who do not see it, once the hand rests. */
  say(text) {
    clearTimeout(this.saying);
    this.saying = setTimeout(() => { $("status").textContent = text; }, 350);
  }

  sayPlace(t) {
    const [x, y] = this.board.place(t).map((v) => (1e3 * v).toFixed(1));
    const figure = this.victim < 0 ? "" : ` ${$("victim").selectedOptions[0].textContent}: about ${engineering(this.volts, "V")}, ${$("verdict").textContent.slice(2)}.`;
    this.say(`${this.board.data.terminals[t].name} at ${x}, ${y} mm.${figure}`);
  }

  hold() {
    const from = $("picture"), to = $("heldpicture"), ratio = from.height / from.width;
    this.drawAt(1);
    to.height = Math.round(to.width * ratio);
    to.getContext("2d").drawImage(from, 0, 0, to.width, to.height);
    const name = this.victim < 0 ? "" : $("victim").selectedOptions[0].textContent;
    $("heldtext").replaceChildren("held: ", html("b", {}, null, this.victim < 0 ? "picture" : engineering(this.volts, "V")), ` ${name}`);
    $("held").hidden = false;
    this.say(`Held: ${name} about ${this.victim < 0 ? "" : engineering(this.volts, "V")}.`);
  }

  back() {
    this.drawn.forEach((place, t) => { if (place && this.board.movable(t)) this.jump(t, place); });
    this.refresh();
    this.say("All contacts as drawn.");
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
      if (!group || group.classList.contains("stays")) return;
      const t = Number(group.dataset.terminal), box = over.getBoundingClientRect(), [x, y] = this.board.place(t);
      this.dragging = { t, dx: this.frame.x(x) - (event.clientX - box.left), dy: this.frame.y(y) - (event.clientY - box.top) };
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
      const { t } = this.dragging;
      this.dragging = null;
      this.draw();
      this.sayPlace(t);
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
    if (this.board.move(dragging.t, x, y)) this.refresh();
    this.times.push(performance.now() - wanted.since);
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    const group = document.activeElement?.closest?.(".point");
    if (steps && group) {
      event.preventDefault();
      const t = Number(group.dataset.terminal), size = event.shiftKey ? 1e-4 : 1e-3, [x, y] = this.board.place(t);
      this.quick = true;
      if (this.board.move(t, x + steps[0] * size, y + steps[1] * size)) this.refresh();
      this.sayPlace(t);
      return;
    }
    if (document.activeElement?.tagName === "SELECT") return;
    if (event.key === "h") this.hold();
    if (event.key === "r") this.back();
  }
}

async function start(text) {
  window.page = new Page(await unpack(text));
}
