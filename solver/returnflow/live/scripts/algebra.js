"use strict";
// Sparse matrices and their Cholesky factors, and small dense systems. Vectors are Float64Array.

/** Rows of a symmetric sparse matrix from blocks: `nodes` holds `width` numbers a block, `values` its square. */
function assembleRows(size, nodes, width, values) {
  const blocks = nodes.length / width, counts = new Int32Array(size + 1);
  for (let n = 0; n < nodes.length; n++) counts[nodes[n] + 1] += width;
  for (let i = 0; i < size; i++) counts[i + 1] += counts[i];
  const at = counts.slice(0, size), cols = new Int32Array(counts[size]), raw = new Float64Array(counts[size]);
  for (let b = 0; b < blocks; b++)
    for (let i = 0; i < width; i++) {
      const row = nodes[b * width + i];
      for (let j = 0; j < width; j++) {
        cols[at[row]] = nodes[b * width + j];
        raw[at[row]++] = values[(b * width + i) * width + j];
      }
    }
  const start = new Int32Array(size + 1), place = new Int32Array(size).fill(-1);
  let used = 0;
  for (let i = 0; i < size; i++) {
    const from = used;
    for (let p = counts[i]; p < counts[i + 1]; p++) {
      const j = cols[p];
      if (place[j] >= from) raw[place[j]] += raw[p];
      else { place[j] = used; cols[used] = j; raw[used++] = raw[p]; }
    }
    start[i + 1] = used;
  }
  return { size, start, cols: cols.slice(0, used), values: raw.slice(0, used) };
}

/** The same rows times a factor, numbered from `first` on. */
function joinedRows({ size, start, cols, values }, first, factor) {
  return { size, first, start, cols: cols.map((j) => first + j), values: values.map((v) => factor * v) };
}

/** Sum of sparse matrices, each from a row on. */
function sumRows(size, parts) {
  const most = parts.reduce((sum, { values }) => sum + values.length, 0), start = new Int32Array(size + 1);
  const cols = new Int32Array(most), sums = new Float64Array(most), place = new Int32Array(size).fill(-1);
  let used = 0;
  for (let i = 0; i < size; i++) {
    const from = used;
    for (const part of parts) {
      const row = i - (part.first ?? 0);
      if (row < 0 || row >= part.size) continue;
      for (let p = part.start[row]; p < part.start[row + 1]; p++) {
        const j = part.cols[p];
        if (place[j] >= from) sums[place[j]] += part.values[p];
        else { place[j] = used; cols[used] = j; sums[used++] = part.values[p]; }
      }
    }
    start[i + 1] = used;
  }
  return { size, start, cols: cols.slice(0, used), values: sums.slice(0, used) };
}

/** Matrix times vector, or only some rows of it, the others 0. */
function times({ size, start, cols, values }, x, rows = null) {
  const y = new Float64Array(size), count = rows ? rows.length : size;
  for (let n = 0; n < count; n++) {
    const i = rows ? rows[n] : n;
    let sum = 0;
    for (let p = start[i]; p < start[i + 1]; p++) sum += values[p] * x[cols[p]];
    y[i] = sum;
  }
  return y;
}

/** Subtract matrix times vector from a load, where the vector is 0 but on some nodes, named once or more often. */
function spread({ size, start, cols, values }, x, nodes, load) {
  const done = new Uint8Array(size);
  for (const i of nodes) {
    if (done[i] || x[i] === 0) continue;
    done[i] = 1;
    for (let p = start[i]; p < start[i + 1]; p++) load[cols[p]] -= values[p] * x[i];
  }
}

function dot(x, y) {
  let sum = 0;
  for (let i = 0; i < x.length; i++) sum += x[i] * y[i];
  return sum;
}

/**
 * Cholesky factor of a matrix between unknowns: node i has unknown `of[i]` (-1: none), and unknown u is eliminated
 * at `place[u]`; zeros, of corners and middles that face each other, are none of its pattern. Up-looking: one row of the factor after the other, its pattern from the elimination tree.
 */
function factorize(matrix, of, order) {
  const n = order.length, place = new Int32Array(n), counts = new Int32Array(n + 1);
  for (let k = 0; k < n; k++) place[order[k]] = k;
  const each = (visit) => {
    for (let i = 0; i < matrix.size; i++) {
      if (of[i] < 0) continue;
      const row = place[of[i]];
      for (let p = matrix.start[i]; p < matrix.start[i + 1]; p++) {
        const j = of[matrix.cols[p]];
        if (j >= 0 && place[j] >= row && matrix.values[p] !== 0) visit(row, place[j], matrix.values[p]);
      }
    }
  };
  each((row, col) => counts[col + 1]++);
  for (let k = 0; k < n; k++) counts[k + 1] += counts[k];
  const at = counts.slice(0, n), rows = new Int32Array(counts[n]), values = new Float64Array(counts[n]);
  each((row, col, value) => { rows[at[col]] = row; values[at[col]++] = value; });

  const parent = new Int32Array(n).fill(-1), ancestor = new Int32Array(n).fill(-1);
  for (let k = 0; k < n; k++)
    for (let p = counts[k]; p < counts[k + 1]; p++)
      for (let i = rows[p]; i !== -1 && i < k;) {
        const next = ancestor[i];
        ancestor[i] = k;
        if (next === -1) parent[i] = k;
        i = next;
      }
  const mark = new Int32Array(n).fill(-1), start = new Int32Array(n + 1);
  for (let k = 0; k < n; k++) {
    mark[k] = k;
    for (let p = counts[k]; p < counts[k + 1]; p++)
      for (let i = rows[p]; mark[i] !== k; i = parent[i]) { mark[i] = k; start[i + 1]++; }
  }
  for (let k = 0; k < n; k++) start[k + 1] += start[k] + 1;
  const L = new Float64Array(start[n]), where = new Int32Array(start[n]), end = start.slice(0, n);
  const x = new Float64Array(n), stack = new Int32Array(n), way = new Int32Array(n);
  mark.fill(-1);
  for (let k = 0; k < n; k++) {
    let top = n;
    mark[k] = k;
    for (let p = counts[k]; p < counts[k + 1]; p++) {
      x[rows[p]] += values[p];
      let length = 0;
      for (let i = rows[p]; mark[i] !== k; i = parent[i]) { way[length++] = i; mark[i] = k; }
      while (length > 0) stack[--top] = way[--length];
    }
    let diagonal = x[k];
    x[k] = 0;
    for (; top < n; top++) {
      const i = stack[top], value = x[i] / L[start[i]];
      x[i] = 0;
      for (let p = start[i] + 1; p < end[i]; p++) x[where[p]] -= L[p] * value;
      diagonal -= value * value;
      where[end[i]] = k;
      L[end[i]++] = value;
    }
    where[end[k]] = k;
    L[end[k]++] = Math.sqrt(diagonal);
  }
  return { n, start, where, L, place, of };
}

/** Solution on the nodes, 0 where a node has no unknown, for a load on the nodes and one more on an unknown. */
function solveWith({ n, start, where, L, place, of }, load, unknown = -1, more = 0) {
  const x = new Float64Array(n);
  for (let i = 0; i < of.length; i++) if (of[i] >= 0) x[place[of[i]]] += load[i];
  if (unknown >= 0) x[place[unknown]] += more;
  for (let k = 0; k < n; k++) {
    if (x[k] === 0) continue;
    const value = (x[k] /= L[start[k]]);
    for (let p = start[k] + 1; p < start[k + 1]; p++) x[where[p]] -= L[p] * value;
  }
  for (let k = n - 1; k >= 0; k--) {
    let value = x[k];
    for (let p = start[k] + 1; p < start[k + 1]; p++) value -= L[p] * x[where[p]];
    x[k] = value / L[start[k]];
  }
  const result = new Float64Array(of.length);
  for (let i = 0; i < of.length; i++) if (of[i] >= 0) result[i] = x[place[of[i]]];
  return result;
}

/** Solutions for two loads at once, which takes the factor through memory once. */
function solveTwo({ n, start, where, L, place, of }, one, other) {
  const x = new Float64Array(n), y = new Float64Array(n);
  for (let i = 0; i < of.length; i++) if (of[i] >= 0) { x[place[of[i]]] += one[i]; y[place[of[i]]] += other[i]; }
  for (let k = 0; k < n; k++) {
    const a = (x[k] /= L[start[k]]), b = (y[k] /= L[start[k]]);
    if (a === 0 && b === 0) continue;
    for (let p = start[k] + 1; p < start[k + 1]; p++) { const i = where[p], value = L[p]; x[i] -= value * a; y[i] -= value * b; }
  }
  for (let k = n - 1; k >= 0; k--) {
    let a = x[k], b = y[k];
    for (let p = start[k] + 1; p < start[k + 1]; p++) { const i = where[p], value = L[p]; a -= value * x[i]; b -= value * y[i]; }
    x[k] = a / L[start[k]];
    y[k] = b / L[start[k]];
  }
  const found = [new Float64Array(of.length), new Float64Array(of.length)];
  for (let i = 0; i < of.length; i++) if (of[i] >= 0) { found[0][i] = x[place[of[i]]]; found[1][i] = y[place[of[i]]]; }
  return found;
}

/** Solve a small dense system for several right-hand sides, both arrays of rows; they are overwritten. */
function solveDense(A, B) {
  const n = A.length;
  for (let k = 0; k < n; k++) {
    let best = k;
    for (let i = k + 1; i < n; i++) if (Math.abs(A[i][k]) > Math.abs(A[best][k])) best = i;
    [A[k], A[best]] = [A[best], A[k]];
    [B[k], B[best]] = [B[best], B[k]];
    for (let i = k + 1; i < n; i++) {
      const factor = A[i][k] / A[k][k];
      if (factor === 0) continue;
      for (let j = k; j < n; j++) A[i][j] -= factor * A[k][j];
      for (let j = 0; j < B[i].length; j++) B[i][j] -= factor * B[k][j];
    }
  }
  for (let k = n - 1; k >= 0; k--)
    for (let j = 0; j < B[k].length; j++) {
      let sum = B[k][j];
      for (let i = k + 1; i < n; i++) sum -= A[k][i] * B[i][j];
      B[k][j] = sum / A[k][k];
    }
  return B;
}
