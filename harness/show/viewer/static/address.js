// The address that restores the view. It stands behind "#", which a browser keeps to itself.

const TRACE = /^([0-9a-f]{12,64}):([A-Za-z_][A-Za-z0-9_.#()+-]*)(:magnitude|:phase)?$/;
const RUN = /^[0-9a-f]{12,64}$/;
const NUMBER = /^[+-]?\d+(\.\d*)?(e[+-]?\d+)?$/i;
export const FILTERS = ["record", "instance", "study", "condition", "status", "verdict"];

const number = (text) => (text !== null && NUMBER.test(text) && Number.isFinite(Number(text)) ? Number(text) : null);

/** What an address says; what it says wrongly is left out. */
export function read(hash) {
  const said = new URLSearchParams(hash.replace(/^#/, ""));
  const from = number(said.get("from")), to = number(said.get("to"));
  return {
    draw: said.getAll("draw").filter((name) => TRACE.test(name)).slice(0, 24),
    alone: said.getAll("alone").slice(0, 24),
    over: said.getAll("over").slice(0, 8),
    window: from !== null && to !== null && from < to ? [from, to] : null,
    a: number(said.get("a")),
    b: number(said.get("b")),
    run: RUN.test(said.get("run") ?? "") ? said.get("run") : null,
    filters: Object.fromEntries(FILTERS.filter((name) => said.has(name)).map((name) => [name, said.get(name)])),
    text: said.get("text") ?? "",
    sort: said.get("sort"),
    reverse: said.get("reverse") === "1",
  };
}

/** The address of a state. */
export function written(state) {
  const pairs = [];
  for (const name of state.draw) pairs.push(["draw", name]);
  for (const name of state.alone) pairs.push(["alone", name]);
  for (const one of state.over) pairs.push(["over", one]);
  if (state.window) pairs.push(["from", state.window[0]], ["to", state.window[1]]);
  for (const name of ["a", "b"]) if (state[name] !== null) pairs.push([name, state[name]]);
  if (state.run) pairs.push(["run", state.run]);
  for (const [name, value] of Object.entries(state.filters)) pairs.push([name, value]);
  if (state.text) pairs.push(["text", state.text]);
  if (state.sort) pairs.push(["sort", state.sort]);
  if (state.reverse) pairs.push(["reverse", "1"]);
  const query = new URLSearchParams(pairs).toString().replaceAll("%3A", ":");
  return query ? `#${query}` : "";
}
