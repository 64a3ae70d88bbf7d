"use strict";
// The picture: sheet current as colour, and lines that each part equal currents, pixel by pixel on a canvas.

const STEPS = 20; // equal currents between lines; even, so that shades alternate all round a contact
// Colours that differ in lightness throughout and that colour-blind people tell apart (from blue to yellow), none too dark for black lines.
const COLOURS = [[56, 88, 140], [72, 98, 138], [92, 110, 134], [112, 122, 130], [132, 134, 126], [152, 147, 120],
                 [173, 161, 112], [195, 177, 102], [217, 195, 90], [238, 214, 76], [255, 235, 70]];
const TABLE = Uint32Array.from({ length: 256 }, (_, n) => { // as pixels of a canvas have them: blue, green, red
  const at = (n / 255) * (COLOURS.length - 1), i = Math.min(COLOURS.length - 2, Math.floor(at));
  const [r, g, b] = COLOURS[i].map((v, c) => Math.round(v + (at - i) * (COLOURS[i + 1][c] - v)));
  return (b << 16) | (g << 8) | r;
});
const DECADES = 3;

/** Where millimetres of the board lie on a picture of width by height pixels. */
function frameOf(boxes, width, height, margin) {
  const [x0, y0, x1, y1] = [0, 1, 2, 3].map((k) => (k < 2 ? Math.min : Math.max)(...boxes.map((b) => b[k])));
  const scale = Math.min((width - 2 * margin) / (x1 - x0), (height - 2 * margin) / (y1 - y0));
  const left = 0.5 * (width - scale * (x1 - x0)), top = 0.5 * (height - scale * (y1 - y0));
  return { scale, width, height, x: (x) => left + scale * (x - x0), y: (y) => top + scale * (y1 - y),
           backX: (px) => x0 + (px - left) / scale, backY: (py) => y1 - (py - top) / scale };
}

/** Box round closed lines in millimetres, metres. */
function boxOf(lines) {
  const [xs, ys] = [0, 1].map((k) => lines.flatMap((line) => line.map((point) => 1e-3 * point[k])));
  return [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
}

/** Sheet current at which the scale of colours ends, A/m per ampere: of a current crowded on a fortieth of the board. */
function topCurrent(boxes) {
  return 40 / Math.max(...boxes.map(([x0, y0, x1, y1]) => Math.hypot(x1 - x0, y1 - y0)));
}

/** Visit the pixels of every triangle of a mesh row by row: begin(m) once a triangle, then row(m, j, first, last). */
function scan(mesh, raster, begin, row) {
  const { width, height, step, X0, Y0 } = raster, { x, y, triangles } = mesh, tiny = 1e-9;
  const px = new Float64Array(3), py = new Float64Array(3); // in pixels; no arrays a triangle, which would cost most
  for (let m = 0; m < mesh.count; m++) {
    for (let k = 0; k < 3; k++) {
      const i = triangles[3 * m + k];
      px[k] = (x[i] - X0) / step;
      py[k] = (Y0 - y[i]) / step;
    }
    const j0 = Math.max(0, Math.ceil(Math.min(py[0], py[1], py[2]) - tiny));
    const j1 = Math.min(height - 1, Math.floor(Math.max(py[0], py[1], py[2]) + tiny));
    if (j1 < j0 || Math.floor(Math.max(px[0], px[1], px[2]) + tiny) < Math.ceil(Math.min(px[0], px[1], px[2]) - tiny)) continue;
    let begun = false;
    for (let j = j0; j <= j1; j++) {
      let left = Infinity, right = -Infinity;
      for (let k = 0; k < 3; k++) {
        const n = k === 2 ? 0 : k + 1, u = py[k], v = py[n];
        if ((u < j && v < j) || (u > j && v > j)) continue;
        const one = u === v ? px[k] : px[k] + ((j - u) / (v - u)) * (px[n] - px[k]), other = u === v ? px[n] : one;
        if (one < left) left = one;
        if (other < left) left = other;
        if (one > right) right = one;
        if (other > right) right = other;
      }
      const i0 = Math.max(0, Math.ceil(left - tiny)), i1 = Math.min(width - 1, Math.floor(right + tiny));
      if (i1 < i0) continue;
      if (!begun) { begin(m); begun = true; }
      row(m, j, i0, i1);
    }
  }
}

/** Pixels, each `coarse` screen pixels wide, and what is known at them: nothing yet. An old one of that size is used again. */
function rasterOf(frame, coarse, old) {
  const width = Math.ceil(frame.width / coarse), height = Math.ceil(frame.height / coarse), size = width * height;
  if (old && old.frame === frame && old.coarse === coarse) {
    for (const name of ["known", "done", "ix", "iy"]) old[name].fill(0);
    return Object.assign(old, { shaded: true, lined: true });
  }
  const fields = Object.fromEntries(["psi", "phi", "kx", "ky", "ix", "iy"].map((name) => [name, new Float32Array(size)]));
  return { frame, width, height, step: coarse / frame.scale, X0: frame.backX(0.5 * coarse), Y0: frame.backY(0.5 * coarse), coarse,
           known: new Uint8Array(size), done: new Uint8Array(size), shaded: true, lined: true, ...fields }; // known: 1 copper, 2 a contact
}

/** A loop's steady field on a sheet, at the pixels: stream function and sheet current, on demand the potential. */
function collect(raster, sheet, { potential, stream, sources }, voltage) {
  const { X0, Y0, step, width, psi, phi, kx, ky, known } = raster, { x, y, triangles } = sheet;
  const poly = new Float64Array(12), slope = new Float64Array(6);
  // Where a part of an ampere enters, the stream function has a cut; along the flow no line crosses it.
  const parts = sources.flatMap(([, , c], n) => (Math.abs(c * STEPS - Math.round(c * STEPS)) > 1e-6 ? [n] : []));
  const [one, other] = parts.map((n) => sources[n]), pair = parts.length === 2 && Math.abs(one[2] + other[2]) < 1e-9;
  // Where a part leaves and comes back, both cuts run the same way on beyond the second and cancel there.
  const across = pair && [other[0] - one[0], other[1] - one[1]].map((v) => v / Math.hypot(other[0] - one[0], other[1] - one[1]));
  const cut = (n) => (pair && parts.includes(n) ? across : flowAt(sheet, potential, stream, sources, n));
  const from = Float64Array.from(sources.flatMap(([sx, sy, c, r], n) => [sx, sy, c, r * r, ...cut(n)]));
  if (parts.length) raster.shaded = false;
  if (parts.length > 2 || !stream) raster.lined = false; // too many ends of lines to draw them
  const { lined } = raster;
  scan(sheet, raster, (m) => quadratic(sheet, m, stream, potential, poly, slope), (m, j, i0, i1) => {
    const a = triangles[3 * m], Y = Y0 - j * step, dy = Y - y[a];
    for (let i = i0; i <= i1; i++) {
      const X = X0 + i * step, dx = X - x[a], o = j * width + i;
      let ux = slope[0] + slope[1] * dx + slope[2] * dy, uy = slope[3] + slope[4] * dx + slope[5] * dy;
      let turn = poly[0] + poly[1] * dx + poly[2] * dy + poly[3] * dx * dx + poly[4] * dx * dy + poly[5] * dy * dy;
      let mark = 1;
      for (let k = 0; k < from.length; k += 6) {
        const rx = X - from[k], ry = Y - from[k + 1], r2 = rx * rx + ry * ry, q = from[k + 2] / (TWO_PI * r2);
        if (r2 < from[k + 3]) mark = 2;
        ux += q * rx;
        uy += q * ry;
        if (lined) turn += from[k + 2] * turns(-rx * from[k + 4] - ry * from[k + 5], rx * from[k + 5] - ry * from[k + 4]);
      }
      kx[o] = ux;
      ky[o] = uy;
      psi[o] = turn;
      known[o] = mark;
      if (!voltage) continue;
      let level = poly[6] + poly[7] * dx + poly[8] * dy + poly[9] * dx * dx + poly[10] * dx * dy + poly[11] * dy * dy;
      for (let k = 0; k < from.length; k += 6)
        level -= (from[k + 2] * Math.log((X - from[k]) ** 2 + (Y - from[k + 1]) ** 2)) / (2 * TWO_PI);
      phi[o] = level;
    }
  });
}

/** Direction of the flow at a source, away from it for what enters and towards it for what leaves. */
function flowAt(sheet, potential, stream, sources, n) {
  const [x, y, c] = sources[n], m = sheet.inside(x, y);
  if (m < 0) return [1, 0];
  const poly = new Float64Array(12), slope = new Float64Array(6), a = sheet.triangles[3 * m];
  quadratic(sheet, m, stream, potential, poly, slope);
  let kx = slope[0] + slope[1] * (x - sheet.x[a]) + slope[2] * (y - sheet.y[a]);
  let ky = slope[3] + slope[4] * (x - sheet.x[a]) + slope[5] * (y - sheet.y[a]);
  sources.forEach(([sx, sy, other], k) => {
    if (k === n) return;
    const rx = x - sx, ry = y - sy, q = other / (TWO_PI * (rx * rx + ry * ry));
    kx += q * rx;
    ky += q * ry;
  });
  const size = Math.hypot(kx, ky) * Math.sign(c);
  return size ? [kx / size, ky / size] : [1, 0];
}

/** Values at the points of a mesh, even over each of its triangles, and room for more that are put there. */
class Even {
  constructor(mesh, byPoint, more = 0) {
    Object.assign(this, { mesh, byPoint, plane: new Float64Array(3 * (byPoint.length + more)), corners: new Int32Array(3) });
  }

  begin(m) {
    const { mesh: { x, y, triangles }, byPoint, corners } = this;
    for (let k = 0; k < 3; k++) corners[k] = triangles[3 * m + k];
    const [a, b, c] = corners;
    this.bx = x[b] - x[a]; this.by = y[b] - y[a]; this.cx = x[c] - x[a]; this.cy = y[c] - y[a];
    this.twice = this.bx * this.cy - this.by * this.cx;
    for (let n = 0; n < byPoint.length; n++) this.put(n, byPoint[n][a], byPoint[n][b] - byPoint[n][a], byPoint[n][c] - byPoint[n][a]);
  }

  put(n, at, p, q) {
    this.plane[3 * n] = at;
    this.plane[3 * n + 1] = (p * this.cy - q * this.by) / this.twice;
    this.plane[3 * n + 2] = (q * this.bx - p * this.cx) / this.twice;
  }

  /** The nth at so far from the first corner. */
  at(n, dx, dy) { return this.plane[3 * n] + this.plane[3 * n + 1] * dx + this.plane[3 * n + 2] * dy; }

  /** Parts of the second and third corner there. */
  parts(dx, dy) { return [(dx * this.cy - dy * this.cx) / this.twice, (dy * this.bx - dx * this.by) / this.twice]; }
}

/** Move it by a stream function on another mesh, real and imaginary; a part of the steady one becomes that mesh's. */
function collectMoved(raster, mesh, { re, im, steady, part }) {
  const { X0, Y0, step, width, psi, kx, ky, ix, iy, done } = raster, { x, y, triangles } = mesh;
  const [rx, ry] = mesh.current(re), [jx, jy] = mesh.current(im), [sx, sy] = mesh.current(steady, true);
  const even = new Even(mesh, [re, rx, ry, jx, jy, sx, sy], 1), { corners } = even, bend = new Float64Array(6);
  scan(mesh, raster, (m) => {
    even.begin(m);
    even.put(7, steady[3 * m], steady[3 * m + 1] - steady[3 * m], steady[3 * m + 2] - steady[3 * m]);
    // By how much an edge's middle is off the plane if slopes change along it evenly: lines are smooth then.
    for (let k = 0; k < 3; k++) {
      const p = corners[k], q = corners[(k + 1) % 3], ex = x[q] - x[p], ey = y[q] - y[p]; // slopes of psi are (-ky, kx)
      bend[k] = 0.5 * ((ry[q] - ry[p]) * ex - (rx[q] - rx[p]) * ey);
      bend[3 + k] = 0.5 * ((sy[q] - sy[p]) * ex - (sx[q] - sx[p]) * ey);
    }
  }, (m, j, i0, i1) => {
    const a = triangles[3 * m], dy = Y0 - j * step - y[a];
    for (let i = i0; i <= i1; i++) {
      const o = j * width + i, dx = X0 + i * step - x[a];
      if (done[o]) continue; // on an edge between two triangles
      done[o] = 1;
      const at = (n) => even.at(n, dx, dy), [u, v] = even.parts(dx, dy), w = 1 - u - v, ab = w * u, bc = u * v, ca = v * w;
      const off = at(7) + bend[3] * ab + bend[4] * bc + bend[5] * ca - psi[o];
      psi[o] += at(0) + bend[0] * ab + bend[1] * bc + bend[2] * ca + part * (off - Math.round(off));
      kx[o] += at(1) + part * (at(5) - kx[o]);
      ky[o] += at(2) + part * (at(6) - ky[o]);
      ix[o] = at(3);
      iy[o] = at(4);
    }
  });
}

/** The same by currents, where links join planes: no stream function has one value at every place then, and no lines are drawn. */
function collectCurrents(raster, mesh, { currents, part }) {
  const { X0, Y0, step, width, kx, ky, ix, iy, done } = raster, { x, y, triangles } = mesh, even = new Even(mesh, currents);
  raster.lined = false;
  scan(mesh, raster, (m) => even.begin(m), (m, j, i0, i1) => {
    const a = triangles[3 * m], dy = Y0 - j * step - y[a];
    for (let i = i0; i <= i1; i++) {
      const o = j * width + i, dx = X0 + i * step - x[a];
      if (done[o]) continue;
      done[o] = 1;
      kx[o] += even.at(0, dx, dy) + part * (even.at(4, dx, dy) - kx[o]);
      ky[o] += even.at(1, dx, dy) + part * (even.at(5, dx, dy) - ky[o]);
      ix[o] = even.at(2, dx, dy);
      iy[o] = even.at(3, dx, dy);
    }
  });
}

/** Colour the pixels. options: { top: A/m per ampere where the scale ends, bands, voltage } */
function colour(image, raster, options) {
  const pixels = new Uint32Array(image.data.buffer), { psi, phi, kx, ky, ix, iy, known, step, coarse } = raster, N = STEPS;
  const rise = 127.5 / (DECADES * Math.LN10), low = 255 - 2 * rise * Math.log(options.top); // of the logarithm of K squared
  const reach = Math.max(1.1, 1.5 / coarse), perPixel = 1 / (N * step) ** 2;
  // Where lines come closer than four pixels they fade instead of filling the copper.
  const ink = (value, K2) => {
    const off = value - Math.round(value), near = off * off * perPixel;
    if (near >= K2 * reach * reach) return 0;
    return Math.min(1, 1 / (4 * N * step * Math.sqrt(K2))) * Math.min(1, reach - Math.sqrt(near / K2));
  };
  for (let o = 0; o < known.length; o++) {
    if (!known[o]) continue;
    const real = kx[o] * kx[o] + ky[o] * ky[o], K2 = real + ix[o] * ix[o] + iy[o] * iy[o];
    let level = 255, dark = 0, shade = 1, white = 0;
    if (known[o] === 1) {
      level = Math.min(255, Math.max(0, Math.round(low + rise * Math.log(K2))));
      if (options.bands && raster.lined) { // half a step off the border, on which the stream function is constant
        const value = psi[o] * N + 0.5;
        dark = ink(value, real);
        if (raster.shaded) shade = Math.floor(value) & 1 ? 0.9 : 1;
      }
      if (options.voltage) white = ink(phi[o] * N, real);
    }
    const c = TABLE[level], left = shade * (1 - dark) * (1 - white), add = 255 * white;
    pixels[o] = 0xff000000 | ((left * (c >> 16) + add) << 16) | ((left * ((c >> 8) & 255) + add) << 8) | (left * (c & 255) + add);
  }
}

/** Angle of a vector in whole turns, good to 2e-5: a picture needs no more. */
function turns(x, y) {
  const ax = Math.abs(x), ay = Math.abs(y), r = ax > ay ? ay / ax : ax / ay, s = r * r;
  let angle = ((-0.0464964749 * s + 0.15931422) * s - 0.327622764) * s * r + r;
  if (ay > ax) angle = Math.PI / 2 - angle;
  if (x < 0) angle = Math.PI - angle;
  return (y < 0 ? -angle : angle) / TWO_PI;
}

/** A bar of the colours with its ends and decades, drawn into a canvas of its own. */
function paintScale(canvas) {
  const context = canvas.getContext("2d");
  for (let i = 0; i < canvas.width; i++) {
    const c = TABLE[Math.round((255 * i) / (canvas.width - 1))];
    context.fillStyle = `rgb(${c & 255} ${(c >> 8) & 255} ${c >> 16})`;
    context.fillRect(i, 0, 1, canvas.height);
  }
}
