// What hands do: keys upon the picture, buttons, and fields that take a value such as 12 ms.

import { byId } from "./elements.js";
import { parsed } from "./numbers.js";

/** One key with the picture in focus. */
function keys(event, act) {
  const { state, span, kind, extent, about, setWindow, scale, move, setCursor } = act;
  if (!state.lines.length || event.ctrlKey || event.metaKey || event.altKey) return;
  const step = (span() / Math.max(1, byId("panels").clientWidth - 58)) * (event.shiftKey ? 20 : 1);
  const stepped = (way) => {
    const from = about();
    const next = kind() === "frequency" ? from * (state.window[1] / state.window[0]) ** ((way * step) / span()) : from + way * step;
    setCursor(state.active, state[state.active] === null ? from : Math.min(state.window[1], Math.max(state.window[0], next)));
  };
  const take = (name) => { state.active = name; setCursor(name, state[name] ?? about()); };
  const acts = {
    ArrowLeft: () => stepped(-1), ArrowRight: () => stepped(1), a: () => take("a"), b: () => take("b"), A: () => take("a"), B: () => take("b"),
    "+": () => scale(0.5, about()), "=": () => scale(0.5, about()), "-": () => scale(2, about()), "−": () => scale(2, about()),
    PageUp: () => move(-0.5), PageDown: () => move(0.5), Home: () => setWindow(extent()),
    Delete: () => { setCursor("a", null); setCursor("b", null); },
  };
  if (!acts[event.key]) return;
  event.preventDefault();
  acts[event.key]();
}

/** A text field of a value on the axis. */
function field(id, { unit, fail, calm }, take) {
  const input = byId(id);
  const done = () => {
    const text = input.value.trim();
    const value = text === "" ? null : parsed(text, unit());
    input.setAttribute("aria-invalid", String(text !== "" && value === null));
    if (text !== "" && value === null) return fail(new Error(`"${text.slice(0, 40)}" is no value in ${unit()}, such as 12 ms or 1.5e-3`));
    calm();
    return take(value);
  };
  input.addEventListener("change", done);
  input.addEventListener("keydown", (event) => { if (event.key === "Enter") { event.preventDefault(); done(); } });
}

/** Everything of the page that hands move; `act` is what it does. */
export function listen(act) {
  const { state, span, extent, about, setWindow, scale, move, setCursor } = act;
  byId("panels").addEventListener("keydown", (event) => keys(event, act));
  byId("whole").addEventListener("click", () => setWindow(extent()));
  byId("closer").addEventListener("click", () => scale(0.5, about()));
  byId("wider").addEventListener("click", () => scale(2, about()));
  byId("back").addEventListener("click", () => move(-0.5));
  byId("forth").addEventListener("click", () => move(0.5));
  byId("period").addEventListener("click", () => {
    const { period, axis } = state.lines.find((line) => line.period);
    setWindow([axis.last - period, axis.last]);
  });
  field("from", act, (value) => value !== null && setWindow([value, value < state.window[1] ? state.window[1] : value + span()]));
  field("to", act, (value) => value !== null && setWindow([value > state.window[0] ? state.window[0] : value - span(), value]));
  field("cursor-a", act, (value) => setCursor("a", value));
  field("cursor-b", act, (value) => setCursor("b", value));
  byId("fold").addEventListener("click", () => fold(!byId("runs-body").hidden));
}

/** The list folded away, or there again. */
export function fold(isAway) {
  byId("runs-body").hidden = isAway;
  byId("fold").setAttribute("aria-expanded", String(!isAway));
  byId("fold").textContent = isAway ? "Unfold" : "Fold";
  document.body.classList.toggle("folded", isAway);
}
