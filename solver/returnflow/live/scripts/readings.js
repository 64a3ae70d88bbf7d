"use strict";
// What is read, shown and said: the big figure, a bar a current, tables, the spoken status, and what is held.

/** Fill a table, leaving alone what has not changed: a browser's layout is what costs. */
function fill(id, part, rows) {
  $(part).hidden = !rows.length;
  const table = $(id);
  while (table.rows.length > rows.length) table.deleteRow(-1);
  rows.forEach((cells, r) => {
    const row = table.rows[r] ?? table.insertRow();
    cells.forEach((text, c) => put(row.cells[c] ?? row.insertCell(), text));
  });
}

function put(element, text) { if (element.textContent !== text) element.textContent = text; }

class Readings {
  constructor(page) {
    this.page = page;
    $("hold").addEventListener("click", () => this.hold());
  }

  /** Bars of all loops, to choose the one that is shown. */
  makeBars() {
    const { page } = this;
    $("bars").replaceChildren();
    this.told = null;
    this.bars = page.board.data.loops.map((loop, n) => {
      const bar = html("button", { class: "bar", role: "radio", "data-loop": n }, $("bars"));
      const icon = svg("svg", { viewBox: "-10 -10 20 20", width: 16, height: 16, "aria-hidden": "true" }, bar);
      svg("path", { d: MARKS[loop.role], fill: "currentColor" }, icon);
      html("span", {}, bar, loop.name);
      bar.figure = html("span", {}, bar);
      bar.track = html("i", { "aria-hidden": "true" }, bar);
      bar.fill = html("b", {}, bar.track);
      bar.limit = html("u", { style: "left:50%" }, bar.track);
      if (loop.role !== "noisy" || page.victim < 0) bar.track.remove();
      bar.addEventListener("click", () => { page.loop = n; page.show(); });
      return bar;
    });
    $("barslabel").textContent = page.victim < 0 ? "Current shown" : "Current shown, and what each adds";
    const route = page.board.data.loops.some((loop) => loop.routes.length) ? " Dashed: outgoing conductor." : "";
    $("shapes").textContent = `◆ sensitive ▲ noisy ■ cables; filled: current enters, hollow: it leaves.${route}`;
  }

  tell() {
    const { page } = this, { data } = page.board, { resistance, shares, sections, links } = page.reading, { frequency, loop: shown } = page;
    this.bars.forEach((bar, n) => bar.setAttribute("aria-checked", n === shown));
    if (page.over) page.sweep.mark();
    const between = (i, j) => engineering(frequency ? Math.hypot(...page.over.impedance(i, j, frequency)) : resistance[i][j], "Ω");
    const what = frequency ? `Impedance at ${engineering(frequency, "Hz")}` : "Resistance";
    if (page.victim >= 0) {
      const victim = data.victims[page.victim], { volts, parts } = page.heard(resistance, page.victim);
      this.figure(volts, victim.limit);
      parts.forEach((part) => this.bar(part, victim.limit));
      put($("sharedlabel"), `${what} that ${data.loops[victim.loop].name} shares with`);
      fill("shared", "sharedpart", parts.map(({ loop }) => [data.loops[loop].name, between(victim.loop, loop)]));
    } else {
      put($("sharedlabel"), what);
      fill("shared", "sharedpart", data.loops.map((loop, n) => [loop.name, between(n, n)]));
    }
    fill("shares", "sharepart", [
      ...data.regions.map((region, r) => [region.name, percent(shares[r][shown])]),
      ...data.sections.map((section, s) => [`${section.name} (cut)`, percent(sections[s][shown])]),
    ]);
    const induced = page.cables.some((n) => this.changing(n));
    put($("cableslabel"), `Between cables${induced && !page.frequency ? ", by resistance alone" : ""}`);
    fill("cables", "cablepart", page.cables.map((n) => {
      const { volts } = page.heard(resistance, n), it = data.victims[n];
      return [data.loops[it.loop].name, `${engineering(volts, "V")}, ${verdict(volts, it.limit)}`];
    }));
    const known = (name, n) => [name, `${percent(links[n][shown])} of ${data.loops[shown].name}`];
    fill("links", "linkpart", links || !data.linkNames.length ? data.linkNames.map(known) : [["told at DC only", ""]]);
    put($("rests"), this.rests());
  }

  /** Whether a victim hears currents that change. */
  changing(n) {
    return Boolean(this.page.board.data.victims[n]?.parts.some(({ lines }) => lines.some(([, frequency]) => frequency > 0)));
  }

  /** What the figure is made of: the slider changes what is seen, not the noise, which is that of all its lines. */
  rests() {
    const { page } = this;
    if (!this.changing(page.victim)) return "";
    return page.frequency ? "All lines in its band, by impedance." : `All lines in its band, by resistance alone${page.over ? ": the slider adds induction" : ""}.`;
  }

  /** What is left out where there are many vias, and what the figures are worth then. */
  pins() {
    const { stitching } = this.page.board.data;
    if (!stitching) return "";
    return `${stitching.vias} vias that no loop names are part of the copper: small and grey, they stay, and so do ends of slots. `
      + "Figures and shares are within about half a per cent, weak couplings within 0.02 % of what the loops have of their own; less so where a contact comes within a millimetre of a via.";
  }

  figure(volts, limit) {
    const { page } = this, bad = volts > limit, told = `${page.variant} ${page.victim} ${page.frequency} ${volts}`;
    page.volts = volts;
    if (told === this.told) return; // a bracket stands until something changes
    this.told = told;
    page.served?.forget();
    $("figure").replaceChildren(html("small", {}, null, "about "), engineering(volts, "V"));
    $("verdict").textContent = (bad ? "✖ " : "✔ ") + verdict(volts, limit);
    $("verdict").className = bad ? "over" : "kept";
  }

  bar({ loop, volts, counted }, limit) {
    const bar = this.bars[loop], text = counted ? engineering(volts, "V") : "out of band";
    const size = volts > 0 ? 100 * Math.min(1, Math.max(0, (Math.log10(volts / limit) + 3) / 6)) : 0;
    put(bar.figure, text);
    bar.fill.style.width = `${size.toFixed(1)}%`;
    bar.track.className = volts > limit ? "over" : "";
    bar.setAttribute("aria-label", `${this.page.board.data.loops[loop].name}: ${text}`);
  }

  /** A full solve of what is shown: its bracket in the figure's place. */
  bracket({ victims }) {
    const { page } = this;
    if (page.victim < 0 || page.frequency) return;
    const { limit, loop } = page.board.data.victims[page.victim], { low, noise, high } = victims.find((it) => it.loop === loop);
    page.volts = noise;
    $("figure").replaceChildren(engineering(noise, "V"), html("small", {}, null, ` between ${engineering(low, "V", -1)} and ${engineering(high, "V", 1)}`));
    // As in the report: where the upper bound is much more than the noise, it is that to rely on.
    const bad = low > limit, good = high <= limit;
    $("verdict").textContent = bad || good ? `${bad ? "✖" : "✔"} ${verdict(good && high > 1.1 * noise ? high : noise, limit)}` : "▬ undecided: the bracket straddles the limit";
    $("verdict").className = good ? "kept" : "over";
    page.say(`Solved: between ${engineering(low, "V", -1)} and ${engineering(high, "V", 1)}.`);
  }

  get victim() { return this.page.victim < 0 ? "" : $("victim").selectedOptions[0].textContent; }

  summary() {
    return this.victim && `${this.victim}: about ${engineering(this.page.volts, "V")}, ${$("verdict").textContent.slice(2)}.`;
  }

  /** Keep the reading and its picture beside those to come. */
  hold() {
    const { page, victim } = this, from = $("picture"), to = $("heldpicture"), figure = victim ? engineering(page.volts, "V") : "picture";
    page.drawAt(1);
    to.height = Math.round((to.width * from.height) / from.width);
    to.getContext("2d").drawImage(from, 0, 0, to.width, to.height);
    const at = page.frequency ? `, ${engineering(page.frequency, "Hz")}` : "";
    $("heldtext").replaceChildren("held: ", html("b", {}, null, figure), ` ${victim ? `${victim}, ` : ""}${page.group.variants[page.variant].name}${at}`);
    $("held").hidden = false;
    page.say(victim ? `Held: ${victim} about ${figure}.` : "Held.");
  }
}
