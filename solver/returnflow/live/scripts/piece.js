"use strict";
// A piece of copper as it is meshed: nodes of second-order elements, what lies where, and points that go with what is dragged.

class Piece {
  constructor(data) {
    Object.assign(this, data, decodeMesh(data.mesh));
    this.count = data.mesh.count;
    this.rings = Array.from(data.rings, (first) => ringFrom(first, this.twins));
    this.runs = this.rings.map((ring, r) => {
      const run = new Int32Array(ring.length).fill(-1);
      for (const [start, stop, port] of data.runs[r]) run.fill(port, start, stop);
      return run;
    });
    this.numberNodes();
    this.gradients();
    this.drawn = [Float64Array.from(this.x), Float64Array.from(this.y)];
    this.least = Float64Array.from(this.areas, (area) => 0.08 * area);
    this.slots = data.slots.map((slot) => ({ ...slot, by: 0 })); // metres beyond where it was drawn
    this.bridges = data.bridges.map((bridge) => ({ ...bridge, by: [0, 0] })); // of both its edges
  }

  numberNodes() {
    const t = this.triangles, corners = (this.corners = this.x.length), [X, Y] = [this.x, this.y];
    let size = corners;
    this.nodes = new Int32Array(6 * this.count);
    for (let m = 0; m < this.count; m++)
      for (let k = 0; k < 3; k++) {
        const twin = this.twins[3 * m + k], known = twin >= 0 && twin < 3 * m + k;
        this.nodes[6 * m + k] = t[3 * m + k];
        this.nodes[6 * m + 3 + k] = known ? this.nodes[6 * Math.floor(twin / 3) + 3 + (twin % 3)] : size++;
      }
    this.size = size;
    this.x = new Float64Array(size);
    this.y = new Float64Array(size);
    this.x.set(X);
    this.y.set(Y);
    this.middles();
  }

  /** Put the middles of all edges between their ends. */
  middles() {
    const { x, y, nodes } = this;
    for (let m = 0; m < this.count; m++)
      for (let k = 0; k < 3; k++) {
        const a = nodes[6 * m + k], b = nodes[6 * m + (k === 2 ? 0 : k + 1)], middle = nodes[6 * m + 3 + k];
        x[middle] = 0.5 * (x[a] + x[b]);
        y[middle] = 0.5 * (y[a] + y[b]);
      }
  }

  edge(number) {
    const m = Math.floor(number / 3), k = number % 3;
    return [this.nodes[6 * m + k], this.nodes[6 * m + 3 + k], this.nodes[6 * m + ((k + 1) % 3)]];
  }

  gradients() {
    const { x, y, triangles, count } = this;
    this.linear = new Float64Array(6 * count); // x and y of each corner's barycentric coordinate
    this.areas = new Float64Array(count);
    for (let m = 0; m < count; m++) {
      const a = triangles[3 * m], b = triangles[3 * m + 1], c = triangles[3 * m + 2];
      const twice = (x[b] - x[a]) * (y[c] - y[a]) - (y[b] - y[a]) * (x[c] - x[a]);
      this.areas[m] = 0.5 * twice;
      for (let k = 0, p = b, q = c, o = a; k < 3; k++, [p, q, o] = [q, o, p]) {
        this.linear[6 * m + 2 * k] = -(y[q] - y[p]) / twice;
        this.linear[6 * m + 2 * k + 1] = (x[q] - x[p]) / twice;
      }
    }
  }

  get moved() { return this.slots.some(({ by }) => by) || this.bridges.some(({ by }) => by[0] || by[1]); }

  /** Move the end of a slot, or the edges of a bridge, along the slot: points go with it, less the farther they are. False if that is too far. */
  stretch(it, by) {
    const before = it.by;
    it.by = by;
    this.place();
    if (this.areas.every((area, m) => area > this.least[m])) return true;
    it.by = before;
    this.place();
    return false;
  }

  /** Put all points where the slots' ends and the bridges take them. */
  place() {
    const { corners } = this, [X, Y] = this.drawn;
    this.x.set(X);
    this.y.set(Y);
    for (const it of [...this.slots, ...this.bridges]) {
      const goes = Array.isArray(it.by) ? withBridge : withEnd;
      for (let i = 0; i < corners; i++) {
        const by = goes(it, X[i], Y[i]);
        this.x[i] += by * it.dx;
        this.y[i] += by * it.dy;
      }
    }
    this.middles();
    this.gradients();
  }

  /** Triangles by square cells, to find the one that holds a place. */
  buckets() {
    let [x0, y0, x1, y1] = [Infinity, Infinity, -Infinity, -Infinity];
    for (let i = 0; i < this.corners; i++) {
      x0 = Math.min(x0, this.x[i]); x1 = Math.max(x1, this.x[i]);
      y0 = Math.min(y0, this.y[i]); y1 = Math.max(y1, this.y[i]);
    }
    this.box = [x0, y0, x1, y1];
    const cell = Math.max(x1 - x0, y1 - y0) / 64;
    this.cells = { cell, lists: new Map() };
    for (let m = 0; m < this.count; m++) {
      const a = this.triangles[3 * m], b = this.triangles[3 * m + 1], c = this.triangles[3 * m + 2], { x, y } = this;
      const i0 = Math.floor((Math.min(x[a], x[b], x[c]) - x0) / cell), i1 = Math.floor((Math.max(x[a], x[b], x[c]) - x0) / cell);
      const j0 = Math.floor((Math.min(y[a], y[b], y[c]) - y0) / cell), j1 = Math.floor((Math.max(y[a], y[b], y[c]) - y0) / cell);
      for (let i = i0; i <= i1; i++)
        for (let j = j0; j <= j1; j++) {
          const key = i * 1000 + j, list = this.cells.lists.get(key);
          if (list) list.push(m); else this.cells.lists.set(key, [m]);
        }
    }
  }

  /** Triangle that holds a place, -1 if none does. */
  inside(px, py) {
    const { cell, lists } = this.cells;
    const key = Math.floor((px - this.box[0]) / cell) * 1000 + Math.floor((py - this.box[1]) / cell);
    const holds = (m) => [0, 1, 2].every((k) => {
      const a = this.triangles[3 * m + k], b = this.triangles[3 * m + ((k + 1) % 3)];
      return (this.x[b] - this.x[a]) * (py - this.y[a]) - (this.y[b] - this.y[a]) * (px - this.x[a]) >= 0;
    });
    const found = (lists.get(key) ?? []).find(holds);
    return found ?? -1;
  }

  centre(m) {
    const [a, b, c] = [0, 1, 2].map((k) => this.triangles[3 * m + k]);
    return [(this.x[a] + this.x[b] + this.x[c]) / 3, (this.y[a] + this.y[b] + this.y[c]) / 3];
  }

  /** Triangles whose centres lie within a distance of a place. */
  near(px, py, distance) {
    const { cell, lists } = this.cells, found = new Set();
    const at = (p, from) => Math.floor((p - from) / cell);
    for (let i = at(px - distance, this.box[0]); i <= at(px + distance, this.box[0]); i++)
      for (let j = at(py - distance, this.box[1]); j <= at(py + distance, this.box[1]); j++)
        for (const m of lists.get(i * 1000 + j) ?? []) {
          const [x, y] = this.centre(m);
          if (Math.hypot(x - px, y - py) <= distance) found.add(m);
        }
    return found;
  }

  /** Places close together along lines in millimetres, with the triangle that holds each, -1 where there is no copper or a disc. */
  samples(lines, discs = []) {
    const found = [], step = this.cells.cell / 8;
    for (const line of lines) {
      let last = null;
      for (let k = 1; k < line.length; k++) {
        const [[ax, ay], [bx, by]] = [line[k - 1], line[k]].map((point) => point.map((v) => 1e-3 * v));
        const count = Math.max(1, Math.ceil(Math.hypot(bx - ax, by - ay) / step));
        for (let n = k > 1 ? 1 : 0; n <= count; n++) {
          const x = ax + ((bx - ax) * n) / count, y = ay + ((by - ay) * n) / count;
          if (discs.some((disc) => Math.hypot(disc.x - x, disc.y - y) < disc.radius)) { found.push([-1, 0, 0]); last = null; continue; }
          const now = [this.inside(x, y), x, y];
          if (last && last[0] < 0 !== now[0] < 0) found.push(this.edgeBetween(last, now));
          if (last && last[0] >= 0 && now[0] < 0) found.push(now);
          if (now[0] >= 0) found.push(now);
          last = now;
        }
      }
      found.push([-1, 0, 0]);
    }
    return found;
  }

  /** The sample nearest to the border between one on the copper and one beside it. */
  edgeBetween(one, other) {
    let [on, off] = one[0] >= 0 ? [one, other] : [other, one];
    for (let n = 0; n < 20; n++) {
      const x = 0.5 * (on[1] + off[1]), y = 0.5 * (on[2] + off[2]), m = this.inside(x, y);
      if (m >= 0) on = [m, x, y]; else off = [m, x, y];
    }
    return on;
  }

  /** Distance of a place from the border. */
  toBorder(px, py) {
    const { x, y, lines } = this;
    let best = Infinity;
    for (let e = 0; e < lines.length; e += 3) {
      const a = lines[e], b = lines[e + 2], ux = x[b] - x[a], uy = y[b] - y[a], rx = px - x[a], ry = py - y[a];
      const t = Math.min(1, Math.max(0, (rx * ux + ry * uy) / (ux * ux + uy * uy))), qx = rx - t * ux, qy = ry - t * uy;
      best = Math.min(best, qx * qx + qy * qy);
    }
    return Math.sqrt(best);
  }
}

/** How far a place goes along a slot with its end: all the way near it, not at all at `reach`. */
function withEnd({ x, y, wide, reach, by }, px, py) {
  return by && by * Math.min(1, Math.max(0, 1 - (Math.hypot(px - x, py - y) - wide) / (reach - wide)));
}

/** The same with a bridge: in proportion between its edges and where the slots beside it end, less to both sides. */
function withBridge({ x, y, dx, dy, wide, reach, low, from, to, high, by: [a, b] }, px, py) {
  const t = (px - x) * dx + (py - y) * dy, beside = Math.abs((px - x) * dy - (py - y) * dx);
  if (t <= low || t >= high || (!a && !b)) return 0;
  const along = t < from ? (a * (t - low)) / (from - low) : t > to ? (b * (high - t)) / (high - to) : a + ((b - a) * (t - from)) / (to - from);
  return along * Math.min(1, Math.max(0, 1 - (beside - wide) / (reach - wide)));
}

const CLEAR = 1.02, TURN = 0.2; // radii at which lines pass discs, and radians between places there

/** Whether a disc lies on lines of millimetres, or all but does. */
function touches(lines, { x, y, radius }) {
  return radius > 0 && lines.some((line) => toLine(line, 1e3 * x, 1e3 * y) < CLEAR * 1e3 * radius);
}

/** Lines that pass discs on the side of their centre on which they are drawn; one on the line is left outside, as in full solves. */
function detoured(lines, discs, holds) {
  let found = lines;
  for (const { x, y, radius } of discs) {
    const [cx, cy, r] = [1e3 * x, 1e3 * y, CLEAR * 1e3 * radius];
    // Seen from a little way outside, a line through the centre runs inside.
    const out = [0, 0];
    if (lines.some((line) => toLine(line, cx, cy) < ON))
      for (let n = 0; n < 16; n++) {
        const [ux, uy] = [Math.cos(TWO_PI * n / 16 + 0.1), Math.sin(TWO_PI * n / 16 + 0.1)];
        if (!holds(x + 0.1 * radius * ux, y + 0.1 * radius * uy)) { out[0] += ux; out[1] += uy; }
      }
    const long = 1e4 * Math.hypot(...out) || 1, [ox, oy] = [cx + (r * out[0]) / long, cy + (r * out[1]) / long];
    found = found.map((line) => {
      const made = [];
      let last = null; // direction in which the place before was put on the circle
      const add = (px, py) => {
        if (Math.hypot(px - cx, py - cy) >= r) { made.push([px, py]); last = null; return; }
        const way = Math.atan2(py - oy, px - ox), turn = last === null ? 0 : Math.atan2(Math.sin(way - last), Math.cos(way - last));
        const steps = Math.max(1, Math.ceil(Math.abs(turn) / TURN)), from = last ?? way;
        for (let n = 1; n <= steps; n++) made.push([cx + r * Math.cos(from + (turn * n) / steps), cy + r * Math.sin(from + (turn * n) / steps)]);
        last = way;
      };
      line.forEach(([bx, by], k) => {
        if (!k) { add(bx, by); return; }
        const [ax, ay] = line[k - 1], count = toLine([[ax, ay], [bx, by]], cx, cy) < r ? Math.ceil((16 * Math.hypot(bx - ax, by - ay)) / r) : 1;
        for (let n = 1; n <= count; n++) add(ax + ((bx - ax) * n) / count, ay + ((by - ay) * n) / count);
      });
      return made;
    });
  }
  return found;
}

/** Net and all current of a loop that crosses lines of samples, per ampere. */
function crossing(sheet, samples, { potential, stream, sources, dipoles }) {
  const poly = new Float64Array(12), slope = new Float64Array(6);
  let [net, all, last] = [0, 0, null];
  for (const [m, x, y] of samples) {
    if (m < 0) { last = null; continue; }
    quadratic(sheet, m, stream, potential, poly, slope);
    const dx = x - sheet.x[sheet.nodes[6 * m]], dy = y - sheet.y[sheet.nodes[6 * m]];
    const kx = slope[0] + slope[1] * dx + slope[2] * dy, ky = slope[3] + slope[4] * dx + slope[5] * dy;
    const value = stream ? dipoleAt(dipoles, x, y) + poly[0] + poly[1] * dx + poly[2] * dy + poly[3] * dx * dx + poly[4] * dx * dy + poly[5] * dy * dy
      : last ? last.value + 0.5 * ((last.kx + kx) * (y - last.y) - (last.ky + ky) * (x - last.x)) : 0;
    if (last) {
      const turned = sources.reduce((turn, [sx, sy, c]) => {
        const px = last.x - sx, py = last.y - sy, qx = x - sx, qy = y - sy;
        return turn + (c * Math.atan2(px * qy - py * qx, px * qx + py * qy)) / TWO_PI;
      }, 0);
      net += value - last.value + turned;
      all += Math.abs(value - last.value + turned);
    }
    last = { value, x, y, kx, ky };
  }
  return [net, all];
}

/** Stream function and sheet current (mean of both sides) of a triangle as polynomials round its first corner; without a stream function, by the potential. */
function quadratic(sheet, m, stream, potential, poly, slope) {
  if (!stream) {
    const more = sheet.more ? sheet.more[m] : 1;
    expand(sheet, m, potential, poly, 6);
    for (let k = 0; k < 2; k++) slope[3 * k] = -more * poly[7 + k];
    slope[1] = -2 * more * poly[9];
    slope[2] = slope[4] = -more * poly[10];
    slope[5] = -2 * more * poly[11];
    return;
  }
  expand(sheet, m, stream, poly, 0);
  expand(sheet, m, potential, poly, 6);
  // K = (psi_y - phi_x, -psi_x - phi_y) / 2
  slope[0] = 0.5 * (poly[2] - poly[7]);
  slope[1] = 0.5 * (poly[4] - 2 * poly[9]);
  slope[2] = 0.5 * (2 * poly[5] - poly[10]);
  slope[3] = 0.5 * (-poly[1] - poly[8]);
  slope[4] = 0.5 * (-2 * poly[3] - poly[10]);
  slope[5] = 0.5 * (-poly[4] - 2 * poly[11]);
}

/** Second-order values on a triangle as a polynomial: 1, x, y, x², xy, y² from its first corner. */
function expand({ linear, nodes }, m, f, into, at) {
  const l = 6 * m, f0 = f[nodes[l]], f1 = f[nodes[l + 1]], f2 = f[nodes[l + 2]];
  const f01 = f[nodes[l + 3]], f12 = f[nodes[l + 4]], f20 = f[nodes[l + 5]];
  const p1 = -3 * f0 - f1 + 4 * f01, p2 = -3 * f0 - f2 + 4 * f20; // of the coordinates of the other two corners
  const p11 = 2 * f0 + 2 * f1 - 4 * f01, p22 = 2 * f0 + 2 * f2 - 4 * f20, p12 = 4 * f0 - 4 * f01 + 4 * f12 - 4 * f20;
  const ax = linear[l + 2], ay = linear[l + 3], bx = linear[l + 4], by = linear[l + 5];
  into[at] = f0;
  into[at + 1] = p1 * ax + p2 * bx;
  into[at + 2] = p1 * ay + p2 * by;
  into[at + 3] = p11 * ax * ax + p22 * bx * bx + p12 * ax * bx;
  into[at + 4] = 2 * p11 * ax * ay + 2 * p22 * bx * by + p12 * (ax * by + ay * bx);
  into[at + 5] = p11 * ay * ay + p22 * by * by + p12 * ay * by;
}
