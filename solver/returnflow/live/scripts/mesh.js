"use strict";
// A triangulation as it is told, triangle by triangle across open edges. The same as meshcode.py, where it is explained.

const NANO = 1e-9, BORDER = 0, INNER = 1, EXACT = 2, NEXT = 3, BEFORE = 4, STEP = 256, PART = 32;

/** Points in nanometres, triangles, across every edge the same edge of the triangle beside it (-1: none), and guides. */
function decodeMesh({ count, codes, others, exact, inner }) {
  const triangles = new Int32Array(3 * count), twins = new Int32Array(3 * count).fill(-1), seeds = exact.length / 2, most = seeds + inner.length / 2;
  const x = new Float64Array(most), y = new Float64Array(most), guides = new Int32Array(3 * most).fill(-1);
  let points = 0, made = 0, told = 0, other = 0, atExact = 0, atInner = 0;
  const tell = (gx, gy, fine, step) => {
    const from = fine ? exact : inner, n = fine ? atExact++ : atInner++, half = from.length / 2;
    x[points] = gx + from[n] * step;
    y[points] = gy + from[half + n] * step;
    return points++;
  };
  while (made < count) {
    const open = new Map(), after = new Map(), before = new Map(), waiting = []; // open edges, by the edge beside them
    const close = (a, b) => {
      open.delete(a * most + b);
      if (after.get(a) === b) after.delete(a);
      if (before.get(b) === a) before.delete(b);
    };
    const add = (a, b, c) => {
      const corners = [a, b, c];
      for (let k = 0; k < 3; k++) {
        const p = corners[k], q = corners[(k + 1) % 3], edge = 3 * made + k, beside = open.get(p * most + q);
        triangles[edge] = p;
        if (beside !== undefined) {
          twins[edge] = beside;
          twins[beside] = edge;
          close(p, q);
        } else {
          open.set(q * most + p, edge);
          after.set(q, p);
          before.set(p, q);
          waiting.push(q, p, corners[(k + 2) % 3]);
        }
      }
      made++;
    };
    const seed = [0, 1, 2].map(() => tell(points ? x[points - 1] : 0, points ? y[points - 1] : 0, true, STEP));
    add(...seed);
    for (let n = 0; n < waiting.length; n += 3) {
      const a = waiting[n], b = waiting[n + 1], c = waiting[n + 2];
      if (!open.has(a * most + b)) continue;
      const what = codes[told++];
      if (what === BORDER) { close(a, b); continue; }
      let v;
      if (what === INNER || what === EXACT) {
        guides.set([a, b, c], 3 * points);
        let step = STEP;
        if (what === INNER) for (step = 1; step * PART <= Math.max(Math.abs(x[b] - x[a]), Math.abs(y[b] - y[a])); ) step *= 2;
        v = tell(x[a] + x[b] - x[c], y[a] + y[b] - y[c], what === EXACT, step);
      } else v = what === NEXT ? after.get(b) : what === BEFORE ? before.get(a) : others[other++];
      add(a, b, v);
    }
  }
  return { x: x.map((v) => NANO * v), y: y.map((v) => NANO * v), triangles, twins, guides, nano: [x, y] };
}

/** Values at points, told by how far each is from the plane through those at its guides. */
function decodeValues({ nano: [x, y], guides }, differences, step) {
  const values = new Float64Array(differences.length), clip = (v) => Math.min(2, Math.max(-2, v));
  for (let i = 0; i < values.length; i++) {
    const a = guides[3 * i], b = guides[3 * i + 1], c = guides[3 * i + 2];
    values[i] = differences[i];
    if (a < 0) continue;
    const ax = x[a] - x[c], ay = y[a] - y[c], bx = x[b] - x[c], by = y[b] - y[c], px = x[i] - x[c], py = y[i] - y[c];
    const twice = ax * by - ay * bx, s = clip((px * by - py * bx) / twice), t = clip((ax * py - ay * px) / twice);
    values[i] += Math.floor(values[c] + s * (values[a] - values[c]) + t * (values[b] - values[c]) + 0.5);
  }
  return values.map((v) => step * v);
}

/** Border edges of a closed line from one of them on: from the end of each round its point to the next. */
function ringFrom(first, twins) {
  const ring = [];
  let at = first;
  do {
    ring.push(at);
    for (;;) {
      at = at % 3 === 2 ? at - 2 : at + 1;
      if (twins[at] < 0) break;
      at = twins[at];
    }
  } while (at !== first);
  return Int32Array.from(ring);
}
