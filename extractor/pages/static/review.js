// The page of `ocrlog review`: what is in doubt is settled, one key a figure.

import { $, ask, make } from "./base.js";
import { leaveSettle, showSettle, startSettle } from "./settle.js";
import { countCharts, showCharts } from "./charts.js";
import { showProof } from "./proof.js";
import { showSpot } from "./spot.js";
import { review, say } from "./standing.js";

const TABS = { settle: showSettle, charts: showCharts, proof: showProof, spot: showSpot };
const KEYS = [
  ["Enter", "what was read is right; with something typed: that is what the crop shows"],
  ["digits, - . , :", "type what the crop shows, without the unit"],
  ["A to E", "take the text offered under that letter"],
  ["U", "nobody can read this"],
  ["→", "leave it for later"],
  ["←", "back to the one before; deciding it again takes the place of the first answer"],
  ["Z", "take the last decision back"],
  ["Esc", "empty the field"],
  ["Alt with the letter", "the same while you type, and for words such as “completed”"],
  ["Enter, U", "on a chart: the curve is right, or is not usable; a click points out the right line"],
  ["D", "on the proof sheet: send this one to Settle, or take that back"],
];

function choose(name) {
  if (review.tab === "settle" && name !== "settle") leaveSettle();
  review.tab = name;
  for (const each of Object.keys(TABS)) {
    const chosen = each === name;
    $(each).hidden = !chosen;
    $(`tab-${each}`).setAttribute("aria-selected", String(chosen));
    $(`tab-${each}`).tabIndex = chosen ? 0 : -1;
  }
  TABS[name]();
}

function openHelp() {
  $("helping").replaceChildren(
    make("div", { class: "head" }, make("h2", { id: "helping-title" }, "How this page works"), make("button", { type: "button", class: "main", onclick: () => $("helping").close() }, "Close")),
    make("p", {}, "ocrlog releases a figure only if nothing speaks against it. What is left is shown here, one crop at a time. Look at the crop first, then at what was read."),
    make("p", {}, `Every decision is written to ${review.opening.decisions} before you see the next crop, and is never overwritten: taking one back adds a line. Several people can work on copies; putting their files into one folder merges them.`),
    make("p", {}, "The tables are written anew whenever you pause, and once more when the command ends with Ctrl-C."),
    make("h3", {}, "Keys"),
    make("table", { class: "keys" }, make("tbody", {}, KEYS.map(([keys, what]) => make("tr", {}, make("th", { scope: "row" }, make("kbd", {}, keys)), make("td", {}, what))))));
  $("helping").showModal();
}

$("tabs").addEventListener("click", (event) => {
  const tab = event.target.closest("[role=tab]");
  if (tab) choose(tab.getAttribute("aria-controls"));
});
$("tabs").addEventListener("keydown", (event) => {
  const names = Object.keys(TABS).filter((name) => !$(`tab-${name}`).hidden);
  const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  if (!step) return;
  const next = names[(names.indexOf(review.tab) + step + names.length) % names.length];
  choose(next);
  $(`tab-${next}`).focus();
});
$("help").addEventListener("click", openHelp);
window.addEventListener("beforeunload", (event) => {
  if (review.sending) event.preventDefault();
});

try {
  review.opening = await ask("/api/opening");
  say(review.opening);
  await countCharts();
  await startSettle();
  document.body.dataset.ready = "";
} catch (error) {
  $("state").textContent = error.message;
}
