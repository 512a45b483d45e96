// The proof sheet: all crops of one readout beside their text, by value.

import { $, ask, make } from "./base.js";
import { alarm, figures, review, say } from "./standing.js";

const SCREEN = 60;
const sheet = { tiles: [], from: 0, doubted: new Map(), order: 0 };

export async function showProof() {
  try {
    const opening = await ask("/api/opening");
    review.opening = opening;
    say(opening);
    const chosen = $("sheet-of").value;
    const layouts = Map.groupBy(opening.readouts, (each) => each.name);
    $("sheet-of").replaceChildren(...[...layouts].map(([name, readouts]) => make("optgroup", { label: name.replaceAll("_", " ") },
      readouts.map((each) => make("option", { value: `${each.layout}/${each.readout}` }, `${each.readout.replaceAll("_", " ")} (${(each.released ?? 0) + (each.settled ?? 0) + (each.missing ?? 0) + (each.flagged ?? 0)})`)))));
    if (chosen) $("sheet-of").value = chosen;
    if ($("sheet-of").value) await load();
  } catch (error) {
    alarm(error.message);
  }
}

async function load() {
  const [layout, readout] = $("sheet-of").value.split("/");
  const mine = ++sheet.order; // what was chosen last is shown, whichever answer comes last
  const { tiles } = await ask(`/api/proof?layout=${layout}&readout=${readout}`);
  if (mine !== sheet.order) return;
  sheet.tiles = tiles;
  sheet.from = 0;
  show();
}

function show(focus = 0) {
  const screens = Math.max(1, Math.ceil(sheet.tiles.length / SCREEN));
  $("sheet-at").textContent = `screen ${sheet.from / SCREEN + 1} of ${screens}, ${figures(sheet.tiles.length)}`;
  $("sheet-before").disabled = sheet.from === 0;
  $("sheet-next").disabled = sheet.from + SCREEN >= sheet.tiles.length;
  $("tiles").replaceChildren(...sheet.tiles.slice(sheet.from, sheet.from + SCREEN).map(tile));
  $("tiles").scrollTop = 0;
  focusOn(focus);
}

const focusOn = (at) => [...$("tiles").children].at(at)?.focus({ preventScroll: false });

function tile(entry) {
  const states = { flagged: "in doubt", settled: "settled", missing: "no value", released: "" };
  const element = make("button", { type: "button", class: `tile ${entry.state}`, onclick: () => toggle(entry, element) },
    make("span", { class: "picture" }, make("img", { src: `/api/items/${entry.id}/crop`, alt: "", loading: "lazy" })),
    make("span", {}, make("b", {}, entry.text || "–"), make("small", {}, ` ${states[entry.state]}`)));
  return element;
}

async function toggle(entry, element) {
  try {
    let answer;
    if (sheet.doubted.has(entry.id)) {
      answer = await ask("/api/withdrawals", { method: "POST", body: { id: entry.id } });
      entry.state = sheet.doubted.get(entry.id);
      sheet.doubted.delete(entry.id);
    } else if (entry.state === "flagged") {
      return;
    } else {
      answer = await ask("/api/decisions", { method: "POST", body: { ids: [entry.id], action: "doubt", text: "" } });
      sheet.doubted.set(entry.id, entry.state);
      entry.state = "flagged";
    }
    say(answer);
    const fresh = tile(entry);
    const focused = document.activeElement === element;
    element.replaceWith(fresh);
    if (focused) fresh.focus();
  } catch (error) {
    alarm(error.message);
  }
}

function turn(by) {
  const from = sheet.from + by * SCREEN;
  if (from < 0 || from >= sheet.tiles.length) return;
  sheet.from = from;
  show();
}

$("sheet-of").addEventListener("change", () => load().catch((error) => alarm(error.message)));
$("sheet-before").addEventListener("click", () => turn(-1));
$("sheet-next").addEventListener("click", () => turn(1));
document.addEventListener("undone", () => { if (review.tab === "proof") showProof(); });
$("tiles").addEventListener("keydown", (event) => {
  const tiles = [...$("tiles").children];
  const at = tiles.indexOf(document.activeElement);
  if (at < 0 || event.ctrlKey || event.metaKey || event.altKey) return;
  const row = tiles.filter((each) => each.offsetTop === tiles[0].offsetTop).length;
  const step = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: row, ArrowUp: -row }[event.key];
  if (step) {
    const to = at + step;
    if (to >= tiles.length && event.key === "ArrowRight") turn(1);
    else tiles[Math.min(tiles.length - 1, Math.max(0, to))].focus();
  } else if (event.key === "PageDown") turn(1);
  else if (event.key === "PageUp") turn(-1);
  else if (event.key.toLowerCase() === "d") tiles[at].click();
  else return;
  event.preventDefault();
});
