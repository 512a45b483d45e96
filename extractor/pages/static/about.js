// What is known of a figure beside its crop: why it is in doubt, who saw what, its run, its capture.

import { $, make } from "./base.js";

const NS = "http://www.w3.org/2000/svg";

export function about(item) {
  if (!item) {
    $("about").replaceChildren();
    return;
  }
  $("about").replaceChildren(
    make("h3", {}, "Why it is in doubt"),
    make("ul", {}, item.doubts.map((doubt) => make("li", {}, make("b", {}, doubt.code.replaceAll("-", " ")), `: ${doubt.why}. `, make("span", { class: "soft" }, doubt.help)))),
    make("h3", {}, "Its run"),
    run(item),
    ...(item.decided.length ? [make("h3", {}, "What people said before"), make("ul", {}, item.decided.map((each) => make("li", {}, `${each.who}, ${each.when.slice(0, 16).replace("T", " ")}: ${each.text || each.action}`)))] : []),
    make("h3", {}, "What was seen"),
    item.looks.length ? looks(item) : make("p", { class: "soft" }, "No reader saw a figure here."),
    make("h3", {}, "Where it stands"),
    make("p", { class: "soft" }, [item.capture, item.at_s === null ? item.taken.replace("T", " ") : `at ${item.at_s.toFixed(2)} s`, ...Object.entries(item.facts).map(([name, text]) => `${name} ${text}`)].filter(Boolean).join(" · ")),
    make("div", { id: "whole" }));
}

/** Fetch the whole capture: not before a person stays with a figure. */
about.capture = (item) => {
  $("whole")?.replaceChildren(whole(item, false));
};

function whole(item, large) {
  const [x, y, w, h] = item.box;
  const [wide, high] = item.size;
  const share = (value, of) => `${(100 * value) / of}%`;
  return make("button", { type: "button", class: "shown", "aria-label": large ? "Close" : "Show the capture in full size", onclick: () => !large && document.dispatchEvent(new CustomEvent("large", { detail: item })) },
    make("img", { src: `/api/items/${item.id}/capture`, alt: `The capture ${item.capture} with the figure's box`, width: wide, height: high, style: { height: "auto" } }),
    make("i", { style: { left: share(x, wide), top: share(y, high), width: share(w, wide), height: share(h, high) } }));
}

export function showLarge(item) {
  $("large").replaceChildren(whole(item, true));
  $("large").showModal();
}

function looks(item) {
  return make("table", {}, make("tbody", {}, item.looks.map((look) => make("tr", {}, make("td", { class: "figures" }, look.text || "nothing"), make("td", {}, look.reader), make("td", {}, look.probability.toPrecision(3))))));
}

function run(item) {
  const beside = (each, self) => make("span", { class: self ? "self" : each.state }, each.text || "–", make("small", {}, self ? "this" : each.when));
  return make("div", {},
    make("div", { class: "beside" }, item.before.map((each) => beside(each)), beside(item, true), item.after.map((each) => beside(each))),
    line(item),
    make("p", { class: "soft" }, `${item.run[0]} of ${item.run[1]} in its run`));
}

/** The run as a small line; figures in doubt are dots beside it, this one is large. */
function line(item) {
  const known = item.line.map(([value]) => value).filter((value) => value !== null);
  if (known.length < 3) return null;
  const low = Math.min(...known);
  const high = Math.max(...known);
  const across = (at) => 8 + (at * 384) / Math.max(1, item.line.length - 1);
  const up = (value) => 74 - (64 * (value - low)) / (high - low || 1);
  const svg = document.createElementNS(NS, "svg");
  const add = (tag, attributes) => {
    const element = document.createElementNS(NS, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    svg.append(element);
  };
  svg.setAttribute("viewBox", "0 0 400 84");
  svg.setAttribute("preserveAspectRatio", "none");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", `Its run, from ${low} to ${high}`);
  const sure = item.line.map(([value, flagged], at) => (value === null || flagged ? null : `${across(at)},${up(value)}`)).filter(Boolean);
  add("polyline", { points: sure.join(" "), fill: "none", stroke: "#0b5f52", "stroke-width": 1.5, "vector-effect": "non-scaling-stroke" });
  item.line.forEach(([value, flagged], at) => {
    if (value === null) return;
    // A line of no length with round ends stays a dot, however wide the picture is drawn.
    const dot = { d: `M${across(at)} ${up(value)}h0`, stroke: "#8a4500", "stroke-linecap": "round", "vector-effect": "non-scaling-stroke" };
    if (at === item.line_at) add("path", { ...dot, "stroke-width": 11 });
    else if (flagged) add("path", { ...dot, "stroke-width": 5 });
  });
  return svg;
}
