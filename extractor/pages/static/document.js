// Changes of the calibration itself: readouts, lines, landmarks, charts and what hangs on them.

import { $, ask } from "./base.js";
import { change, desk, doc, say } from "./desk.js";
import { show } from "./showing.js";

const round = (number) => Math.round(number * 10) / 10;

export const readoutOf = (name) => doc().readout.find((each) => each.name === name);
const lineOf = (name) => (doc().line ?? []).find((each) => each.pattern.includes(`{${name}}`));
export const entryOf = (key, sensor) =>
  desk.vocabulary.find((each) => each.quantity === key && (each.sensor ?? null) === (sensor ?? null));
const wholeName = (name) => new RegExp(`(?<![a-z0-9_])${name}(?![a-z0-9_])`, "g");

export function freeName(base, taken) {
  let name = base;
  for (let number = 2; taken.includes(name); number++) name = `${base}_${number}`;
  return name;
}

export function rename(old, wanted) {
  const others = desk.draft.calibration.readout.map((each) => each.name).filter((each) => each !== old);
  const name = freeName(wanted, others);
  if (name === old) return old;
  desk.draft.calibration.readout.find((each) => each.name === old).name = name;
  for (const line of desk.draft.calibration.line ?? []) line.pattern = line.pattern.replaceAll(`{${old}}`, `{${name}}`);
  for (const relation of desk.draft.calibration.relation ?? []) relation.that = relation.that.replace(wholeName(old), name);
  desk.draft.labels[name] = desk.draft.labels[old] ?? "";
  for (const question of desk.draft.questions) if (question.about === old) question.about = name;
  desk.draft.named = desk.draft.named.map((each) => (each === old ? name : each));
  if (desk.selected?.name === old) desk.selected = { ...desk.selected, name };
  return name;
}

/** What is measured decides unit, kind, bounds and, unless a person typed one, the name. */
export function measure(name, quantity, sensor, statistic) {
  change(() => {
    const readout = desk.draft.calibration.readout.find((each) => each.name === name);
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
    desk.draft.questions = desk.draft.questions.filter((each) => each.about !== name);
    if (!desk.draft.named.includes(name)) {
      rename(name, entry.names[readout.statistic ?? "now"]);
    }
  });
}

export function setReadout(name, key, value) {
  change(() => {
    const readout = desk.draft.calibration.readout.find((each) => each.name === name);
    if (value === "" || value === null || Number.isNaN(value)) delete readout[key];
    else readout[key] = value;
    if (key === "unit" && !value) readout.unit = "";
    if (key === "kind" && value === "percentage") readout.unit = "%";
    if (key === "kind" && value === "duration") readout.unit = "s";
  });
}

export function remove() {
  if (!desk.selected) return;
  const { sort, name } = desk.selected;
  if (sort === "readout" && lineOf(name)) {
    say(`${name} flows in a line: it tells where its neighbours are, so it stays. Remove the whole line to be rid of it.`, true);
    return;
  }
  change(() => {
    const calibration = desk.draft.calibration;
    if (sort === "readout") dropReadouts([name]);
    else if (sort === "line") {
      const line = calibration.line.find((each) => each.name === name);
      const names = [...line.pattern.matchAll(/\{([a-z][a-z0-9_]*)\}/g)].map((each) => each[1]);
      calibration.line = calibration.line.filter((each) => each !== line);
      dropReadouts(names);
    } else if (sort === "landmark") {
      calibration.landmark = calibration.landmark.filter((each) => each.name !== name);
      calibration.locating.needs = Math.max(1, Math.min(calibration.locating.needs, calibration.landmark.length));
      mendParts(calibration);
    } else {
      calibration.trace = calibration.trace.filter((each) => each.name !== name);
      desk.draft.questions = desk.draft.questions.filter((each) => !each.about.startsWith(`trace:${name}:`));
    }
    desk.selected = null;
  });
  $("panel").focus();
}

function dropReadouts(names) {
  const calibration = desk.draft.calibration;
  calibration.readout = calibration.readout.filter((each) => !names.includes(each.name));
  calibration.relation = (calibration.relation ?? []).filter((each) => !names.some((name) => wholeName(name).test(each.that)));
  desk.draft.questions = desk.draft.questions.filter((each) => !names.includes(each.about));
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

export async function draw(box) {
  const inside = clamped(box);
  if (inside[2] < 4 || inside[3] < 4) return;
  if (desk.mode === "readout") {
    const name = freeName("figure", doc().readout.map((each) => each.name));
    change(() => {
      desk.draft.calibration.readout.push({ name, kind: "number", quantity: "other", statistic: "now", unit: "", box: inside, part: "main" });
      mendParts(desk.draft.calibration);
      desk.selected = { sort: "readout", name };
    });
    desk.tab = "figures";
  } else if (desk.mode === "landmark") {
    await cutLandmark(freeName("landmark", doc().landmark.map((each) => each.name)), inside, "main");
    desk.tab = "landmarks";
  } else {
    const name = freeName("trace", (doc().trace ?? []).map((each) => each.name));
    change(() => {
      desk.draft.calibration.trace = [...(desk.draft.calibration.trace ?? []), { name, quantity: "other", unit: "", plot: inside, colour: "#000000", t_range: [0, 600], value_range: [0, 100] }];
      mendParts(desk.draft.calibration);
      desk.selected = { sort: "chart", name, side: "plot" };
    });
    desk.tab = "charts";
  }
  show();
}

export async function cutLandmark(name, box, part) {
  try {
    const [entry] = await cut([{ name, box, part }], isBare());
    change(() => {
      const marks = desk.draft.calibration.landmark;
      const index = marks.findIndex((each) => each.name === name);
      if (index < 0) marks.push(entry);
      else marks[index] = entry;
      mendParts(desk.draft.calibration);
      desk.selected = { sort: "landmark", name };
    });
  } catch (error) {
    say(error.message, true);
  }
}

export const isBare = () => doc().landmark.some((mark) => mark.picture && atob(mark.picture.slice(0, 48)).charCodeAt(25) === 6);

async function cut(marks, bare) {
  return (await ask("/api/landmarks", { method: "POST", body: { marks, bare } })).landmarks;
}

/** Cut all pictures of landmarks anew, with or without what lies under the letters. */
export async function recut(bare) {
  say("Cutting the landmarks anew …");
  try {
    const fresh = await cut(doc().landmark.filter((mark) => mark.sort === "picture").map(({ name, box, part = "main" }) => ({ name, box, part })), bare);
    change(() => {
      desk.draft.calibration.landmark = doc().landmark.map((mark) => fresh.find((each) => each.name === mark.name) ?? mark);
    });
  } catch (error) {
    say(error.message, true);
    show();
  }
}

export function clamped([x, y, w, h]) {
  const [width, height] = doc().drawn_on;
  const wide = Math.min(Math.max(w, 2), width);
  const high = Math.min(Math.max(h, 2), height);
  return [round(Math.min(Math.max(x, 0), width - wide)), round(Math.min(Math.max(y, 0), height - high)), round(wide), round(high)];
}
