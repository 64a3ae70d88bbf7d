"use strict";
// What lies over the picture: borders, regions, cuts, routes, and the marks of all that can be grabbed.

class Overlay {
  constructor(page) { this.page = page; }

  /** Make everything anew for the copper that is shown. */
  make() {
    const { page } = this, over = $("over"), { board, frame: f } = page, { data } = board, copper = page.copper;
    over.replaceChildren();
    over.setAttribute("viewBox", `0 0 ${f.width} ${f.height}`);
    this.rims = page.shown.map(() => svg("path", { class: "rim" }, over));
    this.joints(copper);
    for (const region of data.regions.filter((it) => it.copper === copper)) {
      svg("path", { class: "region", d: region.lines.map((line) => this.line(line) + "Z").join("") }, over);
      const [x, y] = region.lines[0].reduce(([px, py], [qx, qy]) => [Math.min(px, qx), Math.max(py, qy)], [Infinity, -Infinity]);
      svg("text", { x: f.x(1e-3 * x) + 6, y: f.y(1e-3 * y) + 16 }, over, region.name);
    }
    for (const section of data.sections.filter((it) => it.copper === copper)) svg("path", { class: "cut", d: this.line(section.path) }, over);
    this.route = ["route under", "route"].map((kind) => svg("path", { class: kind }, over));
    const gripped = new Map(page.grips.flatMap((grip) => (grip instanceof Contact ? [[grip.terminal, grip]] : [])));
    this.points = data.terminals.flatMap((terminal, t) => (terminal.ports.length && terminal.copper === copper ? [this.contact(t, gripped.get(t))] : []));
    const here = (grip) => page.shown.includes(grip.sheet) || grip instanceof Corner;
    this.others = page.grips.filter((grip) => !(grip instanceof Contact) && here(grip)).map((grip) => this.group(grip, grip instanceof Corner ? "corner" : "end"));
    this.letter = 0.6 * parseFloat(getComputedStyle(this.points[0]?.label ?? over).fontSize); // pixels
    this.place();
  }

  /** Vias that are part of the copper, and small holes of it that are not in the mesh: a shape for all of them. */
  joints(copper) {
    const { board, frame: f } = this.page, mine = (s) => board.sheets[s].copper === copper;
    const disc = (x, y, r) => `M${(f.x(x) - r).toFixed(1)},${f.y(y).toFixed(1)}a${r.toFixed(2)},${r.toFixed(2)} 0 1 0 ${(2 * r).toFixed(2)},0a${r.toFixed(2)},${r.toFixed(2)} 0 1 0 ${(-2 * r).toFixed(2)},0Z`;
    const holes = board.data.sheets.flatMap(({ holes: h }, s) => (h && mine(s) ? Array.from({ length: h.length / 3 }, (_, n) => disc(h[3 * n], h[3 * n + 1], f.scale * h[3 * n + 2])) : []));
    const pins = (board.pins ?? []).flatMap(({ sheet, x, y, radius }) => (mine(sheet) ? [disc(x, y, Math.max(1, f.scale * radius))] : []));
    for (const [kind, shapes] of [["gaps", holes], ["pins", pins]]) if (shapes.length) svg("path", { class: kind, d: shapes.join("") }, $("over"));
  }

  line(points) {
    const { frame: f } = this.page;
    return points.map(([x, y], n) => `${n ? "L" : "M"}${f.x(1e-3 * x).toFixed(1)},${f.y(1e-3 * y).toFixed(1)}`).join("");
  }

  group(grip, kind, mark = grip.mark) {
    const group = svg("g", { class: `point ${kind}`, tabindex: grip ? 0 : -1, role: grip ? "slider" : "img" }, $("over"));
    svg("circle", { class: "halo", r: 15 }, group);
    svg("circle", { class: "ring", r: 15 }, group);
    svg("circle", { r: 16, fill: "transparent" }, group);
    group.mark = svg("path", { class: "mark", d: mark }, group);
    return Object.assign(group, { grip });
  }

  contact(t, grip) {
    const { loops, terminals } = this.page.board.data, ends = loops.filter((loop) => loop.ends.includes(t)), terminal = terminals[t];
    const role = ["sensitive", "cables", "noisy"].find((r) => ends.some((loop) => loop.role === r)) ?? "none"; // none: a joint between coppers
    const into = ends.find((loop) => loop.role === role)?.ends[0] === t; // of the loop whose mark is drawn
    if (!grip) svg("path", { class: "fixed", d: terminal.lines.map((line) => this.line(line) + "Z").join("") }, $("over"));
    const group = this.group(grip, grip ? "" : "stays", MARKS[role]);
    if (role === "none") group.setAttribute("tabindex", -1);
    if (into) group.mark.classList.add("in");
    group.setAttribute("data-terminal", t);
    group.label = svg("text", { y: 5 }, group, role === "none" ? "" : terminal.name);
    group.setAttribute("aria-label", `${terminal.name}, ${role === "none" ? "no loop" : ends.map((loop) => `${loop.ends[0] === t ? "inject" : "return"} of ${loop.name}`).join(" and ")}`);
    return group;
  }

  /** Put all marks where they are now. */
  place() {
    const { page } = this, { board, frame: f } = page, taken = [];
    this.rims.forEach((rim, n) => this.placeRim(rim, board.sheets[page.shown[n]]));
    const route = page.routeOf(page.loop).map((path) => this.line(path)).join("");
    for (const line of this.route) if (line.getAttribute("d") !== route) line.setAttribute("d", route);
    for (const group of this.others) {
      const { grip } = group, [x, y] = grip.place;
      group.setAttribute("transform", `translate(${f.x(x).toFixed(2)},${f.y(y).toFixed(2)}) rotate(${(grip.angle ?? 0).toFixed(1)})`);
      group.toggleAttribute("hidden", grip instanceof Corner && grip.loop !== page.loop);
      group.setAttribute("aria-label", grip.name);
      this.value(group);
    }
    const marks = this.points.map((group) => {
      const [x, y] = board.place(Number(group.dataset.terminal));
      return [f.x(x), f.y(y)];
    });
    this.points.forEach((group, n) => {
      const [px, py] = marks[n], { label } = group, [dx, dy, box] = this.beside(marks, n, label.textContent.length, taken);
      const key = `${px.toFixed(2)},${py.toFixed(2)} ${dx} ${dy}`;
      if (label.textContent) taken.push(box);
      if (group.key === key) return; // what stays is left alone: a browser's layout is what costs
      group.key = key;
      group.setAttribute("transform", `translate(${px.toFixed(2)},${py.toFixed(2)})`);
      label.setAttribute("text-anchor", dx < 0 ? "end" : "start");
      label.setAttribute("x", dx);
      label.setAttribute("y", dy);
      if (group.grip) this.value(group);
    });
  }

  /** Where a name stands beside its mark, and its box: to the right if it can, on no other mark, no other name and no edge. */
  beside(marks, n, letters, taken) {
    const { width } = this.page.frame, [px, py] = marks[n], wide = this.letter * letters, high = this.letter / 0.6;
    const choices = [[12, 5], [-12, 5], [12, 10 + 0.8 * high], [12, -15], [-12, 10 + 0.8 * high], [-12, -15]].map(([dx, dy]) => {
      const x0 = px + dx - (dx < 0 ? wide : 0);
      return [dx, dy, [x0, py + dy - 0.8 * high, x0 + wide, py + dy + 0.2 * high]];
    });
    const meets = ([x0, y0, x1, y1], [u0, v0, u1, v1]) => x0 < u1 && u0 < x1 && y0 < v1 && v0 < y1;
    const free = ([, , box]) => box[0] > 0 && box[2] < width && !taken.some((other) => meets(box, other))
      && !marks.some(([x, y], m) => m !== n && meets(box, [x - 9, y - 9, x + 9, y + 9]));
    return choices.find(free) ?? choices.find(([, , box]) => box[0] > 0 && box[2] < width) ?? choices[0];
  }

  value(group) {
    group.setAttribute("aria-valuenow", (1e3 * group.grip.place[0]).toFixed(1));
    group.setAttribute("aria-valuetext", group.grip.where);
  }

  placeRim(rim, sheet) {
    const f = this.page.frame, key = [...sheet.slots, ...sheet.bridges].map(({ by }) => by).join() + f.scale + f.width;
    if (rim.key === key) return;
    rim.key = key;
    rim.setAttribute("d", sheet.rings.map((ring) => Array.from(ring, (edge, i) => {
      const [a] = sheet.edge(edge);
      return `${i ? "L" : "M"}${f.x(sheet.x[a]).toFixed(1)},${f.y(sheet.y[a]).toFixed(1)}`;
    }).join("") + "Z").join(""));
  }
}
