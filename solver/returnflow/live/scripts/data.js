"use strict";
// The page's data: base64, gzip, JSON, and arrays behind it.

const ARRAYS = { uint8: Uint8Array, uint16: Uint16Array, int16: Int16Array, int32: Int32Array, float32: Float32Array, float64: Float64Array };

async function unpack(text) {
  const packed = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  const raw = await new Response(stream).arrayBuffer();
  const size = Number(new DataView(raw).getBigUint64(0, true)), start = Math.ceil((8 + size) / 8) * 8;
  const give = (value) => {
    if (Array.isArray(value)) return value.map(give);
    if (value === null || typeof value !== "object") return value;
    if (value.$) { const [type, from, count] = value.$; return new ARRAYS[type](raw, start + from, count); }
    return Object.fromEntries(Object.entries(value).map(([name, item]) => [name, give(item)]));
  };
  return give(JSON.parse(new TextDecoder().decode(new Uint8Array(raw, 8, size))));
}
