// What one opening of the page works on, and how it changes: kept on the disk, read, undone.

import { $, ask, later } from "./base.js";
import { show } from "./showing.js";

/** The one place of what changes: read it anywhere, change the draft through `change`. */
export const desk = {
  draft: null, // { calibration, questions, labels, notes, named, closed }
  captures: [],
  vocabulary: [], // all that can be measured: names, units, bounds
  places: { folder: "", target: "" },
  notices: [],
  at: 0, // the capture that is shown
  tab: "figures",
  mode: "readout", // what dragging on the capture draws
  zoom: 0, // px of the screen a px of the capture; 0 fits it in
  selected: null, // { sort: readout | landmark | line | chart, name, side }
  tried: { faults: [], trials: [], relations: [] },
  curves: { at: -1, told: [] }, // the charts of one capture as recovered
  saved: "", // the calibration as it was saved last
  order: 0, // of the readings asked for
  undone: [],
  done: [],
};

export const doc = () => desk.draft.calibration;
export const trial = () => desk.tried.trials[desk.at];

/** Say in the page's head how things stand. */
export const say = (text, doubt = false) => {
  $("state").textContent = text;
  $("state").classList.toggle("doubt", doubt);
};

/** Change the draft so that it can be undone; then keep, read and show it. */
export function change(how) {
  desk.done.push(JSON.stringify(desk.draft));
  if (desk.done.length > 300) desk.done.shift();
  desk.undone.length = 0;
  how();
  settle();
}

export function settle() {
  desk.order += 1; // what is on its way was asked for before
  say("Reading …");
  show();
  keep();
  read();
}

export function step(from, to) {
  if (!from.length) return;
  to.push(JSON.stringify(desk.draft));
  desk.draft = JSON.parse(from.pop());
  settle();
}

let kept = Promise.resolve(); // fails with what hindered the last keeping

export const keep = later(() => {
  // one after the other: an older draft must not come last
  kept = kept.catch(() => {}).then(() => ask("/api/draft", { method: "PUT", body: desk.draft }));
  kept.catch((error) => say(error.message, true));
}, 120);

export const read = later(async () => {
  const mine = ++desk.order;
  try {
    const answer = await ask("/api/tried", { method: "POST", body: doc() });
    if (mine !== desk.order) return;
    if (answer.faults.length) desk.tried = { ...desk.tried, faults: answer.faults };
    else desk.tried = answer;
    show();
    readCurves();
    await kept; // before the page says so
    if (mine === desk.order) summary();
  } catch (error) {
    if (mine === desk.order) say(error.message, true);
  }
}, 150);

/** Read the charts of the capture that is shown, where they are looked at. */
export const readCurves = later(async () => {
  const mine = desk.order;
  const at = desk.at;
  if (desk.tab !== "charts" || !(doc().trace ?? []).length) return;
  try {
    const answer = await ask(`/api/captures/${at}/curves`, { method: "POST", body: doc() });
    if (mine !== desk.order || at !== desk.at) return;
    desk.curves = { at, told: answer.curves };
    show();
  } catch (error) {
    say(error.message, true);
  }
}, 50);

/** Say in one line how things stand. */
export function summary() {
  if (desk.tried.faults.length) {
    say(`Not ready to save: ${desk.tried.faults[0]}`, true);
    return;
  }
  const states = desk.tried.trials.flatMap((each) => Object.values(each.readings)).map((each) => each.state);
  const count = (state) => states.filter((each) => each === state).length;
  const found = desk.tried.trials.filter((each) => each.found).length;
  const open = desk.draft.questions.length;
  const doubts = count("flagged") ? `, ${count("flagged")} in doubt` : "";
  const questions = open ? ` ${open} ${open === 1 ? "question is" : "questions are"} open.` : "";
  const where = desk.saved === JSON.stringify(doc()) ? `Saved to ${desk.places.target}.` : "Your work is kept.";
  say(`Found on ${found} of ${desk.captures.length} ${desk.captures.length === 1 ? "capture" : "captures"}; ${count("released")} figures read without doubt${doubts}.${questions} ${where}`, Boolean(open));
}
