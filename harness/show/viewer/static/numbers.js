// Numbers as people write them: engineering prefixes both ways, and the ticks of an axis.

const PREFIXES = [[1e9, "G"], [1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "µ"], [1e-9, "n"], [1e-12, "p"]];
const BARE = new Set(["degC", "K", "A2s", "W/K", "K/W", "deg", "1", "", "%"]); // units that take no prefix
const PRINTED = { degC: "°C", deg: "°", ohm: "Ω", A2s: "A²s", 1: "" };
const GAP = "\u00a0";

export const printedUnit = (unit) => PRINTED[unit] ?? unit;

/** The prefix a size is best told with: [factor, letter]. */
export function prefixFor(size, unit) {
  if (BARE.has(unit) || !(Math.abs(size) > 0) || !Number.isFinite(size)) return [1, ""];
  const slack = 1 + 1e-9;
  return PREFIXES.find(([factor]) => Math.abs(size) * slack >= factor) ?? PREFIXES.at(-1);
}

/** 0.00012 F reads 120 µF. */
export function engineering(value, unit, digits = 5) {
  if (value === null || value === undefined || Number.isNaN(value)) return "–";
  const [factor, letter] = prefixFor(value * (1 + 0.5 * 10 ** -digits), unit); // what rounds up to 1000 is told in the next
  const text = plain(value / factor, digits);
  const name = letter + printedUnit(unit);
  return (name ? `${text}${GAP}${name}` : text).replace("-", "−");
}

function plain(value, digits) {
  const text = value.toPrecision(digits);
  const [mantissa, exponent] = text.split("e");
  const short = mantissa.includes(".") ? mantissa.replace(/\.?0+$/, "") : mantissa;
  return exponent ? `${short}e${exponent}` : short;
}

/** An instant, with as many digits as tell neighbouring pixels of a window apart. */
export function instant(value, unit, span) {
  if (value === null || value === undefined) return "";
  const size = Math.max(Math.abs(value), 1e-15);
  const digits = span > 0 ? Math.ceil(Math.log10(size / span)) + 5 : 6;
  return engineering(value, unit, Math.min(15, Math.max(5, digits)));
}

/** SI value of a text such as "12 ms", "1.5e-3" or "40u"; null where it is none. */
export function parsed(text, unit) {
  const match = /^\s*([+\-−]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([GMkmµμunp]?)\s*([A-Za-z]*)\s*$/.exec(text);
  if (!match || (match[3] && match[3] !== unit)) return null;
  const letter = { "μ": "µ", u: "µ" }[match[2]] ?? match[2];
  // 12 ms is read as 12e-3 and not as 12 times 0.001, so that what is shown reads back as the same number
  const exponent = Math.round(Math.log10(PREFIXES.find(([, own]) => own === letter)[0]));
  const [mantissa, own = "0"] = match[1].replace("−", "-").toLowerCase().split("e");
  const value = Number(`${mantissa}e${Number(own) + exponent}`);
  return Number.isFinite(value) ? value : null;
}

export const percent = (share) =>
  share === null || share === undefined ? "–"
    : `${share < 0 ? "−" : "+"}${Math.abs(share * 100).toFixed(1)}${GAP}%`;

/** How an axis is labelled over a range: factor, unit with prefix, and what is taken off first where digits would run out. */
export function axisOf(low, high, unit) {
  const size = Math.max(Math.abs(low), Math.abs(high)), span = high - low;
  if (size > 0 && span / size < 1e-4 && unit === "s") {
    const [factor, letter] = prefixFor(span, unit);
    const step = 10 ** Math.floor(Math.log10(span));
    const from = Math.floor(low / step) * step;
    return { factor, from, name: `${letter}${unit} after ${instant(from, unit, span)}` };
  }
  const [factor, letter] = prefixFor(size, unit);
  return { factor, from: 0, name: letter + printedUnit(unit) };
}

export function ticks(axis, places, step) {
  const isWhole = (size) => Math.round(size) > 0 && Math.abs(size - Math.round(size)) < 1e-6 * size;
  let decimals = 0; // as many as the step itself has, 0.25 two
  while (decimals < 12 && !isWhole((step / axis.factor) * 10 ** decimals)) decimals += 1;
  return places.map((at) => ((at - axis.from) / axis.factor + 0).toFixed(decimals).replace(/^-(0(\.0*)?)$/, "$1").replace("-", "−"));
}

export const words = (name) => name.replaceAll("_", " ");
