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
const DECADES = 2.5;

/** Where millimetres of the board lie on a picture of width by height pixels. */
function frameOf(boxes, width, height, margin) {
  const [x0, y0, x1, y1] = [0, 1, 2, 3].map((k) => (k < 2 ? Math.min : Math.max)(...boxes.map((b) => b[k])));
  const scale = Math.min((width - 2 * margin) / (x1 - x0), (height - 2 * margin) / (y1 - y0));
  const left = 0.5 * (width - scale * (x1 - x0)), top = 0.5 * (height - scale * (y1 - y0));
  return { scale, width, height, x: (x) => left + scale * (x - x0), y: (y) => top + scale * (y1 - y),
           backX: (px) => x0 + (px - left) / scale, backY: (py) => y1 - (py - top) / scale };
}

/** Sheet current at which the scale of colours ends, A/m per ampere: of a current spread over a tenth of the board. */
function topCurrent(boxes) {
  return 20 / Math.max(...boxes.map(([x0, y0, x1, y1]) => Math.hypot(x1 - x0, y1 - y0)));
}

/**
 * Paint a loop's field on a sheet into pixels. `coarse` pixels are so many screen pixels wide.
 * options: { top: A/m per ampere where the scale ends, bands, voltage: whether lines of equal voltage are drawn too }
 */
function paint(image, sheet, field, frame, coarse, options) {
  const { width, height, data } = image, { scale } = frame, step = coarse / scale;
  const X0 = frame.backX(0.5 * coarse), Y0 = frame.backY(0.5 * coarse); // middle of the first pixel, metres
  const { potential, stream, sources } = field, { x, y, triangles, nodes, linear } = sheet;
  const poly = new Float64Array(12), slope = new Float64Array(6), N = STEPS;
  const pixels = new Uint32Array(data.buffer), from = Float64Array.from(sources.flatMap(([sx, sy, c, r]) => [sx, sy, c, r * r]));
  const rise = 127.5 / (DECADES * Math.LN10), low = 255 - 2 * rise * Math.log(options.top); // of the logarithm of K squared
  const reach = Math.max(1.1, 1.5 / coarse), perPixel = 1 / (N * step) ** 2;
  // Where lines come closer than four pixels they fade instead of filling the copper.
  const fade = (K2) => Math.min(1, 1 / (4 * N * step * Math.sqrt(K2)));
  for (let m = 0; m < sheet.count; m++) {
    const a = triangles[3 * m], b = triangles[3 * m + 1], c = triangles[3 * m + 2];
    const px = [x[a], x[b], x[c]].map((v) => (v - X0) / step), py = [y[a], y[b], y[c]].map((v) => (Y0 - v) / step);
    const j0 = Math.max(0, Math.ceil(Math.min(...py) - 1e-9)), j1 = Math.min(height - 1, Math.floor(Math.max(...py) + 1e-9));
    if (j1 < j0) continue;
    let ready = false;
    for (let j = j0; j <= j1; j++) {
      let left = Infinity, right = -Infinity;
      for (let k = 0; k < 3; k++) {
        const n = (k + 1) % 3, u = py[k], v = py[n];
        if ((u < j && v < j) || (u > j && v > j)) continue;
        if (u === v) { left = Math.min(left, px[k], px[n]); right = Math.max(right, px[k], px[n]); continue; }
        const cross = px[k] + ((j - u) / (v - u)) * (px[n] - px[k]);
        left = Math.min(left, cross);
        right = Math.max(right, cross);
      }
      const i0 = Math.max(0, Math.ceil(left - 1e-9)), i1 = Math.min(width - 1, Math.floor(right + 1e-9));
      if (i1 < i0) continue;
      if (!ready) { quadratic(sheet, m, stream, potential, poly, slope, options.voltage); ready = true; }
      const Y = Y0 - j * step, dy = Y - y[a];
      for (let i = i0; i <= i1; i++) {
        const X = X0 + i * step, dx = X - x[a], o = j * width + i;
        let kx = slope[0] + slope[1] * dx + slope[2] * dy, ky = slope[3] + slope[4] * dx + slope[5] * dy;
        let psi = poly[0] + poly[1] * dx + poly[2] * dy + poly[3] * dx * dx + poly[4] * dx * dy + poly[5] * dy * dy;
        let inside = false;
        for (let k = 0; k < from.length; k += 4) {
          const rx = X - from[k], ry = Y - from[k + 1], r2 = rx * rx + ry * ry, q = from[k + 2] / (TWO_PI * r2);
          if (r2 < from[k + 3]) inside = true;
          kx += q * rx;
          ky += q * ry;
          if (options.bands) psi += from[k + 2] * turns(rx, ry);
        }
        const K2 = kx * kx + ky * ky;
        const level = inside ? 255 : Math.min(255, Math.max(0, Math.round(low + rise * Math.log(K2))));
        let ink = 0, shade = 1, white = 0;
        if (options.bands && !inside) {
          const value = psi * N, off = value - Math.round(value), near = off * off * perPixel, wide = K2 * reach * reach;
          shade = Math.floor(value) & 1 ? 0.9 : 1;
          if (near < wide) ink = fade(K2) * Math.min(1, reach - Math.sqrt(near / K2));
        }
        if (options.voltage && !inside) {
          let phi = poly[6] + poly[7] * dx + poly[8] * dy + poly[9] * dx * dx + poly[10] * dx * dy + poly[11] * dy * dy;
          for (let k = 0; k < from.length; k += 4)
            phi -= (from[k + 2] * Math.log((X - from[k]) ** 2 + (Y - from[k + 1]) ** 2)) / (2 * TWO_PI);
          const value = phi * N, off = value - Math.round(value), near = off * off * perPixel;
          if (near < K2 * reach * reach) white = fade(K2) * Math.min(1, reach - Math.sqrt(near / K2));
        }
        const c = TABLE[level], left = shade * (1 - ink) * (1 - white), add = 255 * white;
        pixels[o] = 0xff000000 | ((left * (c >> 16) + add) << 16) | ((left * ((c >> 8) & 255) + add) << 8) | (left * (c & 255) + add);
      }
    }
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

/** Stream function and sheet current (mean of both sides) of a triangle as polynomials round its first corner. */
function quadratic(sheet, m, stream, potential, poly, slope, voltage) {
  const l = sheet.linear.subarray(6 * m, 6 * m + 6), n = sheet.nodes.subarray(6 * m, 6 * m + 6);
  const expand = (f, into, from) => {
    // f = f0 (1 - L1 - L2)(1 - 2 L1 - 2 L2) + ..., in L1 and L2 from the first corner.
    const [f0, f1, f2, f01, f12, f20] = [0, 1, 2, 3, 4, 5].map((k) => f[n[k]]);
    const p1 = -3 * f0 - f1 + 4 * f01, p2 = -3 * f0 - f2 + 4 * f20;
    const p11 = 2 * f0 + 2 * f1 - 4 * f01, p22 = 2 * f0 + 2 * f2 - 4 * f20, p12 = 4 * f0 - 4 * f01 + 4 * f12 - 4 * f20;
    const [ax, ay, bx, by] = [l[2], l[3], l[4], l[5]];
    into[from] = f0;
    into[from + 1] = p1 * ax + p2 * bx;
    into[from + 2] = p1 * ay + p2 * by;
    into[from + 3] = p11 * ax * ax + p22 * bx * bx + p12 * ax * bx;
    into[from + 4] = 2 * p11 * ax * ay + 2 * p22 * bx * by + p12 * (ax * by + ay * bx);
    into[from + 5] = p11 * ay * ay + p22 * by * by + p12 * ay * by;
  };
  expand(stream, poly, 0);
  expand(potential, poly, 6);
  // K = (psi_y - phi_x, -psi_x - phi_y) / 2
  slope[0] = 0.5 * (poly[2] - poly[7]);
  slope[1] = 0.5 * (poly[4] - 2 * poly[9]);
  slope[2] = 0.5 * (2 * poly[5] - poly[10]);
  slope[3] = 0.5 * (-poly[1] - poly[8]);
  slope[4] = 0.5 * (-2 * poly[3] - poly[10]);
  slope[5] = 0.5 * (-poly[4] - 2 * poly[11]);
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
