// The list of runs: filters, order, and in each opened run its signals to tick.

import { FILTERS } from "./address.js";
import { byId, chip, make, settled } from "./elements.js";
import { percent, printedUnit, words } from "./numbers.js";
import * as server from "./server.js";

const PAGE = 100;
const ORDERS = [
  ["margin", "0", "smallest margin first"], ["margin", "1", "largest margin first"], ["verdict", "0", "worst verdict first"],
  ["created", "1", "newest first"], ["created", "0", "oldest first"], ["instance", "0", "by instance"], ["condition", "0", "by condition"],
  ["study", "0", "by study"], ["size", "1", "largest file first"],
];
const NO_VALUE = "(none)";

export class List {
  /** `on` has changed(), open(facts), tick(facts, signal, drawn), fail(error) and drawn(source, signal). */
  constructor(on) {
    this.on = on;
    this.filters = {};
    this.order = ORDERS[0];
    this.offset = 0;
    this.facts = new Map(); // run -> its facts, while the page is open
    this.selects = Object.fromEntries(FILTERS.map((name) => [name, this.select(name)]));
    byId("filters").append(...FILTERS.map((name) => make("label", {}, words(name), " ", this.selects[name])), make("label", { class: "wide" }, "order ", this.orders()));
    byId("filters").addEventListener("submit", (event) => event.preventDefault());
    byId("text").addEventListener("input", settled(() => this.again(), 200));
    byId("more").addEventListener("click", () => this.load(this.offset + PAGE));
  }

  select(name) {
    return make("select", { onchange: (event) => {
      if (event.target.value === "*") delete this.filters[name];
      else this.filters[name] = event.target.value.slice(1);
      this.again();
    } });
  }

  orders() {
    this.ordering = make("select", { onchange: (event) => { this.order = ORDERS[event.target.value]; this.again(); } },
      ...ORDERS.map(([, , text], index) => make("option", { value: index }, text)));
    return this.ordering;
  }

  restore({ filters, text, sort, reverse }) {
    this.filters = { ...filters };
    byId("text").value = text;
    this.order = ORDERS.find(([by, turned]) => by === sort && (turned === "1") === reverse) ?? ORDERS[0];
    this.ordering.value = ORDERS.indexOf(this.order);
  }

  get state() {
    const [sort, reverse] = this.order;
    const usual = this.order === ORDERS[0];
    return { filters: this.filters, text: byId("text").value, sort: usual ? null : sort, reverse: !usual && reverse === "1" };
  }

  async again() {
    this.on.changed();
    await this.load(0);
  }

  async load(offset) {
    const [sort, reverse] = this.order;
    const pairs = [...Object.entries(this.filters), ["sort", sort], ["reverse", reverse], ["offset", offset], ["limit", PAGE]];
    if (byId("text").value.trim()) pairs.push(["text", byId("text").value.trim().slice(0, 200)]);
    const turn = (this.turn = (this.turn ?? 0) + 1);
    try {
      const found = await server.json("/api/runs", pairs);
      if (turn !== this.turn) return; // a later question is under way
      this.offset = offset;
      this.show(found, offset > 0);
    } catch (error) {
      this.on.fail(error);
    }
  }

  show({ all, found, runs, counts, faults }, isMore) {
    for (const name of FILTERS) {
      const options = Object.entries(counts[name]).map(([value, count]) =>
        make("option", { value: `=${value}` }, `${value === "" ? NO_VALUE : value === "none" && name === "verdict" ? "not assessed" : value} · ${count}`));
      const chosen = this.filters[name];
      if (chosen !== undefined && !(chosen in counts[name])) options.push(make("option", { value: `=${chosen}` }, `${chosen} · 0`));
      this.selects[name].replaceChildren(make("option", { value: "*" }, "all"), ...options);
      this.selects[name].value = chosen === undefined ? "*" : `=${chosen}`;
    }
    const unreadable = faults.length ? ` · ${faults.join(" · ")}` : "";
    byId("tally").textContent = `${found} of ${all} runs${unreadable}`;
    const items = runs.map((run) => this.item(run));
    if (isMore) byId("list").append(...items);
    else byId("list").replaceChildren(...items);
    byId("more").hidden = this.offset + runs.length >= found;
    byId("more").textContent = `Further runs (${found - this.offset - runs.length})`;
  }

  item(run) {
    const margin = run.margin === null ? "" : percent(run.margin);
    const body = make("div", { class: "signals", hidden: true });
    const status = run.status === "ok" ? null : make("span", { class: "chip failed" }, `! ${words(run.status)}`);
    const button = make("button", { class: "run", "aria-expanded": "false", onclick: () => this.toggle(run, button, body) },
      make("span", { class: "line" }, make("b", {}, run.instance || "(no instance)"), " ", make("span", {}, words(run.study)), make("span", { class: "margin" }, margin)),
      make("span", { class: "line" }, make("span", {}, run.condition || run.run_id.slice(0, 12)), status ?? chip(run.verdict)),
      make("span", { class: "line soft small" }, [run.record, run.run_id.slice(0, 12), run.metric && `${run.margin === null ? "worst" : "least margin"}: ${words(run.metric)}`, run.roles].filter(Boolean).join(" · ")));
    return make("li", {}, button, body);
  }

  async toggle(run, button, body) {
    const open = button.getAttribute("aria-expanded") !== "true";
    button.setAttribute("aria-expanded", String(open));
    body.hidden = !open;
    if (!open) return;
    try {
      const facts = await this.factsOf(run.run_id);
      body.replaceChildren(...this.signals(facts));
      this.on.open(facts);
    } catch (error) {
      body.replaceChildren(make("p", { class: "fault" }, error.message));
    }
  }

  async factsOf(runId) {
    const known = this.facts.get(runId.slice(0, 12));
    if (known) return known;
    const facts = await server.json("/api/run", [["id", runId]]);
    this.facts.set(facts.short, facts);
    return facts;
  }

  signals(facts) {
    const notes = facts.notes.map((note) => make("p", { class: "fault" }, note));
    if (!facts.signals.length) return notes;
    const units = [...new Set(facts.signals.map((one) => one.unit))];
    const usual = make("button", { onclick: () => this.on.usual(facts) }, "Draw the usual ones");
    return [...notes, make("p", {}, usual), ...units.map((unit) => make("fieldset", {}, make("legend", {}, printedUnit(unit) || "ratio"),
      ...facts.signals.filter((one) => one.unit === unit).map((one) => this.box(facts, one))))];
  }

  box(facts, one) {
    const name = one.part ? `${one.signal}:${one.part}` : one.signal;
    const tick = make("input", { type: "checkbox", "data-trace": `${facts.short}:${name}`, onchange: () => this.on.tick(facts, one, tick.checked) });
    tick.checked = this.on.drawn(`${facts.short}:${name}`);
    return make("label", { title: one.description || null }, tick, " ", words(one.signal), one.part ? `, ${one.part}` : "");
  }

  /** Ticks what is drawn, wherever it is listed. */
  mark() {
    for (const tick of document.querySelectorAll("input[data-trace]")) tick.checked = this.on.drawn(tick.dataset.trace);
  }
}
