// The practice sheet on a telephone: reps are kept as rows of the sheet's own columns, all texts.
const facts = JSON.parse(document.getElementById("facts").textContent);
const words = facts.words;
const byId = (id) => document.getElementById(id);
const form = byId("rep");
const key = "practice-sheet " + facts.session;
const numbers = Object.keys(facts.ranges);
let reps = [];
let editing = null; // the place in reps of the rep in the form
let start = ""; // ISO 8601 in UTC, to the second
let isKept = true; // whether this browser keeps what is written down

const say = (pattern, values) =>
  pattern.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));

// --- what is kept in the browser ---

function store() {
  try {
    localStorage.setItem(key, JSON.stringify({ base: facts.rows, reps, savedText }));
  } catch (problem) {
    isKept = false;
  }
  byId("not-kept").hidden = isKept;
}

function restore() {
  let stored = null;
  try {
    stored = JSON.parse(localStorage.getItem(key));
  } catch (problem) {
    isKept = false;
  }
  reps = facts.rows.map((row) => ({ ...row }));
  if (!stored || !Array.isArray(stored.reps)) return;
  if (JSON.stringify(stored.base) === JSON.stringify(facts.rows)) {
    reps = stored.reps;
  } else { // the page was made anew from a newer sheet: what that lacks comes after it
    const known = new Set(reps.map((row) => row.rep));
    reps = reps.concat(stored.reps.filter((row) => !known.has(row.rep)));
  }
  savedText = stored.savedText || "";
}

// --- the form ---

const chosen = (name) => {
  const radio = form.querySelector(`input[name="${name}"]:checked`);
  return radio ? radio.value : "";
};
const choose = (name, value) => {
  for (const radio of form.querySelectorAll(`input[name="${name}"]`)) {
    radio.checked = radio.value === value;
  }
};
const field = (name) => byId("f-" + name);
const nextNumber = () =>
  1 + Math.max(0, ...reps.map((row) => (/^\d+$/.test(row.rep || "") ? Number(row.rep) : 0)));

function plainNumber(text) {
  const half = text.trim().replace("½", ".5").replace(",", ".").replace("−", "-");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(half) ? Number(half) : NaN;
}

/* A number of a cell as the language writes it. */
const shown = (text) => (text || "").replace(".", facts.decimal);

function complain(name, text) {
  const box = byId("wrong-" + name);
  box.textContent = text;
  const control = field(name);
  if (control) {
    control.setAttribute("aria-invalid", text ? "true" : "false");
  }
  return text !== "";
}

function markColumn() {
  return chosen("unit") === "m" ? "mark_m" : "mark_feet";
}

/* The row that the form holds; null where something in it is wrong, which is said beside it. */
function rowOfForm() {
  const row = {};
  // Columns that the form does not have keep what an edited rep has in them.
  for (const column of facts.columns) row[column] = "";
  for (const column of facts.others) row[column] = (editing !== null && reps[editing][column]) || "";
  row.rep = editing === null ? String(nextNumber()) : reps[editing].rep;
  let wrong = null;
  const refuse = (name, text) => {
    if (complain(name, text) && wrong === null) wrong = name;
  };
  row.incoming = chosen("incoming");
  row.outgoing = chosen("outgoing");
  refuse("incoming", row.incoming ? "" : words.who);
  const same = row.incoming && row.incoming === row.outgoing;
  refuse("outgoing", row.outgoing ? (same ? words.same : "") : words.who);
  for (const name of numbers) {
    const from = name === "mark_m" || name === "mark_feet" ? "mark" : name;
    if (from === "mark" && name !== markColumn()) continue;
    const text = field(from).value.trim();
    const value = plainNumber(text);
    const [low, high] = facts.ranges[name];
    const fits = text === "" || (value >= low && value <= high);
    refuse(from, fits ? "" : say(words.range, { low: shown(String(low)), high: shown(String(high)) }));
    if (text !== "" && fits) row[name] = String(value);
  }
  refuse("unit", field("mark").value.trim() === "" || chosen("unit") ? "" : words.unit);
  row.zone = chosen("zone");
  for (const name of ["lane", "drill", "technique", "hand", "race"]) {
    row[name] = field(name) ? field(name).value : "";
  }
  row.use = field("use").checked ? "no" : "";
  row.start_utc = start;
  const note = field("note").value.trim().replace(/\s+/g, " ");
  row.note = [chosen("outcome"), note].filter((part) => part).join("; ");
  if (wrong !== null) {
    const control = field(wrong) || form.querySelector(`input[name="${wrong}"]`);
    const folded = control.closest("details");
    if (folded) folded.open = true;
    control.focus();
    return null;
  }
  return row;
}

function fillForm(row) {
  choose("incoming", row.incoming || "");
  choose("outgoing", row.outgoing || "");
  choose("zone", row.zone || "");
  if (row.mark_m) choose("unit", "m");
  else if (row.mark_feet) choose("unit", "feet");
  field("mark").value = shown(row.mark_feet || row.mark_m);
  for (const name of numbers) {
    if (!name.startsWith("mark_")) field(name).value = shown(row[name]);
  }
  for (const name of ["lane", "drill", "technique", "hand", "race"]) {
    if (field(name)) field(name).value = row[name] || "";
  }
  field("use").checked = row.use === "no";
  const parts = (row.note || "").split("; ");
  const known = facts.outcomes.includes(parts[0]) ? parts.shift() : "";
  choose("outcome", known);
  field("note").value = parts.join("; ");
  start = row.start_utc || "";
  for (const box of form.querySelectorAll(".wrong")) box.textContent = "";
  for (const control of form.querySelectorAll("[aria-invalid]")) {
    control.setAttribute("aria-invalid", "false");
  }
  showStart();
  showFoot();
}

function freshForm() {
  const last = reps[reps.length - 1] || {};
  editing = null;
  const unit = chosen("unit");
  fillForm({ zone: last.zone || (facts.zones.length === 1 ? facts.zones[0] : ""), lane: last.lane });
  choose("unit", unit || facts.unit);
  field("hint").textContent = "";
  show();
}

/* The mark that this pair had the last time, where nothing stands there yet. */
function suggestMark() {
  const pair = [chosen("incoming"), chosen("outgoing")];
  const former = reps.filter((row, i) => i !== editing && row.incoming === pair[0] &&
    row.outgoing === pair[1] && (row.mark_feet || row.mark_m)).pop();
  const box = field("mark");
  const wasSuggested = field("hint").textContent !== "";
  if (editing === null && (box.value === "" || wasSuggested)) {
    box.value = former ? shown(former.mark_feet || former.mark_m) : "";
    field("hint").textContent = former ? say(words.asLast, { rep: former.rep }) : "";
    if (former) choose("unit", former.mark_m ? "m" : "feet");
  }
  showFoot();
}

function step(by) {
  const size = chosen("unit") === "m" ? 0.1 : 0.5;
  const value = plainNumber(field("mark").value);
  const next = Number.isNaN(value) ? (chosen("unit") === "m" ? 7 : 25) : value + by * size;
  field("mark").value = shown(String(Math.round(next * 100) / 100));
  field("hint").textContent = "";
  showFoot();
}

// --- the clock ---

const two = (number) => String(number).padStart(2, "0");
const wallTime = (iso) => {
  const when = new Date(iso);
  return `${two(when.getHours())}:${two(when.getMinutes())}:${two(when.getSeconds())}`;
};
const isoSeconds = (when) => when.toISOString().slice(0, 19) + "Z";

function showStart() {
  const known = start !== "" && !Number.isNaN(new Date(start).getTime());
  field("time").value = known ? wallTime(start) : "";
}

function takeTime() {
  const text = field("time").value; // local, of the day of the start, or of today
  if (text === "") {
    start = "";
    return;
  }
  const known = start !== "" && !Number.isNaN(new Date(start).getTime());
  const when = known ? new Date(start) : new Date();
  const [hours, minutes, seconds] = text.split(":").map(Number);
  when.setHours(hours, minutes, seconds || 0, 0);
  start = isoSeconds(when);
}

// --- the sheet as CSV ---

const allColumns = [...facts.columns, ...facts.others];

function cell(column, text) {
  // a note that a spreadsheet would take for a formula gets a ' before it
  const plain = column === "note" && /^\s*[=+\-@＝＋－＠﹦﹢﹣﹫]/.test(text) ? "'" + text : text;
  return /[",;\t\r\n]/.test(plain) ? '"' + plain.replace(/"/g, '""') + '"' : plain;
}

const csvText = () =>
  [allColumns.map((name) => cell("", name)),
    ...reps.map((row) => allColumns.map((name) => cell(name, row[name] || "")))]
    .map((cells) => cells.join(",") + "\n").join("");

let savedText = "";

function saveFile() {
  const text = csvText();
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
  link.download = facts.file;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  savedText = text;
  store();
  show();
  status(say(words.saved, { file: facts.file }));
}

async function copyText() {
  const area = byId("csv");
  area.select();
  try {
    await navigator.clipboard.writeText(area.value);
  } catch (problem) {
    document.execCommand("copy");
  }
  status(words.copied);
}

// --- showing ---

const status = (text) => { byId("status").textContent = text; };

function showFoot() {
  const foot = facts.runners[chosen("outgoing")];
  const lacks = chosen("outgoing") !== "" && foot === null && chosen("unit") === "feet";
  const mark = plainNumber(field("mark").value);
  field("foot").textContent = lacks ? say(words.noFoot, { runner: chosen("outgoing") })
    : chosen("unit") === "m" && mark > facts.fromFeet ? say(words.manyMetres, { mark: shown(String(mark)) }) : "";
}

function wordsOfRow(row) {
  const mark = row.mark_feet ? say(words.markFeet, { mark: shown(row.mark_feet) })
    : row.mark_m ? say(words.markMetres, { mark: shown(row.mark_m) }) : "";
  const known = row.start_utc && !Number.isNaN(new Date(row.start_utc).getTime());
  const when = known ? wallTime(row.start_utc) : row.start_utc || "";
  const zone = row.zone ? say(words.inZone, { zone: row.zone }) : "";
  const drill = row.drill ? facts.drills[row.drill] || row.drill : "";
  return [when, zone, mark, drill, row.note].filter((part) => part).join(" · ");
}

function button(text, act, label) {
  const one = document.createElement("button");
  one.type = "button";
  one.textContent = text;
  one.setAttribute("aria-label", label);
  one.addEventListener("click", act);
  return one;
}

function show() {
  const number = editing === null ? nextNumber() : reps[editing].rep;
  byId("rep-head").textContent = say(words.rep, { rep: number });
  byId("keep").textContent = say(editing === null ? words.keep : words.change, { rep: number });
  byId("cancel").hidden = editing === null;
  const list = byId("reps");
  list.replaceChildren();
  for (const [place, row] of [...reps.entries()].reverse()) {
    const item = document.createElement("li");
    const told = document.createElement("div");
    told.className = "words";
    const head = document.createElement("b");
    head.textContent = say(words.row, row);
    const rest = document.createElement("small");
    rest.textContent = wordsOfRow(row);
    told.append(head, rest);
    const acts = document.createElement("div");
    acts.className = "row";
    acts.append(
      button(words.edit, () => edit(place), say(words.editRep, row)),
      button(words.remove, () => remove(place), say(words.removeRep, row)),
    );
    item.append(told, acts);
    list.append(item);
  }
  byId("none").hidden = reps.length > 0;
  const text = csvText();
  byId("csv").value = text;
  byId("unsaved").hidden = text === savedText || reps.length === 0;
}

function edit(place) {
  editing = place;
  field("hint").textContent = "";
  fillForm(reps[place]);
  show();
  byId("rep-head").focus();
}

let removed = null;

function remove(place) {
  removed = { place, row: reps[place] };
  reps.splice(place, 1);
  if (editing !== null) freshForm();
  store();
  show();
  status(say(words.removed, removed.row));
  byId("undo").hidden = false;
  byId("undo").focus();
}

function undo() {
  reps.splice(removed.place, 0, removed.row);
  byId("undo").hidden = true;
  store();
  show();
  status("");
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  const row = rowOfForm();
  if (row === null) {
    status(words.notYet);
    return;
  }
  if (editing === null) reps.push(row);
  else reps[editing] = row;
  byId("undo").hidden = true;
  store();
  freshForm();
  status(say(words.written, row));
  byId("rep-head").focus();
});
byId("start").addEventListener("click", () => {
  start = isoSeconds(new Date());
  showStart();
  status(say(words.started, { time: wallTime(start) }));
});
field("time").addEventListener("change", takeTime);
byId("nearer").addEventListener("click", () => step(-1));
byId("farther").addEventListener("click", () => step(1));
field("mark").addEventListener("input", () => {
  field("hint").textContent = "";
  showFoot();
});
for (const name of ["incoming", "outgoing"]) {
  for (const radio of form.querySelectorAll(`input[name="${name}"]`)) {
    radio.addEventListener("change", suggestMark);
  }
}
for (const radio of form.querySelectorAll('input[name="unit"]')) {
  radio.addEventListener("change", showFoot);
}
byId("cancel").addEventListener("click", () => { freshForm(); status(""); });
byId("save").addEventListener("click", saveFile);
byId("copy").addEventListener("click", copyText);
byId("undo").addEventListener("click", undo);
window.addEventListener("beforeunload", (event) => {
  if (!isKept && byId("csv").value !== savedText && reps.length > 0) event.preventDefault();
});

restore();
document.documentElement.classList.add("has-script");
freshForm();
store();
