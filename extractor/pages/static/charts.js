// Flagged charts: the curve over the picture is accepted, or the right line is pointed out.

import { $, ask, make } from "./base.js";
import { alarm, review, say } from "./standing.js";
import { curveView } from "./curves.js";
import { shownUnit } from "./settle.js";

const charts = { waiting: [], at: 0, curve: null, colour: "" };

/** How many charts wait; the tab is there only if any does, or did. */
export async function countCharts() {
  const answer = await ask("/api/charts");
  charts.waiting = answer.charts;
  $("tab-charts").hidden = $("tab-charts").hidden && charts.waiting.length === 0;
  $("tab-charts").textContent = `Charts (${charts.waiting.length})`;
  return answer;
}

export async function showCharts() {
  try {
    say(await countCharts());
    charts.at = Math.min(charts.at, Math.max(0, charts.waiting.length - 1));
    charts.curve = null;
    show();
  } catch (error) {
    alarm(error.message);
  }
}

function show() {
  const chart = charts.waiting[charts.at];
  if (!chart) {
    $("charts").replaceChildren(make("div", { class: "inner" }, make("p", {}, "No chart is in doubt.")));
    return;
  }
  const curve = charts.curve ?? chart.curve;
  charts.colour = charts.curve ? charts.colour : chart.colour;
  const where = [chart.capture, chart.at_s === null ? chart.taken.replace("T", " ") : `at ${chart.at_s.toFixed(2)} s`, ...Object.entries(chart.facts).map(([name, text]) => `${name} ${text}`)].filter(Boolean).join(" · ");
  const [x, y, w, h] = chart.curve.room;
  $("charts").replaceChildren(make("div", { class: "inner" },
    make("div", { class: "bar soft" }, make("span", {}, `${charts.at + 1} of ${charts.waiting.length}`), make("span", {}, where)),
    make("h2", {}, `${curve.trace.replaceAll("_", " ")} · ${chart.layout.replaceAll("_", " ")}`),
    make("p", {}, "The recovered curve lies over the picture; point at it to see the line alone. If it follows another line, click the right one."),
    curveView(`/api/charts/${chart.id}/crop?${new URLSearchParams({ x, y, w, h })}`, { ...curve, room: chart.curve.room }, shownUnit(curve.unit), pick),
    make("p", { class: "soft" }, [...new Set(chart.help)].join(" ")),
    make("div", { class: "foot" },
      make("button", { type: "button", class: "main", id: "chart-accept", disabled: !curve.says, onclick: () => decide("accept") }, make("kbd", {}, "Enter"), charts.curve ? ` This line, ${charts.colour}` : " The curve is right"),
      make("button", { type: "button", onclick: () => decide("unreadable") }, make("kbd", {}, "U"), " Not usable"),
      make("button", { type: "button", onclick: () => turn(-1), disabled: charts.at === 0 }, make("kbd", {}, "←"), " Before"),
      make("button", { type: "button", onclick: () => turn(1), disabled: charts.at + 1 >= charts.waiting.length }, make("kbd", {}, "→"), " Later"))));
  ($("chart-accept").disabled ? $("charts").querySelector(".foot button:not(:disabled)") : $("chart-accept"))?.focus({ preventScroll: true });
}

async function pick(place) {
  try {
    const answer = await ask(`/api/charts/${charts.waiting[charts.at].id}/line`, { method: "POST", body: place });
    charts.curve = answer.curve;
    charts.colour = answer.colour;
    alarm("");
    show();
  } catch (error) {
    alarm(error.message);
  }
}

async function decide(action) {
  const chart = charts.waiting[charts.at];
  review.sending += 1;
  try {
    say(await ask(`/api/charts/${chart.id}/decision`, { method: "POST", body: { action, colour: charts.colour } }));
    alarm("");
    await showCharts();
  } catch (error) {
    alarm(error.message);
  } finally {
    review.sending -= 1;
  }
}

function turn(by) {
  charts.at += by;
  charts.curve = null;
  show();
}

document.addEventListener("undone", () => { if (review.tab === "charts") showCharts(); });
$("charts").addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || !charts.waiting.length) return;
  if (event.key === "ArrowRight" && charts.at + 1 < charts.waiting.length) turn(1);
  else if (event.key === "ArrowLeft" && charts.at > 0) turn(-1);
  else if (event.key.toLowerCase() === "u") decide("unreadable");
  else if (event.key.toLowerCase() === "z") $("undo").click();
  else return;
  event.preventDefault();
});
