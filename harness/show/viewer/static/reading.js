// What stands below the picture: figures between the cursors, and where metrics were taken.

import { byId, head, make, row } from "./elements.js";
import { engineering, instant, words } from "./numbers.js";

const COLUMNS = [["line"], ["at A", "n"], ["at B", "n"], ["B − A", "n"], ["mean", "n"], ["RMS", "n"], ["peak to peak", "n"], ["lowest", "n"], ["highest", "n"], ["samples", "n"]];

/** Figures of each line; `lines` are as drawn, `found` as the server gave them. */
export function figures(lines, found, unit, span) {
  head(byId("reading"), COLUMNS);
  const labels = new Map(lines.map((line) => [line.name, line]));
  byId("figures").replaceChildren(...found.map(({ name, unit: of, figures: one }) => {
    const line = labels.get(name);
    const title = [make("span", { class: `swatch ${line?.style ?? ""}` }), ` ${line?.label ?? name}`];
    if (one === null) return row([["", title, "wide"], ["", "lies outside", "wide"]]);
    const cell = (label, value, style = "n") => [label, engineering(value, of, 6), style];
    const when = (value, at) => [engineering(value, of, 6), make("span", { class: "soft when" }, ` at ${instant(at, unit, span)}`)];
    return row([["", title, "wide"], cell("at A", one.a), cell("at B", one.b), cell("B − A", one.difference), cell("mean", one.mean), cell("RMS", one.rms),
      cell("peak to peak", one.peak_to_peak), ["lowest", when(one.lowest, one.lowest_at), "n"], ["highest", when(one.highest, one.highest_at), "n"],
      ["samples", String(one.samples), "n"]]);
  }));
}

/** Rows of metrics; a mark of a line that is drawn has the number it bears in the picture. */
export function marks(found, { go, band, labelOf }) {
  byId("marks").hidden = !found.length;
  head(byId("marks"), [["mark, metric"], ["value", "n"], ["taken at", "n"], ["window"], ["run"], ["go"]]);
  byId("taken").replaceChildren(...found.map((mark) => row([
    ["", [make("span", { class: "number" }, mark.number ?? ""), ` ${words(mark.name)} of ${mark.subject}`], "wide"],
    ["value", engineering(mark.value, mark.unit), "n"],
    ["taken at", mark.at === null ? "over its window" : instant(mark.at, "s", mark.window[1] - mark.window[0]), "n"],
    ["window", `${engineering(mark.window[0], "s", 7)} to ${engineering(mark.window[1], "s", 7)}`],
    ["run", labelOf(mark.source)],
    ["", make("button", { "aria-label": `go to ${words(mark.name)} of ${mark.subject}`, onclick: () => go(mark) }, "Go there"), "act"],
  ], { onmouseenter: () => band(mark.window), onmouseleave: () => band(null), onfocusin: () => band(mark.window), onfocusout: () => band(null) })));
}
