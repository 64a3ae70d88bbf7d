"use strict";
// In which order unknowns are eliminated, so that few entries of their factors are none of the matrix.

/**
 * Order in which to eliminate unknowns with little fill, by approximate minimum degree (Amestoy, Davis, Duff, SIAM J. Matrix
 * Anal. Appl. 17, 886, 1996, without its supervariables): what is eliminated becomes an element, a clique of its neighbours.
 */
function orderOf({ size, start, cols, values }, of, count) {
  const beside = Array.from({ length: count }, () => []), elements = Array.from({ length: count }, () => []), mark = new Int32Array(count).fill(-1);
  for (let i = 0; i < size; i++) {
    const u = of[i];
    if (u < 0) continue;
    for (let p = start[i]; p < start[i + 1]; p++) { const v = of[cols[p]]; if (v >= 0 && v !== u && values[p] !== 0) beside[u].push(v); }
  }
  const degree = new Int32Array(count), done = new Uint8Array(count), head = new Int32Array(count + 1).fill(-1), next = new Int32Array(count), last = new Int32Array(count);
  for (let u = 0; u < count; u++) { // nodes that share an unknown name their neighbours several times
    mark[u] = u;
    beside[u] = beside[u].filter((v) => mark[v] !== u && (mark[v] = u) >= 0);
    degree[u] = beside[u].length;
  }
  const link = (u) => { const d = degree[u]; next[u] = head[d]; last[u] = -1; if (head[d] >= 0) last[head[d]] = u; head[d] = u; };
  const unlink = (u) => { if (last[u] >= 0) next[last[u]] = next[u]; else head[degree[u]] = next[u]; if (next[u] >= 0) last[next[u]] = last[u]; };
  for (let u = count - 1; u >= 0; u--) link(u);
  const order = new Int32Array(count), clique = new Array(count).fill(null), outside = new Int32Array(count), seen = new Int32Array(count).fill(-1);
  mark.fill(-1);
  let least = 0, k = 0;
  while (k < count) {
    while (head[least] < 0) least++;
    const p = (order[k] = head[least]), mine = [];
    unlink(p);
    done[p] = 1;
    mark[p] = k;
    for (const v of beside[p]) if (!done[v] && mark[v] !== k) { mark[v] = k; mine.push(v); }
    for (const e of elements[p]) {
      if (!clique[e]) continue;
      for (const v of clique[e]) if (!done[v] && mark[v] !== k) { mark[v] = k; mine.push(v); }
      clique[e] = null;
    }
    beside[p] = elements[p] = null;
    // How much of every element beside them lies outside of the new one.
    for (const v of mine)
      for (const e of elements[v]) {
        if (!clique[e]) continue;
        if (seen[e] !== k) { seen[e] = k; outside[e] = clique[e].length; }
        outside[e]--;
      }
    let left = 0, gone = 1;
    for (const v of mine) {
      const kept = [], mates = beside[v];
      let d = mine.length - 1, n = 0;
      for (const e of elements[v]) {
        if (!clique[e]) continue;
        if (outside[e] <= 0) { clique[e] = null; continue; }
        kept.push(e);
        d += outside[e];
      }
      kept.push(p);
      elements[v] = kept;
      for (let i = 0; i < mates.length; i++) { const u = mates[i]; if (!done[u] && mark[u] !== k) mates[n++] = u; }
      mates.length = n;
      unlink(v);
      if (kept.length === 1 && !n) { // beside nothing but the new element: next at once, it fills nothing more
        order[k + gone++] = v;
        done[v] = 1;
        beside[v] = elements[v] = null;
        continue;
      }
      mine[left++] = v;
      degree[v] = Math.min(degree[v] + mine.length, d + n);
    }
    mine.length = left;
    for (const v of mine) {
      degree[v] = Math.max(0, Math.min(count - k - gone - 1, degree[v] - gone + 1));
      if (degree[v] < least) least = degree[v];
      link(v);
    }
    clique[p] = mine;
    k += gone;
  }
  return order;
}

/** The same order for other unknowns on the same nodes: each goes where the last of its nodes went. */
function derive(order, from, to, count) {
  const place = new Int32Array(order.length), last = new Float64Array(count).fill(-1);
  for (let k = 0; k < order.length; k++) place[order[k]] = k;
  for (let i = 0; i < to.length; i++) if (to[i] >= 0 && from[i] >= 0) last[to[i]] = Math.max(last[to[i]], place[from[i]]);
  return Int32Array.from(last.keys()).sort((u, v) => last[u] - last[v]);
}
