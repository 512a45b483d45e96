// Shows everything anew after a change; the focus stays where it is.

import { $, make } from "./base.js";
import { desk, doc, readCurves, trial } from "./desk.js";
import { frame, showStage } from "./stage.js";
import { figuresPanel, focusRow } from "./figures.js";
import { chartsPanel, landmarksPanel, layoutPanel, relationsPanel } from "./panels.js";

const TABS = { figures: "Figures", landmarks: "Found by", relations: "Relations", charts: "Charts", layout: "Layout" };
const PANELS = { figures: figuresPanel, landmarks: landmarksPanel, relations: relationsPanel, charts: chartsPanel, layout: layoutPanel };


/** Where the focus is, told by what it is on, so that it can be found again. */
function focusPath() {
  const active = document.activeElement;
  const panel = $("panel");
  if (!active || !panel.contains(active) || active === panel) return null;
  if (active.dataset.row) return { row: active.dataset.row };
  const kin = [...panel.querySelectorAll(active.tagName)];
  return { tag: active.tagName, index: kin.indexOf(active) };
}

// What was entered is no longer being typed.
$("panel").addEventListener("change", (event) => {
  if (event.target instanceof HTMLInputElement) event.target.defaultValue = event.target.value;
}, true);

/** The field of the panel in which something is being typed that was not entered yet. */
function typing() {
  const active = document.activeElement;
  const typed = active instanceof HTMLInputElement && active.value !== active.defaultValue;
  return typed && $("panel").contains(active) ? active : null;
}

export function show() {
  showCaptures();
  showStage();
  const field = typing();
  if (field) field.addEventListener("blur", show, { once: true }); // else what is typed were lost
  else showPanel();
  showTabs();
  $("undo").disabled = !desk.done.length;
  $("redo").disabled = !desk.undone.length;
  for (const button of $("modes").querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.dataset.mode === desk.mode));
}

function showPanel() {
  const focus = focusPath();
  const panel = $("panel");
  const scroll = panel.scrollTop;
  const opened = [...panel.querySelectorAll(".editor details")].some((each) => each.open);
  panel.replaceChildren(...PANELS[desk.tab]());
  if (opened) for (const each of panel.querySelectorAll(".editor details")) each.open = true;
  panel.scrollTop = scroll;
  panel.setAttribute("aria-labelledby", `tab-${desk.tab}`);
  if (focus?.row) focusRow(desk.selected?.sort === "readout" && !panel.querySelector(`[data-row="${focus.row}"]`) ? desk.selected.name : focus.row);
  else if (focus) panel.querySelectorAll(focus.tag)[focus.index]?.focus({ preventScroll: true });
}

function showTabs() {
  $("tabs").replaceChildren(...Object.entries(TABS).map(([key, words]) => {
    const more = { figures: desk.draft.questions.length ? ` (${desk.draft.questions.length} ?)` : "", landmarks: "", relations: "", charts: ` (${(doc().trace ?? []).length})`, layout: "" }[key];
    return make("button", { type: "button", role: "tab", id: `tab-${key}`, "aria-selected": String(key === desk.tab), "aria-controls": "panel", tabindex: key === desk.tab ? 0 : -1, onclick: () => { desk.tab = key; show(); $("panel").scrollTop = 0; readCurves(); }, onkeydown: (event) => tabKey(event, key) }, words + more);
  }));
}

function tabKey(event, key) {
  const way = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  if (!way) return;
  event.preventDefault();
  const names = Object.keys(TABS);
  desk.tab = names[(names.indexOf(key) + way + names.length) % names.length];
  show();
  readCurves();
  $(`tab-${desk.tab}`).focus();
}

function showCaptures() {
  const focused = document.activeElement?.id?.startsWith("capture-");
  $("captures").replaceChildren(...desk.captures.map((capture, index) => {
    const now = desk.tried.trials[index];
    const states = Object.values(now?.readings ?? {}).map((each) => each.state);
    const doubts = states.filter((state) => state === "flagged").length;
    const told = !now ? "…" : !now.found ? "layout not found" : `${states.filter((state) => state === "released" || state === "missing").length} read, ${doubts} in doubt`;
    return make("button", { type: "button", role: "tab", id: `capture-${index}`, "aria-selected": String(index === desk.at), "aria-controls": "view", tabindex: index === desk.at ? 0 : -1, title: capture.name, onclick: () => { desk.at = index; show(); frame(); readCurves(); }, onkeydown: (event) => captureKey(event, index) },
      make("span", {}, capture.name), make("small", {}, `${capture.width} × ${capture.height} · ${told}`));
  }));
  if (focused) $(`capture-${desk.at}`)?.focus();
  const now = trial();
  $("leave").hidden = desk.at === 0;
  $("about").textContent = desk.at === 0 ? "This is the capture the layout is drawn on." : now?.found ? `Found at ${(now.scale * 100).toFixed(1)} % of its drawn size.` : "";
}

function captureKey(event, index) {
  const way = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  if (!way) return;
  event.preventDefault();
  desk.at = (index + way + desk.captures.length) % desk.captures.length;
  show();
  frame();
  readCurves();
  $(`capture-${desk.at}`).focus();
}
