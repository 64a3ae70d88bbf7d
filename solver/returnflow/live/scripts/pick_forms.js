"use strict";
// Two forms, of a loop and of what was drawn; their fields come from the tables of keys of a case file.

/** Mistakes as a list, each in its own line, and spoken. */
function complain(id, text) {
  const list = $(id);
  list.replaceChildren();
  for (const line of text ? text.split("\n") : []) html("li", {}, list, line);
  list.hidden = !text;
  if (text) list.scrollIntoView({ block: "nearest" });
}

const names = (text) => text.split(",").map((one) => one.trim().replace(/^["'[\]]+|["'[\]]+$/g, "")).filter(Boolean);
const typed = (value) => (value === null || typeof value !== "object" ? String(value) : Array.isArray(value) ? `[${value.map(typed).join(", ")}]` : "");

class LoopForm {
  constructor(page) {
    this.page = page;
    this.from = ""; // the proposal that it was filled from
    this.instead = null; // the loop that is being changed
    const { roles, ends } = page.data.schema;
    for (const { name } of roles) html("option", { value: name }, $("role"), name);
    $("inject").title = ends.inject; $("return").title = ends.return;
    $("role").addEventListener("change", () => { this.fields(); page.view.draw(); });
    $("name").addEventListener("input", () => { this.own = $("name").value !== ""; });
    for (const end of ["inject", "return"]) $(end).addEventListener("change", () => this.changed());
    $("swap").addEventListener("click", () => { [$("inject").value, $("return").value] = [$("return").value, $("inject").value]; this.changed(); });
    $("clearloop").addEventListener("click", () => this.clear());
    $("loopform").addEventListener("submit", (event) => { event.preventDefault(); this.add(); });
    for (const [key, field] of Object.entries(page.data.schema.route)) {
      const row = this.row($("wayfields"), `way-${key}`, key, { ...field, unit: "" });
      row.addEventListener("change", () => this.ask());
    }
    this.fields();
    this.clear();
  }

  get role() { return $("role").value; }

  ends() { return { inject: $("inject").value.trim(), return: $("return").value.trim() }; }

  /** One field with its label, unit and advice. */
  row(parent, id, key, { unit, advice, required }) {
    html("label", { for: id }, parent, key.replaceAll("_", "_\u200b"));
    const field = html("input", { id, "data-key": key, placeholder: advice.replace(/^(give|name|say) /, ""), title: `${advice}${unit ? `; in ${unit}` : ""}`, maxlength: 20000, autocomplete: "off", spellcheck: "false" }, parent);
    if (required) field.setAttribute("aria-required", "true");
    return field;
  }

  /** Fields of the role: how its current or limit is given, then those that may be left empty. */
  fields() {
    const { ways, keys } = this.spec = this.page.data.schema.roles.find(({ name }) => name === this.role), box = $("fields");
    box.replaceChildren();
    if (ways.length) {
      html("label", { for: "by" }, box, "given by");
      const by = html("select", { id: "by" }, box);
      ways.forEach((way, n) => html("option", { value: n }, by, way.join(" and ")));
      by.addEventListener("change", () => this.waysFields());
      this.given = html("div", { class: "fields", id: "given" }, box);
      this.waysFields();
    } else this.given = null;
    const inWays = ways.flat(), rest = Object.entries(keys).filter(([key]) => !inWays.includes(key));
    for (const [key, field] of rest.filter(([, it]) => it.required)) this.row(box, `f-${key}`, key, field);
    const more = rest.filter(([, it]) => !it.required);
    if (!more.length) return;
    const details = html("details", { id: "more" }, box);
    html("summary", {}, details, "May be left empty");
    const inner = html("div", { class: "fields" }, details);
    for (const [key, field] of more) this.row(inner, `f-${key}`, key, field);
  }

  waysFields() {
    const { ways, keys } = this.spec;
    this.given.replaceChildren();
    for (const key of ways[Number($("by").value)]) {
      const { inner } = keys[key];
      if (!inner) this.row(this.given, `f-${key}`, key, keys[key]);
      else for (const [sub, field] of Object.entries(inner)) this.row(this.given, `f-${key}-${sub}`, sub, field).dataset.in = key;
    }
  }

  take(pin) {
    const end = $("inject").value.trim() ? "return" : "inject";
    $(end).value = pin.name;
    this.page.say(`${pin.name}: the return current ${end === "inject" ? "enters the copper here. Choose where it leaves it." : "leaves the copper here."}`);
    this.changed();
  }

  /** Other ends: a name for the loop, and whether a route can be found. */
  changed() {
    const { inject, return: back } = this.ends(), part = (name) => this.page.pinOf(name)?.part ?? name;
    if (!this.own) $("name").value = inject && back ? this.page.unused(`${part(inject)} to ${part(back)}`) : "";
    $("loopbody").hidden = !(inject || back);
    $("loophint").hidden = Boolean(inject && back);
    $("loophint").textContent = inject && !back ? "Now the pin where it leaves the copper again: that of what feeds the part, or takes its signal." : "Click the pin where the return current enters the copper, such as a part's ground pin.";
    complain("loopwrong", "");
    this.page.way = null;
    this.ask();
    this.page.view?.draw();
  }

  route() {
    const route = { auto: true };
    for (const key of Object.keys(this.page.data.schema.route)) if ($(`way-${key}`).value.trim()) route[key] = names($(`way-${key}`).value);
    return route;
  }

  async ask() {
    const ends = this.ends(), number = this.asked = (this.asked ?? 0) + 1, box = $("auto");
    box.disabled = true; box.checked = false;
    $("waysaid").textContent = "";
    if (!this.page.pinOf(ends.inject) || !this.page.pinOf(ends.return)) return;
    try {
      const { found, said, path } = await this.page.ask("way", { ...ends, route: this.route() });
      if (number !== this.asked) return;
      box.disabled = !found; box.checked = found && this.routed && this.role !== "cables";
      $("waysaid").textContent = found ? said : `None is found: ${said}.`;
      this.page.way = found ? path : null;
      this.page.view.draw();
    } catch (error) { if (number === this.asked) $("waysaid").textContent = error.message; }
  }

  /** Fill it with a proposed loop, or with one that is to be changed. */
  fill(loop, { from = loop.name, instead = null } = {}) {
    this.clear();
    const { name, role, values, route } = loop;
    $("role").value = role;
    this.fields();
    if (this.given) {
      const by = this.spec.ways.findIndex((way) => way.some((key) => key in values));
      $("by").value = Math.max(0, by);
      this.waysFields();
    }
    for (const [key, value] of Object.entries(values)) {
      for (const [sub, one] of value !== null && typeof value === "object" && !Array.isArray(value) ? Object.entries(value) : [["", value]]) {
        const field = $(sub ? `f-${key}-${sub}` : `f-${key}`);
        if (field) field.value = typed(one);
        if (field?.closest("details")) field.closest("details").open = true;
      }
    }
    for (const key of Object.keys(this.page.data.schema.route)) $(`way-${key}`).value = (route?.[key] ?? []).join(", ");
    $("ways").open = Boolean(route);
    $("inject").value = loop.inject; $("return").value = loop.return;
    $("name").value = name;
    this.own = true; this.from = from; this.instead = instead; this.routed = Boolean(route);
    $("looptitle").textContent = instead ? `Change ${instead}` : "New loop";
    $("addloop").textContent = instead ? "Change loop" : "Add loop";
    this.changed();
    ($("fields").querySelector("input") ?? $("name")).focus();
  }

  clear() {
    for (const field of $("loopform").querySelectorAll("input")) field.value = "";
    this.own = false; this.from = ""; this.instead = null; this.routed = true;
    $("looptitle").textContent = "New loop"; $("addloop").textContent = "Add loop";
    this.changed();
  }

  message() {
    const values = {};
    for (const field of $("fields").querySelectorAll("input")) {
      if (!field.value.trim()) continue;
      const { key, in: inner } = field.dataset;
      if (inner) (values[inner] ??= {})[key] = field.value; else values[key] = field.value;
    }
    return { kind: "loop", name: $("name").value, role: this.role, ...this.ends(), values, route: $("auto").checked ? this.route() : null, proposal: this.from, instead: this.instead };
  }

  async add() {
    const done = `Loop ${$("name").value} is ${this.instead ? "changed" : "made"}.`;
    if (await this.page.change("add", this.message(), "loopwrong", done)) { this.clear(); $("search").focus(); }
  }
}

class DrawnForm {
  constructor(page) {
    this.page = page;
    $("shape").addEventListener("change", () => this.look());
    $("drawnform").addEventListener("submit", (event) => { event.preventDefault(); this.add(); });
    $("cleardrawn").addEventListener("click", () => this.clear());
  }

  /** A shape was drawn on the layer that is shown; or one that was made is to be changed. */
  open(kind, shape, old = null) {
    this.kind = kind; this.layer = this.page.number; this.instead = old?.name ?? null; this.chosen = old?.coppers;
    $("drawnname").value = old?.name ?? this.page.unused(`${called(kind)} 1`, called(kind));
    $("shape").value = shape;
    $("drawntitle").textContent = old ? `Change ${old.name} on ${this.page.layer.name}` : `New ${called(kind)} on ${this.page.layer.name}`;
    $("adddrawn").textContent = old ? "Change it" : "Add it";
    $("drawing").hidden = false;
    $("drawnform").hidden = false;
    $("drawhint").hidden = true;
    this.look();
    $("drawnname").focus();
    $("drawnname").select();
  }

  async look() {
    complain("drawnwrong", "");
    try {
      const { coppers, lines } = await this.page.ask("under", { layer: this.layer, shape: $("shape").value });
      this.shape = { kind: this.kind, lines };
      const box = $("coppers"), cornered = coppers.filter(({ corner }) => corner);
      const chosen = this.chosen ? coppers.filter(({ name }) => this.chosen.includes(name)) : this.kind === "bridge" && cornered.length ? cornered : coppers.slice(0, 1);
      box.replaceChildren();
      if (!coppers.length) html("p", {}, box, "There is no copper of this layer under it.");
      for (const copper of coppers) {
        const label = html("label", {}, box), tick = html("input", { type: "checkbox", value: copper.name }, label);
        tick.checked = chosen.includes(copper);
        label.append(` ${copper.name}, ${copper.area}`);
      }
      this.page.view.draw();
    } catch (error) { complain("drawnwrong", error.message); this.shape = null; }
  }

  async add() {
    const coppers = [...$("coppers").querySelectorAll("input:checked")].map(({ value }) => value);
    const message = { kind: this.kind, name: $("drawnname").value, coppers, shape: $("shape").value, instead: this.instead };
    const done = `${called(this.kind)} ${$("drawnname").value} is ${this.instead ? "changed" : "made"}.`;
    if (await this.page.change("add", message, "drawnwrong", done)) { this.clear(); $("stage").focus(); }
  }

  clear() {
    this.shape = this.instead = null;
    $("drawnform").hidden = true;
    complain("drawnwrong", "");
    this.page.drawing();
    this.page.view.draw();
  }
}
