"use strict";
// The page for picking: what is shown, what was made, and what the program is asked.

const TOOLS = ["pins", "cutout", "bridge", "terminal"];
const called = (kind) => (kind === "terminal" ? "contact" : kind); // on the page

class Page {
  constructor(data) {
    this.data = data;
    this.state = data.state;
    this.layers = data.layers.map((layer) => new Copper(layer, data));
    this.outline = data.outline && new Copper({ name: "", nets: [0], ...data.outline }, data);
    this.pins = data.pins.map(([name, part, number, use, ground, spots]) => ({ name, part, number, net: data.nets[number], use, ground, spots }));
    this.byName = new Map(this.pins.map((pin) => [pin.name, pin]));
    this.parts = this.partsOf();
    this.number = 0; this.net = -1; this.tool = "pins"; this.found = null; this.shown = null; this.way = null;
    this.layers.forEach(({ name }, n) => html("option", { value: n }, $("layer"), name));
    this.marks = new Marks(this);
    this.drawnForm = new DrawnForm(this);
    this.contacts = [];
    this.loopForm = new LoopForm(this);
    this.hand = new Hand(this);
    this.view = new View(this);
    this.search = new Search(this);
    this.controls();
    this.turn(0);
    this.renew(data.state);
    $("wait").hidden = true;
    this.reading = true;
  }

  get layer() { return this.layers[this.number]; }

  partsOf() {
    const parts = new Map();
    const part = (name) => parts.get(name) ?? parts.set(name, { name, pins: [], box: [Infinity, Infinity, -Infinity, -Infinity], words: this.data.words[name] ?? "" }).get(name);
    const grow = ({ box }, x, y) => { box[0] = Math.min(box[0], x); box[1] = Math.min(box[1], y); box[2] = Math.max(box[2], x); box[3] = Math.max(box[3], y); };
    for (const pin of this.pins) { part(pin.part).pins.push(pin); for (const [, x, y] of pin.spots) grow(part(pin.part), x, y); }
    for (const [name, x, y] of this.data.placed) if (!parts.has(name)) grow(part(name), x, y);
    return [...parts.values()].filter(({ box }) => box[0] <= box[2]).sort((a, b) => b.pins.length - a.pins.length);
  }

  controls() {
    $("layer").addEventListener("change", () => this.turn(Number($("layer").value)));
    for (const tool of TOOLS) $(`tool-${tool}`).addEventListener("click", () => this.use(tool));
    $("form").addEventListener("change", () => this.hand.forget());
    $("closeshape").addEventListener("click", () => this.hand.close());
    for (const [id, by] of [["closer", 1.5], ["farther", 1 / 1.5]]) $(id).addEventListener("click", () => this.view.zoom(by));
    $("fit").addEventListener("click", () => this.view.fit());
    for (const [id, dx, dy] of [["west", 1, 0], ["east", -1, 0], ["north", 0, 1], ["south", 0, -1]]) $(id).addEventListener("click", () => this.view.pan(dx * this.view.width / 4, dy * this.view.height / 4));
    $("takefound").addEventListener("click", () => this.found && this.take(this.found));
    $("recall").addEventListener("click", () => this.change("recall", {}, "stillwrong", "All proposals are back."));
    $("save").addEventListener("click", () => this.save());
    window.addEventListener("beforeunload", (event) => { if (this.state.unsaved && this.ended) event.preventDefault(); });
  }

  // --- asking the program -------------------------------------------------------------------------------------

  async ask(what, message) {
    let reply;
    try { reply = await fetch(what, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(message) }); } catch {
      this.ended = true;
      throw new Error("The program does not answer: it was ended. Start it again with the same command; what was not saved has to be made again.");
    }
    const answer = await reply.json();
    if (!reply.ok || answer.error) throw new Error(answer.error);
    return answer;
  }

  /** Ask for a change; say how it came out. */
  async change(what, message, wrong, done) {
    complain(wrong, "");
    $("busy").textContent = "Checking…";
    document.body.setAttribute("aria-busy", "true");
    try {
      this.renew(await this.ask(what, message));
      this.say(done);
      return true;
    } catch (error) {
      complain(wrong, error.message);
      return false;
    } finally {
      $("busy").textContent = "";
      document.body.removeAttribute("aria-busy");
    }
  }

  async save() {
    complain("savewrong", "");
    try {
      const state = await this.ask("save", {});
      this.renew(state);
      $("saved").textContent = state.mistakes.length ? `Written: ${state.written}. It is not complete yet: see “Made here”.` : `Written: ${state.written}. Next: returnflow run ${state.written}`;
      this.say($("saved").textContent);
    } catch (error) { $("saved").textContent = ""; complain("savewrong", error.message); }
    $("saved").parentElement.scrollTop = 0;
  }

  // --- what was made ------------------------------------------------------------------------------------------

  renew(state) {
    this.state = state;
    this.contacts = state.made.filter(({ kind }) => kind === "terminal").map(({ name, coppers, layers, lines }) => {
      const [x0, y0, x1, y1] = [0, 1, 2, 3].map((k) => (k < 2 ? Math.min : Math.max)(...lines.flat().map((point) => point[k % 2])));
      return { name, part: name, number: -1, net: coppers[0], use: "drawn contact", spots: [[layers[0], (x0 + x1) / 2, (y0 + y1) / 2, (x1 - x0) / 2]] };
    });
    const list = $("made");
    list.replaceChildren();
    for (const thing of state.made) {
      const item = html("li", {}, list), told = thing.kind === "loop" ? `${thing.role}, ${thing.inject} to ${thing.return}` : `${called(thing.kind)}, ${thing.coppers.join(", ")}`;
      this.symbol(item, thing.kind === "loop" ? thing.role : thing.kind);
      html("span", {}, item, "").append(Object.assign(document.createElement("b"), { textContent: thing.name }), ` ${told}`);
      const edit = html("button", { type: "button", "aria-label": `Change ${called(thing.kind)} ${thing.name}` }, item, "Change");
      edit.addEventListener("click", () => this.edit(thing));
      this.lights(item, thing);
      const away = html("button", { type: "button", "aria-label": `Delete ${called(thing.kind)} ${thing.name}` }, item, "Delete");
      away.addEventListener("click", async () => {
        if (await this.change("remove", { kind: thing.kind, name: thing.name }, "stillwrong", `${thing.name} is deleted.`)) $("madetitle").focus();
      });
    }
    const gone = (form, kinds) => form.instead && !state.made.some(({ kind, name }) => name === form.instead && kinds.includes(kind));
    if (gone(this.loopForm, ["loop"])) this.loopForm.clear(); // what it was to change is deleted
    if (gone(this.drawnForm, [this.drawnForm.kind])) this.drawnForm.clear();
    $("nothing").hidden = state.made.length > 0;
    const open = this.data.proposals.filter(({ name }) => state.open.includes(name)), proposed = $("proposed");
    proposed.replaceChildren();
    for (const proposal of open) {
      const item = html("li", {}, proposed);
      this.symbol(item, proposal.role);
      const words = html("span", {}, item);
      words.append(Object.assign(document.createElement("b"), { textContent: proposal.name }), ` ${proposal.why}.`);
      const accept = html("button", { type: "button", "aria-label": `Accept ${proposal.name}` }, item, "Accept");
      const dismiss = html("button", { type: "button", "aria-label": `Dismiss ${proposal.name}` }, item, "Dismiss");
      accept.addEventListener("click", () => this.loopForm.fill(proposal));
      dismiss.addEventListener("click", async () => {
        const next = [...proposed.children].indexOf(item);
        if (await this.change("dismiss", { name: proposal.name }, "stillwrong", `${proposal.name} is dismissed.`)) (proposed.children[Math.min(next, proposed.children.length - 1)]?.querySelector("button") ?? $("proposedtitle")).focus();
      });
      this.lights(item, proposal);
    }
    this.shown = null;
    $("proposedtitle").textContent = `Proposed loops (${open.length})`;
    $("noproposal").hidden = open.length > 0;
    $("recall").hidden = !state.dismissed;
    $("recall").textContent = `Bring back ${state.dismissed} dismissed`;
    complain("stillwrong", state.made.length ? state.mistakes.join("\n") : "");
    $("stilltitle").hidden = $("stillwrong").hidden;
    const remarks = $("remarks");
    remarks.replaceChildren();
    for (const line of state.made.length ? state.remarks : []) html("li", {}, remarks, line);
    remarks.hidden = !remarks.children.length;
    $("preview").textContent = state.text;
    const own = state.text.indexOf("\n# Picked and drawn");
    $("preview").scrollTop = own < 0 ? 0 : $("preview").scrollHeight * (state.text.slice(0, own).split("\n").length / state.text.split("\n").length);
    $("save").classList.toggle("waits", state.unsaved);
    if (state.unsaved) $("saved").textContent = `${this.data.file}: not saved yet.`;
    this.view?.draw();
  }

  /** A loop in a list is shown on the board while the hand or the focus is on it. */
  lights(item, loop) {
    if (!loop.inject) return;
    const show = (one) => { this.shown = one; this.view?.draw(); };
    for (const event of ["pointerenter", "focusin"]) item.addEventListener(event, () => show(loop));
    for (const event of ["pointerleave", "focusout"]) item.addEventListener(event, () => show(null));
  }

  /** Put what was made into its form again. */
  edit(thing) {
    if (thing.kind === "loop") { this.loopForm.fill(thing, { from: thing.proposal, instead: thing.name }); return; }
    this.turn(thing.layers[0]);
    this.use(thing.kind);
    this.drawnForm.open(thing.kind, thing.shape, thing);
  }

  /** Mark of a role or of a drawn thing. */
  symbol(parent, kind) {
    const box = svg("svg", { viewBox: "-10 -10 20 20", class: "symbol", "aria-hidden": "true" }, parent);
    const drawn = { cutout: "M-7,-7 H7 V7 H-7 Z M-7,3 L3,-7 M-3,7 L7,-3", bridge: "M-8,-4 H8 V4 H-8 Z M-4,0 H-1 M2,0 H5", terminal: "M6,0 A6,6 0 1 0 -6,0 A6,6 0 1 0 6,0 Z M0,-9 V9 M-9,0 H9" };
    svg("path", { d: drawn[kind] ?? MARKS[kind === "supply" ? "noisy" : kind], class: kind in drawn ? "drawn" : "role" }, box);
  }

  /** A name that nothing has: the wanted one, or one with a number. */
  unused(wanted, stem = wanted) {
    const taken = new Set(this.state.made.map(({ name }) => name));
    let name = wanted;
    for (let n = 2; taken.has(name); n++) name = `${stem} ${n}`;
    return name;
  }

  // --- what is shown ------------------------------------------------------------------------------------------

  turn(number) {
    this.number = number;
    $("layer").value = number;
    $("stage").setAttribute("aria-label", `Board, layer ${this.layer.name}`);
    this.hand.forget();
    this.view.renew();
  }

  use(tool) {
    this.tool = tool;
    for (const one of TOOLS) $(`tool-${one}`).setAttribute("aria-pressed", one === tool);
    $("formchoice").hidden = tool === "pins" || tool === "terminal";
    this.drawnForm.clear();
    this.hand.forget();
    $("drawing").parentElement.scrollTop = 0;
    this.say(tool === "pins" ? "Pins are picked." : `A ${called(tool)} is drawn on ${this.layer.name}.`);
  }

  /** What the hint says while something is drawn. */
  drawing() {
    const { tool, hand } = this, open = !$("drawnform").hidden, polygon = this.hand.form === "polygon";
    $("drawing").hidden = tool === "pins" && !open;
    $("drawhint").hidden = tool === "pins" || open;
    $("closeshape").hidden = open || !polygon || hand.corners.length < 3;
    $("drawtext").textContent = hand.form === "spot" ? `Click the middle of the contact on ${this.layer.name}: loops may end there as at a pin.` : polygon
      ? `Click the corners of the ${tool} on ${this.layer.name}, and the first one again to close it. ${hand.corners.length} so far; Backspace takes the last one back.`
      : `Click two opposite corners of the ${tool} on ${this.layer.name}.`;
  }

  /** A pin, or a contact that was drawn. */
  pinOf(name) { return this.contacts.find((one) => one.name === name) ?? this.byName.get(name); }

  /** Where a pin is shown: on this layer if it is there. */
  spotOf(pin) {
    const spot = pin.spots.find(([layer]) => layer < 0 || layer === this.number) ?? pin.spots[0];
    return spot && [spot[1], spot[2]];
  }

  layersOf(pin) {
    const on = [...new Set(pin.spots.map(([layer]) => layer))];
    return on.some((layer) => layer < 0) ? "all layers" : on.map((layer) => this.layers[layer].name).join(", ");
  }

  describe(pin) { return `${pin.name}${pin.use ? ` (${pin.use})` : ""}, net ${pin.net || "unknown"}, ${this.layersOf(pin)}`; }

  /** What is at a place, in words. */
  told(place) {
    const pin = this.hand.pinAt(place), net = this.layer.netAt(...place), at = `${place.map((v) => v.toFixed(2)).join(", ")} mm`;
    if (pin) return `${this.describe(pin)}; ${at}`;
    return `${net < 0 ? "no copper" : `copper of ${this.data.nets[net] || "no net"}`}, ${this.layer.name}; ${at}`;
  }

  tell(text) { $("told").textContent = text || "Point at the board, or Tab to it and use the arrows."; }

  showPin(pin) {
    this.found = pin;
    const at = pin.spots.map(([layer]) => layer), [x, y] = this.spotOf(pin) ?? this.view.middle;
    if (at.length && !at.some((layer) => layer < 0 || layer === this.number)) this.turn(at[0]);
    this.view.show(x - 12, y - 9, x + 12, y + 9);
    this.foundText(this.describe(pin), true);
  }

  showPart({ name, box: [x0, y0, x1, y1], pins, words }) {
    const more = Math.max(4, 0.5 * Math.max(x1 - x0, y1 - y0)), at = pins.flatMap(({ spots }) => spots.map(([layer]) => layer));
    if (at.length && !at.some((layer) => layer < 0 || layer === this.number)) this.turn(at[0]);
    this.view.show(x0 - more, y0 - more, x1 + more, y1 + more);
    this.found = null;
    this.foundText(`${name}${words ? `: ${words}` : ""}, ${pins.length} pins`, false);
  }

  showNet(net) {
    this.mark(net);
    this.view.fit();
  }

  /** Mark the copper of a net; none for less than 0. */
  mark(net) {
    this.net = this.net === net ? -1 : net;
    this.found = null;
    this.foundText(this.net < 0 ? "" : `Net ${this.data.nets[net] || "unknown"} is marked.`, false);
    this.view.renew();
  }

  clear() { this.net = -1; this.found = null; this.foundText("", false); this.view.renew(); }

  foundText(text, pin) {
    $("found").hidden = !text;
    $("foundtext").textContent = text;
    $("takefound").hidden = !pin;
    if (text) this.say(text);
  }

  take(pin) {
    this.found = null;
    this.foundText("", false);
    this.loopForm.take(pin);
  }

  /** Say a text to those who do not see the page, once the hand rests. */
  say(text) {
    clearTimeout(this.saying);
    this.saying = setTimeout(() => { $("status").textContent = text; }, 200);
  }
}
