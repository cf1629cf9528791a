// The picture as a file: panels as drawn, what they show, and the caution that goes with it.

import { colourOf } from "./picture.js";

const HEAD = 20, LINE = 18, EDGE = 12;
const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

/** A canvas with all panels, their captions and lines named. */
export function drawn(picture, titles, notes) {
  const ratio = devicePixelRatio, panels = picture.panels;
  const width = Math.max(...panels.map(({ plot }) => plot.ctx.canvas.width)) + 2 * EDGE * ratio;
  const named = panels.map((panel) => panel.lines.map((line) => [line, line.label]));
  const height = panels.reduce((sum, panel, k) => sum + panel.plot.ctx.canvas.height + (HEAD + LINE * named[k].length) * ratio, 0)
    + (2 * EDGE + LINE * (titles.length + notes.length)) * ratio;
  const canvas = document.createElement("canvas");
  Object.assign(canvas, { width, height });
  const ctx = canvas.getContext("2d");
  ctx.fillStyle = colour("sheet");
  ctx.fillRect(0, 0, width, height);
  let y = EDGE * ratio;
  const write = (text, shade = "ink", indent = 0, weight = "") => {
    ctx.font = `${weight} ${13 * ratio}px ${getComputedStyle(document.body).fontFamily}`;
    ctx.fillStyle = colour(shade);
    ctx.fillText(text, (EDGE + indent) * ratio, y + 13 * ratio, width - 2 * EDGE * ratio);
    y += LINE * ratio;
  };
  for (const title of titles) write(title, "ink", 0, "bold");
  panels.forEach((panel, k) => {
    write(panel.caption.textContent, "soft");
    for (const [line, label] of named[k]) {
      ctx.fillStyle = colour(colourOf(line.number));
      ctx.fillRect(EDGE * ratio, y + 7 * ratio, 22 * ratio, 3 * ratio);
      write(label, "ink", 30);
    }
    ctx.drawImage(panel.plot.ctx.canvas, EDGE * ratio, y);
    y += panel.plot.ctx.canvas.height + (HEAD - LINE) * ratio;
  });
  for (const note of notes) write(note, "soft");
  return canvas;
}

/** Hands a canvas to the browser as a PNG file. */
export function save(canvas, name) {
  return new Promise((resolve, reject) => canvas.toBlob((blob) => {
    if (!blob) return reject(new Error("the picture is too large to be saved"));
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
    return resolve(blob.size);
  }, "image/png"));
}
