// Elements made of text alone: nothing that comes from a record or a file is ever read as markup.

/** An element with attributes and children; children are elements or texts, listeners are attributes "onclick". */
export function make(tag, attributes = {}, ...children) {
  const found = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) found.addEventListener(name.slice(2), value);
    else if (value === true) found.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) found.setAttribute(name, value);
  }
  found.append(...children.filter((child) => child !== null && child !== undefined));
  return found;
}

export const byId = (id) => document.getElementById(id);

/** A verdict as a word with a sign, since colour alone tells nobody who sees none. */
const SIGNS = { within: "✓", over: "✕", undecided: "?", unjudged: "–", failed: "!", none: "·" };
const WORDS = { none: "not assessed" };
export function chip(verdict) {
  const style = verdict === "none" ? "unjudged" : verdict;
  return make("span", { class: `chip ${style}` }, `${SIGNS[verdict] ?? ""} ${WORDS[verdict] ?? verdict}`);
}

/** Cells of a table that folds into cards on a narrow screen; each is [label, content, class]. */
export function row(cells, attributes = {}) {
  return make("tr", { role: "row", ...attributes }, ...cells.map(([label, content, style], index) =>
    make(index ? "td" : "th", {
      role: index ? "cell" : "rowheader", scope: index ? null : "row", "data-label": index ? label : null, class: style,
    }, ...(Array.isArray(content) ? content : [content]))));
}

export function head(table, labels) {
  table.querySelector("thead tr").replaceChildren(
    ...labels.map(([label, style]) => make("th", { scope: "col", role: "columnheader", class: style }, label)));
}

/** Runs the last call of a burst, some milliseconds after it. */
export function settled(work, milliseconds) {
  let timer = 0;
  return (...given) => {
    clearTimeout(timer);
    timer = setTimeout(() => work(...given), milliseconds);
  };
}
