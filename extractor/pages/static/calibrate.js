// The page of `ocrlog calibrate`: a calibration as a document, every change undoable and kept.

import { ask, copy, later, make } from "./base.js";
import { KEYS, KINDS, QUANTITIES, STATISTICS, meaningOf, unitWord } from "./words.js";

const $ = (id) => document.getElementById(id);
const TABS = { figures: "Figures", landmarks: "Found by", relations: "Relations", charts: "Charts", layout: "Layout" };
const MODES = { readout: "a figure", landmark: "a landmark", chart: "a chart" };
const round = (number) => Math.round(number * 10) / 10;

let draft = null; // { calibration, questions, labels, notes, named, closed }
let captures = [];
let vocabulary = { quantities: [], statistics: [] };
let places = { folder: "", target: "" };
let notices = [];
let at = 0; // the capture that is shown
let tab = "figures";
let mode = "readout";
let zoom = 0; // px of the screen a px of the capture; 0 fits it in
let selected = null; // { sort: readout | landmark | line | chart, name, side }
let tried = { faults: [], trials: [], relations: [] };
let saved = ""; // the calibration as it was saved last
let order = 0;
const undone = [];
const done = [];

const doc = () => draft.calibration;
const trial = () => tried.trials[at];
const say = (text, doubt = false) => {
  $("state").textContent = text;
  $("state").classList.toggle("doubt", doubt);
};

// ---------------------------------------------------------------- changes

/** Change the draft so that it can be undone; then keep, read and show it. */
function change(how) {
  done.push(JSON.stringify(draft));
  if (done.length > 300) done.shift();
  undone.length = 0;
  how(draft);
  settle();
}

function settle() {
  say("Reading …");
  show();
  keep();
  read();
}

function step(from, to) {
  if (!from.length) return;
  to.push(JSON.stringify(draft));
  draft = JSON.parse(from.pop());
  settle();
}

const keep = later(async () => {
  try {
    await ask("/api/draft", { method: "PUT", body: draft });
  } catch (error) {
    say(error.message, true);
  }
}, 120);

const read = later(async () => {
  const mine = ++order;
  try {
    const answer = await ask("/api/tried", { method: "POST", body: doc() });
    if (mine !== order) return;
    if (answer.faults.length) tried = { ...tried, faults: answer.faults };
    else tried = answer;
    show();
    summary();
  } catch (error) {
    if (mine === order) say(error.message, true);
  }
}, 150);

/** Say in one line how things stand. */
function summary() {
  if (tried.faults.length) {
    say(`Not ready to save: ${tried.faults[0]}`, true);
    return;
  }
  const states = tried.trials.flatMap((each) => Object.values(each.readings)).map((each) => each.state);
  const count = (state) => states.filter((each) => each === state).length;
  const found = tried.trials.filter((each) => each.found).length;
  const open = draft.questions.length;
  const doubts = count("flagged") ? `, ${count("flagged")} in doubt` : "";
  const questions = open ? ` ${open} ${open === 1 ? "question is" : "questions are"} open.` : "";
  const where = saved === JSON.stringify(doc()) ? `Saved to ${places.target}.` : "Your work is kept.";
  say(`Found on ${found} of ${captures.length} ${captures.length === 1 ? "capture" : "captures"}; ${count("released")} figures read without doubt${doubts}.${questions} ${where}`, Boolean(open));
}

// ---------------------------------------------------------------- the document

const readoutOf = (name) => doc().readout.find((each) => each.name === name);
const lineOf = (name) => (doc().line ?? []).find((each) => each.pattern.includes(`{${name}}`));
const entryOf = (key, sensor) =>
  vocabulary.quantities.find((each) => each.quantity === key && (each.sensor ?? null) === (sensor ?? null));
const wholeName = (name) => new RegExp(`(?<![a-z0-9_])${name}(?![a-z0-9_])`, "g");

function freeName(base, taken) {
  let name = base;
  for (let number = 2; taken.includes(name); number++) name = `${base}_${number}`;
  return name;
}

function rename(draft, old, wanted) {
  const others = draft.calibration.readout.map((each) => each.name).filter((each) => each !== old);
  const name = freeName(wanted, others);
  if (name === old) return old;
  draft.calibration.readout.find((each) => each.name === old).name = name;
  for (const line of draft.calibration.line ?? []) line.pattern = line.pattern.replaceAll(`{${old}}`, `{${name}}`);
  for (const relation of draft.calibration.relation ?? []) relation.that = relation.that.replace(wholeName(old), name);
  draft.labels[name] = draft.labels[old] ?? "";
  for (const question of draft.questions) if (question.about === old) question.about = name;
  draft.named = draft.named.map((each) => (each === old ? name : each));
  if (selected?.name === old) selected = { ...selected, name };
  return name;
}

/** What is measured decides unit, kind, bounds and, unless a person typed one, the name. */
function measure(name, quantity, sensor, statistic) {
  change((draft) => {
    const readout = draft.calibration.readout.find((each) => each.name === name);
    const entry = entryOf(quantity, sensor);
    const before = entryOf(readout.quantity, readout.sensor);
    if (quantity !== readout.quantity || sensor !== readout.sensor) {
      readout.quantity = quantity;
      if (sensor) readout.sensor = sensor;
      else delete readout.sensor;
      if (!entry.units.includes(readout.unit)) readout.unit = entry.units[0] ?? "";
      if (readout.unit !== "%" && readout.kind === "percentage") readout.kind = "number";
      if (readout.unit === "%") readout.kind = "percentage";
      if (quantity === "render_size") readout.kind = "size";
      else if (readout.kind === "size") readout.kind = "number";
      if (quantity === "outcome") readout.kind = "word";
      if (quantity === "duration" && readout.kind === "number" && readout.unit === "s") readout.kind = "duration";
      if (readout.kind === "word") for (const key of ["bounds", "decimals", "step", "trend"]) delete readout[key];
      else if (readout.kind === "size") for (const key of ["bounds", "decimals"]) delete readout[key];
      else if (entry.bounds[readout.unit]) readout.bounds = entry.bounds[readout.unit];
      if (readout.kind === "word") readout.unit = "";
      if (quantity === "share_at_floor") readout.statistic = "share";
      else if ((readout.statistic ?? "now") === (before?.usual ?? "now")) readout.statistic = entry.usual;
    }
    if (statistic) readout.statistic = statistic;
    draft.questions = draft.questions.filter((each) => each.about !== name);
    if (!draft.named.includes(name)) {
      const which = readout.statistic ?? "now";
      const plain = which === entry.usual || quantity === "share_at_floor";
      rename(draft, name, plain ? entry.stem : `${entry.stem.replace(/^battery_level$/, "level")}_${which}`);
    }
  });
}

function setReadout(name, key, value) {
  change((draft) => {
    const readout = draft.calibration.readout.find((each) => each.name === name);
    if (value === "" || value === null || Number.isNaN(value)) delete readout[key];
    else readout[key] = value;
    if (key === "unit" && !value) readout.unit = "";
    if (key === "kind" && value === "percentage") readout.unit = "%";
    if (key === "kind" && value === "duration") readout.unit = "s";
  });
}

function remove() {
  if (!selected) return;
  const { sort, name } = selected;
  if (sort === "readout" && lineOf(name)) {
    say(`${name} flows in a line: it tells where its neighbours are, so it stays. Remove the whole line to be rid of it.`, true);
    return;
  }
  change((draft) => {
    const calibration = draft.calibration;
    if (sort === "readout") dropReadouts(draft, [name]);
    else if (sort === "line") {
      const line = calibration.line.find((each) => each.name === name);
      const names = [...line.pattern.matchAll(/\{([a-z][a-z0-9_]*)\}/g)].map((each) => each[1]);
      calibration.line = calibration.line.filter((each) => each !== line);
      dropReadouts(draft, names);
    } else if (sort === "landmark") {
      calibration.landmark = calibration.landmark.filter((each) => each.name !== name);
      calibration.locating.needs = Math.max(1, Math.min(calibration.locating.needs, calibration.landmark.length));
      mendParts(calibration);
    } else {
      calibration.trace = calibration.trace.filter((each) => each.name !== name);
      draft.questions = draft.questions.filter((each) => !each.about.startsWith(`trace:${name}:`));
    }
    selected = null;
  });
  $("panel").focus();
}

function dropReadouts(draft, names) {
  const calibration = draft.calibration;
  calibration.readout = calibration.readout.filter((each) => !names.includes(each.name));
  calibration.relation = (calibration.relation ?? []).filter((each) => !names.some((name) => wholeName(name).test(each.that)));
  draft.questions = draft.questions.filter((each) => !names.includes(each.about));
}

/** Readouts keep to parts that a landmark has. */
function mendParts(calibration) {
  const parts = calibration.landmark.map((each) => each.part ?? "main");
  const usual = parts.includes("main") ? "main" : parts[0];
  for (const each of [...calibration.readout, ...(calibration.line ?? []), ...(calibration.trace ?? [])]) {
    if (!parts.includes(each.part ?? "main") && usual) each.part = usual;
    if (each.x_part && !parts.includes(each.x_part)) delete each.x_part;
  }
}

async function draw(box) {
  const inside = clamped(box);
  if (inside[2] < 4 || inside[3] < 4) return;
  if (mode === "readout") {
    const name = freeName("figure", doc().readout.map((each) => each.name));
    change((draft) => {
      draft.calibration.readout.push({ name, kind: "number", quantity: "other", statistic: "now", unit: "", box: inside, part: "main" });
      mendParts(draft.calibration);
      selected = { sort: "readout", name };
    });
    tab = "figures";
  } else if (mode === "landmark") {
    await cutLandmark(freeName("landmark", doc().landmark.map((each) => each.name)), inside, "main");
    tab = "landmarks";
  } else {
    const name = freeName("trace", (doc().trace ?? []).map((each) => each.name));
    change((draft) => {
      draft.calibration.trace = [...(draft.calibration.trace ?? []), { name, quantity: "other", unit: "", plot: inside, colour: "#000000", t_range: [0, 600], value_range: [0, 100] }];
      mendParts(draft.calibration);
      selected = { sort: "chart", name, side: "plot" };
    });
    tab = "charts";
  }
  show();
}

async function cutLandmark(name, box, part) {
  try {
    const entry = await ask("/api/landmark", { method: "POST", body: { name, box, part } });
    change((draft) => {
      const marks = draft.calibration.landmark;
      const index = marks.findIndex((each) => each.name === name);
      if (index < 0) marks.push(entry);
      else marks[index] = entry;
      mendParts(draft.calibration);
      selected = { sort: "landmark", name };
    });
  } catch (error) {
    say(error.message, true);
  }
}

function clamped([x, y, w, h]) {
  const [width, height] = doc().drawn_on;
  const wide = Math.min(Math.max(w, 2), width);
  const high = Math.min(Math.max(h, 2), height);
  return [round(Math.min(Math.max(x, 0), width - wide)), round(Math.min(Math.max(y, 0), height - high)), round(wide), round(high)];
}

// ---------------------------------------------------------------- boxes on the capture

/** All boxes of the capture that is shown: { sort, name, side, box, state, fixed }. */
function boxes() {
  const found = [];
  const now = trial();
  if (at === 0) {
    for (const each of doc().landmark) found.push({ sort: "landmark", name: each.name, box: each.box });
    for (const each of doc().trace ?? [])
      for (const side of ["plot", "t_labels", "value_labels"])
        if (each[side]) found.push({ sort: "chart", name: each.name, side, box: each[side] });
    for (const each of doc().line ?? []) found.push({ sort: "line", name: each.name, box: each.box });
    for (const each of doc().readout) {
      const reading = now?.readings?.[each.name];
      const box = each.box ?? reading?.box;
      if (box) found.push({ sort: "readout", name: each.name, box, state: reading?.state, fixed: !each.box });
    }
  } else {
    for (const [name, each] of Object.entries(now?.readings ?? {}))
      if (each.box) found.push({ sort: "readout", name, box: each.box, state: each.state, fixed: true });
  }
  return found;
}

function entryBox(sort, name, side) {
  if (sort === "chart") return doc().trace.find((each) => each.name === name)?.[side];
  return { readout: doc().readout, landmark: doc().landmark, line: doc().line }[sort]?.find((each) => each.name === name)?.box;
}

async function place(what, box) {
  const inside = clamped(box);
  if (what.sort === "landmark") {
    const mark = doc().landmark.find((each) => each.name === what.name);
    if (mark.sort === "picture") {
      await cutLandmark(what.name, inside, mark.part ?? "main");
      return;
    }
  }
  change((draft) => {
    const list = { readout: "readout", landmark: "landmark", line: "line", chart: "trace" }[what.sort];
    draft.calibration[list].find((each) => each.name === what.name)[what.sort === "chart" ? what.side : "box"] = inside;
  });
}

function scale() {
  const { width, height } = captures[at];
  if (zoom) return zoom;
  const view = $("view");
  return Math.min(view.clientWidth / width, view.clientHeight / height) || 0.1;
}

const same = (one, other) => Boolean(one) && Boolean(other) && one.sort === other.sort && one.name === other.name && (one.side ?? "") === (other.side ?? "");

function showStage() {
  const sheet = $("sheet");
  const k = scale();
  const { width, height } = captures[at];
  Object.assign(sheet.style, { width: `${width * k}px`, height: `${height * k}px` });
  sheet.classList.toggle("looking", at !== 0);
  let image = sheet.querySelector("img");
  const source = `/api/captures/${at}/picture?of=${captures[at].key}`;
  if (!image) sheet.append((image = make("img", { draggable: "false" })));
  if (image.getAttribute("src") !== source) image.setAttribute("src", source);
  image.alt = `The capture ${captures[at].name}`;
  const focused = document.activeElement?.dataset?.box;
  for (const old of sheet.querySelectorAll(".box, .handle")) old.remove();
  for (const each of boxes()) sheet.append(boxElement(each, k));
  if (focused) sheet.querySelector(`[data-box="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
  const current = boxes().find((each) => same(each, selected));
  if (current && at === 0 && !current.fixed) for (const handle of handles(current, k)) sheet.append(handle);
}

function boxElement(each, k) {
  const words = { readout: "figure", landmark: "landmark", line: "flowing line", chart: "chart" }[each.sort];
  const reading = each.sort === "readout" ? trial()?.readings?.[each.name] : null;
  const read = reading ? `, reads ${reading.text || "nothing"}` : "";
  const [x, y, w, h] = each.box;
  const element = make("button", {
    type: "button",
    class: `box ${each.sort} ${each.state ?? ""}`,
    "data-box": `${each.sort} ${each.name} ${each.side ?? ""}`,
    "aria-label": `${words} ${each.name}${each.side && each.side !== "plot" ? ` ${each.side}` : ""}${read}`,
    title: `${each.name}${read}`,
    "aria-current": same(each, selected) ? "true" : undefined,
    style: { left: `${x * k}px`, top: `${y * k}px`, width: `${w * k}px`, height: `${h * k}px` },
    onclick: () => select(each),
    onkeydown: (event) => boxKey(event, each),
    onpointerdown: (event) => {
      if (at === 0 && !each.fixed) drag(event, each, "move");
    },
  });
  return element;
}

const EDGES = { nw: [0, 0], n: [0.5, 0], ne: [1, 0], e: [1, 0.5], se: [1, 1], s: [0.5, 1], sw: [0, 1], w: [0, 0.5] };

function handles(each, k) {
  const [x, y, w, h] = each.box;
  const outside = 5; // beside the box, so that what it reads stays in sight
  return Object.entries(EDGES)
    .filter(([edge]) => edge.length === 2 || ((edge === "n" || edge === "s") ? w : h) * k > 44)
    .map(([edge, [across, down]]) =>
      make("span", {
        class: "handle",
        "aria-hidden": "true",
        style: {
          left: `${(x + w * across) * k + (across * 2 - 1) * outside}px`,
          top: `${(y + h * down) * k + (down * 2 - 1) * outside}px`,
          cursor: `${edge}-resize`,
        },
        onpointerdown: (event) => drag(event, each, edge),
      }),
    );
}

function drag(event, each, edge) {
  if (event.button !== 0) return;
  event.preventDefault();
  event.stopPropagation();
  const k = scale();
  const start = [event.clientX, event.clientY];
  const before = [...each.box];
  let box = before;
  let moved = false;
  const follow = (move) => {
    const right = (move.clientX - start[0]) / k;
    const down = (move.clientY - start[1]) / k;
    if (!moved && Math.hypot(right, down) * k < 4) return;
    moved = true;
    let [x, y, w, h] = before;
    if (edge === "move") [x, y] = [x + right, y + down];
    else {
      if (edge.includes("w")) [x, w] = [x + right, w - right];
      if (edge.includes("e")) w += right;
      if (edge.includes("n")) [y, h] = [y + down, h - down];
      if (edge.includes("s")) h += down;
    }
    box = clamped([x, y, Math.max(4, w), Math.max(4, h)]);
    const element = $("sheet").querySelector(`[data-box="${CSS.escape(`${each.sort} ${each.name} ${each.side ?? ""}`)}"]`);
    if (element) Object.assign(element.style, { left: `${box[0] * k}px`, top: `${box[1] * k}px`, width: `${box[2] * k}px`, height: `${box[3] * k}px` });
  };
  const end = () => {
    window.removeEventListener("pointermove", follow);
    window.removeEventListener("pointerup", end);
    if (moved) {
      selected = { sort: each.sort, name: each.name, side: each.side };
      place(each, box);
    } else select(each);
  };
  window.addEventListener("pointermove", follow);
  window.addEventListener("pointerup", end);
}

function boxKey(event, each) {
  if (event.ctrlKey || event.metaKey) return;
  const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (way && at === 0 && !each.fixed) {
    event.preventDefault();
    event.stopPropagation();
    const far = event.shiftKey ? 10 : 1;
    const [x, y, w, h] = entryBox(each.sort, each.name, each.side);
    selected = { sort: each.sort, name: each.name, side: each.side };
    place(each, event.altKey ? [x, y, w + way[0] * far, h + way[1] * far] : [x + way[0] * far, y + way[1] * far, w, h]);
  } else if (event.key === "Delete" || event.key === "Backspace") {
    event.preventDefault();
    selected = { sort: each.sort, name: each.name, side: each.side };
    if (at === 0) remove();
  } else if (event.key === "Enter" || event.key === " ") {
    event.preventDefault();
    select(each);
    $("panel").querySelector('[aria-expanded="true"], .entry[aria-current="true"] button')?.focus();
  }
}

function startDrawing(event) {
  if (event.button !== 0 || at !== 0 || event.target.closest(".box, .handle")) return;
  event.preventDefault();
  $("view").focus({ preventScroll: true });
  const k = scale();
  const sheet = $("sheet").getBoundingClientRect();
  const spot = (move) => [(move.clientX - sheet.left) / k, (move.clientY - sheet.top) / k];
  const [x0, y0] = spot(event);
  const rectangle = make("div", { class: "drawn" });
  $("sheet").append(rectangle);
  let box = null;
  const follow = (move) => {
    const [x1, y1] = spot(move);
    box = [Math.min(x0, x1), Math.min(y0, y1), Math.abs(x1 - x0), Math.abs(y1 - y0)];
    Object.assign(rectangle.style, { left: `${box[0] * k}px`, top: `${box[1] * k}px`, width: `${box[2] * k}px`, height: `${box[3] * k}px` });
  };
  const end = () => {
    window.removeEventListener("pointermove", follow);
    window.removeEventListener("pointerup", end);
    rectangle.remove();
    if (box && box[2] * k > 5 && box[3] * k > 5) draw(box);
  };
  window.addEventListener("pointermove", follow);
  window.addEventListener("pointerup", end);
}

function viewKey(event) {
  if (event.target !== $("view") || event.ctrlKey || event.metaKey || event.altKey) return;
  const k = scale();
  const view = $("view");
  if (event.key === "n" || event.key === "N") {
    if (at !== 0) return;
    const [w, h] = mode === "chart" ? [400, 160] : [120, 36];
    draw([(view.scrollLeft + view.clientWidth / 2) / k - w / 2, (view.scrollTop + view.clientHeight / 2) / k - h / 2, w, h]).then(() =>
      $("sheet").querySelector('.box[aria-current="true"]')?.focus(),
    );
  } else if (event.key === "+" || event.key === "=") resize(k * 1.25);
  else if (event.key === "-") resize(k / 1.25);
  else if (event.key === "0") resize(0);
  else return;
  event.preventDefault();
}

function resize(wanted) {
  const before = scale();
  const view = $("view");
  zoom = wanted && Math.min(Math.max(wanted, 0.05), 8);
  const [x, y] = [(view.scrollLeft + view.clientWidth / 2) / before, (view.scrollTop + view.clientHeight / 2) / before];
  showStage();
  const after = scale();
  view.scrollTo(x * after - view.clientWidth / 2, y * after - view.clientHeight / 2);
}

/** Bring the layout itself to fill the view. */
function frame() {
  const all = boxes().map((each) => each.box);
  if (!all.length) return resize(0);
  const [x0, y0] = [Math.min(...all.map((box) => box[0])), Math.min(...all.map((box) => box[1]))];
  const [x1, y1] = [Math.max(...all.map((box) => box[0] + box[2])), Math.max(...all.map((box) => box[1] + box[3]))];
  const view = $("view");
  zoom = Math.min(1.5, Math.max(0.05, Math.min(view.clientWidth / (x1 - x0 + 60), view.clientHeight / (y1 - y0 + 60))));
  showStage();
  view.scrollTo(((x0 + x1) / 2) * zoom - view.clientWidth / 2, ((y0 + y1) / 2) * zoom - view.clientHeight / 2);
}

function select(what) {
  selected = { sort: what.sort, name: what.name, side: what.side };
  tab = { readout: "figures", landmark: "landmarks", chart: "charts", line: "figures" }[what.sort];
  show();
  $("panel").querySelector('[aria-expanded="true"], [aria-current="true"]')?.scrollIntoView({ block: "nearest" });
}

// ---------------------------------------------------------------- the side

function crop(box, index = at, fit = false) {
  if (!box) return make("div", { class: "crop none soft" }, "not shown here");
  const room = 4;
  const [x, y, w, h] = [box[0] - room, box[1] - room, box[2] + 2 * room, box[3] + 2 * room];
  const query = new URLSearchParams({ x: Math.floor(x), y: Math.floor(y), w: Math.ceil(w + 1), h: Math.ceil(h + 1), of: captures[index].key });
  const grow = fit ? 1 : h < 26 ? 2 : 1;
  const image = make("img", { src: `/api/captures/${index}/crop?${query}`, alt: "", width: Math.ceil(w + 1) * grow });
  return make("div", { class: fit ? "crop fit" : "crop" }, image);
}

function figuresPanel() {
  const parts = [];
  if (!draft.closed) parts.push(intro());
  for (const note of [...notices, ...draft.notes]) parts.push(make("p", { class: "notice" }, note));
  for (const fault of tried.faults) parts.push(make("p", { class: "fault" }, `${fault[0].toUpperCase()}${fault.slice(1)}.`));
  if (trial() && !trial().found && !tried.faults.length)
    parts.push(make("p", { class: "fault" }, at === 0 ? "The layout was not found again on the capture it is drawn on: draw more landmarks." : "The layout was not found on this capture. Does it show the same layout? If so, draw more landmarks on the first one."));
  for (const question of draft.questions) parts.push(questionElement(question));
  for (const line of doc().line ?? []) parts.push(lineElement(line));
  const list = make("ul", { class: "rows" }, doc().readout.map(rowElement));
  parts.push(make("h2", {}, `${doc().readout.length} ${doc().readout.length === 1 ? "figure" : "figures"}`), list);
  return parts;
}

function intro() {
  return make("details", { class: "intro", open: true, ontoggle: (event) => { if (!event.target.open && !draft.closed) { draft.closed = true; keep(); show(); } } },
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
    const shown = trial()?.readings?.[readout.name]?.box ?? (at === 0 ? readout.box : null);
    box.append(crop(shown), quantityChips(readout, "question"));
  } else {
    box.append(make("div", { class: "chips" }, question.choices.map(([value, words]) =>
      make("button", { type: "button", onclick: () => answer(question, value) }, words))));
  }
  return box;
}

function answer(question, value) {
  change((draft) => {
    const key = question.about.replace("marks.", "");
    draft.calibration.marks[key] = value;
    if (key === "decimal" && draft.calibration.marks.thousands === value) delete draft.calibration.marks.thousands;
    draft.questions = draft.questions.filter((each) => each !== question && each.about !== question.about);
  });
}

const traceChoices = () => Object.entries(QUANTITIES).filter(([key]) => !["render_size", "outcome", "duration"].includes(key)).map(([key, [words]]) => [key, words]);

function measureTrace(draft, name, what) {
  const trace = draft.calibration.trace.find((one) => one.name === name);
  const [quantity, sensor] = what.split(" ");
  trace.quantity = quantity;
  if (sensor) trace.sensor = sensor;
  else delete trace.sensor;
  const { units, stem } = entryOf(quantity, sensor);
  if (!units.includes(trace.unit)) trace.unit = units[0] ?? "";
  draft.questions = draft.questions.filter((each) => each.about !== `trace:${name}:what`);
  if (!/^trace_\d+$/.test(name) || quantity === "other") return;
  trace.name = freeName(stem, draft.calibration.trace.map((one) => one.name));
  for (const question of draft.questions) question.about = question.about.replace(`trace:${name}:`, `trace:${trace.name}:`);
}

function answerTrace(question, name, key, value) {
  change((draft) => {
    if (key === "what") measureTrace(draft, name, value);
    else draft.calibration.trace.find((one) => one.name === name)[key] = value;
    draft.questions = draft.questions.filter((each) => each.about !== `trace:${name}:${key}`);
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
  return vocabulary.quantities.filter((each) => each.quantity === "other" || each.quantity === readout.quantity ||
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
  return make("div", { class: "entry", "aria-current": same(selected, { sort: "line", name: line.name }) ? "true" : undefined },
    make("h3", {}, "A flowing line"),
    make("p", { class: "soft" }, "Its figures move as digits come and go; the words around them tell where they are. Write a figure as {name}."),
    field("Words and figures", make("textarea", { class: "name", rows: 3, spellcheck: "false", onchange: (event) => change((draft) => { draft.calibration.line.find((each) => each.name === line.name).pattern = event.target.value.replace(/\s*\n\s*/g, " "); }) }, line.pattern)),
    make("div", { class: "foot" },
      make("button", { type: "button", onclick: () => { at = 0; select({ sort: "line", name: line.name }); $("sheet").querySelector('.box[aria-current="true"]')?.focus(); } }, "Its box"),
      make("button", { type: "button", onclick: () => { selected = { sort: "line", name: line.name }; remove(); } }, "Remove the line and its figures")));
}

const VERDICTS = { released: "read without doubt", flagged: "in doubt", missing: "no value", hidden: "not shown here" };

function rowElement(readout) {
  const reading = trial()?.readings?.[readout.name];
  const box = reading?.box ?? (at === 0 ? readout.box : null);
  const open = same(selected, { sort: "readout", name: readout.name });
  const state = reading?.state ?? "";
  const label = draft.labels[readout.name];
  const row = make("button", {
    type: "button", class: "row", "aria-expanded": String(open), "data-row": readout.name,
    onclick: () => { selected = open ? null : { sort: "readout", name: readout.name }; show(); if (!open) reveal(); },
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
    selected = { sort: "readout", name: names[next] };
    show();
    focusRow(names[next]);
    reveal();
    return;
  }
  if (event.key === "F2") {
    event.preventDefault();
    selected = { sort: "readout", name: readout.name };
    show();
    const input = $("panel").querySelector(".editor input.name");
    input?.focus();
    input?.select();
    return;
  }
  if (event.key === "Delete" || event.key === "Backspace") {
    event.preventDefault();
    selected = { sort: "readout", name: readout.name };
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

const focusRow = (name) => $("panel").querySelector(`[data-row="${name}"]`)?.focus();

function field(words, input, ...more) {
  return make("label", {}, words, input, ...more);
}

function numberField(words, value, put, attributes = {}) {
  return field(words, make("input", { type: "number", step: "any", value: value ?? "", onchange: (event) => put(event.target.value === "" ? null : Number(event.target.value)), ...attributes }));
}

function choice(words, value, options, put) {
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
  return make("div", { class: "editor", onkeydown: (event) => { if (event.key === "Escape") { selected = null; show(); focusRow(name); } } },
    make("h3", {}, "What is measured?"), quantityChips(readout, "editor"),
    readout.kind === "word" ? null : make("h3", {}, "Which value of it?"), readout.kind === "word" ? null : statisticChips(readout),
    field("Name in the tables", make("input", { class: "name", value: name, pattern: "[a-z][a-z0-9_]*", maxlength: 60, spellcheck: "false", onchange: (event) => named(name, event.target.value) })),
    reading?.why.length ? make("ul", { class: "why" }, reading.why.map((why) => make("li", {}, why))) : null,
    more,
    make("div", { class: "foot" },
      at === 0 && readout.box ? make("button", { type: "button", onclick: () => $("sheet").querySelector('.box[aria-current="true"]')?.focus() }, "Move its box with the keys") : null,
      make("button", { type: "button", onclick: remove }, "Remove this figure")));
}

function named(old, typed) {
  const wanted = typed.trim().toLowerCase().replace(/[^a-z0-9_]+/g, "_").replace(/^[^a-z]+/, "");
  if (!wanted) {
    say("A name begins with a letter a to z.", true);
    show();
    return;
  }
  change((draft) => {
    const name = rename(draft, old, wanted);
    if (!draft.named.includes(name)) draft.named.push(name);
  });
}

function landmarksPanel() {
  const seen = (name) => tried.trials.map((each) => each.landmarks?.[name]).filter((score) => score !== undefined);
  const { locating } = doc();
  return [
    make("p", {}, "The layout is found by what looks the same on every capture: labels, headings, edges of a panel. Four or more, far apart, are good. To add one, choose “a landmark” above the capture and drag around a word."),
    make("div", { class: "fields" }, make("div", { class: "pair" },
      numberField("How many must be found", locating.needs, (value) => change((draft) => { draft.calibration.locating.needs = Math.max(1, Math.round(value ?? 1)); }), { min: 1, max: doc().landmark.length || 1, step: 1 }),
      numberField("A bar at the top hides what scrolls under it, px", locating.bars?.[0] ?? 0, (value) => change((draft) => { draft.calibration.locating.bars = [value ?? 0, draft.calibration.locating.bars?.[1] ?? 0]; }), { min: 0 }))),
    make("div", {}, doc().landmark.map((mark) => {
      const scores = seen(mark.name);
      return make("div", { class: "entry", "aria-current": same(selected, { sort: "landmark", name: mark.name }) ? "true" : undefined },
        crop(mark.box, 0),
        make("p", {}, make("b", {}, mark.name), mark.part && mark.part !== "main" ? ` · moves on its own (${mark.part})` : "",
          mark.sort === "picture" || mark.sort === "word" ? ` · seen on ${scores.length} of ${captures.length}${scores.length ? `, fits ${Math.round(Math.min(...scores) * 100)} % or more` : ""}` : ` · ${mark.sort}`),
        make("div", { class: "foot" },
          make("button", { type: "button", onclick: () => { at = 0; select({ sort: "landmark", name: mark.name }); $("sheet").querySelector('.box[aria-current="true"]')?.focus(); } }, "Its box"),
          make("button", { type: "button", "aria-label": `Remove ${mark.name}`, onclick: () => { selected = { sort: "landmark", name: mark.name }; remove(); } }, "Remove")));
    })),
  ];
}

function relationsPanel() {
  const held = doc().relation ?? [];
  const fits = Object.fromEntries(tried.relations.map((each) => [each.that, each]));
  const all = [...held, ...tried.relations.filter((fit) => !held.some((each) => each.that === fit.that))];
  return [
    make("p", {}, "What must hold between figures of one capture. A figure that breaks one is flagged. Those that held on all captures shown are on."),
    make("div", {}, all.map((relation) => {
      const on = held.find((each) => each.that === relation.that);
      const fit = fits[relation.that];
      const told = !fit || fit.holds + fit.fails === 0 ? "could not be checked here" : `holds on ${fit.holds} of ${fit.holds + fit.fails}`;
      return make("div", { class: "entry" },
        make("label", { class: "check" }, make("input", { type: "checkbox", checked: Boolean(on), onchange: () => change((draft) => {
          const list = draft.calibration.relation ?? [];
          draft.calibration.relation = on ? list.filter((each) => each.that !== relation.that) : [...list, { that: relation.that, within: relation.within }];
        }) }), make("span", {}, make("code", {}, relation.that))),
        make("p", { class: fit?.fails ? "doubt" : "soft" }, `give or take ${relation.within} beyond rounding · ${told}`));
    })),
    make("form", { class: "fields", onsubmit: (event) => {
      event.preventDefault();
      const [that, within] = [event.target.elements.that.value.trim(), event.target.elements.within.value.trim() || "0 %"];
      if (that) change((draft) => { draft.calibration.relation = [...(draft.calibration.relation ?? []), { that, within }]; });
    } },
      make("h3", {}, "One more"),
      field("Names, numbers, + - * / and = < <=", make("input", { name: "that", class: "name", maxlength: 200, spellcheck: "false", placeholder: "voltage * current = 1000 * power" })),
      field("Give or take", make("input", { name: "within", placeholder: "3 %" })),
      make("div", {}, make("button", { type: "submit" }, "Add it"))),
  ];
}

function chartsPanel() {
  const traces = doc().trace ?? [];
  return [
    make("p", {}, traces.length ? "A line of a chart: what it shows and where its axes are. The boxes around the plot and around the labels of both axes can be moved on the capture." : "No chart was found. To add one, choose “a chart” above the capture and drag over the plot, from the lower left to the upper right corner of its axes."),
    make("div", {}, traces.map((trace) => {
      const put = (key) => (value) => change((draft) => {
        const each = draft.calibration.trace.find((one) => one.name === trace.name);
        if (value === "" || value === null) delete each[key];
        else each[key] = value;
        if (key === "unit" && !value) each.unit = "";
      });
      const what = trace.sensor ? `${trace.quantity} ${trace.sensor}` : trace.quantity;
      return make("div", { class: "entry fields", "aria-current": selected?.sort === "chart" && selected.name === trace.name ? "true" : undefined },
        crop(trace.plot, 0, true),
        make("div", { class: "pair" },
          field("Name in the tables", make("input", { class: "name", value: trace.name, onchange: (event) => put("name")(freeName(event.target.value.toLowerCase().replace(/[^a-z0-9_]+/g, "_").replace(/^[^a-z]+/, "") || "trace", traces.filter((one) => one !== trace).map((one) => one.name))) })),
          choice("What is measured", what, traceChoices(), (value) => change((draft) => measureTrace(draft, trace.name, value))),
          choice("Unit", trace.unit, [...new Set([...(entryOf(trace.quantity, trace.sensor)?.units ?? []), trace.unit])].map((unit) => [unit, unitWord(unit)]), put("unit")),
          choice("The labels along the time count", trace.t_unit ?? "", [["", "what they say themselves"], ["s", "seconds"], ["min", "minutes"], ["h", "hours"], ["m:s", "min:s"], ["h:m", "h:min"], ["h:m:s", "h:min:s"]], put("t_unit")),
          field("Colour of the line", make("input", { type: "color", value: trace.colour, onchange: (event) => put("colour")(event.target.value) })),
          trace.value_range ? field("Axis from … to", make("input", { value: trace.value_range.join(" "), onchange: (event) => put("value_range")(event.target.value.split(/\s+/).map(Number)) })) : null,
          trace.t_range ? field("Time from … to, s", make("input", { value: trace.t_range.join(" "), onchange: (event) => put("t_range")(event.target.value.split(/\s+/).map(Number)) })) : null),
        make("div", { class: "foot" }, make("button", { type: "button", onclick: () => { at = 0; select({ sort: "chart", name: trace.name, side: "plot" }); $("sheet").querySelector('.box[aria-current="true"]')?.focus(); } }, "Its box"),
          make("button", { type: "button", "aria-label": `Remove ${trace.name}`, onclick: () => { selected = { sort: "chart", name: trace.name, side: "plot" }; remove(); } }, "Remove")));
    })),
  ];
}

function layoutPanel() {
  const { marks } = doc();
  const mark = (key) => (value) => change((draft) => {
    if (value) draft.calibration.marks[key] = value;
    else delete draft.calibration.marks[key];
    draft.questions = draft.questions.filter((each) => each.about !== `marks.${key}`);
  });
  const put = (key) => (event) => change((draft) => { draft.calibration[key] = event.target.value; });
  return [make("div", { class: "fields" },
    field("Name of the layout in the tables", make("input", { class: "name", value: doc().name, pattern: "[a-z][a-z0-9_-]*", onchange: put("name") })),
    field("What it shows, in a sentence", make("input", { value: doc().shows, maxlength: 300, onchange: put("shows") })),
    make("h3", {}, "How it writes numbers"),
    make("p", { class: "soft" }, "What is not stated is never guessed: a figure that hangs on it is flagged."),
    choice("Before decimals stands", marks.decimal, [["", "not stated"], [".", "a point, as in 4.5"], [",", "a comma, as in 4,5"]], mark("decimal")),
    choice("Thousands are parted by", marks.thousands, [["", "not stated"], ["none", "nothing, as in 4512"], [",", "a comma, as in 4,512"], [".", "a point, as in 4.512"], [" ", "a space, as in 4 512"], ["'", "an apostrophe, as in 4'512"]], mark("thousands")),
    choice("A time such as 10:05 is", marks.duration, [["", "not stated"], ["m:s", "minutes and seconds"], ["h:m", "hours and minutes"], ["h:m:s", "hours, minutes and seconds"], ["units", "written with units: 1 h 5 min"]], mark("duration")),
    field("Mark for no value, for every figure", make("input", { value: doc().readout.find((each) => each.missing)?.missing ?? "", onchange: (event) => change((draft) => { for (const each of draft.calibration.readout) { if (event.target.value) each.missing = event.target.value; else delete each.missing; } }) })),
    make("h3", {}, "Start over"),
    make("p", { class: "soft" }, "A new proposal from all captures shown takes the place of everything here. It can be undone."),
    make("div", {}, make("button", { type: "button", onclick: proposeAnew }, "Propose anew")))];
}

async function proposeAnew() {
  $("working").hidden = false;
  try {
    const fresh = await ask("/api/proposal", { method: "POST" });
    change((draft) => {
      fresh.calibration.id = draft.calibration.id;
      fresh.calibration.name = draft.calibration.name;
      fresh.calibration.shows = draft.calibration.shows;
      Object.assign(draft, fresh, { closed: draft.closed });
      selected = null;
    });
    tab = "figures";
    show();
  } catch (error) {
    say(error.message, true);
  } finally {
    $("working").hidden = true;
  }
}

const PANELS = { figures: figuresPanel, landmarks: landmarksPanel, relations: relationsPanel, charts: chartsPanel, layout: layoutPanel };

// ---------------------------------------------------------------- showing all of it

/** Where the focus is, told by what it is on, so that it can be found again. */
function focusPath() {
  const active = document.activeElement;
  const panel = $("panel");
  if (!active || !panel.contains(active) || active === panel) return null;
  if (active.dataset.row) return { row: active.dataset.row };
  const kin = [...panel.querySelectorAll(active.tagName)];
  return { tag: active.tagName, index: kin.indexOf(active) };
}

function show() {
  showCaptures();
  showStage();
  const focus = focusPath();
  const panel = $("panel");
  const scroll = panel.scrollTop;
  const opened = [...panel.querySelectorAll(".editor details")].some((each) => each.open);
  panel.replaceChildren(...PANELS[tab]());
  if (opened) for (const each of panel.querySelectorAll(".editor details")) each.open = true;
  panel.scrollTop = scroll;
  panel.setAttribute("aria-labelledby", `tab-${tab}`);
  if (focus?.row) focusRow(selected?.sort === "readout" && !panel.querySelector(`[data-row="${focus.row}"]`) ? selected.name : focus.row);
  else if (focus) panel.querySelectorAll(focus.tag)[focus.index]?.focus({ preventScroll: true });
  $("tabs").replaceChildren(...Object.entries(TABS).map(([key, words]) => {
    const more = { figures: draft.questions.length ? ` (${draft.questions.length} ?)` : "", landmarks: ` (${doc().landmark.length})`, relations: ` (${(doc().relation ?? []).length})`, charts: ` (${(doc().trace ?? []).length})`, layout: "" }[key];
    return make("button", { type: "button", role: "tab", id: `tab-${key}`, "aria-selected": String(key === tab), "aria-controls": "panel", tabindex: key === tab ? 0 : -1, onclick: () => { tab = key; show(); panel.scrollTop = 0; }, onkeydown: (event) => tabKey(event, key) }, words + more);
  }));
  $("undo").disabled = !done.length;
  $("redo").disabled = !undone.length;
  for (const button of $("modes").querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.dataset.mode === mode));
}

function tabKey(event, key) {
  const way = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  if (!way) return;
  event.preventDefault();
  const names = Object.keys(TABS);
  tab = names[(names.indexOf(key) + way + names.length) % names.length];
  show();
  $(`tab-${tab}`).focus();
}

function showCaptures() {
  const focused = document.activeElement?.id?.startsWith("capture-");
  $("captures").replaceChildren(...captures.map((capture, index) => {
    const now = tried.trials[index];
    const states = Object.values(now?.readings ?? {}).map((each) => each.state);
    const doubts = states.filter((state) => state === "flagged").length;
    const told = !now ? "…" : !now.found ? "layout not found" : `${states.filter((state) => state === "released" || state === "missing").length} read, ${doubts} in doubt`;
    return make("button", { type: "button", role: "tab", id: `capture-${index}`, "aria-selected": String(index === at), "aria-controls": "view", tabindex: index === at ? 0 : -1, title: capture.name, onclick: () => { at = index; show(); frame(); }, onkeydown: (event) => captureKey(event, index) },
      make("span", {}, capture.name), make("small", {}, `${capture.width} × ${capture.height} · ${told}`));
  }));
  if (focused) $(`capture-${at}`)?.focus();
  const now = trial();
  $("leave").hidden = at === 0;
  $("about").textContent = at === 0 ? "This is the capture the layout is drawn on." : now?.found ? `Found at ${(now.scale * 100).toFixed(1)} % of its drawn size.` : "";
}

function captureKey(event, index) {
  const way = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  if (!way) return;
  event.preventDefault();
  at = (index + way + captures.length) % captures.length;
  show();
  frame();
  $(`capture-${at}`).focus();
}

// ---------------------------------------------------------------- captures, help, saving

const keyed = (list) => list.map((each, index) => ({ ...each, key: `${index}-${each.width}-${each.height}-${encodeURIComponent(each.name)}` }));

async function addFiles(files) {
  for (const file of files) {
    say(`Adding ${file.name} …`);
    try {
      const answer = await ask(`/api/captures?name=${encodeURIComponent(file.name)}`, { method: "POST", bytes: file });
      captures = keyed(answer.captures);
      at = answer.at;
      settle();
    } catch (error) {
      say(error.message, true);
      notices = [...notices, error.message];
      show();
    }
  }
}

async function leaveOut() {
  try {
    const answer = await ask(`/api/captures/${at}`, { method: "DELETE" });
    captures = keyed(answer.captures);
    tried.trials.splice(at, 1);
    at = 0;
    settle();
  } catch (error) {
    say(error.message, true);
  }
}

function openHelp() {
  $("helping").replaceChildren(
    make("h2", { id: "helping-title" }, "How this page works"),
    make("p", {}, "A calibration teaches ocrlog one layout of an overlay. You draw it once, on one capture; captures of other devices are read with the same file, since everything is found by landmarks: labels and edges that look alike everywhere."),
    make("p", {}, "Every change is kept on the disk at once. If this page or the command ends, start the command again with the same capture and go on."),
    make("p", {}, "Boxes: a solid frame is a figure that is read without doubt, a dashed one a figure in doubt, a dotted one a landmark."),
    make("h3", {}, "Keys"),
    make("table", { class: "keys" }, make("tbody", {}, KEYS.map(([keys, what]) => make("tr", {}, make("th", { scope: "row" }, make("kbd", {}, keys)), make("td", {}, what))))),
    make("p", { class: "foot" }, make("button", { type: "button", class: "main", onclick: () => $("helping").close() }, "Close")));
  $("helping").showModal();
}

function openSaving() {
  const fallback = doc().name === "new_layout" ? "" : doc().name;
  const told = make("p", { role: "alert", class: "doubt" });
  const form = make("form", { class: "fields", method: "dialog", onsubmit: (event) => { event.preventDefault(); store(form, told); } },
    make("h2", { id: "saving-title" }, "Save this layout"),
    draft.questions.length ? make("p", { class: "fault" }, `${draft.questions.length} open ${draft.questions.length === 1 ? "question" : "questions"}: what hangs on them is flagged until answered.`) : null,
    tried.faults.length ? make("ul", { class: "fault" }, tried.faults.map((fault) => make("li", {}, fault))) : null,
    field("Name of the layout (a to z, 0 to 9, _ and -)", make("input", { name: "name", class: "name", value: fallback, required: true, pattern: "[a-z][a-z0-9_\\-]*", maxlength: 60, autofocus: true })),
    field("What it shows, in a sentence", make("input", { name: "shows", value: doc().shows, required: true, maxlength: 300 })),
    make("p", { class: "soft" }, places.target ? `It is saved to ${places.target}.` : `It is saved as a TOML file in ${places.folder}, where ocrlog extract looks for it.`),
    told,
    make("div", { class: "foot" }, make("button", { type: "submit", class: "main" }, "Save"), make("button", { type: "button", onclick: () => $("saving").close() }, "Not yet")));
  $("saving").replaceChildren(form);
  $("saving").showModal();
}

async function store(form, told) {
  const name = form.elements.name.value.trim();
  const shows = form.elements.shows.value.trim();
  if (name !== doc().name || shows !== doc().shows) change((draft) => Object.assign(draft.calibration, { name, shows }));
  try {
    const answer = await ask("/api/saved", { method: "POST", body: doc() });
    places.target = answer.path;
    saved = JSON.stringify(doc());
    $("saving").close();
    notices = [`Saved to ${answer.path}. Read your captures with: ocrlog extract FOLDER. You can go on here, or end the command with Ctrl-C.`];
    tab = "figures";
    show();
    $("panel").scrollTop = 0;
    summary();
  } catch (error) {
    told.textContent = error.message;
  }
}

function pageKey(event) {
  const typing = event.target.matches("input:not([type=checkbox]), textarea, select");
  const chord = event.ctrlKey || event.metaKey;
  if (chord && event.key.toLowerCase() === "s") {
    event.preventDefault();
    openSaving();
  } else if (chord && !typing && event.key.toLowerCase() === "z") {
    event.preventDefault();
    if (event.shiftKey) step(undone, done);
    else step(done, undone);
  } else if (chord && !typing && event.key.toLowerCase() === "y") {
    event.preventDefault();
    step(undone, done);
  } else if (event.key === "F8" && draft) {
    event.preventDefault();
    cross();
  } else if (event.key === "?" && !typing && !document.querySelector("dialog[open]")) {
    event.preventDefault();
    openHelp();
  }
}

/** From the capture to the side, first to an open question, and back. */
function cross() {
  const side = $("panel");
  if (side.contains(document.activeElement) && document.activeElement !== side) {
    ($("sheet").querySelector('.box[aria-current="true"]') ?? $("view")).focus();
    return;
  }
  if (tab !== "figures") {
    tab = "figures";
    show();
  }
  (side.querySelector(".question button") ?? side.querySelector('.row[aria-expanded="true"]') ?? side.querySelector(".row"))?.focus();
}

async function begin() {
  for (const [key, words] of Object.entries(MODES))
    $("modes").append(make("button", { type: "button", "data-mode": key, "aria-pressed": String(key === mode), onclick: () => { mode = key; show(); } }, words));
  for (const [words, label, put] of [["Layout", "Show the layout", frame], ["All", "Show the whole capture", () => resize(0)], ["1 : 1", "Full size", () => resize(1)], ["−", "Smaller", () => resize(scale() / 1.25)], ["+", "Larger", () => resize(scale() * 1.25)]])
    $("zooms").append(make("button", { type: "button", "aria-label": label, onclick: put }, words));
  $("undo").addEventListener("click", () => step(done, undone));
  $("redo").addEventListener("click", () => step(undone, done));
  $("help").addEventListener("click", openHelp);
  $("save").addEventListener("click", openSaving);
  $("add").addEventListener("click", () => $("files").click());
  $("leave").addEventListener("click", leaveOut);
  $("files").addEventListener("change", (event) => addFiles([...event.target.files]));
  $("sheet").addEventListener("pointerdown", startDrawing);
  $("view").addEventListener("keydown", viewKey);
  document.addEventListener("keydown", pageKey);
  window.addEventListener("resize", later(() => draft && showStage(), 60));
  document.addEventListener("dragover", (event) => { event.preventDefault(); document.body.classList.add("dropping"); });
  document.addEventListener("dragleave", () => document.body.classList.remove("dropping"));
  document.addEventListener("drop", (event) => { event.preventDefault(); document.body.classList.remove("dropping"); addFiles([...event.dataTransfer.files]); });
  for (const id of ["save", "add"]) $(id).disabled = true;
  try {
    const opening = await ask("/api/opening");
    captures = keyed(opening.captures);
    vocabulary = opening.vocabulary;
    places = { folder: opening.folder, target: opening.target };
    notices = opening.notices;
    draft = opening.draft;
    for (const id of ["save", "add"]) $(id).disabled = false;
    show();
    frame();
    read();
  } catch (error) {
    say(error.message, true);
    return;
  } finally {
    $("working").hidden = true;
  }
}

begin();
