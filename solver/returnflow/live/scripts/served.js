"use strict";
// In served mode: a full solve after every release, a model for contacts elsewhere, and files with what was moved.

class Served {
  constructor(page) {
    this.page = page;
    this.asked = 0;
    $("saving").hidden = false;
    for (const [id, variant] of [["savecase", false], ["savevariant", true]]) $(id).addEventListener("click", () => this.save(variant));
  }

  async ask(what, more = {}) {
    const { page } = this, body = { board: page.data.boards.indexOf(page.group), variant: page.group.variants[page.variant].name, places: this.places(), ends: this.ends(), ...more };
    const reply = await fetch(what, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    const answer = await reply.json();
    if (!reply.ok) throw new Error(answer.error);
    return answer;
  }

  /** Contacts that are not as drawn, in millimetres. */
  places() {
    const { page } = this, places = {};
    page.drawn.forEach((drawn, t) => {
      if (!drawn || !page.board.movable(t)) return;
      const [x, y] = page.board.place(t);
      if (Math.hypot(x - drawn[0], y - drawn[1]) > 1e-7) places[page.board.data.terminals[t].name] = [1e3 * x, 1e3 * y].map((v) => Number(v.toFixed(4)));
    });
    return places;
  }

  /** Ends of slots that are not as drawn: name, place as drawn, place now, in millimetres. */
  ends() {
    const mm = (v) => Number((1e3 * v).toFixed(4));
    return this.page.board.sheets.flatMap((sheet) => sheet.slots.filter(({ by }) => by).map(({ name, x, y, dx, dy, by }) =>
      [name, [mm(x), mm(y)], [mm(x + by * dx), mm(y + by * dy)]]));
  }

  /** All that is not as drawn, to tell two states apart. */
  get state() { return JSON.stringify([this.places(), this.ends()]); }

  /** Solve what is on the page, and put its bracket in the figure's place if nothing has moved since. */
  async solve() {
    const number = ++this.asked;
    $("state").textContent = "solving…";
    try {
      const answer = await this.ask("solve");
      if (number !== this.asked) return;
      this.page.bracket(answer);
      $("state").textContent = `full solve, ${answer.triangles} triangles`;
    } catch (error) {
      if (number === this.asked) $("state").textContent = error.message;
    }
  }

  /** Whatever was asked is not wanted any more. */
  forget() {
    this.asked++;
    $("state").textContent = "";
  }

  /** Model of the board as it is on the page, for frequencies. */
  async model() {
    $("state").textContent = "solving at all frequencies…";
    try {
      const over = await unpack((await this.ask("model")).packed);
      $("state").textContent = "";
      return over;
    } catch (error) {
      $("state").textContent = error.message;
      return null;
    }
  }

  async save(asVariant) {
    const name = $("savename").value.trim() || "moved";
    try {
      const { written } = await this.ask("save", { name, as_variant: asVariant });
      $("state").textContent = `written: ${written}`;
      this.page.say(`Written: ${written}`);
    } catch (error) {
      $("state").textContent = error.message;
      this.page.say(error.message);
    }
  }
}
