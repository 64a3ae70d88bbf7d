"use strict";
// Copper of the layers: rings unpacked once, and drawn so far as they are seen and larger than a pixel.

/** Rings as millimetres: one array of places, where each ring starts, and the rings and the box of each island. */
class Copper {
  constructor(data, { low: [x0, y0], step }) {
    const count = data.x.length, at = this.at = new Float32Array(2 * count);
    this.name = data.name;
    this.nets = data.nets;
    for (let i = 0, x = 0, y = 0; i < count; i++) {
      x = (x + data.x[i]) & 65535; y = (y + data.y[i]) & 65535; // told modulo 65536
      at[2 * i] = x0 + step * x; at[2 * i + 1] = y0 + step * y;
    }
    this.start = new Int32Array(data.corners.length + 1);
    data.corners.forEach((n, r) => { this.start[r + 1] = this.start[r] + n; });
    this.first = new Int32Array(data.rings.length + 1);
    data.rings.forEach((n, k) => { this.first[k + 1] = this.first[k] + n; });
    this.boxes = new Float32Array(4 * data.rings.length);
    for (let k = 0; k < data.rings.length; k++) {
      const box = [Infinity, Infinity, -Infinity, -Infinity];
      for (let i = this.start[this.first[k]]; i < this.start[this.first[k + 1]]; i++) {
        const x = at[2 * i], y = at[2 * i + 1];
        if (x < box[0]) box[0] = x;
        if (y < box[1]) box[1] = y;
        if (x > box[2]) box[2] = x;
        if (y > box[3]) box[3] = y;
      }
      this.boxes.set(box, 4 * k);
    }
  }

  /**
   * Draw islands as a view (scale, left, top: pixels = scale x + left) shows them; `wanted` picks them by their net.
   * A few at a time: one path of thousands of outlines takes ten times as long.
   */
  paint(context, { scale, left, top, width, height }, { fill, stroke = null, wanted = null }) {
    const { boxes } = this;
    let held = 0;
    const flush = () => { if (held) { context.fill(); if (stroke) context.stroke(); } context.beginPath(); held = 0; };
    context.fillStyle = fill; context.strokeStyle = stroke ?? fill;
    flush();
    for (let k = 0; k < this.first.length - 1; k++) {
      if (wanted && !wanted(this.nets[k])) continue;
      const x0 = scale * boxes[4 * k] + left, x1 = scale * boxes[4 * k + 2] + left;
      const y0 = top - scale * boxes[4 * k + 3], y1 = top - scale * boxes[4 * k + 1];
      if (x1 < 0 || x0 > width || y1 < 0 || y0 > height) continue;
      if (x1 - x0 < 2 && y1 - y0 < 2) { context.fillRect(x0, y0, x1 - x0, y1 - y0); continue; }
      for (let r = this.first[k]; r < this.first[k + 1]; r++) this.ring(context, r, scale, left, top);
      if (++held >= 50) flush();
    }
    flush();
  }

  ring(context, r, scale, left, top) {
    const { at } = this, end = this.start[r + 1];
    let px = Infinity, py = Infinity, drawn = 0;
    for (let i = this.start[r]; i < end; i++) {
      const x = scale * at[2 * i] + left, y = top - scale * at[2 * i + 1];
      if (Math.abs(x - px) + Math.abs(y - py) < 0.7) continue; // below a pixel
      if (drawn++) context.lineTo(x, y); else context.moveTo(x, y);
      px = x; py = y;
    }
    if (drawn) context.closePath();
  }

  /** Net of the copper at a place, -1 where there is none. */
  netAt(x, y) {
    const { at, boxes } = this;
    for (let k = 0; k < this.first.length - 1; k++) {
      if (x < boxes[4 * k] || x > boxes[4 * k + 2] || y < boxes[4 * k + 1] || y > boxes[4 * k + 3]) continue;
      let inside = false;
      for (let r = this.first[k]; r < this.first[k + 1]; r++) {
        for (let i = this.start[r], j = this.start[r + 1] - 1; i < this.start[r + 1]; j = i++) {
          const yi = at[2 * i + 1], yj = at[2 * j + 1];
          if ((yi > y) !== (yj > y) && x < at[2 * i] + ((at[2 * j] - at[2 * i]) * (y - yi)) / (yj - yi)) inside = !inside;
        }
      }
      if (inside) return this.nets[k];
    }
    return -1;
  }
}
