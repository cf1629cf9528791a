// One run in words: where it is from, its metrics against their limits, parameters, solution, deck and log.

import { byId, chip, head, make, row } from "./elements.js";
import { engineering, instant, percent, words } from "./numbers.js";

const table = (label, columns, rows) => {
  const found = make("table", { class: "reflow", role: "table" }, make("thead", { role: "rowgroup" }, make("tr", { role: "row" })), make("tbody", { role: "rowgroup" }, ...rows));
  head(found, columns);
  return make("div", { class: "box", tabindex: "0", role: "region", "aria-label": label }, found);
};

const folded = (summary, ...content) => make("details", {}, make("summary", {}, summary), ...content);
const text = (lines, label) => make("pre", { tabindex: "0", role: "region", "aria-label": label }, lines.join("\n"));

export function show(facts) {
  byId("facts").hidden = false;
  byId("facts-title").textContent = `Run ${facts.short}`;
  const origin = { ...facts.origin, created: facts.created, status: facts.status, id: facts.id };
  if (facts.axis) origin[facts.axis.name] = `${engineering(facts.axis.first, facts.axis.unit)} to ${engineering(facts.axis.last, facts.axis.unit)}, ${facts.axis.samples} samples`;
  byId("facts-body").replaceChildren(...[
    ...facts.notes.map((note) => make("p", { class: "fault" }, note)),
    make("dl", { class: "facts" }, ...Object.entries(origin).flatMap(([name, value]) => [make("dt", {}, words(name)), make("dd", {}, String(value))])),
    make("h3", {}, "Metrics and verdicts"),
    facts.metrics.length ? metrics(facts) : make("p", {}, "The run has no metric."),
    folded(`Parameters (${facts.parameters.length})`, table("parameters", [["parameter"], ["value", "n"]], facts.parameters.map((one) => row([["", one.name], ["value", engineering(one.value, one.unit, 7), "n"]])))),
    facts.solution.length ? folded(`Steady state found (${facts.solution.length})`, table("steady state", [["state or control"], ["value, SI", "n"]], facts.solution.map((one) => row([["", one.name], ["value", String(one.value), "n"]])))) : null,
    folded(`Deck (${facts.deck.length} lines)`, text(facts.deck, "deck")),
    folded(`Log (${facts.log.length} lines)`, text(facts.log, "log")),
  ].filter(Boolean));
}

function metrics(facts) {
  const span = facts.axis ? facts.axis.last - facts.axis.first : 1;
  return table("metrics", [["metric"], ["value", "n"], ["taken"], ["limit", "n"], ["margin", "n"], ["verdict"], ["condition"]], facts.metrics.flatMap((metric) => {
    const said = `${words(metric.name)} of ${metric.subject}`;
    const taken = metric.at === null ? `over ${engineering(metric.window[0], "s")} to ${engineering(metric.window[1], "s")}` : `at ${instant(metric.at, "s", span)}`;
    const judged = metric.judged.length ? metric.judged : [null];
    return judged.map((one) => row([["", said, "wide"], ["value", engineering(metric.value, metric.unit), "n"], ["taken", taken],
      ["limit", one === null || one.limit === null ? "none" : `${one.side === "high" ? "≤" : "≥"} ${engineering(one.limit, one.unit)}`, "n"],
      ["margin", one === null ? "–" : percent(one.margin), "n"], ["verdict", one === null ? chip("none") : chip(one.verdict)],
      ["condition", one === null ? "no assessment names it" : `${one.label}; this run is the ${one.role} one${one.why ? `; ${one.why}` : ""}`, "wide"]]));
  }));
}
