"use strict";
// One sheet of copper, both sides: point sources, second-order elements for the rest. The same as sheet.py, where the
// formulas are derived; lengths in metres, resistances in squares.

const NANO = 1e-9, FAR = 6, TWO_PI = 2 * Math.PI;
const GAUSS = [[-0.8611363115940526, 0.34785484513745385], [-0.33998104358485626, 0.6521451548625462],
               [0.33998104358485626, 0.6521451548625462], [0.8611363115940526, 0.34785484513745385]].map(([node, weight]) => {
  const s = 0.5 * (1 + node);
  return { s, weight, shape: [(1 - s) * (1 - 2 * s), 4 * s * (1 - s), s * (2 * s - 1)] };
});

class Sheet {
  constructor(data) {
    Object.assign(this, data);
    this.count = data.triangles.length / 3;
    this.numberNodes();
    this.gradients();
    this.border = this.rings.flatMap((ring, r) =>
      Array.from(ring, (edge, n) => ({ nodes: this.edge(edge), port: this.runs[r][n], drain: edge === this.drain })));
    this.rim = [...new Set(this.border.filter((e) => e.port >= 0).flatMap((e) => e.nodes))];
    // Where the equations leave something to the right: elsewhere matrix times solution is 0.
    const support = new Set(this.border.flatMap((e) => e.nodes)), rims = new Set(this.rim);
    for (let m = 0; m < this.count && rims.size; m++) {
      const nodes = Array.from(this.nodes.subarray(6 * m, 6 * m + 6));
      if (nodes.some((i) => rims.has(i))) for (const i of nodes) support.add(i);
    }
    this.support = Int32Array.from(support);
    this.numberUnknowns();
    this.drawn = [Float64Array.from(this.x), Float64Array.from(this.y)];
    this.least = Float64Array.from(this.areas, (area) => 0.08 * area);
    this.slots = data.slots.map((slot) => ({ ...slot, by: 0 })); // metres beyond where it was drawn
    this.bridges = data.bridges.map((bridge) => ({ ...bridge, by: [0, 0] })); // of both its edges
    this.prepare();
  }

  /** All that depends on where the points are. */
  prepare() {
    this.matrix = this.stiffness();
    this.potential = factorize(this.matrix, this.ofPotential, this.orders[0]);
    this.stream = factorize(this.matrix, this.ofStream, this.orders[1]);
    this.buckets();
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
    const corners = this.points.length / 2, [X, Y] = this.drawn;
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
    for (let m = 0; m < this.count; m++)
      for (let k = 0; k < 3; k++) {
        const a = this.nodes[6 * m + k], b = this.nodes[6 * m + ((k + 1) % 3)], middle = this.nodes[6 * m + 3 + k];
        this.x[middle] = 0.5 * (this.x[a] + this.x[b]);
        this.y[middle] = 0.5 * (this.y[a] + this.y[b]);
      }
    this.gradients();
  }

  numberNodes() {
    const t = this.triangles, corners = this.points.length / 2, seen = new Map();
    this.nodes = new Int32Array(6 * this.count);
    for (let m = 0; m < this.count; m++)
      for (let k = 0; k < 3; k++) {
        const a = t[3 * m + k], b = t[3 * m + ((k + 1) % 3)], key = Math.min(a, b) * corners + Math.max(a, b);
        if (!seen.has(key)) seen.set(key, corners + seen.size);
        this.nodes[6 * m + k] = a;
        this.nodes[6 * m + 3 + k] = seen.get(key);
      }
    this.size = corners + seen.size;
    this.x = new Float64Array(this.size);
    this.y = new Float64Array(this.size);
    for (let i = 0; i < corners; i++) { this.x[i] = this.points[2 * i] * NANO; this.y[i] = this.points[2 * i + 1] * NANO; }
    for (const [key, node] of seen) {
      const a = Math.floor(key / corners), b = key % corners;
      this.x[node] = 0.5 * (this.x[a] + this.x[b]);
      this.y[node] = 0.5 * (this.y[a] + this.y[b]);
    }
  }

  edge(number) {
    const m = Math.floor(number / 3), k = number % 3;
    return [this.nodes[6 * m + k], this.nodes[6 * m + 3 + k], this.nodes[6 * m + ((k + 1) % 3)]];
  }

  gradients() {
    this.linear = new Float64Array(6 * this.count); // x and y of each corner's barycentric coordinate
    this.areas = new Float64Array(this.count);
    for (let m = 0; m < this.count; m++) {
      const [a, b, c] = [0, 1, 2].map((k) => this.triangles[3 * m + k]);
      const [x, y] = [this.x, this.y];
      const twice = (x[b] - x[a]) * (y[c] - y[a]) - (y[b] - y[a]) * (x[c] - x[a]);
      this.areas[m] = 0.5 * twice;
      [[b, c], [c, a], [a, b]].forEach(([p, q], k) => {
        this.linear[6 * m + 2 * k] = -(y[q] - y[p]) / twice;
        this.linear[6 * m + 2 * k + 1] = (x[q] - x[p]) / twice;
      });
    }
  }

  stiffness() {
    const values = new Float64Array(36 * this.count), g = [[], [], []];
    for (let m = 0; m < this.count; m++) {
      const l = this.linear.subarray(6 * m, 6 * m + 6), at = 36 * m;
      for (let i = 0; i < 3; i++)
        for (let j = 0; j < 3; j++) g[i][j] = (l[2 * i] * l[2 * j] + l[2 * i + 1] * l[2 * j + 1]) * this.areas[m];
      const put = (i, j, value) => { values[at + 6 * i + j] = values[at + 6 * j + i] = value; };
      for (let i = 0; i < 3; i++) {
        const j = (i + 1) % 3, k = (i + 2) % 3;
        put(i, i, g[i][i]);
        put(i, j, -g[i][j] / 3);
        put(3 + i, 3 + i, (8 / 3) * (g[i][i] + g[j][j] + g[i][j]));
        put(3 + i, 3 + j, (8 / 3) * g[i][k]);
        put(3 + i, i, (4 / 3) * g[i][j]);
        put(3 + i, j, (4 / 3) * g[i][j]);
      }
    }
    return assembleRows(this.size, this.nodes, 6, values);
  }

  numberUnknowns() {
    const number = (mark, inner, shared) => {
      const of = new Int32Array(this.size).fill(-1);
      let count = 0;
      mark.forEach((value, i) => { if (value === inner) of[i] = count++; });
      const named = new Map(shared.map((value, n) => [value, count + n]));
      mark.forEach((value, i) => { if (named.has(value)) of[i] = named.get(value); });
      return [of, named];
    };
    let mark = new Int32Array(this.size).fill(-2);
    for (const e of this.border) if (e.port >= 0) for (const i of e.nodes) mark[i] = e.port;
    mark[this.border.find((e) => e.drain).nodes[1]] = -1;
    const used = [...new Set(mark)].filter((value) => value >= 0).sort((a, b) => a - b);
    [this.ofPotential, this.unknownOf] = number(mark, -2, used);
    mark = new Int32Array(this.size).fill(-1);
    this.rings.forEach((ring, r) => ring.forEach((edge, n) => {
      if (this.runs[r][n] < 0) for (const i of this.edge(edge)) mark[i] = r;
    }));
    [this.ofStream] = number(mark, -1, [...new Set(mark)].filter((value) => value > 0).sort((a, b) => a - b));
  }

  /** Triangles by square cells, to find the one that holds a place. */
  buckets() {
    let [x0, y0, x1, y1] = [Infinity, Infinity, -Infinity, -Infinity];
    const corners = this.points.length / 2;
    for (let i = 0; i < corners; i++) {
      x0 = Math.min(x0, this.x[i]); x1 = Math.max(x1, this.x[i]);
      y0 = Math.min(y0, this.y[i]); y1 = Math.max(y1, this.y[i]);
    }
    this.box = [x0, y0, x1, y1];
    const across = 64, cell = Math.max(x1 - x0, y1 - y0) / across;
    this.cells = { across, cell, lists: new Map() };
    for (let m = 0; m < this.count; m++) {
      const xs = [0, 1, 2].map((k) => this.x[this.triangles[3 * m + k]]);
      const ys = [0, 1, 2].map((k) => this.y[this.triangles[3 * m + k]]);
      const range = (values, from) => [Math.floor((Math.min(...values) - from) / cell), Math.floor((Math.max(...values) - from) / cell)];
      const [i0, i1] = range(xs, x0), [j0, j1] = range(ys, y0);
      for (let i = i0; i <= i1; i++)
        for (let j = j0; j <= j1; j++) {
          const key = i * 1000 + j;
          if (!this.cells.lists.has(key)) this.cells.lists.set(key, []);
          this.cells.lists.get(key).push(m);
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

  /** Distance of a place from the border. */
  toBorder(px, py) {
    let best = Infinity;
    for (const { nodes: [a, , b] } of this.border) {
      const ux = this.x[b] - this.x[a], uy = this.y[b] - this.y[a];
      const t = Math.min(1, Math.max(0, ((px - this.x[a]) * ux + (py - this.y[a]) * uy) / (ux * ux + uy * uy)));
      best = Math.min(best, Math.hypot(this.x[a] + t * ux - px, this.y[a] + t * uy - py));
    }
    return best;
  }

  /** Moments of the normal and tangential derivative of -log r / 2 pi along all border edges, added up on nodes. */
  moments(px, py) {
    const normal = new Float64Array(this.size), tangent = new Float64Array(this.size);
    const N = [0, 0, 0], T = [0, 0, 0];
    for (let e = 0; e < this.border.length; e++) {
      const { nodes } = this.border[e], a = nodes[0], b = nodes[2];
      const ux = this.x[b] - this.x[a], uy = this.y[b] - this.y[a], length = Math.hypot(ux, uy);
      const tx = ux / length, ty = uy / length, rx = this.x[a] - px, ry = this.y[a] - py;
      const x0 = rx * tx + ry * ty, h = rx * ty - ry * tx, middle = x0 + 0.5 * length;
      if (middle * middle + h * h > (FAR * length) ** 2) {
        N.fill(0);
        T.fill(0);
        for (let g = 0; g < GAUSS.length; g++) {
          const { s, weight, shape } = GAUSS[g], x = x0 + s * length, scale = (0.5 * weight * length) / (x * x + h * h);
          for (let k = 0; k < 3; k++) { N[k] += scale * h * shape[k]; T[k] += scale * x * shape[k]; }
        }
      } else {
        const x1 = x0 + length, angle = Math.atan2(h * length, x0 * x1 + h * h);
        const log = 0.5 * Math.log((x1 * x1 + h * h) / (x0 * x0 + h * h)), square = length - h * angle;
        const cubic = 0.5 * (x1 * x1 - x0 * x0) - h * h * log;
        const fill = (into, one, first, second) => {
          into[0] = one - 3 * first + 2 * second;
          into[1] = 4 * (first - second);
          into[2] = 2 * second - first;
        };
        fill(N, angle, (h * log - x0 * angle) / length, (h * square - 2 * x0 * h * log + x0 * x0 * angle) / length ** 2);
        fill(T, log, (square - x0 * log) / length, (cubic - 2 * x0 * square + x0 * x0 * log) / length ** 2);
      }
      for (let k = 0; k < 3; k++) { normal[nodes[k]] -= N[k] / TWO_PI; tangent[nodes[k]] -= T[k] / TWO_PI; }
    }
    return [normal, tangent];
  }

  /** Stream function on insulated edges less the source's, up to a constant a line; zero elsewhere. */
  lift(number, port) {
    const result = new Float64Array(this.size), { x, y } = this;
    this.rings.forEach((ring, r) => {
      let value = 0, entered = false;
      ring.forEach((edge, n) => {
        const nodes = this.edge(edge), mine = this.runs[r][n] === number, free = this.runs[r][n] < 0;
        if (free) result[nodes[0]] = value;
        for (let half = 0; half < 2; half++) {
          if (port.strength) {
            const a = nodes[half], b = nodes[half + 1];
            const ax = x[a] - port.x, ay = y[a] - port.y, bx = x[b] - port.x, by = y[b] - port.y;
            value -= Math.atan2(ax * by - ay * bx, ax * bx + ay * by) / TWO_PI;
          }
          if (edge === this.drain) value += 0.5;
          if (mine && !entered) { value -= 1; entered = true; }
          if (free) result[nodes[half + 1]] = value;
        }
      });
      if (this.runs[r][0] < 0) result[this.edge(ring[0])[0]] = 0;
    });
    return result;
  }

  /** Field of one ampere that enters at a port and leaves by the drain. */
  solve(number, port) {
    let normal = new Float64Array(this.size), tangent = new Float64Array(this.size);
    const given = new Float64Array(this.size), load = new Float64Array(this.size);
    if (port.strength) {
      [normal, tangent] = this.moments(port.x, port.y);
      for (const i of this.rim) given[i] = Math.log(Math.hypot(this.x[i] - port.x, this.y[i] - port.y)) / TWO_PI;
    }
    const byGiven = this.rim.length && port.strength ? times(this.matrix, given) : new Float64Array(this.size);
    for (let i = 0; i < this.size; i++) load[i] = -normal[i] - byGiven[i];
    const [a, middle, b] = this.border.find((e) => e.drain).nodes;
    load[a] -= 1 / 6; load[middle] -= 4 / 6; load[b] -= 1 / 6;
    const smooth = solveWith(this.potential, load, this.unknownOf.get(number) ?? -1, 1);
    const stream = this.lift(number, port), byLift = times(this.matrix, stream);
    for (let i = 0; i < this.size; i++) load[i] = -tangent[i] - byLift[i];
    const free = solveWith(this.stream, load);
    for (let i = 0; i < this.size; i++) stream[i] += free[i];
    const bySmooth = times(this.matrix, smooth, this.support), byStream = times(this.matrix, stream, this.support);
    const all = { normal, tangent, given, smooth, stream, byGiven, bySmooth, byStream };
    const at = {}; // side by side in memory, as every other port is multiplied with it
    for (const name in all) {
      const from = all[name], to = (at[name] = new Float64Array(this.support.length));
      for (let n = 0; n < to.length; n++) to[n] = from[this.support[n]];
    }
    return { port: { ...port }, given, smooth, stream, at };
  }

  /** Sheet current without the point source at a place in a triangle, mean of both sides, A/m per ampere. */
  smoothCurrent(field, m, px, py) {
    const l = this.linear.subarray(6 * m, 6 * m + 6), a = this.nodes[6 * m], weight = [0, 0, 0];
    for (let k = 0; k < 3; k++)
      weight[k] = (k === 0 ? 1 : 0) + l[2 * k] * (px - this.x[a]) + l[2 * k + 1] * (py - this.y[a]);
    let [wx, wy, ux, uy] = [0, 0, 0, 0];
    const add = (node, gx, gy) => {
      const w = field.given[node] + field.smooth[node], u = field.stream[node];
      wx += w * gx; wy += w * gy; ux += u * gx; uy += u * gy;
    };
    for (let i = 0; i < 3; i++) {
      const j = (i + 1) % 3, own = 4 * weight[i] - 1;
      add(this.nodes[6 * m + i], own * l[2 * i], own * l[2 * i + 1]);
      add(this.nodes[6 * m + 3 + i], 4 * (weight[i] * l[2 * j] + weight[j] * l[2 * i]),
          4 * (weight[i] * l[2 * j + 1] + weight[j] * l[2 * i + 1]));
    }
    return [0.5 * (uy - wx), 0.5 * (-ux - wy)];
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

/** Resistance between two ports in squares, the mean of both sides, without the size of other contacts. */
function mutual(i, j) {
  const a = i.at, b = j.at;
  let total = 0.5 * (-dot(b.normal, a.given) - dot(a.normal, b.given) - dot(a.given, b.byGiven) + dot(a.smooth, b.bySmooth)
    + dot(a.tangent, b.stream) + dot(b.tangent, a.stream) + dot(a.stream, b.byStream));
  if (i.port.strength && j.port.strength) {
    const inside = ((i.port.radius > 0) + (j.port.radius > 0)) / 2;
    const distance = i === j ? i.port.radius : Math.hypot(i.port.x - j.port.x, i.port.y - j.port.y);
    if (inside) total -= (inside * Math.log(distance)) / TWO_PI;
  }
  return total;
}

/** Stream function and sheet current (mean of both sides) of a triangle as polynomials round its first corner. */
function quadratic(sheet, m, stream, potential, poly, slope) {
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
