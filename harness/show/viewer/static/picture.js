// The picture: a panel a unit, or a line's own, over one axis, drawn by uPlot; cursors, marks and windows of metrics upon it.

import { make } from "./elements.js";
import { axisOf, printedUnit, ticks } from "./numbers.js";

const QUANTITIES = { V: "voltage", A: "current", degC: "temperature", deg: "phase", 1: "ratio" };
const DASHES = [[], [8, 4], [2, 3]];
const AXIS = 58, BOTTOM = 26, STILL = 4; // px
export const COLOURS = 6;

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
export const colourOf = (number) => `t${number % COLOURS}`;
export const dashOf = (number) => DASHES[Math.floor(number / COLOURS) % DASHES.length];

/** All lines on one axis: rows of equal instants, and where a line has no point there nothing, which is no gap. */
export function together(lines) {
  const at = lines.map(() => 0), axis = [], columns = lines.map(() => []);
  for (;;) {
    let next = Infinity;
    lines.forEach((line, k) => { if (at[k] < line.x.length && line.x[at[k]] < next) next = line.x[at[k]]; });
    if (next === Infinity) return [axis, ...columns];
    axis.push(next);
    lines.forEach((line, k) => {
      const has = at[k] < line.x.length && line.x[at[k]] === next;
      columns[k].push(has ? (Number.isFinite(line.y[at[k]]) ? line.y[at[k]] : null) : undefined);
      if (has) at[k] += 1;
    });
  }
}

export class Picture {
  /** `on` has zoom(from, to), cursor(at), pointer(at or null). */
  constructor(root, on) {
    Object.assign(this, { root, on, panels: [], lines: [], window: [0, 1], marks: [], band: null, cursors: { a: null, b: null } });
    new ResizeObserver(() => this.fit()).observe(root);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.redraw());
  }

  /** Room for a panel [px]: the root's, without its edges. */
  get width() {
    const style = getComputedStyle(this.root);
    return Math.max(100, this.root.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight));
  }

  get columns() {
    return Math.max(50, Math.round((this.width - AXIS) * Math.min(2, devicePixelRatio)));
  }

  get height() {
    const most = this.panels.length > 2 ? 190 : 260;
    return this.root.clientWidth < 500 ? Math.min(most, 210) : most;
  }

  /** Lines with name, label, unit, panel (those of one share it), number (of the colour), x, y; the axis is over "time" or "frequency". */
  show(lines, window, kind) {
    this.lines = lines;
    this.window = window;
    const keys = [...new Set(lines.map((line) => line.panel))];
    const shape = JSON.stringify([kind, keys.map((key) => lines.filter((line) => line.panel === key).map((line) => [line.name, line.number]))]);
    if (shape !== this.shape) this.build(keys, kind);
    this.shape = shape;
    for (const panel of this.panels) {
      panel.lines = lines.filter((line) => line.panel === panel.key);
      const data = together(panel.lines);
      panel.plot.batch(() => {
        panel.plot.setData(data, false);
        panel.plot.setScale("x", { min: window[0], max: window[1] });
      });
    }
  }

  /** Moves the window over what is drawn already, until the server has drawn it anew. */
  slide(window) {
    this.window = window;
    for (const { plot } of this.panels) plot.setScale("x", { min: window[0], max: window[1] });
  }

  build(keys, kind) {
    for (const { plot } of this.panels) plot.destroy();
    this.root.replaceChildren();
    this.panels = keys.map((key) => {
      const lines = this.lines.filter((line) => line.panel === key);
      return { key, lines, unit: lines[0].unit };
    });
    this.panels.forEach((panel, index) => {
      panel.caption = make("figcaption", {});
      panel.place = make("div", {});
      panel.root = make("figure", { role: "img" }, panel.caption, panel.place);
      this.root.append(panel.root);
      panel.plot = this.plot(panel, kind, index === keys.length - 1);
    });
  }

  plot(panel, kind, isLast) {
    const font = `12px ${getComputedStyle(document.body).fontFamily}`;
    const lined = { stroke: () => colour("soft"), font, grid: { stroke: () => colour("rule"), width: 1 }, ticks: { stroke: () => colour("rule"), width: 1 } };
    const isSwept = kind === "frequency";
    const plot = new uPlot({
      width: this.width, height: this.height, legend: { show: false },
      scales: { x: { time: false, auto: false, range: () => this.window, distr: isSwept ? 3 : 1 }, y: { range: (_, low, high) => this.room(low, high) } },
      axes: [
        { ...lined, size: isLast ? BOTTOM + 16 : BOTTOM, values: (u, places, _, __, step) => this.times(u, places, step, isSwept) },
        { ...lined, size: AXIS, values: (u, places, _, __, step) => ticks(axisOf(u.scales.y.min, u.scales.y.max, panel.unit), places, step) },
      ],
      series: [{}, ...panel.lines.map((line) => ({
        scale: "y", width: 1.4, stroke: () => colour(colourOf(line.number)), dash: line.dash ?? dashOf(line.number), spanGaps: false,
        points: { show: (u, k) => panel.lines[k - 1].x.length * 10 < u.bbox.width, size: 5, width: 1 },
      }))],
      cursor: {
        sync: { key: "bulkrail", setSeries: false, scales: ["x", null] }, drag: { x: true, y: false, setScale: false },
        points: { show: false }, y: false, bind: { dblclick: () => null },
      },
      hooks: {
        draw: [(u) => this.overdraw(u, panel, isLast, isSwept)],
        setSelect: [(u) => this.selected(u)],
        setCursor: [(u) => { if (u.cursor.event) this.on.pointer(u.cursor.left < 0 ? null : u.posToVal(u.cursor.left, "x")); }],
      },
    }, together(panel.lines), panel.place);
    this.listen(plot.over);
    return plot;
  }

  times(u, places, step, isSwept) {
    if (isSwept) return places.map((at) => { const axis = axisOf(at, at, "Hz"); return at === null ? "" : `${+(at / axis.factor).toPrecision(3)} ${axis.name}`; });
    return ticks(axisOf(...this.window, "s"), places, step);
  }

  room(low, high) {
    if (low === null || !Number.isFinite(low) || !Number.isFinite(high)) return [-1, 1];
    const span = high - low || Math.abs(high) * 0.1 || 1;
    return [low - 0.08 * span, high + 0.08 * span];
  }

  selected(u) {
    const { left, width } = u.select;
    if (width <= 0) return;
    const ends = [u.posToVal(left, "x"), u.posToVal(left + width, "x")];
    for (const { plot } of this.panels) plot.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    if (width > STILL && this.pressed === u.over) this.on.zoom(...ends);
  }

  listen(over) {
    const fingers = new Map();
    let start = 0, moved = false;
    const at = (event) => this.at(over, event.clientX);
    over.addEventListener("mousedown", (event) => { this.pressed = over; start = event.clientX; });
    over.addEventListener("click", (event) => { if (Math.abs(event.clientX - start) <= STILL && !moved) this.on.cursor(at(event)); moved = false; });
    over.addEventListener("wheel", (event) => {
      event.preventDefault();
      const way = event.deltaY || event.deltaX;
      if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) this.on.move(way / 600);
      else this.on.scale(way > 0 ? 1.25 : 0.8, at(event));
    }, { passive: false });
    over.addEventListener("dblclick", () => this.on.whole());
    over.addEventListener("pointerdown", (event) => { if (event.pointerType !== "mouse") { fingers.set(event.pointerId, event.clientX); moved = false; } });
    over.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId)) return;
      const before = [...fingers.values()], was = fingers.get(event.pointerId);
      fingers.set(event.pointerId, event.clientX);
      const now = [...fingers.values()];
      if (Math.abs(event.clientX - was) > 0) moved = true;
      if (now.length === 1) this.on.move((was - event.clientX) / over.clientWidth);
      else if (now.length === 2) {
        const apart = Math.abs(before[0] - before[1]) / Math.max(8, Math.abs(now[0] - now[1]));
        this.on.scale(Math.min(1.3, Math.max(0.7, apart)), this.at(over, (now[0] + now[1]) / 2));
      }
    });
    for (const name of ["pointerup", "pointercancel"]) over.addEventListener(name, (event) => fingers.delete(event.pointerId));
  }

  at(over, clientX) {
    const box = over.getBoundingClientRect();
    return this.panels[0].plot.posToVal(Math.min(box.width, Math.max(0, clientX - box.left)), "x");
  }

  /** What lies over the lines: the window of a metric, rings where metrics were taken, the cursors. */
  overdraw(u, panel, isLast, isSwept) {
    const { ctx, bbox } = u, ratio = devicePixelRatio;
    const x = (at) => u.valToPos(at, "x", true), inside = (at) => at !== null && at >= this.window[0] && at <= this.window[1];
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left - 7 * ratio, bbox.top - 8 * ratio, bbox.width + 14 * ratio, bbox.height + 16 * ratio);
    ctx.clip();
    if (this.band) {
      ctx.fillStyle = colour("stretch");
      ctx.globalAlpha = 0.28;
      ctx.fillRect(x(this.band[0]), bbox.top, Math.max(2, x(this.band[1]) - x(this.band[0])), bbox.height);
      ctx.globalAlpha = 1;
    }
    ctx.font = `bold ${12 * ratio}px ${getComputedStyle(document.body).fontFamily}`;
    ctx.textAlign = "center";
    ctx.textBaseline = "alphabetic"; // uPlot leaves its own, and the last line's dashes
    ctx.setLineDash([]);
    const drawn = new Set(panel.lines.map((line) => line.name)), taken = [];
    const rings = new Map(this.marks.filter((mark) => drawn.has(mark.line) && inside(mark.at)).map((mark) => [mark.number, mark]));
    for (const mark of rings.values()) this.ring(u, mark, x(mark.at), ratio, taken);
    for (const name of ["a", "b"]) if (inside(this.cursors[name])) this.flag(u, name, x(this.cursors[name]), ratio);
    ctx.restore();
    panel.caption.textContent = this.caption(u, panel);
    panel.root.setAttribute("aria-label", `${panel.caption.textContent}: ${panel.lines.map((line) => line.label).join(", ")}`);
    if (isLast && !isSwept) {
      ctx.save();
      ctx.fillStyle = colour("soft");
      ctx.font = `${12 * ratio}px ${getComputedStyle(document.body).fontFamily}`;
      ctx.textAlign = "center";
      ctx.textBaseline = "alphabetic";
      ctx.fillText(`time [${axisOf(...this.window, "s").name}]`, bbox.left + bbox.width / 2, bbox.top + bbox.height + (BOTTOM + 12) * ratio);
      ctx.restore();
    }
  }

  caption(u, panel) {
    const { name } = axisOf(u.scales.y.min ?? 0, u.scales.y.max ?? 1, panel.unit);
    return `${QUANTITIES[panel.unit] ?? ""} [${name || printedUnit(panel.unit) || "1"}]`.trim();
  }

  ring({ ctx, valToPos, bbox }, mark, x, ratio, taken) {
    const y = valToPos(mark.level, "y", true);
    ctx.strokeStyle = colour("ink");
    ctx.lineWidth = 1.5 * ratio;
    ctx.beginPath();
    ctx.arc(x, y, 5 * ratio, 0, 2 * Math.PI);
    ctx.stroke();
    const places = [[12, -8], [12, 16], [-12, -8], [-12, 16], [24, 4], [-24, 4]].map(([dx, dy]) => [x + dx * ratio, y + dy * ratio]);
    const free = places.find(([u, v]) => u > bbox.left + 8 * ratio && u < bbox.left + bbox.width - 8 * ratio && v > bbox.top + 8 * ratio && v < bbox.top + bbox.height
      && taken.every(([a, b]) => Math.abs(a - u) > 16 * ratio || Math.abs(b - v) > 12 * ratio)) ?? places[0];
    taken.push(free);
    ctx.lineWidth = 3 * ratio;
    ctx.strokeStyle = colour("sheet");
    ctx.strokeText(mark.number, ...free);
    ctx.fillStyle = colour("ink");
    ctx.fillText(mark.number, ...free);
  }

  flag({ ctx, bbox }, name, x, ratio) {
    ctx.strokeStyle = ctx.fillStyle = colour(name === "a" ? "cursor-a" : "cursor-b");
    ctx.lineWidth = 1.5 * ratio;
    ctx.setLineDash(name === "a" ? [] : [5 * ratio, 3 * ratio]);
    ctx.beginPath();
    ctx.moveTo(x, bbox.top);
    ctx.lineTo(x, bbox.top + bbox.height);
    ctx.stroke();
    ctx.setLineDash([]);
    ctx.fillRect(x - 7 * ratio, bbox.top - 8 * ratio, 14 * ratio, 15 * ratio);
    ctx.fillStyle = colour("sheet");
    ctx.textBaseline = "middle";
    ctx.fillText(name.toUpperCase(), x, bbox.top);
  }

  /** Cursors, marks and the window of a metric, drawn anew upon the same lines. */
  over({ cursors = this.cursors, marks = this.marks, band = this.band }) {
    Object.assign(this, { cursors, marks, band });
    this.redraw();
  }

  redraw() {
    for (const { plot } of this.panels) plot.redraw(true, true);
  }

  fit() {
    const { width, height } = this;
    for (const { plot } of this.panels) if (plot.width !== width) plot.setSize({ width, height });
    if (!this.panels.length || width === this.fitted) return;
    if (this.fitted) this.on.resized();
    this.fitted = width;
  }
}
