// Questions to the server. Every answer that is no success becomes an Error with its one line.

async function asked(path, pairs, options) {
  const query = new URLSearchParams(pairs).toString();
  const response = await fetch(query ? `${path}?${query}` : path, { credentials: "same-origin", ...options }).catch((error) => {
    throw error.name === "AbortError" ? error : new Error("the viewer does not answer: was it stopped in the terminal?");
  });
  if (response.ok) return response;
  const kind = response.headers.get("content-type") ?? "";
  const told = kind.startsWith("application/json") ? (await response.json()).error : await response.text();
  throw new Error(told || `the viewer answered ${response.status}`);
}

export async function json(path, pairs = [], options = {}) {
  return (await asked(path, pairs, options)).json();
}

export const posted = (path, pairs, body, kind) =>
  json(path, pairs, { method: "POST", body, headers: { "Content-Type": kind } });

/** Lines drawn in a window: a header's length, the header in JSON, all axes (f8), all values (f4). */
export async function view(names, [from, to], columns, signal) {
  const pairs = [...names.map((name) => ["trace", name]), ["from", from], ["to", to], ["columns", columns]];
  const bytes = await (await asked("/api/view", pairs, { signal })).arrayBuffer();
  const size = new DataView(bytes).getUint32(0, true);
  const { traces } = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, size)));
  const all = traces.reduce((sum, one) => sum + one.points, 0);
  let axisAt = 4 + size, valuesAt = axisAt + 8 * all;
  return traces.map((one) => {
    const found = { ...one, x: new Float64Array(bytes, axisAt, one.points), y: new Float32Array(bytes, valuesAt, one.points) };
    axisAt += 8 * one.points;
    valuesAt += 4 * one.points;
    return found;
  });
}

export const csvAddress = (names, [from, to]) =>
  `/api/csv?${new URLSearchParams([...names.map((name) => ["trace", name]), ["from", from], ["to", to]])}`;
