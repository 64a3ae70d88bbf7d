"use strict";
// Search by reference, pin or net: a list that keys and pointer use alike.

const MOST_FOUND = 60;

class Search {
  constructor(page) {
    this.page = page;
    this.things = [
      ...page.parts.map((part) => ({ kind: "part", name: part.name, part, more: part.words || `${part.pins.length} pins` })),
      ...page.pins.map((pin) => ({ kind: "pin", name: pin.name, pin, more: [pin.net, pin.use].filter(Boolean).join(", ") || "no net" })),
      ...page.data.nets.flatMap((net, n) => (net ? [{ kind: "net", name: net, net: n, more: "" }] : [])),
    ];
    this.found = []; this.active = -1;
    const box = $("search");
    box.addEventListener("input", () => this.look());
    box.addEventListener("keydown", (event) => this.key(event));
    $("results").addEventListener("click", (event) => {
      const item = event.target.closest("[role=option]");
      if (item) { this.active = Number(item.dataset.n); this.choose(); }
    });
  }

  look() {
    const asked = $("search").value.trim().toLowerCase();
    const rank = ({ name, kind }) => {
      const low = name.toLowerCase();
      if (low === asked) return kind === "part" ? 0 : 1;
      if (low.startsWith(asked)) return kind === "part" ? 2 : low.startsWith(`${asked}.`) ? 3 : 4;
      return low.includes(asked) ? 5 : 9;
    };
    const drawn = this.page.contacts.map((pin) => ({ kind: "contact", name: pin.name, pin, more: pin.net }));
    const every = asked ? [...drawn, ...this.things].map((thing) => [rank(thing), thing]).filter(([r]) => r < 9) : [];
    const order = new Intl.Collator("en", { numeric: true });
    every.sort((a, b) => a[0] - b[0] || order.compare(a[1].name, b[1].name));
    this.list(every.slice(0, MOST_FOUND).map(([, thing]) => thing), every.length, asked);
  }

  /** Pins of one net. */
  ofNet(net) {
    const pins = this.things.filter((thing) => thing.kind === "pin" && thing.pin.number === net);
    this.list(pins.slice(0, MOST_FOUND), pins.length, this.page.data.nets[net]);
  }

  list(found, count, asked) {
    this.found = found;
    this.active = found.length ? 0 : -1;
    const list = $("results");
    list.replaceChildren();
    found.forEach((thing, n) => {
      const item = html("li", { role: "option", id: `result${n}`, "data-n": n }, list);
      html("b", {}, item, thing.name);
      html("span", {}, item, `${thing.kind}${thing.more ? `, ${thing.more}` : ""}`);
    });
    const none = asked && !count ? "Nothing of that name." : "";
    $("counted").textContent = count > found.length ? `${count} found, the first ${found.length} are shown.` : none;
    if (asked) this.page.say(count ? `${count} found.` : none);
    this.point();
  }

  point() {
    [...$("results").children].forEach((item, n) => item.setAttribute("aria-selected", n === this.active));
    const item = $(`result${this.active}`);
    item?.scrollIntoView({ block: "nearest" });
    if (item) $("search").setAttribute("aria-activedescendant", item.id); else $("search").removeAttribute("aria-activedescendant");
    $("search").setAttribute("aria-expanded", this.found.length > 0);
  }

  key(event) {
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      const by = event.key === "ArrowDown" ? 1 : -1;
      if (this.found.length) this.active = (this.active + by + this.found.length) % this.found.length;
      this.point();
    } else if (event.key === "Enter") this.choose();
    else if (event.key === "Escape") { $("search").value = ""; this.look(); this.page.clear(); }
    else return;
    event.preventDefault();
  }

  /** Show what is chosen; a pin that is shown already is taken as an end of the loop. */
  choose() {
    const thing = this.found[this.active], { page } = this;
    if (!thing) return;
    this.point();
    if (thing.pin) {
      if (page.found === thing.pin) page.take(thing.pin); else page.showPin(thing.pin);
    } else if (thing.kind === "net") { page.showNet(thing.net); this.ofNet(thing.net); }
    else {
      page.showPart(thing.part);
      const pins = this.things.filter((it) => it.kind === "pin" && it.pin.part === thing.name);
      if (pins.length) this.list(pins.slice(0, MOST_FOUND), pins.length, thing.name);
    }
  }
}
