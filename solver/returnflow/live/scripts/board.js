"use strict";
// A whole board in the hand: ports, links, and what is read of them. The same as reference.py.

const LEAST = 0.25; // of a bridge, and of the slots beside it, stays whatever is dragged: beyond, the mesh is too poor
const ON = 1e-6; // millimetres: a place on a line
const BESIDE = 12; // radii: from there on a disc adds less than a hundredth of what passes it

class Board {
  constructor(data) {
    this.data = data;
    this.makeSheets();
    this.ports = data.ports.map(([terminal, sheet, x, y, radius, strength]) => ({ terminal, sheet, x, y, radius, strength }));
    this.fields = this.ports.map((_, n) => this.solvePort(n));
    this.G = this.ports.map(() => new Float64Array(this.ports.length));
    this.ports.forEach((_, n) => this.pair(n));
  }

  makeSheets() {
    this.sheets = this.data.sheets.map((sheet) => new Sheet(sheet));
    this.bodies = this.sheets.map((_, n) => n); // what shares a potential
  }

  solvePort(n) { return this.sheets[this.ports[n].sheet].solve(n, this.ports[n]); }

  /** Where a terminal is: the place of its first port. */
  place(terminal) {
    const port = this.ports[this.data.terminals[terminal].ports[0]];
    return [port.x, port.y];
  }

  movable(terminal) {
    const { ports } = this.data.terminals[terminal];
    return ports.length > 0 && ports.every((n) => this.ports[n].radius > 0);
  }

  /** Whether a terminal may be at a place: every part on its own copper, clear of edges and of other contacts. */
  allowed(terminal, x, y) {
    const mine = this.data.terminals[terminal].ports, [x0, y0] = this.place(terminal);
    return mine.every((n) => {
      const port = this.ports[n], px = port.x + x - x0, py = port.y + y - y0, sheet = this.sheets[port.sheet];
      if (sheet.inside(px, py) < 0 || sheet.toBorder(px, py) < 1.001 * port.radius) return false;
      return this.ports.every((other) => other.terminal === terminal || other.sheet !== port.sheet || !other.radius
        || Math.hypot(other.x - px, other.y - py) > 1.001 * (other.radius + port.radius));
    });
  }

  /** Move a terminal towards a place, as far as it may go. Whether it moved. */
  move(terminal, x, y) {
    const [x0, y0] = this.place(terminal);
    let t = 1;
    if (!this.allowed(terminal, x, y)) {
      let [low, high] = [0, 1];
      for (let n = 0; n < 20; n++) {
        t = 0.5 * (low + high);
        if (this.allowed(terminal, x0 + t * (x - x0), y0 + t * (y - y0))) low = t; else high = t;
      }
      t = low;
    }
    if (t === 0 || (x === x0 && y === y0)) return false;
    for (const n of this.data.terminals[terminal].ports) {
      this.ports[n].x += t * (x - x0);
      this.ports[n].y += t * (y - y0);
      this.fields[n] = this.solvePort(n);
    }
    for (const n of this.data.terminals[terminal].ports) this.pair(n);
    return true;
  }

  /** Move the end of a slot, or both edges of a bridge, by so many metres from where they were drawn, as far as they may go. Whether anything moved. */
  stretch(number, it, by) {
    const sheet = this.sheets[number], before = it.by, mine = this.ports.filter((port) => port.sheet === number && port.radius);
    const fits = (value) => {
      if (!sheet.stretch(it, value)) return false;
      sheet.buckets();
      return mine.every((port) => sheet.inside(port.x, port.y) >= 0 && sheet.toBorder(port.x, port.y) > 1.001 * port.radius);
    };
    let value = within(it, by);
    const half = () => (Array.isArray(value) ? value.map((v, k) => 0.5 * (v + before[k])) : 0.5 * (value + before));
    for (let n = 0; n < 6 && !fits(value); n++) value = half();
    if (!fits(value)) { sheet.stretch(it, before); sheet.buckets(); return false; }
    sheet.prepare();
    this.ports.forEach((port, n) => { if (port.sheet === number) this.fields[n] = sheet.solve(n, port); });
    this.ports.forEach((port, n) => { if (port.sheet === number) this.pair(n); });
    return String(value) !== String(before);
  }

  /** Resistances of one port with all others, in squares, without the size of the contacts. */
  pair(n) {
    this.fields.forEach((field, other) => {
      if (this.ports[other].sheet === this.ports[n].sheet) this.G[n][other] = this.G[other][n] = mutual(this.fields[n], field);
    });
  }

  /** Resistance between all ports in ohm, the first-order term of every disc included. */
  portMatrix() {
    const result = this.G.map((row, i) => row.map((value) => value * this.sheets[this.ports[i].sheet].resistance));
    this.passing = this.ports.map(() => null); // sheet current of every port's ampere where a disc is
    this.ports.forEach((port, k) => {
      if (!port.radius) return;
      const sheet = this.sheets[port.sheet], triangle = sheet.inside(port.x, port.y);
      const here = this.ports.map((other, i) => {
        if (other.sheet !== port.sheet) return [0, 0];
        const [kx, ky] = sheet.smoothCurrent(this.fields[i], triangle, port.x, port.y);
        if (i === k || !other.strength) return [kx, ky];
        const rx = port.x - other.x, ry = port.y - other.y, scale = 1 / (TWO_PI * (rx * rx + ry * ry));
        return [kx + scale * rx, ky + scale * ry];
      });
      this.passing[k] = here;
      const scale = TWO_PI * port.radius ** 2 * sheet.resistance;
      here.forEach((a, i) => here.forEach((b, j) => { result[i][j] -= scale * (a[0] * b[0] + a[1] * b[1]); }));
    });
    return result;
  }

  /** Currents of all ports and links, and the resistances of the loops, for the contacts where they are. */
  read() {
    const { links, loops } = this.data, G = this.portMatrix(), columns = loops.length;
    const inject = this.ports.map(() => new Float64Array(columns));
    loops.forEach(({ ports: [start, end] }, n) => { inject[start][n] += 1; inject[end][n] -= 1; });
    const kept = this.references(), size = links.length + kept.length, known = kept.map((sheet) => this.ports.map((port) => this.bodies[port.sheet] === sheet));
    const matrix = Array.from({ length: size }, () => new Float64Array(size));
    const right = Array.from({ length: size }, () => new Float64Array(columns));
    links.forEach(([a, b, ohm], i) => { // what flows in a link leaves the copper at its first end
      links.forEach(([c, d], j) => { matrix[i][j] = G[a][c] - G[a][d] - G[b][c] + G[b][d] + (i === j ? ohm : 0); });
      loops.forEach(({ ports: [start, end] }, j) => { right[i][j] = G[a][start] - G[a][end] - G[b][start] + G[b][end]; });
      known.forEach((on, n) => { matrix[i][links.length + n] = matrix[links.length + n][i] = on[b] - on[a]; });
    });
    known.forEach((on, n) => this.ports.forEach((_, p) => { if (on[p]) for (let j = 0; j < columns; j++) right[links.length + n][j] -= inject[p][j]; }));
    const through = solveDense(matrix, right).slice(0, links.length), currents = inject;
    links.forEach(([a, b], i) => { for (let j = 0; j < columns; j++) { currents[a][j] -= through[i][j]; currents[b][j] += through[i][j]; } });
    const volts = G.map((row) => loops.map((_, j) => row.reduce((sum, v, p) => sum + v * currents[p][j], 0)));
    const resistance = loops.map((_, i) => Float64Array.from(loops, (__, j) => currents.reduce((sum, row, p) => sum + row[i] * volts[p][j], 0)));
    through.forEach((row, l) => row.forEach((a, i) => row.forEach((b, j) => { resistance[i][j] += links[l][2] * a * b; })));
    return { currents, links: through, resistance };
  }

  /** Sheets whose potential is an unknown: all but one of each group that links join. */
  references() {
    let group = this.sheets.map((_, n) => n);
    for (const [a, b] of this.data.links) {
      const [old, other] = [group[this.ports[a].sheet], group[this.ports[b].sheet]];
      group = group.map((each) => (each === old || each === other ? Math.min(old, other) : each));
    }
    return group.flatMap((each, n) => (each === n ? [] : [n]));
  }

  /** Nodal fields of a loop on a sheet, per ampere, and its point sources. */
  loopField(sheet, currents, loop) {
    const { size } = this.sheets[sheet], potential = new Float64Array(size), stream = new Float64Array(size), sources = [];
    this.ports.forEach((port, n) => {
      const c = currents[n][loop];
      if (port.sheet !== sheet || c === 0) return;
      const field = this.fields[n];
      for (let i = 0; i < size; i++) { potential[i] += c * (field.given[i] + field.smooth[i]); stream[i] += c * field.stream[i]; }
      if (port.strength) sources.push([port.x, port.y, c, port.radius]);
    });
    return { potential, stream, sources };
  }

  /**
   * What discs beside watched lines add to a loop's stream function. A disc draws current in on one side and lets it out on the
   * other: outside, that is the change of a point source's field with its place, 2 pi a^2 times the current that passes.
   */
  drawn(s, currents, loop, near) {
    const sheet = this.sheets[s], smooth = new Float64Array(sheet.size), dipoles = [];
    this.ports.forEach((port, k) => {
      if (port.sheet !== s || !this.passing[k] || !near(port)) return;
      const [px, py] = [0, 1].map((axis) => port.radius ** 2 * this.passing[k].reduce((sum, each, i) => sum + currents[i][loop] * each[axis], 0));
      dipoles.push([port.x, port.y, px, py]);
      const [gx, gy] = this.change(k);
      for (let i = 0; i < sheet.size; i++) smooth[i] += TWO_PI * (px * gx[i] + py * gy[i]);
    });
    return { smooth, dipoles };
  }

  /** Change of a port's stream function, without the point source, with its place: by x and y, per metre. Made once for a place. */
  change(k) {
    const field = this.fields[k], port = this.ports[k];
    field.change ??= this.sheets[port.sheet].changeOf(port);
    return field.change;
  }

  /** Stream function of a loop along an edge from its start, per ampere: at its middle and end, the start being 0. */
  along(sheet, currents, loop, edge, { smooth, dipoles }) {
    const [a, m, b] = this.sheets[sheet].edge(edge), { x, y } = this.sheets[sheet];
    let middle = 0, end = 0;
    this.ports.forEach((port, n) => {
      const c = currents[n][loop];
      if (port.sheet !== sheet || c === 0) return;
      const turn = (p, q) => {
        if (!port.strength) return 0;
        const px = x[p] - port.x, py = y[p] - port.y, qx = x[q] - port.x, qy = y[q] - port.y;
        return Math.atan2(px * qy - py * qx, px * qx + py * qy) / TWO_PI;
      };
      const u = this.fields[n].stream, half = turn(a, m);
      middle += c * (u[m] - u[a] + half);
      end += c * (u[b] - u[a] + half + turn(m, b));
    });
    const [start, half, stop] = [a, m, b].map((i) => smooth[i] + dipoleAt(dipoles, x[i], y[i]));
    return [middle + half - start, end + stop - start];
  }

  /**
   * Largest sheet current of a loop, mean over discs of 0.1 mm, A/m per ampere; clear of contacts that move, round
   * which it depends on their size alone.
   */
  peak(currents, loop) {
    let best = 0;
    this.sheets.forEach((sheet, s) => {
      const field = this.loopField(s, currents, loop), poly = new Float64Array(12), slope = new Float64Array(6);
      const size = Float64Array.from({ length: sheet.count }, (_, m) => {
        const corners = [0, 1, 2].map((k) => sheet.triangles[3 * m + k]), a = corners[0];
        const clear = corners.every((i) => field.sources.every(([x, y, , r]) => Math.hypot(sheet.x[i] - x, sheet.y[i] - y) > r + 1e-3));
        if (!clear) return 0;
        quadratic(sheet, m, field.stream, field.potential, poly, slope);
        return corners.reduce((sum, i) => {
          const dx = sheet.x[i] - sheet.x[a], dy = sheet.y[i] - sheet.y[a];
          let kx = slope[0] + slope[1] * dx + slope[2] * dy, ky = slope[3] + slope[4] * dx + slope[5] * dy;
          for (const [x, y, c] of field.sources) {
            const rx = sheet.x[i] - x, ry = sheet.y[i] - y, q = c / (TWO_PI * (rx * rx + ry * ry));
            kx += q * rx;
            ky += q * ry;
          }
          return sum + Math.hypot(kx, ky) / 3;
        }, 0);
      });
      const order = Array.from(size.keys()).sort((p, q) => size[q] - size[p]);
      for (const m of order) {
        if (size[m] <= best) break; // no mean exceeds its largest part
        const [cx, cy] = sheet.centre(m);
        let [sum, area] = [0, 0];
        for (const n of sheet.near(cx, cy, 0.05e-3)) { sum += size[n] * sheet.areas[n]; area += sheet.areas[n]; }
        best = Math.max(best, sum / area);
      }
    });
    return best;
  }

  /** Share of every loop across every region, and net current through every section, [number][loop]. */
  watch(currents) {
    const { regions, sections, loops } = this.data;
    const shares = regions.map(() => new Float64Array(loops.length)), cuts = sections.map(() => new Float64Array(loops.length));
    this.sheets.forEach((sheet, s) => {
      // Along the mesh's edges; by samples where its points have moved, since regions and sections stay where they are drawn,
      // and where a disc lies on the line: it belongs to a region by its centre, and inside it no section counts.
      const sampled = (list, lines) => new Map(list.flatMap((it, n) => {
        const discs = it.copper === sheet.copper ? this.ports.filter((port) => port.sheet === s && touches(lines(it), port)) : [];
        if (it.copper !== sheet.copper || !(sheet.moved || discs.length)) return [];
        const detour = (drawn) => detoured(drawn, discs, (x, y) => this.within(it, { sheet: s, x, y }));
        return [[n, it.path ? sheet.samples(lines(it), discs) : sheet.samples(detour(lines(it)))]];
      }));
      const round = sampled(regions, ({ lines }) => lines), through = sampled(sections, ({ path }) => [path]);
      const along = sheet.regions.filter(([r]) => !round.has(r)), across = sheet.sections.filter(([c]) => !through.has(c));
      if (!(along.length || across.length || round.size || through.size)) return;
      const near = this.near(s);
      loops.forEach((_, loop) => {
        const discs = this.drawn(s, currents, loop, near);
        for (const [number, edges] of along)
          for (const edge of edges) shares[number][loop] += 0.5 * variation(...this.along(s, currents, loop, edge, discs));
        for (const [number, edges, signs] of across)
          edges.forEach((edge, n) => { cuts[number][loop] += signs[n] * this.along(s, currents, loop, edge, discs)[1]; });
        if (!round.size && !through.size) return;
        const field = this.loopField(s, currents, loop);
        if (field.stream) for (let i = 0; i < sheet.size; i++) field.stream[i] += discs.smooth[i];
        field.dipoles = discs.dipoles;
        for (const [r, samples] of round) shares[r][loop] += 0.5 * crossing(sheet, samples, field)[1];
        for (const [c, samples] of through) cuts[c][loop] += crossing(sheet, samples, field)[0];
      });
    });
    regions.forEach((region, r) => loops.forEach((loop, n) => {
      if (loop.ports.some((p) => this.within(region, this.ports[p]))) shares[r][n] = 1;
    }));
    return { shares, sections: cuts };
  }

  /** Tells which discs of a sheet lie so near to a watched line that their size matters for it. */
  near(s) {
    const { regions, sections } = this.data, { copper } = this.sheets[s], mine = (list) => list.filter((it) => it.copper === copper);
    const lines = [...mine(regions).flatMap((it) => it.lines), ...mine(sections).map((it) => it.path)];
    return ({ x, y, radius }) => lines.some((line) => toLine(line, 1e3 * x, 1e3 * y) < BESIDE * 1e3 * radius);
  }

  within(region, port) {
    if (this.sheets[port.sheet].copper !== region.copper) return false;
    if (region.lines.some((line) => toLine(line, 1e3 * port.x, 1e3 * port.y) < ON)) return false; // as full solves have it
    let odd = false;
    for (const line of region.lines)
      for (let i = 0, j = line.length - 1; i < line.length; j = i++) {
        const [ax, ay] = line[i], [bx, by] = line[j], x = port.x * 1e3, y = port.y * 1e3;
        if (ay > y !== by > y && x < ((bx - ax) * (y - ay)) / (by - ay) + ax) odd = !odd;
      }
    return odd;
  }
}

function dipoleAt(dipoles, px, py) {
  let sum = 0;
  for (const [x, y, kx, ky] of dipoles) {
    const rx = px - x, ry = py - y;
    sum += (kx * ry - ky * rx) / (rx * rx + ry * ry);
  }
  return sum;
}

/** Distance of a place from a line of points. */
function toLine(line, px, py) {
  let best = Infinity;
  for (let n = 1; n < line.length; n++) {
    const [[ax, ay], [bx, by]] = [line[n - 1], line[n]], ux = bx - ax, uy = by - ay;
    const t = Math.min(1, Math.max(0, ((px - ax) * ux + (py - ay) * uy) / (ux * ux + uy * uy)));
    best = Math.min(best, Math.hypot(ax + t * ux - px, ay + t * uy - py));
  }
  return best;
}

/** How far the end of a slot or the edges of a bridge may go at most: a part of all copper and of all slots beside it stays. */
function within({ wide, reach, low, from, to, high }, by) {
  if (!Array.isArray(by)) return Math.min(reach - 3 * wide, Math.max(3 * wide - reach, by));
  const gap = LEAST * (from - low), width = LEAST * (to - from), rest = LEAST * (high - to);
  const a = Math.min(high - rest - width, Math.max(low + gap, from + by[0])), b = Math.min(high - rest, Math.max(a + width, to + by[1]));
  return [a - from, b - to];
}

/** Total variation along an edge of a quadratic that is 0 at its start, m in its middle, b at its end. */
function variation(m, b) {
  const bend = 4 * (b - 2 * m), s = bend !== 0 ? (b - 4 * m) / bend : -1;
  if (!(s > 0 && s < 1)) return Math.abs(b);
  const extreme = 4 * m * s * (1 - s) + b * s * (2 * s - 1);
  return Math.abs(extreme) + Math.abs(b - extreme);
}

/** Voltage in series with a victim in V rms: total, and of every noisy loop, from impedances {loop: number or [re, im]}. */
function noiseOf(victim, impedance) {
  const sums = new Map(), parts = [];
  for (const { loop, lines } of victim.parts) {
    let power = 0;
    for (const [key, frequency, heard] of lines) {
      const [re, im] = impedance(loop, frequency), sum = sums.get(key) ?? [0, 0];
      sums.set(key, [sum[0] + re * heard, sum[1] + im * heard]);
      power += (re * re + im * im) * heard * heard;
    }
    parts.push({ loop, volts: Math.sqrt(power), counted: lines.length });
  }
  let power = 0;
  for (const [re, im] of sums.values()) power += re * re + im * im;
  return { volts: Math.sqrt(power), parts };
}
