"use strict";
// The page's data: base64, gzip, JSON, and arrays behind it.

const ARRAYS = { uint8: Uint8Array, int8: Int8Array, uint16: Uint16Array, int16: Int16Array, int32: Int32Array, float32: Float32Array, float64: Float64Array };

async function unpack(text) {
  const raw = await inflate(text);
  const size = Number(new DataView(raw).getBigUint64(0, true)), start = Math.ceil((8 + size) / 8) * 8;
  const give = (value) => {
    if (Array.isArray(value)) return value.map(give);
    if (value === null || typeof value !== "object") return value;
    if (value.$) return whole(raw, start + value.$[1], ARRAYS[value.$[0]], value.$[2]);
    return Object.fromEntries(Object.entries(value).map(([name, item]) => [name, give(item)]));
  };
  return give(JSON.parse(new TextDecoder().decode(new Uint8Array(raw, 8, size))));
}

/** An array; of whole numbers all first bytes stand first, then all second ones. */
function whole(raw, from, Type, count) {
  const width = Type.BYTES_PER_ELEMENT;
  if (width === 1 || Type === Float32Array || Type === Float64Array) return new Type(raw, from, count);
  const planes = new Uint8Array(raw, from, count * width), bytes = new Uint8Array(count * width);
  for (let k = 0; k < width; k++) for (let i = 0; i < count; i++) bytes[i * width + k] = planes[k * count + i];
  return new Type(bytes.buffer);
}
