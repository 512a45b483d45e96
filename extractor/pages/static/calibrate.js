// The page of `ocrlog calibrate`: a calibration as a document, every change undoable and kept.

import { $, ask, later, make } from "./base.js";
import { KEYS } from "./words.js";
import { change, desk, doc, read, say, settle, step, summary } from "./desk.js";
import { frame, resize, scale, showStage, startDrawing, viewKey } from "./stage.js";
import { field } from "./figures.js";
import { show } from "./showing.js";

const MODES = { readout: "a figure", landmark: "a landmark", chart: "a chart" };

const keyed = (list) => list.map((each, index) => ({ ...each, key: `${index}-${each.width}-${each.height}-${encodeURIComponent(each.name)}` }));

async function addFiles(files) {
  for (const file of files) {
    say(`Adding ${file.name} …`);
    try {
      const answer = await ask(`/api/captures?name=${encodeURIComponent(file.name)}`, { method: "POST", bytes: file });
      desk.captures = keyed(answer.captures);
      desk.at = answer.at;
      settle();
    } catch (error) {
      say(error.message, true);
      desk.notices = [...desk.notices, error.message];
      show();
    }
  }
}

async function leaveOut() {
  try {
    const answer = await ask(`/api/captures/${desk.at}`, { method: "DELETE" });
    desk.captures = keyed(answer.captures);
    desk.tried.trials.splice(desk.at, 1);
    desk.at = 0;
    settle();
  } catch (error) {
    say(error.message, true);
  }
}

function openHelp() {
  $("helping").replaceChildren(
    make("div", { class: "head" }, make("h2", { id: "helping-title" }, "How this page works"), make("button", { type: "button", class: "main", onclick: () => $("helping").close() }, "Close")),
    make("p", {}, "A calibration teaches ocrlog one layout of an overlay. You draw it once, on one capture; captures of other devices are read with the same file, since everything is found by landmarks: labels and edges that look alike everywhere."),
    make("p", {}, "Every change is kept on the disk at once. If this page or the command ends, start the command again with the same capture and go on."),
    make("p", {}, "Boxes: a solid frame is a figure that is read without doubt, a dashed one a figure in doubt, a dotted one a landmark."),
    make("h3", {}, "Keys"),
    make("table", { class: "keys" }, make("tbody", {}, KEYS.map(([keys, what]) => make("tr", {}, make("th", { scope: "row" }, make("kbd", {}, keys)), make("td", {}, what))))));
  $("helping").showModal();
}

function openSaving() {
  const fallback = doc().name === "new_layout" ? "" : doc().name;
  const told = make("p", { role: "alert", class: "doubt" });
  const form = make("form", { class: "fields", method: "dialog", onsubmit: (event) => { event.preventDefault(); store(form, told); } },
    make("h2", { id: "saving-title" }, "Save this layout"),
    desk.draft.questions.length ? make("p", { class: "fault" }, `${desk.draft.questions.length} open ${desk.draft.questions.length === 1 ? "question" : "questions"}: what hangs on them is flagged until answered.`) : null,
    desk.tried.faults.length ? make("ul", { class: "fault" }, desk.tried.faults.map((fault) => make("li", {}, fault))) : null,
    field("Name of the layout (a to z, 0 to 9, _ and -)", make("input", { name: "name", class: "name", value: fallback, required: true, pattern: "[a-z][a-z0-9_\\-]*", maxlength: 60, autofocus: true })),
    field("What it shows, in a sentence", make("input", { name: "shows", value: doc().shows, required: true, maxlength: 300 })),
    make("p", { class: "soft" }, desk.places.target ? `It is saved to ${desk.places.target}.` : `It is saved as a TOML file in ${desk.places.folder}, where ocrlog extract looks for it.`),
    told,
    make("div", { class: "foot" }, make("button", { type: "submit", class: "main" }, "Save"), make("button", { type: "button", onclick: () => $("saving").close() }, "Not yet")));
  $("saving").replaceChildren(form);
  $("saving").showModal();
}

async function store(form, told) {
  const name = form.elements.name.value.trim();
  const shows = form.elements.shows.value.trim();
  if (name !== doc().name || shows !== doc().shows) change(() => Object.assign(desk.draft.calibration, { name, shows }));
  try {
    const answer = await ask("/api/saved", { method: "POST", body: doc() });
    desk.places.target = answer.path;
    desk.saved = JSON.stringify(doc());
    $("saving").close();
    desk.notices = [`Saved to ${answer.path}. Read your captures with: ocrlog extract FOLDER. You can go on here, or end the command with Ctrl-C.`];
    desk.tab = "figures";
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
    if (event.shiftKey) step(desk.undone, desk.done);
    else step(desk.done, desk.undone);
  } else if (chord && !typing && event.key.toLowerCase() === "y") {
    event.preventDefault();
    step(desk.undone, desk.done);
  } else if (event.key === "F8" && desk.draft) {
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
  if (desk.tab !== "figures") {
    desk.tab = "figures";
    show();
  }
  (side.querySelector(".question button") ?? side.querySelector('.row[aria-expanded="true"]') ?? side.querySelector(".row"))?.focus();
}

async function begin() {
  for (const [key, words] of Object.entries(MODES))
    $("modes").append(make("button", { type: "button", "data-mode": key, "aria-pressed": String(key === desk.mode), onclick: () => { desk.mode = key; show(); } }, words));
  for (const [words, label, put] of [["Layout", "Show the layout", frame], ["All", "Show the whole capture", () => resize(0)], ["1 : 1", "Full size", () => resize(1)], ["−", "Smaller", () => resize(scale() / 1.25)], ["+", "Larger", () => resize(scale() * 1.25)]])
    $("zooms").append(make("button", { type: "button", "aria-label": label, onclick: put }, words));
  $("undo").addEventListener("click", () => step(desk.done, desk.undone));
  $("redo").addEventListener("click", () => step(desk.undone, desk.done));
  $("help").addEventListener("click", openHelp);
  $("save").addEventListener("click", openSaving);
  $("add").addEventListener("click", () => $("files").click());
  $("leave").addEventListener("click", leaveOut);
  $("files").addEventListener("change", (event) => addFiles([...event.target.files]));
  $("sheet").addEventListener("pointerdown", startDrawing);
  $("view").addEventListener("keydown", viewKey);
  document.addEventListener("keydown", pageKey);
  window.addEventListener("resize", later(() => desk.draft && showStage(), 60));
  document.addEventListener("dragover", (event) => { event.preventDefault(); document.body.classList.add("dropping"); });
  document.addEventListener("dragleave", () => document.body.classList.remove("dropping"));
  document.addEventListener("drop", (event) => { event.preventDefault(); document.body.classList.remove("dropping"); addFiles([...event.dataTransfer.files]); });
  for (const id of ["save", "add"]) $(id).disabled = true;
  try {
    const opening = await ask("/api/opening");
    desk.captures = keyed(opening.captures);
    desk.vocabulary = opening.vocabulary;
    desk.places = { folder: opening.folder, target: opening.target };
    desk.notices = opening.notices;
    desk.draft = opening.draft;
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
