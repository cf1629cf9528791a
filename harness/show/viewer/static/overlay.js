// Something measured laid over a line: a stored capture, or a file dropped here, which stays in the viewer's memory.

import { byId, head, make, row } from "./elements.js";
import { engineering, percent, words } from "./numbers.js";
import * as server from "./server.js";

const MOST_BYTES = 20_000_000;

export class Overlay {
  /** `on` has lines(), laid(answer, line), fail(error), calm(). */
  constructor(on) {
    this.on = on;
    this.dropped = null;
    this.target = make("select", { onchange: () => this.offer() });
    this.captures = make("div", { class: "tools" });
    this.align = make("select", {}, make("option", { value: "correlation" }, "by cross-correlation"), make("option", { value: "trigger" }, "by its trigger"));
    this.at = make("input", { class: "value", placeholder: "0 s", spellcheck: "false", autocomplete: "off" });
    this.file = make("input", { type: "file", accept: ".csv,.txt,.tsv,text/*", onchange: () => this.read(this.file.files[0]) });
    this.form = make("form", { class: "tools", hidden: true });
    this.found = make("div", { id: "compared" });
    byId("over-body").append(
      make("div", { class: "tools" }, make("label", {}, "over ", this.target), make("label", {}, "aligned ", this.align), make("label", {}, "trigger at ", this.at)),
      this.captures,
      make("p", { class: "tools" }, make("label", {}, "CSV of an instrument ", this.file), make("span", { class: "soft small" }, "or drop one anywhere on this page. It stays in memory and is written nowhere.")),
      this.form, this.found,
    );
    this.form.addEventListener("submit", (event) => { event.preventDefault(); this.layFile(); });
    this.align.addEventListener("change", () => { this.at.disabled = this.align.value !== "trigger"; });
    this.at.disabled = true;
    document.addEventListener("dragover", (event) => { if (event.dataTransfer?.types.includes("Files")) event.preventDefault(); });
    document.addEventListener("drop", (event) => {
      if (!event.dataTransfer?.files.length) return;
      event.preventDefault();
      this.read(event.dataTransfer.files[0]);
    });
  }

  /** The lines that can be laid over, whenever they changed. */
  offer() {
    const lines = this.on.lines(), kept = this.target.value;
    byId("over").hidden = !lines.length;
    this.target.replaceChildren(...lines.map((line) => make("option", { value: line.name }, line.label)));
    if (lines.some((line) => line.name === kept)) this.target.value = kept;
    this.offerCaptures();
    if (this.dropped) this.columns();
  }

  async offerCaptures() {
    const line = this.line();
    if (!line) return;
    try {
      const { captures } = await server.json("/api/captures", [["id", line.source]]);
      if (line !== this.line()) return;
      this.captures.replaceChildren(...captures.map((one) => {
        if (one.fault) return make("span", { class: "fault" }, one.fault);
        const title = [one.condition, one.taken, one.note].filter(Boolean).join(", ");
        return make("button", { title, disabled: !one.signals.includes(line.signal), onclick: () => this.layCapture(`${one.record}/${one.name}`) }, `Capture ${one.name}`);
      }));
    } catch (error) {
      this.on.fail(error);
    }
  }

  line() {
    return this.on.lines().find((line) => line.name === this.target.value);
  }

  async read(file) {
    if (!file) return;
    try {
      if (file.size > MOST_BYTES) throw new Error(`${file.name}: is larger than ${MOST_BYTES / 1e6} MB; cut it`);
      if (!this.line()) throw new Error("draw the line it is to be laid over first");
      this.on.calm();
      this.dropped = await server.posted("/api/file", [["name", file.name.slice(0, 80)]], file, "text/plain");
      this.columns();
      byId("over").scrollIntoView({ block: "nearest" });
    } catch (error) {
      this.on.fail(error);
    }
  }

  columns() {
    const { name, rows, columns } = this.dropped, line = this.line();
    const value = (id, label, hint, size = "4.5rem") => {
      const input = make("input", { name: id, placeholder: hint, spellcheck: "false", autocomplete: "off", "data-size": size });
      return make("label", {}, `${label} `, input);
    };
    const options = columns.map((column, k) => make("option", { value: k + 1 }, `${column.name}${column.unit ? ` [${column.unit}]` : ""}`));
    this.form.replaceChildren(
      make("span", {}, make("b", {}, name), `, ${rows} rows: `),
      make("label", {}, "column ", make("select", { name: "column" }, ...options)),
      value("unit", "unit", line?.unit ?? ""), value("scale", "factor", "1"), value("gain", "amplitude good to", "3%"),
      value("offset", "and", `0${line?.unit ?? ""}`), value("interval", "interval", "in the file"), value("trigger", "trigger", "0 s"),
      make("button", { type: "submit" }, "Lay it over"),
    );
    this.form.elements.column.selectedIndex = Math.min(1, columns.length - 1);
    this.form.hidden = false;
  }

  layFile() {
    const said = Object.fromEntries([...new FormData(this.form)].map(([key, value]) => [key, String(value).trim()]).filter(([, value]) => value));
    return this.lay({ file: this.dropped.file, ...said });
  }

  layCapture(capture) {
    return this.lay({ capture });
  }

  /** Asks the server; `given` also says trace, align and at where an address restores them. */
  async lay(given) {
    const said = { trace: this.target.value, align: this.align.value, ...(this.align.value === "trigger" && this.at.value.trim() ? { at: this.at.value.trim() } : {}), ...given };
    try {
      this.on.calm();
      const answer = await server.posted("/api/overlay", [], JSON.stringify(said), "application/json");
      this.show(answer);
      this.on.laid(answer, said);
    } catch (error) {
      this.on.fail(error);
    }
  }

  show(one) {
    const rows = one.numbers.map((number) => row([
      ["", words(number.name), "wide"], ["measured", engineering(number.measured, number.unit), "n"], ["simulated", engineering(number.predicted, number.unit), "n"],
      ["difference", engineering(number.difference, number.unit), "n"], ["relative", number.measured ? percent(number.difference / number.measured) : "–", "n"],
      ["uncertainty", `−${engineering(number.uncertainty[0], number.unit, 4)} / +${engineering(number.uncertainty[1], number.unit, 4)}`, "n"],
      ["they", make("span", { class: `chip ${number.consistent && one.trusted ? "within" : "over"}` }, !one.trusted ? "? not to be told" : number.consistent ? "✓ agree" : "✕ differ")],
    ]));
    const table = make("table", { class: "reflow", role: "table" }, make("thead", { role: "rowgroup" }, make("tr", { role: "row" })), make("tbody", { role: "rowgroup" }, ...rows));
    head(table, [["number"], ["measured", "n"], ["simulated", "n"], ["difference", "n"], ["relative", "n"], ["uncertainty", "n"], ["they"]]);
    const left = one.remaining;
    this.found.replaceChildren(
      make("p", {}, make("b", {}, one.title), ` over ${words(one.signal)} of run ${one.run_id.slice(0, 12)}: ${engineering(one.lag, "s")} ± ${engineering(one.lag_uncertainty, "s", 3)} added to its time `
        + `(${one.aligned_by === "trigger" ? "trigger" : "cross-correlation"}), concordance ${one.concordance.toFixed(4)}, correlation ${one.correlation.toFixed(4)}; window ${engineering(one.window[0], "s")} to ${engineering(one.window[1], "s")}.`),
      make("div", { class: "box", tabindex: "0", role: "region", "aria-label": "measured beside simulated" }, table),
      make("p", { class: "small" }, `What remains between them: RMS ${engineering(left.rms, one.unit)}, at most ${engineering(left.largest, one.unit)} at ${engineering(left.at, "s")}.`),
      ...one.notes.map((note) => make("p", { class: "small soft" }, note)),
    );
  }
}
