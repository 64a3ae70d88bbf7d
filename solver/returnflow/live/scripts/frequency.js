"use strict";
// Above 0 Hz: what a reduced model gave on a grid of frequencies, by cubics between them. Contacts are as drawn.

class Frequencies {
  constructor(data, loops) {
    Object.assign(this, data);
    this.loops = loops;
    this.shapes = new Map(); // of loops that were shown
  }

  /** What moves on a copper: stream functions on a mesh where one copper carries all, or currents of that copper alone. Made when it is first shown. */
  moved(copper) {
    if (!this.pattern) return null;
    if (!this.pattern.planes) return (this.streams ??= new Moved(this.pattern.mesh));
    const plane = this.pattern.planes.find((it) => it.copper === copper);
    return plane && (plane.moved ??= new MovedPlane(plane, this.pattern, this.count));
  }

  /** Four neighbours on the grid and their weights at a frequency. */
  weights(frequency) {
    const at = Math.min(this.count - 1, Math.max(0, this.perDecade * Math.log10(frequency / this.lowest)));
    const i = Math.min(this.count - 2, Math.floor(at)), t = at - i, last = this.count - 1;
    const cubic = [-t * (1 - t) ** 2 / 2, 1 + t * t * (3 * t - 5) / 2, t * (1 + t * (4 - 3 * t)) / 2, t * t * (t - 1) / 2];
    return cubic.map((weight, k) => [Math.min(last, Math.max(0, i - 1 + k)), weight]);
  }

  /** Numbers from `array` at a frequency, `width` of them at every point of the grid, from `start` on. */
  at(frequency, array, width, start, count = 1) {
    const result = new Float64Array(count);
    for (const [n, weight] of this.weights(frequency)) for (let k = 0; k < count; k++) result[k] += weight * array[n * width + start + k];
    return result;
  }

  /** Impedance between two loops, real and imaginary part in ohm. */
  impedance(i, j, frequency) {
    const f = Math.max(frequency, this.lowest), n = this.loops;
    const [re, inductance] = this.at(f, this.Z, 2 * n * n, 2 * (i * n + j), 2);
    return [re, TWO_PI * frequency * inductance];
  }

  share(region, loop, frequency, regions) { return this.at(frequency, this.shares, regions * this.loops, region * this.loops + loop)[0]; }

  section(section, loop, frequency, sections) { return this.at(frequency, this.sections, sections * this.loops, section * this.loops + loop)[0]; }

  link(link, loop, frequency, links) { return this.at(frequency, this.links, links * this.loops, link * this.loops + loop)[0]; }

  /** Stream function by which a loop's return has moved: real and imaginary part at the points of its mesh. */
  stream(loop, frequency) {
    const { parts } = this.pattern.loops[loop], { vectors, steady } = this.shape(loop), kept = vectors.length, size = this.streams.x.length;
    const re = new Float64Array(size), im = new Float64Array(size), weights = this.at(frequency, parts, 2 * kept, 0, 2 * kept);
    vectors.forEach((vector, k) => {
      const a = weights[2 * k], b = weights[2 * k + 1];
      for (let i = 0; i < size; i++) { re[i] += a * vector[i]; im[i] += b * vector[i]; }
    });
    return { re, im, steady, part: this.left(loop, frequency) };
  }

  /** Where most of the return has moved, what is left of the steady pattern must be that of the same mesh: how much of it is. */
  left(loop, frequency) {
    const turning = this.marks[loop][0];
    return turning ? 1 / (1 + (turning / frequency) ** 2) : 0;
  }

  /** Sheet current by which a loop's return on a copper has moved, at the points of its mesh: real x and y, imaginary x and y, and the steady one. */
  currents(plane, loop, frequency) {
    const { vectors } = plane, kept = vectors.length, weights = this.at(frequency, plane.partsOf(loop), 2 * kept, 0, 2 * kept);
    const sums = [0, 0, 1, 1].map((which, n) => {
      const sum = new Float64Array(plane.x.length);
      vectors.forEach((pair, k) => { const a = weights[2 * k + which], from = pair[n % 2]; for (let i = 0; i < sum.length; i++) sum[i] += a * from[i]; });
      return sum;
    });
    return { currents: [...sums, ...plane.steadyOf(loop)], part: this.left(loop, frequency) };
  }

  /** Stream functions of a loop at the points, and the steady one on the corners of triangles, where it is single-valued up to whole amperes. */
  shape(loop) {
    if (!this.shapes.has(loop)) {
      const { vectors, step, steady, rise, jumps } = this.pattern.loops[loop], at = decodeValues(this.streams, steady, rise);
      const corners = Float64Array.from(this.streams.triangles, (point) => at[point]);
      for (let n = 0; n < jumps.length; n += 2) corners[jumps[n]] += jumps[n + 1];
      this.shapes.set(loop, { vectors: vectors.map((vector) => decodeValues(this.streams, vector, step)), steady: corners });
    }
    return this.shapes.get(loop);
  }
}

/** A mesh of first-order elements, with currents that are smoothed to its points. */
class Moved {
  constructor(mesh) {
    Object.assign(this, decodeMesh(mesh));
    this.count = mesh.count;
  }

  /** Sheet current of a stream function at the points, mean of the triangles round each by their areas; psi by points, or by corners. */
  current(psi, corners = false) {
    const size = this.x.length, kx = new Float64Array(size), ky = new Float64Array(size), area = new Float64Array(size), { x, y } = this;
    for (let m = 0; m < this.count; m++) {
      const [a, b, c] = [this.triangles[3 * m], this.triangles[3 * m + 1], this.triangles[3 * m + 2]];
      const twice = (x[b] - x[a]) * (y[c] - y[a]) - (y[b] - y[a]) * (x[c] - x[a]);
      // Twice the area times the gradient turned: K = (psi_y, -psi_x).
      const [p, q, r] = corners ? [psi[3 * m], psi[3 * m + 1], psi[3 * m + 2]] : [psi[a], psi[b], psi[c]];
      const gx = p * (x[c] - x[b]) + q * (x[a] - x[c]) + r * (x[b] - x[a]);
      const gy = p * (y[c] - y[b]) + q * (y[a] - y[c]) + r * (y[b] - y[a]);
      for (const i of [a, b, c]) { kx[i] += gx; ky[i] += gy; area[i] += twice; }
    }
    for (let i = 0; i < size; i++) { kx[i] /= area[i]; ky[i] /= area[i]; }
    return [kx, ky];
  }
}

/** A copper's mesh with the currents that all loops' returns on it are made of. */
class MovedPlane {
  constructor({ mesh, vectors, steady, parts }, { step, part }, frequencies) {
    Object.assign(this, decodeMesh(mesh), { step, part, frequencies, told: { steady, parts }, count: mesh.count, known: new Map() });
    this.vectors = vectors.map((pair) => this.decode(pair));
  }

  decode(pair) { return pair.map((each) => decodeValues(this, each, this.step)); }

  once(key, make) {
    if (!this.known.has(key)) this.known.set(key, make());
    return this.known.get(key);
  }

  steadyOf(loop) { return this.once(`steady ${loop}`, () => this.decode(this.told.steady[loop])); }

  /** Parts of the patterns at all frequencies, real and imaginary in turns: told by how they change from one to the next. */
  partsOf(loop) {
    return this.once(`parts ${loop}`, () => {
      const changes = this.told.parts[loop], width = 2 * this.vectors.length, found = new Float64Array(changes.length);
      for (let k = 0, n = 0; k < width; k++)
        for (let f = 0, sum = 0; f < this.frequencies; f++) found[f * width + k] = this.part * (sum += changes[n++]);
      return found;
    });
  }
}
