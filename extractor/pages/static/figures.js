// The list of figures, the questions, and what can be said of one figure.

import { $, make } from "./base.js";
import { KINDS, QUANTITIES, STATISTICS, meaningOf, unitWord } from "./words.js";
import { change, desk, doc, keep, say, trial } from "./desk.js";
import { entryOf, freeName, measure, readoutOf, remove, rename, setReadout } from "./document.js";
import { same, select } from "./stage.js";
import { show } from "./showing.js";

export function crop(box, index = desk.at, fit = false) {
  if (!box) return make("div", { class: "crop none soft" }, "not shown here");
  const room = 4;
  const [x, y, w, h] = [box[0] - room, box[1] - room, box[2] + 2 * room, box[3] + 2 * room];
  const query = new URLSearchParams({ x: Math.floor(x), y: Math.floor(y), w: Math.ceil(w + 1), h: Math.ceil(h + 1), of: desk.captures[index].key });
  const grow = fit ? 1 : h < 26 ? 2 : 1;
  const image = make("img", { src: `/api/captures/${index}/crop?${query}`, alt: "", width: Math.ceil(w + 1) * grow });
  return make("div", { class: fit ? "crop fit" : "crop" }, image);
}

export function figuresPanel() {
  const parts = [];
  if (!desk.draft.closed) parts.push(intro());
  for (const note of [...desk.notices, ...desk.draft.notes]) parts.push(make("p", { class: "notice" }, note));
  for (const fault of desk.tried.faults) parts.push(make("p", { class: "fault" }, `${fault[0].toUpperCase()}${fault.slice(1)}.`));
  if (trial() && !trial().found && !desk.tried.faults.length)
    parts.push(make("p", { class: "fault" }, desk.at === 0 ? "The layout was not found again on the capture it is drawn on: draw more landmarks." : "The layout was not found on this capture. Does it show the same layout? If so, draw more landmarks on the first one."));
  for (const question of desk.draft.questions) parts.push(questionElement(question));
  for (const line of doc().line ?? []) parts.push(lineElement(line));
  const list = make("ul", { class: "rows" }, doc().readout.map(rowElement));
  parts.push(make("h2", {}, `${doc().readout.length} ${doc().readout.length === 1 ? "figure" : "figures"}`), list);
  return parts;
}

function intro() {
  return make("details", { class: "intro", open: true, ontoggle: (event) => { if (!event.target.open && !desk.draft.closed) { desk.draft.closed = true; keep(); show(); } } },
    make("summary", {}, "New here? Four steps (click to close)"),
    make("ol", {},
      make("li", {}, "Below is every figure that was found: what the picture shows, what was read, and what it was taken for. Answer the questions, and correct what is wrong: click a figure, then choose what it is."),
      make("li", {}, "On the capture, drag a box to move it, drag its handles to resize it. Drag on an empty place to draw a new one. Leave room for one more digit."),
      make("li", {}, "Add a capture or two of other devices. The layout is looked for on them, and you see what is read there."),
      make("li", {}, "Save. ", make("code", {}, "ocrlog extract"), " then reads this layout on every device."),
    ));
}

function questionElement(question) {
  const box = make("fieldset", { class: "question" }, make("legend", {}, question.ask));
  const readout = readoutOf(question.about);
  const [sort, name, key] = question.about.split(":");
  if (sort === "trace") {
    const trace = (doc().trace ?? []).find((each) => each.name === name);
    if (trace) box.append(crop(trace.plot, 0, true));
    const options = key === "t_unit" ? question.choices : traceChoices();
    box.append(make("div", { class: "chips" }, options.map(([value, words]) =>
      make("button", { type: "button", onclick: () => answerTrace(question, name, key, value) }, words))));
  } else if (readout) {
    const shown = trial()?.readings?.[readout.name]?.box ?? (desk.at === 0 ? readout.box : null);
    box.append(crop(shown), quantityChips(readout, "question"));
  } else {
    box.append(make("div", { class: "chips" }, question.choices.map(([value, words]) =>
      make("button", { type: "button", onclick: () => answer(question, value) }, words))));
  }
  return box;
}

function answer(question, value) {
  change(() => {
    const key = question.about.replace("marks.", "");
    desk.draft.calibration.marks[key] = value;
    if (key === "decimal" && desk.draft.calibration.marks.thousands === value) delete desk.draft.calibration.marks.thousands;
    desk.draft.questions = desk.draft.questions.filter((each) => each !== question && each.about !== question.about);
  });
}

export const traceChoices = () => Object.entries(QUANTITIES).filter(([key]) => !["render_size", "outcome", "duration"].includes(key)).map(([key, [words]]) => [key, words]);

export function measureTrace(name, what) {
  const trace = desk.draft.calibration.trace.find((one) => one.name === name);
  const [quantity, sensor] = what.split(" ");
  trace.quantity = quantity;
  if (sensor) trace.sensor = sensor;
  else delete trace.sensor;
  const { units, names } = entryOf(quantity, sensor);
  if (!units.includes(trace.unit)) trace.unit = units[0] ?? "";
  desk.draft.questions = desk.draft.questions.filter((each) => each.about !== `trace:${name}:what`);
  if (!/^trace_\d+$/.test(name) || quantity === "other") return;
  trace.name = freeName(names.now, desk.draft.calibration.trace.map((one) => one.name));
  for (const question of desk.draft.questions) question.about = question.about.replace(`trace:${name}:`, `trace:${trace.name}:`);
}

function answerTrace(question, name, key, value) {
  change(() => {
    if (key === "what") measureTrace(name, value);
    else desk.draft.calibration.trace.find((one) => one.name === name)[key] = value;
    desk.draft.questions = desk.draft.questions.filter((each) => each.about !== `trace:${name}:${key}`);
  });
}

function underlined(words, key) {
  const index = words.toLowerCase().indexOf(key);
  if (index < 0) return [words, " ", make("u", {}, key)];
  return [words.slice(0, index), make("u", {}, words[index]), words.slice(index + 1)];
}

/** What may be measured, given the unit that is drawn. */
function fitting(readout) {
  const open = !readout.unit || readout.quantity === "other";
  return desk.vocabulary.filter((each) => each.quantity === "other" || each.quantity === readout.quantity ||
    (readout.kind === "word" ? each.quantity === "outcome" : each.units.includes(readout.unit) || (open && !readout.unit)));
}

function quantityChips(readout, where) {
  return make("div", { class: "chips", role: "group", "aria-label": "What is measured" }, fitting(readout).map((each) => {
    const [words, key] = QUANTITIES[each.sensor ? `${each.quantity} ${each.sensor}` : each.quantity];
    const chosen = each.quantity === readout.quantity && (each.sensor ?? null) === (readout.sensor ?? null);
    return make("button", { type: "button", "aria-pressed": where === "question" ? undefined : String(chosen), onclick: () => measure(readout.name, each.quantity, each.sensor ?? undefined) }, underlined(words, key));
  }));
}

function statisticChips(readout) {
  return make("div", { class: "chips", role: "group", "aria-label": "Which value of it" }, Object.entries(STATISTICS).map(([name, [words, key]]) => {
    return make("button", { type: "button", "aria-pressed": String((readout.statistic ?? "now") === name), onclick: () => measure(readout.name, readout.quantity, readout.sensor, name) }, make("u", {}, key), ` ${words}`);
  }));
}

function lineElement(line) {
  return make("div", { class: "entry", "aria-current": same(desk.selected, { sort: "line", name: line.name }) ? "true" : undefined },
    make("h3", {}, "A flowing line"),
    make("p", { class: "soft" }, "Its figures move as digits come and go; the words around them tell where they are. Write a figure as {name}."),
    field("Words and figures", make("textarea", { class: "name", rows: 3, spellcheck: "false", onchange: (event) => change(() => { desk.draft.calibration.line.find((each) => each.name === line.name).pattern = event.target.value.replace(/\s*\n\s*/g, " "); }) }, line.pattern)),
    make("div", { class: "foot" },
      make("button", { type: "button", onclick: () => { desk.at = 0; select({ sort: "line", name: line.name }); $("sheet").querySelector('.box[aria-current="true"]')?.focus(); } }, "Its box"),
      make("button", { type: "button", onclick: () => { desk.selected = { sort: "line", name: line.name }; remove(); } }, "Remove the line and its figures")));
}

const VERDICTS = { released: "read without doubt", flagged: "in doubt", missing: "no value", hidden: "not shown here" };

function rowElement(readout) {
  const reading = trial()?.readings?.[readout.name];
  const box = reading?.box ?? (desk.at === 0 ? readout.box : null);
  const open = same(desk.selected, { sort: "readout", name: readout.name });
  const state = reading?.state ?? "";
  const label = desk.draft.labels[readout.name];
  const row = make("button", {
    type: "button", class: "row", "aria-expanded": String(open), "data-row": readout.name,
    onclick: () => { desk.selected = open ? null : { sort: "readout", name: readout.name }; show(); if (!open) reveal(); },
    onkeydown: (event) => rowKey(event, readout),
  },
    crop(box),
    make("span", { class: "figures" }, reading?.text || (reading ? "nothing" : "…")),
    make("span", { class: "what" }, make("b", {}, readout.name), ` · ${meaningOf(readout)}${label ? ` · beside it: ${label}` : ""}`),
    make("span", { class: `verdict ${state}` }, state === "released" && readout.kind === "word" ? "read" : (VERDICTS[state] ?? "")));
  return make("li", {}, row, open ? editor(readout, reading) : null);
}

function reveal() {
  const box = $("sheet").querySelector('.box[aria-current="true"]');
  box?.scrollIntoView({ block: "nearest", inline: "nearest" });
  $("panel").querySelector('[aria-expanded="true"]')?.parentElement.scrollIntoView({ block: "nearest" });
}

function rowKey(event, readout) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const names = doc().readout.map((each) => each.name);
  const here = names.indexOf(readout.name);
  const next = { ArrowDown: here + 1, ArrowUp: here - 1 }[event.key];
  if (next !== undefined) {
    event.preventDefault();
    if (names[next] === undefined) return;
    desk.selected = { sort: "readout", name: names[next] };
    show();
    focusRow(names[next]);
    reveal();
    return;
  }
  if (event.key === "F2") {
    event.preventDefault();
    desk.selected = { sort: "readout", name: readout.name };
    show();
    const input = $("panel").querySelector(".editor input.name");
    input?.focus();
    input?.select();
    return;
  }
  if (event.key === "Delete" || event.key === "Backspace") {
    event.preventDefault();
    desk.selected = { sort: "readout", name: readout.name };
    remove();
    if (names[here + 1]) focusRow(names[here + 1]);
    return;
  }
  const statistic = Object.entries(STATISTICS).find(([, [, key]]) => key === event.key)?.[0];
  const quantity = Object.entries(QUANTITIES).find(([, [, key]]) => key === event.key.toLowerCase())?.[0];
  if (!statistic && !quantity) return;
  event.preventDefault();
  const [what, sensor] = (quantity ?? "").split(" ");
  if (statistic) measure(readout.name, readout.quantity, readout.sensor, statistic);
  else measure(readout.name, what, sensor);
  focusRow(doc().readout[here].name);
}

export const focusRow = (name) => $("panel").querySelector(`[data-row="${name}"]`)?.focus();

export function field(words, input, ...more) {
  return make("label", {}, words, input, ...more);
}

export function numberField(words, value, put, attributes = {}) {
  return field(words, make("input", { type: "number", step: "any", value: value ?? "", onchange: (event) => put(event.target.value === "" ? null : Number(event.target.value)), ...attributes }));
}

export function choice(words, value, options, put) {
  return field(words, make("select", { onchange: (event) => put(event.target.value) }, options.map(([key, shown]) => make("option", { value: key, selected: key === (value ?? "") }, shown))));
}

function editor(readout, reading) {
  const name = readout.name;
  const put = (key) => (value) => setReadout(name, key, value);
  const units = entryOf(readout.quantity, readout.sensor)?.units ?? [];
  const more = make("details", {}, make("summary", {}, "More about how it is written"),
    make("div", { class: "grid" },
      choice("Form", readout.kind, Object.entries(KINDS), put("kind")),
      choice("Unit", readout.unit, [...new Set(["", ...units, readout.unit ?? ""])].map((unit) => [unit, unitWord(unit)]), put("unit")),
      numberField("Decimals, if always as many", readout.decimals, put("decimals"), { min: 0, max: 6, step: 1 }),
      field("Mark for no value", make("input", { value: readout.missing ?? "", onchange: (event) => put("missing")(event.target.value) })),
      numberField("Never below", readout.bounds?.[0], (value) => setReadout(name, "bounds", value === null ? null : [value, readout.bounds?.[1] ?? value + 1])),
      numberField("Never above", readout.bounds?.[1], (value) => setReadout(name, "bounds", value === null ? null : [readout.bounds?.[0] ?? 0, value])),
      choice("The last digit is", readout.rounding ?? "half", [["half", "rounded"], ["down", "cut off"]], put("rounding")),
      field("Unit inside the box", make("input", { value: readout.drawn_unit ?? "", onchange: (event) => put("drawn_unit")(event.target.value) }))));
  return make("div", { class: "editor", onkeydown: (event) => { if (event.key === "Escape") { if (event.target instanceof HTMLInputElement) event.target.value = event.target.defaultValue; desk.selected = null; show(); focusRow(name); } } },
    make("h3", {}, "What is measured?"), quantityChips(readout, "editor"),
    readout.kind === "word" ? null : make("h3", {}, "Which value of it?"), readout.kind === "word" ? null : statisticChips(readout),
    field("Name in the tables", make("input", { class: "name", value: name, pattern: "[a-z][a-z0-9_]*", maxlength: 60, spellcheck: "false", onchange: (event) => named(name, event.target.value) })),
    reading?.why.length ? make("ul", { class: "why" }, reading.why.map((why) => make("li", {}, why))) : null,
    more,
    make("div", { class: "foot" },
      desk.at === 0 && readout.box ? make("button", { type: "button", onclick: () => $("sheet").querySelector('.box[aria-current="true"]')?.focus() }, "Move its box with the keys") : null,
      make("button", { type: "button", onclick: remove }, "Remove this figure")));
}

function named(old, typed) {
  const wanted = typed.trim().toLowerCase().replace(/[^a-z0-9_]+/g, "_").replace(/^[^a-z]+/, "");
  if (!wanted) {
    say("A name begins with a letter a to z.", true);
    show();
    return;
  }
  change(() => {
    const name = rename(old, wanted);
    if (!desk.draft.named.includes(name)) desk.draft.named.push(name);
  });
}
