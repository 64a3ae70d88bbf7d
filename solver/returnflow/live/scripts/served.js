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
    const reply = await fetch(what, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ ...this.page.told(), ...more }) });
    const answer = await reply.json();
    if (!reply.ok) throw new Error(answer.error);
    return answer;
  }

  /** All that is not as drawn, to tell two states apart; empty where all is. */
  get state() {
    const { places, ends, bridges, routes } = this.page.told(), parts = [places, ends, bridges, routes];
    return parts.some((part) => Object.keys(part).length) ? JSON.stringify(parts) : "";
  }

  get board() { return this.page.board; }

  /** Solve what is on the page, and put its bracket in the figure's place if nothing has moved since. */
  async solve() {
    const number = ++this.asked;
    $("state").textContent = "solving…";
    try {
      const answer = await this.ask("solve");
      if (number !== this.asked) return;
      this.page.readings.bracket(answer);
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
      const what = `written: ${written}${asVariant ? "" : ", this board alone, without variants and lessons"}`;
      $("saved").textContent = what;
      this.page.say(what);
    } catch (error) {
      $("saved").textContent = error.message;
      this.page.say(error.message);
    }
  }
}
