"use strict";
// A board of many vias: those that no loop names are pins, and all coppers are one system. The same as stitched.py, where the
// formulas are; potentials in volts.

const GRAIN = 1024; // steps of a conductivity, as told

/** A copper without factors of its own; `more`: how well every triangle conducts, vias and small holes being none of the mesh. */
class StitchedSheet extends Sheet {
  numberUnknowns() { /* the board does */ }

  prepare() {
    this.more = this.conductivity && Float64Array.from(this.conductivity, (v) => v / GRAIN);
    this.matrix = this.stiffness();
    this.buckets();
    // Edges across which the conductivity changes, and by how much it falls.
    const { more, twins } = this, falls = [], nodes = [], at = (m) => (more ? more[m] : 1);
    for (let e = 0; e < twins.length; e++) {
      const beside = twins[e], fall = at(Math.floor(e / 3)) - (beside < 0 ? 0 : at(Math.floor(beside / 3)));
      if (fall !== 0 && (beside < 0 || e < beside)) { nodes.push(...this.edge(e)); falls.push(fall); }
    }
    Object.assign(this, { falls: Float64Array.from(falls), fallLines: Int32Array.from(nodes) });
  }
}

/** Second-order shape functions of a triangle's nodes at a place, and their slopes. */
function shapesAt(sheet, m, px, py) {
  const l = sheet.linear.subarray(6 * m, 6 * m + 6), a = sheet.nodes[6 * m], weight = [0, 1, 2].map((k) =>
    (k === 0 ? 1 : 0) + l[2 * k] * (px - sheet.x[a]) + l[2 * k + 1] * (py - sheet.y[a]));
  const value = new Float64Array(6), gx = new Float64Array(6), gy = new Float64Array(6);
  for (let i = 0; i < 3; i++) {
    const j = (i + 1) % 3, own = 4 * weight[i] - 1;
    value[i] = weight[i] * (2 * weight[i] - 1);
    value[3 + i] = 4 * weight[i] * weight[j];
    gx[i] = own * l[2 * i];
    gy[i] = own * l[2 * i + 1];
    gx[3 + i] = 4 * (weight[i] * l[2 * j] + weight[j] * l[2 * i]);
    gy[3 + i] = 4 * (weight[i] * l[2 * j + 1] + weight[j] * l[2 * i + 1]);
  }
  return { value, gx, gy };
}

class StitchedBoard extends Board {
  makeSheets() {
    const { pins, joints } = this.data.stitching, { sheets } = this.data;
    this.sheets = sheets.map((sheet) => new StitchedSheet(sheet));
    this.first = [0];
    for (const sheet of this.sheets) this.first.push(this.first.at(-1) + sheet.size);
    this.pins = Array.from(pins.sheet, (sheet, n) => {
      const x = NANO * pins.x[n], y = NANO * pins.y[n], m = pins.triangle[n], it = this.sheets[sheet];
      return { sheet, x, y, radius: pins.radius[n], value: shapesAt(it, m, x, y).value, nodes: Array.from(it.nodes.subarray(6 * m, 6 * m + 6), (i) => this.first[sheet] + i) };
    });
    this.joints = Array.from(joints.siemens, (siemens, n) => ({ one: joints.one[n], other: joints.other[n], siemens }));
    this.bodies = this.joined(sheets.map((_, n) => n), this.joints.map(({ one, other }) => [this.pins[one].sheet, this.pins[other].sheet]));
    this.assemble();
    this.number();
    this.factor = factorize(this.matrix, this.of, orderOf(this.matrix, this.of, this.count));
    for (const sheet of this.sheets) sheet.matrix = null;
  }

  /** Numbers that links join, each the least of those that it hangs together with. */
  joined(group, pairs) {
    for (const [a, b] of pairs) {
      const [one, other] = [group[a], group[b]];
      if (one !== other) group = group.map((each) => (each === one || each === other ? Math.min(one, other) : each));
    }
    return group;
  }

  /** Siemens between the nodes of all sheets. */
  assemble() {
    const size = this.first.at(-1), rows = new Float64Array(12), nodes = [], values = new Float64Array(144 * this.joints.length);
    this.joints.forEach(({ one, other, siemens }, n) => {
      const [a, b] = [this.pins[one], this.pins[other]];
      nodes.push(...a.nodes, ...b.nodes);
      for (let k = 0; k < 6; k++) { rows[k] = a.value[k]; rows[6 + k] = -b.value[k]; }
      for (let i = 0; i < 12; i++) for (let j = 0; j < 12; j++) values[144 * n + 12 * i + j] = siemens * rows[i] * rows[j];
    });
    const copper = this.sheets.map((sheet, s) => joinedRows(sheet.matrix, this.first[s], 1 / sheet.resistance));
    this.matrix = sumRows(size, [...copper, assembleRows(size, nodes, 12, values)]);
  }

  number() {
    const mark = new Int32Array(this.first.at(-1)).fill(-2);
    this.drains = [];
    this.sheets.forEach((sheet, s) => {
      for (const e of sheet.border) if (e.port >= 0) for (const i of e.nodes) mark[this.first[s] + i] = e.port;
      if (this.bodies[s] !== s) return;
      this.drains[s] = sheet.border.find((e) => e.drain).nodes.map((i) => this.first[s] + i);
      mark[this.drains[s][1]] = -1;
    });
    this.of = new Int32Array(mark.length).fill(-1);
    this.rimOf = new Map(); // a node of every contact that stays
    let count = 0;
    mark.forEach((value, i) => { if (value === -2) this.of[i] = count++; });
    mark.forEach((value, i) => {
      if (value < 0) return;
      if (!this.rimOf.has(value)) { this.rimOf.set(value, i); count++; }
      this.of[i] = this.of[this.rimOf.get(value)] < 0 ? count - 1 : this.of[this.rimOf.get(value)];
    });
    this.count = count;
  }

  /** Field of one ampere that enters at a port and leaves by the drain of its group. */
  solvePort(n) {
    const port = this.ports[n], s = port.sheet, sheet = this.sheets[s], first = this.first[s], size = this.first.at(-1);
    const load = new Float64Array(size), given = new Float64Array(size);
    if (port.strength) {
      const m = sheet.inside(port.x, port.y), add = (lines, falls) => {
        const normal = sheet.moments(port.x, port.y, lines, falls)[0];
        for (let i = 0; i < sheet.size; i++) load[first + i] -= normal[i];
      };
      add(sheet.fallLines, sheet.falls);
      if (m >= 0 && sheet.more && sheet.more[m] !== 1) // the source's own triangle is bare copper
        add([0, 1, 2].flatMap((k) => sheet.edge(3 * m + k)), new Float64Array(3).fill(1 - sheet.more[m]));
      const log = (x, y) => (sheet.resistance * Math.log(Math.hypot(x - port.x, y - port.y))) / TWO_PI;
      for (const i of sheet.rim) given[first + i] = log(sheet.x[i], sheet.y[i]);
      const at = (pin) => (pin.sheet === s ? -log(pin.x, pin.y) : 0);
      for (const { one, other, siemens } of this.joints) {
        const a = this.pins[one], b = this.pins[other];
        if (a.sheet !== s && b.sheet !== s) continue;
        const through = siemens * (at(a) - at(b));
        for (let k = 0; k < 6; k++) { load[a.nodes[k]] -= through * a.value[k]; load[b.nodes[k]] += through * b.value[k]; }
      }
      spread(this.matrix, given, sheet.rim.map((i) => first + i), load);
    }
    const drain = this.drains[this.bodies[s]];
    [1, 4, 1].forEach((part, k) => { load[drain[k]] -= part / 6; });
    const rim = this.rimOf.get(n), free = solveWith(this.factor, load, rim === undefined ? -1 : this.of[rim], 1);
    const smooth = free.slice();
    for (const i of sheet.rim) smooth[first + i] += given[first + i];
    return { port: { ...port }, free, smooth };
  }

  pair() { /* what two contacts share is read where they are */ }

  /** Resistance between all ports in ohm, the first-order term of every disc included; 0 between groups. */
  portMatrix() {
    const count = this.ports.length, V = this.ports.map(() => new Float64Array(count)), discs = [];
    this.passing = this.ports.map(() => null); // sheet current of every port's ampere where a disc is
    this.ports.forEach((port, k) => {
      if (!port.radius) { this.fields.forEach(({ free }, i) => { V[i][k] = free[this.rimOf.get(k)]; }); return; }
      const sheet = this.sheets[port.sheet], first = this.first[port.sheet], m = sheet.inside(port.x, port.y), R = sheet.resistance;
      const { value, gx, gy } = shapesAt(sheet, m, port.x, port.y), scale = (sheet.more ? sheet.more[m] : 1) / R;
      const here = this.fields.map(({ smooth }, i) => {
        let [kx, ky] = [0, 0];
        for (let a = 0; a < 6; a++) {
          const w = smooth[first + sheet.nodes[6 * m + a]];
          V[i][k] += value[a] * w;
          kx -= scale * gx[a] * w;
          ky -= scale * gy[a] * w;
        }
        const other = this.ports[i];
        if (other.sheet !== port.sheet || !other.strength) return [kx, ky];
        const rx = port.x - other.x, ry = port.y - other.y, far = i === k ? port.radius : Math.hypot(rx, ry);
        V[i][k] -= (R * Math.log(far)) / TWO_PI;
        return i === k ? [kx, ky] : [kx + rx / (TWO_PI * far * far), ky + ry / (TWO_PI * far * far)];
      });
      this.passing[k] = here;
      discs.push([TWO_PI * port.radius ** 2 * R, here]);
    });
    return V.map((row, i) => row.map((v, j) =>
      discs.reduce((sum, [scale, here]) => sum - scale * (here[i][0] * here[j][0] + here[i][1] * here[j][1]), 0.5 * (v + V[j][i]))));
  }

  references() {
    const group = this.joined([...this.bodies], this.data.links.map(([a, b]) => [this.ports[a].sheet, this.ports[b].sheet]));
    return group.flatMap((each, n) => (each === n || this.bodies[n] !== n ? [] : [n]));
  }

  /** Potential of a loop on a sheet in squares, per ampere, and its point sources; no stream function: links take parts of it. */
  loopField(s, currents, loop) {
    const { size, resistance } = this.sheets[s], first = this.first[s], potential = new Float64Array(size), sources = [];
    this.ports.forEach((port, n) => {
      const c = currents[n][loop], { smooth } = this.fields[n];
      if (c === 0) return;
      for (let i = 0; i < size; i++) potential[i] += (c / resistance) * smooth[first + i];
      if (port.sheet === s && port.strength) sources.push([port.x, port.y, c, port.radius]);
    });
    return { potential, stream: null, sources };
  }

  /** That, and what discs beside watched lines add: dipoles, without what borders make of them. */
  drawn(s, currents, loop, near) {
    const dipoles = this.ports.flatMap((port, k) => (port.sheet !== s || !this.passing[k] || !near(port) ? [] : [[port.x, port.y,
      ...[0, 1].map((axis) => port.radius ** 2 * this.passing[k].reduce((sum, each, i) => sum + currents[i][loop] * each[axis], 0))]]));
    return { ...this.loopField(s, currents, loop), dipoles };
  }

  /** Current of a loop across an edge from its start, per ampere: up to its middle and to its end; the mean of both triangles beside it. */
  along(s, currents, loop, edge, field) {
    const sheet = this.sheets[s], [a, m, b] = sheet.edge(edge), { x, y, twins } = sheet, poly = new Float64Array(12), slope = new Float64Array(6);
    const dx = x[b] - x[a], dy = y[b] - y[a], beside = [edge, twins[edge]].filter((e) => e >= 0).map((e) => Math.floor(e / 3));
    let [middle, end] = [0, 0];
    for (const t of beside) {
      quadratic(sheet, t, null, field.potential, poly, slope);
      const o = sheet.triangles[3 * t], at = (part) => {
        const px = x[a] + part * dx - x[o], py = y[a] + part * dy - y[o];
        return (slope[0] + slope[1] * px + slope[2] * py) * dy - (slope[3] + slope[4] * px + slope[5] * py) * dx;
      };
      middle += (0.5 * at(0.25)) / beside.length;
      end += at(0.5) / beside.length;
    }
    const more = beside.reduce((sum, t) => sum + (sheet.more ? sheet.more[t] : 1) / beside.length, 0);
    for (const [sx, sy, c] of field.sources) {
      const turn = (p, q) => {
        const px = x[p] - sx, py = y[p] - sy, qx = x[q] - sx, qy = y[q] - sy;
        return (more * c * Math.atan2(px * qy - py * qx, px * qx + py * qy)) / TWO_PI;
      };
      middle += turn(a, m);
      end += turn(a, m) + turn(m, b);
    }
    const [start, half, stop] = [a, m, b].map((i) => dipoleAt(field.dipoles, x[i], y[i]));
    return [middle + half - start, end + stop - start];
  }

  /** Clear of vias and of holes that are not in the mesh, too. */
  allowed(terminal, x, y) {
    if (!super.allowed(terminal, x, y)) return false;
    const [x0, y0] = this.place(terminal);
    return this.data.terminals[terminal].ports.every((n) => {
      const { x: fromX, y: fromY, sheet, radius } = this.ports[n], px = fromX + x - x0, py = fromY + y - y0, { holes } = this.data.sheets[sheet];
      const clear = (hx, hy, r) => Math.hypot(hx - px, hy - py) > 1.001 * (r + radius);
      for (let k = 0; k < holes.length; k += 3) if (!clear(holes[k], holes[k + 1], holes[k + 2])) return false;
      return this.pins.every((pin) => pin.sheet !== sheet || clear(pin.x, pin.y, pin.radius));
    });
  }
}

/** A live board of what the page is given. */
function boardOf(data) { return data.stitching ? new StitchedBoard(data) : new Board(data); }
