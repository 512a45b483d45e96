// The spot-check: the number is fixed first, figures are typed blind, a bound comes out.

import { $, ask, make } from "./base.js";
import { alarm, say } from "./standing.js";

export async function showSpot() {
  try {
    show(await ask("/api/spot"));
  } catch (error) {
    alarm(error.message);
  }
}

function show(told) {
  const inner = make("div", { class: "inner" });
  if (told.statement) inner.append(make("h2", {}, "Done"), make("p", { class: "statement" }, told.statement));
  if (told.now) inner.append(...asked(told));
  else inner.append(...beginning(told));
  if (told.done.length) inner.append(make("h3", {}, "Earlier spot-checks"), ...told.done.filter((each) => each !== told.statement).map((each) => make("p", { class: "statement" }, each)));
  $("spot").replaceChildren(inner);
  (inner.querySelector("#spot-figure") ?? inner.querySelector("input"))?.focus();
}

function beginning(told) {
  const number = make("input", { type: "number", id: "spot-count", min: 1, max: told.population, value: Math.min(told.usual, told.population), required: true });
  return [
    make("h2", {}, "How often is a released figure wrong?"),
    make("p", {}, `Released are ${told.population} figures, each counted once for as long as it was displayed. Some are drawn at random. You see each crop and type what it shows, before you are told what was read. None wrong of 300 means that at most 1 % of all are wrong, with 95 % confidence.`),
    make("p", {}, "The number is fixed now: whoever stops when it looks good proves nothing. A spot-check that is stopped early is reported as exploratory. It can be gone on with later."),
    make("form", { class: "foot", onsubmit: (event) => { event.preventDefault(); send("/api/spot/begin", { planned: Number(number.value) }); } },
      make("label", { for: "spot-count" }, "Figures to type"), number, make("button", { type: "submit", class: "main", disabled: told.population === 0 }, "Begin")),
  ];
}

function asked(told) {
  const now = told.now;
  const typed = make("input", { class: "name", id: "spot-figure", spellcheck: "false", autocomplete: "off" });
  const answer = (cannot) => send("/api/spot/typed", { at: now.at, text: typed.value, cannot });
  return [
    make("div", { class: "bar soft" }, make("span", {}, `${now.at + 1} of ${now.planned} · ${now.wrong} wrong · ${now.undecidable} undecidable · ${now.slips} slips of the person`)),
    make("h2", {}, now.readout.replaceAll("_", " ")),
    make("div", { class: "mat" }, make("img", { src: `/api/spot/${now.at}/crop?of=${now.id}`, alt: "Crop of the figure to type", style: { width: "auto", height: "auto", minHeight: "150px", maxWidth: "96%", maxHeight: "94%", objectFit: "contain" } })),
    ...(told.again ? [make("p", { class: "mismatch", role: "alert" }, "You typed ", make("b", { class: "figures" }, told.again.typed), ", it was read as ", make("b", { class: "figures" }, told.again.read), ". Look again, and type what the crop shows.")] : []),
    make("form", { onsubmit: (event) => { event.preventDefault(); answer(false); } },
      make("label", { for: "spot-figure" }, "What the crop shows, without its unit"), typed,
      make("div", { class: "foot", style: { marginTop: "12px" } },
        make("button", { type: "submit", class: "main" }, "That is it"),
        make("button", { type: "button", onclick: () => answer(true) }, "It cannot be told"),
        make("button", { type: "button", class: "bare", onclick: () => send("/api/spot/stop", {}) }, "Stop here"))),
  ];
}

async function send(path, body) {
  try {
    const told = await ask(path, { method: "POST", body });
    alarm("");
    show(told);
    say(await ask("/api/standing"));
  } catch (error) {
    alarm(error.message);
  }
}
