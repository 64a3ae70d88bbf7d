"use strict";
// What can be grabbed: contacts, ends of slots, bridges, corners of routes. Each has a place, goes to another, says what it
// is and where, and tells what of it is not as drawn. Places in metres; what is told to a server in millimetres.

const millimetres = (v) => Number((1e3 * v).toFixed(4));
const ARROWS = { // along a slot, both ways; what goes with its width; and a corner
  end: "M-9,0 L-4,-5 V-2 H4 V-5 L9,0 L4,5 V2 H-4 V5 Z",
  bridge: "M-10,0 L-5,-5 V-2 H-1.5 V-6 H1.5 V-2 H5 V-5 L10,0 L5,5 V2 H1.5 V6 H-1.5 V2 H-5 V5 Z",
  corner: "M-5,-5 H5 V5 H-5 Z",
};

class Contact {
  constructor(page, terminal) { Object.assign(this, { page, terminal, drawn: page.board.place(terminal) }); }

  get place() { return this.page.board.place(this.terminal); }

  get name() { return this.page.board.data.terminals[this.terminal].name; }

  to(x, y) { return this.page.board.move(this.terminal, x, y); }

  /** To a place where it is known to fit, whatever lies between. */
  put([x, y]) {
    const { board } = this.page, { allowed } = board;
    board.allowed = () => true;
    board.move(this.terminal, x, y);
    board.allowed = allowed;
  }

  get state() { return this.place; }

  set state(place) { this.put(place); }

  get asDrawn() { return Math.hypot(this.place[0] - this.drawn[0], this.place[1] - this.drawn[1]) < 1e-7; }

  back() { if (!this.asDrawn) this.put(this.drawn); }

  get where() { return `x ${this.place.map((v) => (1e3 * v).toFixed(1)).join(", y ")} mm`; }

  get says() { return `${this.name} at ${this.place.map((v) => (1e3 * v).toFixed(1)).join(", ")} mm`; }

  tell(message) { message.places[this.name] = this.place.map(millimetres); }
}

/** What goes along a slot: its end, or an edge of a bridge or all of it. */
class Along {
  constructor(page, sheet, it) { Object.assign(this, { page, sheet, it, angle: (-Math.atan2(it.dy, it.dx) * 180) / Math.PI }); }

  at(t) { return [this.it.x + t * this.it.dx, this.it.y + t * this.it.dy]; }

  to(x, y) { return this.go((x - this.it.x) * this.it.dx + (y - this.it.y) * this.it.dy); }

  get state() { return this.it.by; }

  set state(by) { if (String(by) !== String(this.it.by)) this.page.board.stretch(this.sheet, this.it, by); }
}

class SlotEnd extends Along {
  mark = ARROWS.end;

  get place() { return this.at(this.it.by); }

  get name() { return `end of ${this.it.name}`; }

  go(t) { return this.page.board.stretch(this.sheet, this.it, t); }

  get asDrawn() { return !this.it.by; }

  back() { this.state = 0; }

  get where() { return `${(1e3 * this.it.by).toFixed(1)} mm longer than drawn`; }

  get says() { return `End of ${this.it.name} ${(1e3 * this.it.by).toFixed(1)} mm from where it was drawn`; }

  tell(message) { message.ends.push([this.it.name, this.at(0).map(millimetres), this.place.map(millimetres)]); }
}

/** An edge of a bridge (0 or 1) changes its width, its middle (null) its place. */
class BridgeGrip extends Along {
  constructor(page, sheet, it, edge) {
    super(page, sheet, it);
    this.edge = edge;
    this.mark = edge === null ? ARROWS.bridge : ARROWS.end;
  }

  get edges() { return [this.it.from + this.it.by[0], this.it.to + this.it.by[1]]; }

  get middle() { return 0.5 * (this.edges[0] + this.edges[1]); }

  get place() { return this.at(this.edge === null ? this.middle : this.edges[this.edge]); }

  get name() { return this.edge === null ? this.it.name : `${this.edge ? "far" : "near"} edge of ${this.it.name}`; }

  go(t) {
    const { it } = this, [a, b] = this.edges, by = [...it.by];
    if (this.edge === null) { // as far as it may go with the width that it has
      const shift = Math.max(it.low + LEAST * (it.from - it.low) - a, Math.min(it.high - LEAST * (it.high - it.to) - b, t - this.middle));
      by[0] += shift;
      by[1] += shift;
    } else { // as far as the other edge
      const least = LEAST * (it.to - it.from);
      by[this.edge] = this.edge ? Math.max(t, a + least) - it.to : Math.min(t, b - least) - it.from;
    }
    return this.page.board.stretch(this.sheet, it, by);
  }

  get asDrawn() { return !this.it.by[0] && !this.it.by[1]; }

  back() { this.state = [0, 0]; }

  get where() {
    const [a, b] = this.edges, moved = this.middle - 0.5 * (this.it.from + this.it.to);
    return `${(1e3 * (b - a)).toFixed(1)} mm wide, ${(1e3 * moved).toFixed(1)} mm from where it was drawn`;
  }

  get says() { return `${this.it.name}: ${this.where}`; }

  tell(message) {
    if (this.edge !== null) return; // the middle speaks for all
    message.bridges.push([this.it.name, [this.it.from, this.it.to].map((t) => this.at(t).map(millimetres)), this.edges.map((t) => this.at(t).map(millimetres))]);
  }
}

/** A corner of an outgoing conductor: what lies above 0 Hz is solved again once it rests. */
class Corner {
  mark = ARROWS.corner;

  constructor(page, loop, leg, number) { Object.assign(this, { page, loop, leg, number, drawn: [...page.routes[loop][leg][number]] }); }

  get place() { return this.page.routes[this.loop][this.leg][this.number].map((v) => 1e-3 * v); }

  get name() { return `corner ${this.number} of the route of ${this.page.board.data.loops[this.loop].name}`; }

  to(x, y) {
    const [x0, y0, x1, y1] = this.page.bounds, clamp = (v, low, high) => millimetres(Math.min(high, Math.max(low, v)));
    this.state = [clamp(x, x0, x1), clamp(y, y0, y1)];
    return true;
  }

  get state() { return [...this.page.routes[this.loop][this.leg][this.number]]; }

  set state(place) { this.page.routes[this.loop][this.leg][this.number] = place; }

  get asDrawn() { return String(this.state) === String(this.drawn); }

  back() { this.state = [...this.drawn]; }

  get where() { return `x ${this.state.map((v) => v.toFixed(1)).join(", y ")} mm`; }

  get says() { return `${this.name} at ${this.state.map((v) => v.toFixed(1)).join(", ")} mm`; }

  tell(message) { message.routes[this.page.board.data.loops[this.loop].name] = this.page.routeOf(this.loop); }
}

/** All that can be grabbed on a board; corners of routes only where they can be solved again. */
function gripsOf(page) {
  const { board } = page, { terminals, loops } = board.data;
  const contacts = terminals.flatMap((_, t) => (board.movable(t) ? [new Contact(page, t)] : []));
  const along = board.sheets.flatMap((sheet, n) => [
    ...sheet.slots.map((slot) => new SlotEnd(page, n, slot)),
    ...sheet.bridges.flatMap((bridge) => [0, null, 1].map((edge) => new BridgeGrip(page, n, bridge, edge))),
  ]);
  const inner = (path) => path.map((_, n) => n).slice(1, -1);
  const corners = page.data.served && page.over
    ? loops.flatMap((loop, l) => loop.routes.flatMap((path, leg) => inner(path).map((n) => new Corner(page, l, leg, n)))) : [];
  return [...contacts, ...along, ...corners];
}
