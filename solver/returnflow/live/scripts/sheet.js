"use strict";
// One sheet of copper, both sides: point sources, second-order elements for the rest. The same as sheet.py, where the
// formulas are derived; lengths in metres, resistances in squares.

const FAR = 6, TWO_PI = 2 * Math.PI;
const GAUSS = [[-0.8611363115940526, 0.34785484513745385], [-0.33998104358485626, 0.6521451548625462],
               [0.33998104358485626, 0.6521451548625462], [0.8611363115940526, 0.34785484513745385]].map(([node, weight]) => {
  const s = 0.5 * (1 + node);
  return { s, weight, shape: [(1 - s) * (1 - 2 * s), 4 * s * (1 - s), s * (2 * s - 1)] };
});

class Sheet extends Piece {
  constructor(data) {
    super(data);
    this.border = this.rings.flatMap((ring, r) =>
      Array.from(ring, (edge, n) => ({ nodes: this.edge(edge), port: this.runs[r][n], drain: edge === this.drain })));
    this.lines = Int32Array.from(this.border.flatMap((e) => e.nodes)); // start, middle, end of every border edge
    this.rim = [...new Set(this.border.filter((e) => e.port >= 0).flatMap((e) => e.nodes))];
    // Where the equations leave something to the right: elsewhere matrix times solution is 0.
    const support = new Set(this.lines), rims = new Set(this.rim);
    for (let m = 0; m < this.count && rims.size; m++) {
      const nodes = Array.from(this.nodes.subarray(6 * m, 6 * m + 6));
      if (nodes.some((i) => rims.has(i))) for (const i of nodes) support.add(i);
    }
    this.support = Int32Array.from(support);
    this.numberUnknowns();
    this.prepare();
  }

  /** All that depends on where the points are. */
  prepare() {
    this.matrix = this.stiffness();
    if (!this.orders) {
      const [one, other] = [this.ofPotential, this.ofStream].map((of) => 1 + of.reduce((most, u) => Math.max(most, u), -1));
      const order = orderOf(this.matrix, this.ofPotential, one);
      this.orders = [order, derive(order, this.ofPotential, this.ofStream, other)];
    }
    this.potential = factorize(this.matrix, this.ofPotential, this.orders[0]);
    this.stream = factorize(this.matrix, this.ofStream, this.orders[1]);
    this.buckets();
  }

  stiffness() {
    const values = new Float64Array(36 * this.count), g = [[], [], []];
    for (let m = 0; m < this.count; m++) {
      const l = this.linear.subarray(6 * m, 6 * m + 6), at = 36 * m;
      for (let i = 0; i < 3; i++)
        for (let j = 0; j < 3; j++) g[i][j] = (l[2 * i] * l[2 * j] + l[2 * i + 1] * l[2 * j + 1]) * this.areas[m] * (this.more ? this.more[m] : 1);
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

  /** Moments of the normal and tangential derivative of -log r / 2 pi along all border edges, or other ones with weights, added up on nodes. */
  moments(px, py, lines = this.lines, weights = null) {
    const normal = new Float64Array(this.size), tangent = new Float64Array(this.size);
    const N = [0, 0, 0], T = [0, 0, 0];
    for (let e = 0; e < lines.length; e += 3) {
      const a = lines[e], b = lines[e + 2], weight = (weights ? weights[e / 3] : 1) / TWO_PI;
      const ux = this.x[b] - this.x[a], uy = this.y[b] - this.y[a], length = Math.hypot(ux, uy);
      const tx = ux / length, ty = uy / length, rx = this.x[a] - px, ry = this.y[a] - py;
      const x0 = rx * tx + ry * ty, h = rx * ty - ry * tx, middle = x0 + 0.5 * length;
      if (middle * middle + h * h > (FAR * length) ** 2) {
        N.fill(0);
        T.fill(0);
        for (let g = 0; g < GAUSS.length; g++) {
          const { s, weight: part, shape } = GAUSS[g], x = x0 + s * length, scale = (0.5 * part * length) / (x * x + h * h);
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
      for (let k = 0; k < 3; k++) { const i = lines[e + k]; normal[i] -= weight * N[k]; tangent[i] -= weight * T[k]; }
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
    const { size, support } = this, given = new Float64Array(size), load = new Float64Array(size);
    const [normal, tangent] = port.strength ? this.moments(port.x, port.y) : [load, load];
    if (port.strength) {
      for (const i of this.rim) given[i] = Math.log(Math.hypot(this.x[i] - port.x, this.y[i] - port.y)) / TWO_PI;
    }
    const byGiven = this.rim.length && port.strength ? times(this.matrix, given, support) : new Float64Array(size);
    const at = {}, keep = (values) => { // side by side in memory, as every other port is multiplied with it
      for (const name in values) {
        const from = values[name], to = (at[name] = new Float64Array(support.length));
        for (let n = 0; n < to.length; n++) to[n] = from[support[n]];
      }
    };
    keep({ normal, tangent, given, byGiven });
    for (const i of support) load[i] = -normal[i] - byGiven[i];
    const [a, middle, b] = this.border.find((e) => e.drain).nodes;
    load[a] -= 1 / 6; load[middle] -= 4 / 6; load[b] -= 1 / 6;
    const smooth = solveWith(this.potential, load, this.unknownOf.get(number) ?? -1, 1);
    const stream = this.streamOf(number, port, tangent);
    keep({ smooth, stream, bySmooth: times(this.matrix, smooth, support), byStream: times(this.matrix, stream, support) });
    return { port: { ...port }, given, smooth, stream, at };
  }

  /** Stream function of one ampere that enters at a port, without the point source. */
  streamOf(number, port, tangent = port.strength ? this.moments(port.x, port.y)[1] : null) {
    const stream = this.lift(number, port), load = new Float64Array(this.size);
    if (port.strength) for (const i of this.support) load[i] = -tangent[i];
    spread(this.matrix, stream, this.lines, load);
    const free = solveWith(this.stream, load);
    for (let i = 0; i < this.size; i++) stream[i] += free[i];
    return stream;
  }

  /** Change of a port's stream function, without the point source, with its place: by x and by y, per metre. */
  changeOf(port) {
    const { size, lines, x, y } = this, [alongX, alongY, loadX, loadY] = [0, 1, 2, 3].map(() => new Float64Array(size));
    if (!port.strength) return [alongX, alongY];
    // The angle under which the port sees a node turns by the other part of its distance over the distance's square.
    const see = (i) => { const rx = x[i] - port.x, ry = y[i] - port.y, r2 = TWO_PI * (rx * rx + ry * ry); return [-ry / r2, rx / r2]; };
    this.rings.forEach((ring, r) => {
      const [sx, sy] = see(this.edge(ring[0])[0]);
      ring.forEach((edge, n) => {
        if (this.runs[r][n] >= 0) return;
        for (const i of this.edge(edge)) { const [ix, iy] = see(i); alongX[i] = ix - sx; alongY[i] = iy - sy; }
      });
    });
    const DX = [0, 0, 0], DH = [0, 0, 0]; // of an edge's moments of x / (x^2 + h^2), with the place of its start and with its height
    for (let e = 0; e < lines.length; e += 3) {
      const a = lines[e], b = lines[e + 2], ux = x[b] - x[a], uy = y[b] - y[a], length = Math.hypot(ux, uy);
      const tx = ux / length, ty = uy / length, rx = x[a] - port.x, ry = y[a] - port.y;
      const x0 = rx * tx + ry * ty, h = rx * ty - ry * tx, x1 = x0 + length, middle = x0 + 0.5 * length;
      if (middle * middle + h * h > (FAR * length) ** 2) {
        DX.fill(0);
        DH.fill(0);
        for (let g = 0; g < GAUSS.length; g++) {
          const { s, weight, shape } = GAUSS[g], at = x0 + s * length, r2 = at * at + h * h, scale = (0.5 * weight * length) / (r2 * r2);
          for (let k = 0; k < 3; k++) { DX[k] += scale * (h * h - at * at) * shape[k]; DH[k] -= 2 * scale * at * h * shape[k]; }
        }
      } else {
        const r0 = x0 * x0 + h * h, r1 = x1 * x1 + h * h, angle = Math.atan2(h * length, x0 * x1 + h * h), log = 0.5 * Math.log(r1 / r0);
        const square = length - h * angle;
        const fill = (into, log1, angle1, x01, h1) => { // from the changes of what the moments are made of
          const square1 = -h1 * angle - h * angle1, cubic1 = x01 * length - 2 * h * h1 * log - h * h * log1;
          const first = (square1 - x01 * log - x0 * log1) / length;
          const second = (cubic1 - 2 * x01 * square - 2 * x0 * square1 + 2 * x0 * x01 * log + x0 * x0 * log1) / length ** 2;
          into[0] = log1 - 3 * first + 2 * second;
          into[1] = 4 * (first - second);
          into[2] = 2 * second - first;
        };
        fill(DX, x1 / r1 - x0 / r0, h / r1 - h / r0, 1, 0);
        fill(DH, h / r1 - h / r0, x0 / r0 - x1 / r1, 0, 1);
      }
      for (let k = 0; k < 3; k++) { // x0 and h fall by tx and ty, and rise by what is across
        const i = lines[e + k];
        loadX[i] -= (tx * DX[k] + ty * DH[k]) / TWO_PI;
        loadY[i] -= (ty * DX[k] - tx * DH[k]) / TWO_PI;
      }
    }
    spread(this.matrix, alongX, lines, loadX);
    spread(this.matrix, alongY, lines, loadY);
    const both = solveTwo(this.stream, loadX, loadY);
    [alongX, alongY].forEach((along, n) => { for (let i = 0; i < size; i++) along[i] += both[n][i]; });
    return [alongX, alongY];
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
