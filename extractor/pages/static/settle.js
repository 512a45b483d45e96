// Settling: one figure at a time, the next ones fetched before they are asked for.

import { $, ask, make } from "./base.js";
import { alarm, figures, review, say } from "./standing.js";
import { about, showLarge } from "./about.js";

const AHEAD = 16; // figures fetched before they are shown
const LETTERS = "ABCDE";
const POLL_MS = 2000;

const queue = { ids: [], at: 0, told: new Map(), crops: new Map(), same: new Map(), done: new Set(), later: 0 };

const current = () => queue.ids[queue.at];
const waits = (id) => !queue.done.has(id);
const figure = () => $("figure");

// ------------------------------------------------------------ which is next

export async function startSettle() {
  await load();
  setInterval(async () => {
    if (document.hidden || review.sending) return;
    try {
      const standing = await ask("/api/standing");
      alarm("");
      if (standing.revision !== review.revision && !figure().value && review.tab === "settle") await load();
      else if (!review.sending) say(standing);
    } catch (error) {
      alarm(error.message);
    }
  }, POLL_MS);
}

/** Ask what is in doubt now; the figure that is being looked at stays. */
async function load() {
  const looked = current();
  const answer = await ask(`/api/queue?by=${$("by").value}`);
  const fewer = queue.ids.filter((id) => waits(id) && !answer.ids.includes(id)).length;
  review.revision = answer.revision;
  Object.assign(queue, { ids: answer.ids, done: new Set(), told: new Map(), same: new Map() });
  queue.at = Math.max(0, queue.ids.indexOf(looked));
  count(answer);
  if (fewer && looked !== undefined) $("told").textContent = `${figures(fewer)} no longer in doubt: your decisions settled what spoke against them.`;
  await fetchAhead();
  await show();
}

function count(standing) {
  review.waiting = queue.ids.filter(waits).length;
  say(standing);
}

/** The next figure that waits, from here on and then from the start; -1 if there is none. */
function next(from) {
  for (let step = 0; step < queue.ids.length; step++) {
    const at = (from + step) % queue.ids.length;
    if (waits(queue.ids[at])) return at;
  }
  return -1;
}

async function fetchAhead() {
  const wanted = [];
  for (let at = queue.at; at < queue.ids.length && wanted.length < AHEAD; at++) {
    if (waits(queue.ids[at])) wanted.push(queue.ids[at]);
  }
  const missing = wanted.filter((id) => !queue.told.has(id));
  if (missing.length && (missing.length > AHEAD / 2 || wanted.indexOf(missing[0]) < AHEAD / 2)) {
    const answer = await ask("/api/items", { method: "POST", body: { ids: missing } });
    for (const item of answer.items) queue.told.set(item.id, item);
  }
  for (const id of wanted) {
    if (queue.crops.has(id)) continue;
    const image = new Image();
    image.src = `/api/items/${id}/crop`;
    image.alt = "Crop of the figure";
    image.decode().catch(() => {});
    queue.crops.set(id, image);
  }
  for (const id of wanted.slice(0, 2)) {
    if (queue.same.has(id)) continue;
    queue.same.set(id, []);
    ask(`/api/items/${id}/same`).then((answer) => {
      queue.same.set(id, answer.ids);
      if (id === current()) showSame(id);
    }, () => queue.same.delete(id));
  }
  for (const id of queue.crops.keys()) {
    if (queue.crops.size <= 4 * AHEAD) break;
    if (!wanted.includes(id)) queue.crops.delete(id);
  }
}

// ------------------------------------------------------------ showing one

export function showSettle() {
  if (!review.opening) return;
  load().catch((error) => alarm(error.message));
}

export const leaveSettle = () => clearTimeout(queue.later);

async function show() {
  clearTimeout(queue.later);
  const id = current();
  if (id === undefined || next(queue.at) < 0) {
    await showEnd();
    return;
  }
  if (!queue.told.has(id)) await fetchAhead();
  const item = queue.told.get(id);
  $("form").hidden = false;
  $("progress").textContent = `${queue.at + 1} of ${queue.ids.length} · ${figures(queue.ids.filter(waits).length)} left`;
  $("what").textContent = `${item.readout.replaceAll("_", " ")} · ${item.measures} · ${item.layout.replaceAll("_", " ")}`;
  showCrop(item);
  const read = item.text ? ["read as ", item.text] : ["", "nothing was read"];
  $("read").replaceChildren(make("small", {}, read[0]), read[1], make("small", {}, ` ${shownUnit(item.unit)}`));
  figure().value = "";
  $("figure-name").textContent = item.acceptable ? "What the crop shows, if it is not that (without the unit)" : "What the crop shows (without the unit)";
  showChoices(item);
  about(item);
  showSame(id);
  figure().focus({ preventScroll: true });
  queue.later = setTimeout(() => { about.capture(item); }, 200);
}

export const shownUnit = (unit) => ({ Cel: "°C", "[degF]": "°F", "mA.h": "mA·h", "W.h": "W·h" })[unit] ?? unit;

function showCrop(item) {
  const image = queue.crops.get(item.id) ?? Object.assign(new Image(), { src: `/api/items/${item.id}/crop`, alt: "Crop of the figure" });
  const [x, y, w, h] = item.box;
  const margin = 0.6 * h;
  const left = Math.max(0, Math.floor(x - margin));
  const top = Math.max(0, Math.floor(y - margin));
  const wide = Math.min(item.size[0], Math.ceil(x + w + margin)) - left;
  const high = Math.min(item.size[1], Math.ceil(y + h + margin)) - top;
  const mat = $("crop");
  const scale = Math.min(120 / h, (mat.clientWidth - 32) / wide, (mat.clientHeight - 16) / high);
  const px = (value) => `${value * scale}px`;
  mat.replaceChildren(make("div", { style: { width: px(wide), height: px(high) } },
    image, make("span", { class: "frame", style: { left: px(x - left), top: px(y - top), width: px(w), height: px(h) } })));
  mat.dataset.item = String(item.id);
}

function showChoices(item) {
  const key = (letter) => make("kbd", {}, item.kind === "word" ? `Alt ${letter}` : letter);
  $("choices").replaceChildren(
    ...(item.acceptable ? [make("button", { type: "submit", class: "main" }, make("kbd", {}, "Enter"), "It is ", make("b", {}, item.text))] : []),
    ...item.offers.map((offer, at) => make("button", { type: "button", title: offer.why, onclick: () => decide("correct", offer.text) }, key(LETTERS[at]), make("b", {}, offer.text))),
    make("button", { type: "button", onclick: () => decide("unreadable", "") }, key("U"), "Unreadable"),
    make("button", { type: "button", onclick: back }, make("kbd", {}, "←"), "Back"),
    make("button", { type: "button", onclick: forward }, make("kbd", {}, "→"), "Later"));
}

function showSame(id) {
  const count = (queue.same.get(id) ?? []).filter(waits).length;
  if (count) $("progress").textContent += ` · ${count} more with the very same crop are settled together with it`;
}

async function showEnd() {
  $("form").hidden = true;
  $("crop").replaceChildren();
  $("read").replaceChildren();
  $("progress").textContent = "";
  $("what").textContent = "";
  about(null);
  const standing = review.standing;
  $("crop").append(make("p", {}, standing.unwritten ? "All settled. The tables are being written …" : "Nothing is in doubt. Look over a proof sheet, or make a spot-check."));
  if (!standing.unwritten || standing.judging) return;
  try {
    const answer = await ask("/api/judge", { method: "POST" });
    say(answer);
    if (!answer.trouble) await load();
  } catch (error) {
    alarm(error.message);
  }
}

// ------------------------------------------------------------ what a person decides

function move(at) {
  if (at >= 0) queue.at = at;
  show().catch((error) => alarm(error.message));
  fetchAhead().catch((error) => alarm(error.message));
}

const forward = () => move(next((queue.at + 1) % queue.ids.length));

function back() {
  if (queue.at > 0) {
    queue.at -= 1;
    queue.done.delete(current());
    move(queue.at);
  }
}

async function decide(action, text) {
  const id = current();
  if (id === undefined || !waits(id)) return;
  const ids = [id, ...(queue.same.get(id) ?? []).filter(waits)];
  const typed = action === "correct" && text === figure().value.trim();
  const sent = ask("/api/decisions", { method: "POST", body: { ids, action, text } });
  const settle = () => ids.forEach((each) => queue.done.add(each));
  review.sending += 1;
  if (!typed) {
    settle();
    move(next(queue.at));
  }
  try {
    const standing = await sent;
    if (typed) {
      settle();
      move(next(queue.at));
    }
    count(standing);
  } catch (error) {
    ids.forEach((each) => queue.done.delete(each));
    queue.at = queue.ids.indexOf(id);
    await show();
    if (typed) figure().value = text;
    $("told").textContent = `Not kept: ${error.message}`;
  } finally {
    review.sending -= 1;
  }
}

async function undo() {
  if ($("undo").disabled) return;
  try {
    const answer = await ask("/api/undo", { method: "POST" });
    for (const id of answer.ids) queue.done.delete(id);
    const at = queue.ids.indexOf(answer.ids[0]);
    if (at < 0) await load();
    else if (review.tab === "settle") move(at);
    count(answer);
    if (review.tab === "settle") $("told").textContent = "Taken back.";
    document.dispatchEvent(new Event("undone"));
  } catch (error) {
    alarm(error.message);
  }
}

$("undo").addEventListener("click", undo);
$("by").addEventListener("change", () => { queue.at = 0; queue.ids = []; load(); });
$("form").addEventListener("submit", (event) => {
  event.preventDefault();
  const text = figure().value.trim();
  const item = queue.told.get(current());
  if (text) decide("correct", text);
  else if (item?.acceptable) decide("accept", "");
  else $("told").textContent = "Type what the crop shows, or press U if nobody can read it.";
});
$("settle").addEventListener("keydown", (event) => {
  const item = queue.told.get(current());
  if (!item || $("form").hidden || event.ctrlKey || event.metaKey || event.target.matches("select")) return;
  const empty = figure().value === "";
  if (event.key === "Escape") figure().value = "";
  else if (!event.altKey && !empty) return;
  else if (event.key === "ArrowLeft") back();
  else if (event.key === "ArrowRight") forward();
  else if (event.altKey || item.kind !== "word") {
    const letter = event.key.toUpperCase();
    const offer = letter.length === 1 ? item.offers[LETTERS.indexOf(letter)] : undefined;
    if (offer) decide("correct", offer.text);
    else if (letter === "U") decide("unreadable", "");
    else if (letter === "Z") undo();
    else {
      if (/^[0-9.,:+-]$/.test(event.key) && event.target !== figure()) figure().focus();
      return;
    }
  } else return;
  event.preventDefault();
});
figure().addEventListener("input", () => { $("told").textContent = ""; });
$("large").addEventListener("click", () => $("large").close());
document.addEventListener("large", (event) => showLarge(event.detail));
