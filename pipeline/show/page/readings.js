// The readings of a takeover: both runners' courses, and what the figures draw and say of them.
const root = document.documentElement;
const SVG = "http://www.w3.org/2000/svg";
const make = (tag, kind, parent, given = {}) => {
  const made = document.createElementNS(SVG, tag);
  made.setAttribute("class", kind);
  for (const [name, value] of Object.entries(given)) made.setAttribute(name, value);
  parent.append(made);
  return made;
};
const makeHtml = (tag, kind, parent, words = "") => {
  const made = document.createElement(tag);
  made.className = kind;
  made.textContent = words;
  parent.append(made);
  return made;
};
const all = (selector, within = document) => [...within.querySelectorAll(selector)];

// --- courses -----------------------------------------------------------------------------

const EVERY_S = 0.1;
const ERROR_ROWS = 10;
const GAP_TOP_M = 8;
const numbers = (text) => (text.match(/-?[\d.]+/g) ?? []).map(Number);
const summed = (values) => { let sum = 0; return values.map((step) => (sum += step)); };
const course = (text) => {
  if (!text) return null;
  const [first, ...columns] = text.split(";").map(numbers);
  const [s, sSd, v, vSd] = columns
    .map((column, k) => (k === 0 ? summed(summed(column)) : summed(column)))
    .map((column) => column.map((n) => n / 100));
  return { first: first[0] / 100, s, sSd, v, vSd };
};
const last = (one) => one.first + (one.s.length - 1) * EVERY_S;
const mixed = (column, row) => {
  const low = Math.max(0, Math.min(Math.floor(row), column.length - 2));
  const part = Math.min(row - low, 1);
  return column.length < 2 ? column[0] : column[low] + part * (column[low + 1] - column[low]);
};
const at = (one, t) => {
  const row = (t - one.first) / EVERY_S;
  if (row < -0.01 || row > one.s.length - 0.99) return null;
  const error = row / ERROR_ROWS;
  return {
    t, s: mixed(one.s, row), sSd: mixed(one.sSd, error),
    v: mixed(one.v, row), vSd: mixed(one.vSd, error),
  };
};
const when = (one, s) => {
  for (let row = 1; row < one.s.length; row += 1) {
    if (one.s[row - 1] < s && one.s[row] >= s) {
      const part = (s - one.s[row - 1]) / (one.s[row] - one.s[row - 1]);
      return one.first + (row - 1 + part) * EVERY_S;
    }
  }
  return null;
};
const moments = (one) => one.s.map((_, row) => one.first + row * EVERY_S);
const coursesOf = (figure) => ({
  in: course(figure.dataset.in), out: course(figure.dataset.out),
  names: { in: figure.dataset.nameIn, out: figure.dataset.nameOut },
  pass: figure.dataset.pass === undefined ? null : Number(figure.dataset.pass),
});
const found = (courses, side, view, x) => {
  const one = courses[side];
  if (!one) return null;
  const t = view === "zone" ? when(one, x) : x;
  return t === null ? null : at(one, t);
};

// What only a script can draw lies packed in the page: tag, number of the class, attributes, and
// words or what is inside.
const kinds = (document.getElementById("kinds")?.textContent ?? "").split("|");
const unpack = ([tag, kind, given, inner], parent) => {
  const made = make(tag, kinds[kind], parent, given);
  if (typeof inner === "string") made.textContent = inner;
  else inner?.forEach((one) => unpack(one, made));
};

// --- words -------------------------------------------------------------------------------

// The page holds every sentence, in its own language, with {places} for names and numbers.
const words = JSON.parse(document.getElementById("words").textContent);
const say = (key, values = {}) => words[key].replace(/\{(\w+)\}/g, (_, name) => values[name]);
const fixed = (value, digits) => {
  const text = value.toFixed(digits);
  return (Number(text) === 0 ? text.replace("-", "") : text)
    .replace("-", "−").replace(".", words.decimal);
};
const error = (sd, digits) => fixed(Math.max(sd, 10 ** -digits), digits);
const inWords = (courses, view, x) => {
  const both = { in: found(courses, "in", view, x), out: found(courses, "out", view, x) };
  const told = [view === "zone"
    ? say("place", { place: fixed(x, 1) }) : say("moment", { time: fixed(x, 2) })];
  for (const side of ["in", "out"]) {
    const one = both[side];
    if (!one) continue;
    told.push(say(view === "zone" ? "speedAtTime" : "speedAtPlace", {
      name: courses.names[side], speed: fixed(one.v, 2), error: error(one.vSd, 2),
      time: fixed(one.t, 2), place: fixed(one.s, 1),
    }));
  }
  if (view === "clock" && both.in && both.out) {
    const sd = Math.hypot(both.in.sSd, both.out.sSd);
    told.push(say("gapWithError", {
      gap: fixed(both.out.s - both.in.s, 1), error: error(sd, 1),
    }));
  }
  if (view === "clock" && courses.pass !== null) {
    told.push(say("holder", { name: courses.names[x < courses.pass ? "in" : "out"] }));
  }
  return { values: told.join(words.between), both };
};

// --- curves on the clock -------------------------------------------------------------------

const axes = (svg) => {
  const [low, high, left, right] = svg.dataset.x.split(" ").map(Number);
  const y = svg.dataset.y.split(" ").map(Number);
  const panel = (k) => {
    const [least, most, bottom, top] = y.slice(4 * k, 4 * k + 4);
    const down = (v) => bottom + (v - least) / (most - least) * (top - bottom);
    return { down: (v) => Math.min(Math.max(down(v), top), bottom) };
  };
  return {
    low, high, panel, down: panel(0).down,
    across: (x) => left + (x - low) / (high - low) * (right - left),
    back: (px) => low + (px - left) / (right - left) * (high - low),
    top: y[3], bottom: y[y.length - 2],
  };
};
// Rows of a reading: time, value, standard error; the pen is lifted between its pieces.
const speedRow = (one, t) => {
  const found = at(one, t);
  return found && { t, s: found.s, y: found.v, sd: found.vSd };
};
const speedRows = (one, from, to) => moments(one)
  .filter((t) => t > from && t < to).map((t) => speedRow(one, t));
const pieces = {
  in: (c) => [speedRows(c.in, -Infinity, Infinity)],
  out: (c) => [speedRows(c.out, -Infinity, Infinity)],
  baton: (c) => {
    if (c.pass === null || !c.out) return [speedRows(c.in, -Infinity, Infinity)];
    return [
      [...speedRows(c.in, -Infinity, c.pass), speedRow(c.in, c.pass)],
      [speedRow(c.out, c.pass), ...speedRows(c.out, c.pass, Infinity)],
    ].map((piece) => piece.filter(Boolean));
  },
  gap: (c) => {
    const found = [[]];
    for (const t of moments(c.out)) {
      const [a, b] = [at(c.in, t), at(c.out, t)];
      const y = a && b ? b.s - a.s : -1;
      if (y < 0 || y > GAP_TOP_M) found.push([]);
      else found.at(-1).push({ t, s: (a.s + b.s) / 2, y, sd: Math.hypot(a.sSd, b.sSd) });
    }
    return found;
  },
};
const tenth = (value) => Number(value.toFixed(1));
const line = (points) => `M${points.map(([x, y]) => `${tenth(x)} ${tenth(y)}`).join("L")}`;
const EVERY_SIGN = { zone: 0.5, clock: 5 }; // s over the zone, m over the clock
const signPlaces = (one, view) => {
  const [from, to] = view === "zone" ? [one.first, last(one)] : [one.s[0], one.s.at(-1)];
  const found = [];
  for (let k = Math.ceil(from / EVERY_SIGN[view]); k * EVERY_SIGN[view] <= to; k += 1) {
    const t = view === "zone" ? k * EVERY_SIGN.zone : when(one, k * EVERY_SIGN.clock);
    const row = t === null ? null : speedRow(one, t);
    if (row) found.push(row);
  }
  return found;
};
const drawLive = (path, courses, frame, view) => {
  const { reading, band, signs } = path.dataset;
  const kind = reading ?? band ?? signs;
  const sides = { baton: ["in"], gap: ["in", "out"] }[kind] ?? [kind];
  if (sides.some((side) => !courses[side])) return;
  const { down } = frame.panel(kind === "gap" ? 1 : 0);
  const x = (row) => (view === "zone" ? row.s : row.t);
  const isOn = (row) => x(row) >= frame.low && x(row) <= frame.high;
  const spot = (row, k = 0) => [frame.across(x(row)), down(row.y + k * row.sd)];
  if (signs !== undefined) {
    const places = signPlaces(courses[kind], view).filter(isOn).map((row) => spot(row).map(tenth));
    path.setAttribute("d", places.map((one) => `M${one.join(" ")}h0`).join(""));
    return;
  }
  const shown = pieces[kind](courses)
    .map((piece) => piece.filter(isOn)).filter((piece) => piece.length > 1);
  const edge = (piece, k) => piece.map((row) => spot(row, k));
  path.setAttribute("d", shown.map((piece) => (band === undefined
    ? line(piece.map((row) => spot(row)))
    : `${line([...edge(piece, 1), ...edge(piece, -1).reverse()])}z`)).join(""));
};
