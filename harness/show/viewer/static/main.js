// The viewer's page: what is drawn, in which window, with which cursors; everything else is told from here.

import * as address from "./address.js";
import { byId, make, settled } from "./elements.js";
import * as facts from "./facts.js";
import { fold, listen } from "./hands.js";
import { List } from "./list.js";
import { engineering, instant, words } from "./numbers.js";
import { Overlay } from "./overlay.js";
import { COLOURS, Picture, colourOf } from "./picture.js";
import * as reading from "./reading.js";
import { drawn as onCanvas, save } from "./saving.js";
import * as server from "./server.js";

const MOST_LINES = 24;
const LEAST_SPAN = 1e-13; // of the largest instant: below it numbers of a computer end
const state = { lines: [], window: null, a: null, b: null, active: "a", run: null, marks: [] };

const fail = (error) => {
  if (error?.name === "AbortError") return;
  byId("trouble").textContent = error.message;
  byId("trouble").hidden = false;
};
const calm = () => { byId("trouble").hidden = true; };

const picture = new Picture(byId("panels"), {
  zoom: (from, to) => setWindow([from, to]),
  scale: (factor, at) => scale(factor, at),
  move: (share) => move(share),
  whole: () => setWindow(extent()),
  cursor: (at) => setCursor(state.active, at),
  pointer: (at) => { byId("pointer").textContent = at === null || !state.window ? "\u00a0" : `pointer at ${instant(at, unit(), span())}`; },
  resized: () => redraw(),
});

const list = new List({
  changed: () => remember(),
  fail,
  drawn: (name) => state.lines.some((line) => line.name === name),
  open: (found) => { state.run = found.short; facts.show(found); remember(); },
  tick: (found, signal, isOn) => (isOn ? add(found, signal) : remove(`${found.short}:${nameOf(signal)}`)) && changedLines(),
  usual: (found) => {
    const wanted = found.signals.filter((one) => found.usual.includes(one.signal));
    if (wanted.map((one) => add(found, one)).some(Boolean)) changedLines();
  },
});

const overlay = new Overlay({
  lines: () => state.lines.filter((line) => !isLaid(line) && !line.part && line.axis.name === "time"),
  fail,
  calm,
  laid: (answer, said) => {
    if (state.lines.length >= MOST_LINES) return refuse(`at most ${MOST_LINES} lines are drawn at once`);
    const number = freeNumber();
    state.lines.push({
      name: answer.name, number, unit: answer.unit, axis: answer.axis, period: null, source: answer.name.split(":")[0], signal: answer.signal, part: "",
      plain: `${words(answer.signal)}, measured: ${answer.title}`, run: null, x: [], y: [], style: `${colourOf(number)} dash1`, dash: [6, 5], laid: said, // what lies below shows through
    });
    return changedLines();
  },
});

// --- lines

const isLaid = (line) => line.name.startsWith("file-");
const styleOf = (number) => `${colourOf(number)} dash${Math.floor(number / COLOURS) % 3}`;

const nameOf = (signal) => (signal.part ? `${signal.signal}:${signal.part}` : signal.signal);
const kind = () => state.lines[0]?.axis.name ?? "time";
const unit = () => (kind() === "frequency" ? "Hz" : "s");
const span = () => (state.window ? state.window[1] - state.window[0] : 1);

function extent() {
  return [Math.min(...state.lines.map((line) => line.axis.first)), Math.max(...state.lines.map((line) => line.axis.last))];
}

function freeNumber() {
  const taken = new Set(state.lines.map((line) => line.number));
  let number = 0;
  while (taken.has(number)) number += 1;
  return number;
}

/** A signal of a run as a further line; false where it cannot be. */
function add(found, signal) {
  const name = `${found.short}:${nameOf(signal)}`;
  if (state.lines.some((line) => line.name === name)) return false;
  if (state.lines.length >= MOST_LINES) return refuse(`at most ${MOST_LINES} lines are drawn at once`);
  if (state.lines.length && found.axis.name !== kind()) return refuse("a run over frequency and one over time have no axis in common: take the lines drawn away first");
  const number = freeNumber();
  state.lines.push({
    name, number, unit: signal.unit, axis: found.axis, period: found.period, source: found.short, signal: signal.signal, part: signal.part,
    plain: `${words(signal.signal)}${signal.part ? `, ${signal.part}` : ""}`, run: found, x: [], y: [], style: styleOf(number),
  });
  return true;
}

function refuse(text) {
  fail(new Error(text));
  list.mark();
  return false;
}

function remove(name) {
  state.lines = state.lines.filter((line) => line.name !== name);
  return true;
}

/** Runs are told only where several are drawn. */
function label() {
  const runs = new Set(state.lines.filter((line) => line.run).map((line) => line.source));
  for (const line of state.lines) {
    const origin = line.run?.origin ?? {};
    line.label = runs.size > 1 && line.run ? `${line.plain}, ${line.source.slice(0, 8)} (${[origin.study && words(origin.study), origin.condition].filter(Boolean).join(", ")})` : line.plain;
  }
}

function changedLines() {
  calm();
  label();
  list.mark();
  const isEmpty = !state.lines.length;
  byId("empty").hidden = !isEmpty;
  for (const id of ["window-tools", "savers", "keys-box", "panels"]) byId(id).hidden = isEmpty;
  byId("panels").setAttribute("aria-label", `picture: lines over ${kind()}`);
  for (const line of state.lines) line.panel = line.alone ? line.name : line.unit;
  byId("drawn").replaceChildren(...state.lines.map((line) => make("li", {}, make("span", { class: `swatch ${line.style}` }), ` ${line.label} `,
    make("button", { "aria-label": `own panel for ${line.label}`, "aria-pressed": String(Boolean(line.alone)), title: "a panel of its own, or that of its unit", onclick: () => { line.alone = !line.alone; changedLines(); } }, "↕"), " ",
    make("button", { "aria-label": `take ${line.label} away`, onclick: () => { remove(line.name); changedLines(); } }, "×"))));
  const period = state.lines.find((line) => line.period)?.period;
  byId("period").hidden = !period;
  overlay.offer();
  if (isEmpty) {
    state.window = null;
    state.marks = [];
    picture.show([], [0, 1], "none");
    byId("reading").hidden = true;
    reading.marks([], {});
  } else {
    const [first, last] = extent();
    if (!state.window || state.window[0] >= last || state.window[1] <= first) state.window = [first, last];
    redraw();
    loadMarks();
    measure();
  }
  remember();
}

// --- the window

let under = null;

/** Asks for all lines in the window, as wide as the picture is. */
async function redraw() {
  if (!state.lines.length) return;
  under?.abort();
  under = new AbortController();
  const lines = state.lines, window = state.window;
  try {
    const found = await server.view(lines.map((line) => line.name), window, picture.columns, under.signal);
    found.forEach((one, k) => Object.assign(lines[k], { x: one.x, y: one.y }));
    picture.show(lines, window, kind());
    picture.over({ cursors: { a: state.a, b: state.b } });
    byId("panels").dataset.drawn = `${window[0]} ${window[1]}`; // which window the picture shows now
    showWindow();
  } catch (error) {
    fail(error);
  }
}
const redrawSoon = settled(redraw, 20);

function setWindow([from, to]) {
  if (!state.lines.length) return;
  const [first, last] = extent();
  const least = Math.max(1e-15, Math.max(Math.abs(first), Math.abs(last)) * LEAST_SPAN);
  let width = Math.min(Math.max(to - from, least), last - first);
  let begin = Math.min(Math.max(from, first), last - width);
  if (kind() === "frequency") begin = Math.max(begin, first); // above 0 Hz
  if (!(width > 0)) width = least;
  state.window = [begin, begin + width >= last ? last : begin + width];
  picture.slide(state.window);
  showWindow();
  redrawSoon();
  remember();
}

function scale(factor, at) {
  const [from, to] = state.window;
  if (kind() === "frequency") {
    const [a, b, c] = [from, to, Math.max(at, from)].map(Math.log);
    return setWindow([Math.exp(c - (c - a) * factor), Math.exp(c + (b - c) * factor)]);
  }
  return setWindow([at - (at - from) * factor, at + (to - at) * factor]);
}

function move(share) {
  const [from, to] = state.window;
  if (kind() === "frequency") {
    const ratio = (to / from) ** share;
    return setWindow([from * ratio, to * ratio]);
  }
  return setWindow([from + share * span(), to + share * span()]);
}

const about = () => {
  const at = state[state.active];
  const inside = at !== null && at >= state.window[0] && at <= state.window[1];
  return inside ? at : kind() === "frequency" ? Math.sqrt(state.window[0] * state.window[1]) : (state.window[0] + state.window[1]) / 2;
};

function showWindow() {
  if (document.activeElement !== byId("from")) byId("from").value = instant(state.window[0], unit(), span());
  if (document.activeElement !== byId("to")) byId("to").value = instant(state.window[1], unit(), span());
  byId("csv").href = server.csvAddress(state.lines.map((line) => line.name), state.window);
}

// --- cursors

function setCursor(name, at) {
  state[name] = at;
  if (at !== null) state.active = name;
  picture.over({ cursors: { a: state.a, b: state.b } });
  measure();
  remember();
}

const measureSoon = settled(async () => {
  const { a, b, lines } = state;
  if (!lines.length || (a === null && b === null)) return;
  try {
    const names = lines.map((line) => line.name);
    const pairs = [...names.map((name) => ["trace", name]), ["a", a ?? b], ["b", b ?? a]];
    const found = await server.json("/api/between", pairs);
    if (a !== state.a || b !== state.b) return; // moved on meanwhile
    reading.figures(lines, found.lines, unit(), span());
    byId("reading").dataset.of = `${a} ${b}`;
  } catch (error) {
    fail(error);
  }
}, 80);

function measure() {
  const { a, b } = state;
  byId("reading").hidden = !state.lines.length || (a === null && b === null);
  for (const [name, at] of [["a", a], ["b", b]]) {
    const field = byId(`cursor-${name}`);
    if (document.activeElement !== field) field.value = instant(at, unit(), span());
  }
  const apart = a !== null && b !== null ? b - a : null;
  const inverse = apart && kind() === "time" ? `, as a frequency ${engineering(Math.abs(1 / apart), "Hz", 6)}` : "";
  byId("apart").textContent = apart === null ? "" : `B − A = ${engineering(apart, unit(), 7)}${inverse}`;
  measureSoon();
}

// --- metrics

async function loadMarks() {
  const names = state.lines.filter((line) => !isLaid(line)).map((line) => line.name);
  try {
    const found = names.length ? (await server.json("/api/marks", names.map((name) => ["trace", name]))).marks : [];
    const rings = new Map(); // metrics of one line and instant share a ring and its number
    state.marks = found.map((mark) => {
      if (mark.signal === null) return { ...mark, line: null, number: null };
      const line = `${mark.source}:${mark.signal}`, key = `${line} ${mark.at}`;
      if (!rings.has(key)) rings.set(key, String(rings.size + 1));
      return { ...mark, line, number: rings.get(key) };
    });
    picture.over({ marks: state.marks });
    const band = (window) => picture.over({ band: window });
    const labelOf = (source) => { const line = state.lines.find((one) => one.source === source); return [source.slice(0, 8), line?.run.origin.study && words(line.run.origin.study)].filter(Boolean).join(", "); };
    reading.marks(state.marks, { go: goTo, band, labelOf });
  } catch (error) {
    fail(error);
  }
}

/** The window a metric was taken from, or some of it about its instant where that is a small part. */
function goTo(mark) {
  const [from, to] = mark.window, room = Math.max(0.08 * (to - from), 1e-9);
  picture.over({ band: mark.window });
  setWindow([Math.min(from, mark.at ?? from) - room, Math.max(to, mark.at ?? to) + room]);
  if (mark.at !== null) setCursor("a", mark.at);
  byId("panels").focus();
}

// --- files and the address

async function copyAddress() {
  write();
  try {
    await navigator.clipboard.writeText(location.href);
    byId("copy").textContent = "Copied";
    setTimeout(() => { byId("copy").textContent = "Copy address"; }, 2000);
  } catch {
    fail(new Error("the browser does not let the page copy: take the address from its own line"));
  }
}

async function savePicture() {
  const runs = new Map(state.lines.filter((line) => line.run).map((line) => [line.source, line.run]));
  const titles = [...runs.values()].map((run) => [run.origin.record, run.origin.instance, run.origin.study && words(run.origin.study), run.origin.condition, run.short].filter(Boolean).join(", "));
  const marks = state.marks.filter((mark) => mark.number && mark.at >= state.window[0] && mark.at <= state.window[1])
    .map((mark) => `${mark.number}: ${words(mark.name)} of ${mark.subject} ${engineering(mark.value, mark.unit)} at ${instant(mark.at, "s", span())}`);
  await save(onCanvas(picture, titles, [...marks, "Simulated by bulkrail; no safety certificate. An opened supply can kill."]), `${state.lines[0].source}-window.png`);
}

/** Captures laid over, as the address has them; a dropped file is in no address. */
const overs = () => state.lines.filter((line) => line.laid?.capture).map(({ laid }) => [laid.capture, laid.trace, laid.align, laid.at ?? ""].join(","));
const saved = () => ({
  draw: state.lines.filter((line) => !isLaid(line)).map((line) => line.name), alone: state.lines.filter((line) => line.alone && !isLaid(line)).map((line) => line.name), over: overs(), window: state.window, a: state.a, b: state.b, run: state.run, ...list.state,
});
const write = () => history.replaceState(null, "", `/${address.written(saved())}`);
const remember = settled(write, 150);

async function restore() {
  const wanted = address.read(location.hash);
  list.restore(wanted);
  Object.assign(state, { lines: [], window: null, a: wanted.a, b: wanted.b, run: wanted.run });
  await list.load(0);
  const missing = [];
  for (const name of wanted.draw) {
    const [source, ...rest] = name.split(":");
    try {
      const found = await list.factsOf(source);
      const signal = found.signals.find((one) => nameOf(one) === rest.join(":"));
      if (signal && add(found, signal)) state.lines.at(-1).alone = wanted.alone.includes(name);
      else if (!signal) missing.push(`${source} has no ${rest.join(":")}`);
    } catch (error) {
      missing.push(error.message);
    }
  }
  state.window = wanted.window;
  if (state.window && state.lines.length) {
    const [first, last] = extent();
    const cut = [Math.max(first, state.window[0]), Math.min(last, state.window[1])];
    state.window = cut[0] < cut[1] ? cut : null;
  }
  changedLines();
  if (state.lines.length && matchMedia("(max-width: 62rem)").matches) fold(true); // the picture first, on a phone
  for (const one of wanted.over) {
    const [capture, trace, align, at] = one.split(",");
    await overlay.lay({ capture, trace, align, ...(at ? { at } : {}) });
  }
  if (wanted.run) {
    try { facts.show(await list.factsOf(wanted.run)); } catch (error) { missing.push(error.message); }
  }
  if (missing.length) fail(new Error(`of this address: ${[...new Set(missing)].join(" · ")}`));
}

async function start() {
  listen({ state, kind, unit, span, extent, about, setWindow, scale, move, setCursor, fail, calm });
  byId("copy").addEventListener("click", copyAddress);
  byId("png").addEventListener("click", () => savePicture().catch(fail));
  addEventListener("hashchange", () => { if (location.hash !== address.written(saved())) restore(); });
  try {
    const told = await server.json("/api/folder");
    byId("folder").textContent = told.folder;
  } catch (error) {
    fail(error);
  }
  await restore();
  document.body.dataset.ready = "true";
}

start();
