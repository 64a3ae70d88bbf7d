"use strict";
// The slider over frequency: DC at its left end, then the lowest frequency and up, so many steps a decade.

const PER_DECADE = 48;

class Sweep {
  constructor(page) {
    this.page = page;
    const slider = $("frequency");
    slider.addEventListener("input", async () => {
      this.stop();
      await this.to(Number(slider.value));
      page.say(`${$("hertz").textContent}. ${page.readings.summary()}`);
    });
    $("play").addEventListener("click", () => this.play());
  }

  position(frequency) { return Math.round(1 + PER_DECADE * Math.log10(frequency / this.page.over.lowest)); }

  /** Served, a model of what is on the page comes first; offline, what is above 0 Hz holds for contacts as drawn. */
  async to(position) {
    const { page } = this;
    if (position > 0 && !page.frequency && !(await this.model())) { $("frequency").value = 0; return; }
    const was = page.frequency;
    this.slide(position);
    if (was && !page.frequency) page.served?.solve(); // its bracket is that of steady current
  }

  /** A model of what is on the page, if there is none yet. False if there is none, or the page has changed meanwhile. */
  async model() {
    const { page } = this, { served } = page;
    if (!served || served.state === page.modelled) return true;
    const { state, board } = served, over = await served.model();
    if (!over || state !== served.state || board !== page.board) return false;
    const found = { over: new Frequencies(over, board.data.loops.length), modelled: state, home: page.snapshot() };
    for (const keeps of [page, page.solved.get(page.variant)]) Object.assign(keeps, found);
    this.mark();
    return true;
  }

  slide(position) {
    const { page } = this, was = page.frequency;
    page.frequency = position > 0 ? page.over.lowest * 10 ** ((position - 1) / PER_DECADE) : 0;
    $("frequency").value = position;
    const text = position > 0 ? engineering(page.frequency, "Hz") : "DC";
    $("hertz").textContent = text;
    $("frequency").setAttribute("aria-valuetext", text);
    if (!was && page.frequency) { this.left = page.snapshot(); page.restore(page.home); }
    if (was && !page.frequency) page.restore(this.left);
    page.quick = true;
    page.refresh();
    // What moved by itself is said: above 0 Hz an offline page knows contacts as drawn alone.
    const moved = page.frequency && String(this.left) !== String(page.home);
    if (!page.served) $("state").textContent = moved ? "Above DC all is as drawn; at DC what you moved is where you left it." : "";
  }

  /** Back to 0 Hz, whatever comes next. */
  steady() {
    this.stop();
    if (this.page.frequency) this.slide(0);
  }

  async play() {
    if (this.playing) { this.stop(); return; }
    if (!this.page.frequency && !(await this.model())) return;
    const slider = $("frequency"), most = Number(slider.max);
    let position = Number(slider.value) >= most ? 0 : Number(slider.value);
    $("play").textContent = "Pause";
    const step = () => {
      position += 2;
      if (position > most) { this.stop(); return; }
      this.slide(position);
      this.playing = requestAnimationFrame(step);
    };
    this.playing = requestAnimationFrame(step);
  }

  stop() {
    if (this.playing) cancelAnimationFrame(this.playing);
    this.playing = null;
    $("play").textContent = "Play";
  }

  /** Marks where the shown return moves. */
  mark() {
    const { over, loop } = this.page, [turning, ribbon] = over.marks[loop], span = 1 + Math.round(((over.count - 1) / over.perDecade) * PER_DECADE);
    const room = $("track").clientWidth, key = `${turning} ${ribbon} ${span} ${room} ${document.documentElement.className}`;
    if (key === this.marked) return;
    this.marked = key;
    $("frequency").max = span;
    $("marks").replaceChildren();
    const marks = [[turning, "half has left the straight way"], [ribbon, "ribbon under the trace"]].filter(([f]) => f);
    marks.forEach(([f, what], n) => {
      const at = room * Math.min(1, Math.max(0, (1 + PER_DECADE * Math.log10(f / over.lowest)) / span)), words = `${what}, ${engineering(f, "Hz")}`;
      const mark = html("span", { class: n ? "late" : "" }, $("marks"), `▴ ${words}`), wide = mark.offsetWidth + 1, left = at + wide > room && at >= wide;
      if (left) mark.textContent = `${words} ▴`;
      mark.style.left = `${Math.max(0, left ? at - wide : Math.min(at, room - wide)).toFixed(0)}px`;
    });
  }
}
