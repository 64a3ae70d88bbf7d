"use strict";
// Lessons: a guess first, then what to do, what is read at every step, and one sentence why.

class Lessons {
  constructor(page) {
    this.page = page;
    this.list = page.data.boards.flatMap((board, b) => board.lessons.map((lesson) => ({ ...lesson, board: b })));
    $("lessonchoice").hidden = !this.list.length;
    $("lesson").hidden = true;
    html("option", { value: -1 }, $("lessons"), "none");
    this.list.forEach((lesson, n) => html("option", { value: n }, $("lessons"), `${n + 1}. ${lesson.name}`));
    $("lessons").addEventListener("change", () => this.open(Number($("lessons").value)));
  }

  open(number) {
    $("lessons").value = number;
    this.lesson = this.list[number];
    $("lesson").hidden = !this.lesson;
    this.guess = null;
    this.readings = [];
    if (!this.lesson) return;
    if (this.page.data.boards[this.lesson.board] !== this.page.group) this.page.open(this.lesson.board, false);
    this.page.back();
    this.page.turn(0);
    const { data } = this.page.board, loop = data.loops.findIndex(({ name }) => name === this.lesson.of[this.lesson.of.length - 1]);
    if (data.loops[loop]?.role === "noisy") { this.page.loop = loop; this.page.show(); }
    this.show();
    this.page.say(`${this.lesson.name}. ${this.lesson.question}`);
  }

  show() {
    const { dataset: had } = document.activeElement ?? {}, { lesson, guess } = this, box = $("lesson"), done = lesson.steps.every((_, n) => this.readings[n] !== undefined);
    box.replaceChildren(html("h2", {}, null, lesson.name), html("p", {}, null, lesson.question));
    const answers = html("div", { class: "answers", role: "group", "aria-label": "Your guess" }, box);
    lesson.choices.forEach((choice, n) => {
      const mark = done && n === lesson.answer ? "✔ " : done && n === guess ? "✖ " : "";
      const button = html("button", { "aria-pressed": n === guess, "data-choice": n }, answers, mark + choice);
      button.addEventListener("click", () => { if (this.guess === null) { this.guess = n; this.show(); this.follow(); } });
      button.disabled = guess !== null && n !== guess && !done;
    });
    if (guess === null) { html("p", { class: "hint" }, box, "Guess first."); return; }
    const steps = html("ol", {}, box);
    lesson.steps.forEach((step, n) => {
      const item = html("li", {}, steps, `${step.say} `);
      html("b", {}, item, this.readings[n] ?? "");
      const button = html("button", { "data-step": n, "aria-label": `Do step ${n + 1} for me` }, item, "do it");
      button.addEventListener("click", () => this.lead(step));
    });
    // Who goes by keys stays where they were: at the first step after the guess, then at the same one.
    if (had?.choice !== undefined || had?.step !== undefined) box.querySelector(`[data-step='${had.step ?? 0}']`)?.focus();
    if (done) html("p", { class: "why" }, box, `${guess === lesson.answer ? "As you guessed." : `It is: ${lesson.choices[lesson.answer]}.`} ${lesson.why}`);
  }

  /** Bring the board to where a step leads. */
  lead(step) {
    const { page } = this;
    page.back();
    page.turn(Math.max(0, page.group.variants.findIndex(({ name }) => name === step.variant)));
    for (const [name, x, y] of step.move) page.grips.find((grip) => grip instanceof Contact && grip.name === name).put([x, y]);
    page.refresh();
    if (step.frequency && page.over) page.sweep.to(page.sweep.position(step.frequency));
  }

  /** Take a reading wherever the board is where a step leads; called after every change. */
  follow() {
    const { lesson, page } = this;
    if (!lesson || this.guess === null || page.data.boards[lesson.board] !== page.group) return;
    let news = false;
    lesson.steps.forEach((step, n) => {
      if (!this.reached(step)) return;
      const reading = this.read();
      if (reading !== this.readings[n]) { this.readings[n] = reading; news = true; }
    });
    if (!news) return;
    this.show();
    if (lesson.steps.every((_, n) => this.readings[n] !== undefined)) page.say($("lesson").querySelector(".why").textContent);
  }

  reached(step) {
    const { page } = this;
    if (page.group.variants[page.variant].name !== (step.variant ?? page.group.variants[0].name)) return false;
    if (step.frequency ? Math.abs(Math.log(page.frequency / step.frequency)) > 0.06 : page.frequency > 0) return false;
    return page.grips.every((grip) => {
      if (!(grip instanceof Contact)) return grip.asDrawn;
      const to = step.move.find(([moved]) => moved === grip.name), [x, y] = to ? [to[1], to[2]] : grip.drawn, [px, py] = grip.place;
      return Math.hypot(px - x, py - y) < (to ? 6e-4 : 1e-4);
    });
  }

  /** What the lesson reads, in words. */
  read() {
    const { page, lesson: { quantity, of } } = this, { data } = page.board, { resistance } = page.reading;
    const loop = (name) => data.loops.findIndex((it) => it.name === name), last = loop(of[of.length - 1]);
    if (quantity === "noise") {
      const victim = data.victims.findIndex((it) => it.loop === last);
      return engineering(page.heard(resistance, victim).volts, "V");
    }
    if (quantity === "share") return percent(page.reading.shares[data.regions.findIndex(({ name }) => name === of[0])][last]);
    if (quantity === "section") return percent(page.reading.sections[data.sections.findIndex(({ name }) => name === of[0])][last]);
    if (quantity === "peak") return engineering(data.loops[last].amps * page.board.peak(page.reading.currents, last), "A/m");
    const [i, j] = of.map(loop);
    return engineering(page.frequency ? Math.hypot(...page.over.impedance(i, j, page.frequency)) : Math.abs(resistance[i][j]), "Ω");
  }
}
