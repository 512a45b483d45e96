// The other parts of the side: landmarks, relations, charts, the layout as a whole.

import { $, ask, make } from "./base.js";
import { unitWord } from "./words.js";
import { change, desk, doc, say } from "./desk.js";
import { entryOf, freeName, isBare, recut, remove } from "./document.js";
import { same, select } from "./stage.js";
import { choice, crop, field, measureTrace, numberField, traceChoices } from "./figures.js";
import { show } from "./showing.js";
import { curveView } from "./curves.js";

export function landmarksPanel() {
  const seen = (name) => desk.tried.trials.map((each) => each.landmarks?.[name]).filter((score) => score !== undefined);
  const { locating } = doc();
  return [
    make("p", {}, "The layout is found by what looks the same on every capture: labels, headings, edges of a panel. Four or more, far apart, are good. To add one, choose “a landmark” above the capture and drag around a word."),
    make("div", { class: "fields" }, make("div", { class: "pair" },
      numberField("How many must be found", locating.needs, (value) => change(() => { desk.draft.calibration.locating.needs = Math.max(1, Math.round(value ?? 1)); }), { min: 1, max: doc().landmark.length || 1, step: 1 }),
      numberField("A bar at the top hides what scrolls under it, px", locating.bars?.[0] ?? 0, (value) => change(() => { desk.draft.calibration.locating.bars = [value ?? 0, desk.draft.calibration.locating.bars?.[1] ?? 0]; }), { min: 0 }))),
    make("label", { class: "check" }, make("input", { type: "checkbox", checked: isBare(), onchange: () => recut(!isBare()) }),
      make("span", {}, "The letters stand on the scene itself, without a panel under them: landmarks keep the letters alone")),
    make("div", {}, doc().landmark.map((mark) => {
      const scores = seen(mark.name);
      return make("div", { class: "entry", "aria-current": same(desk.selected, { sort: "landmark", name: mark.name }) ? "true" : undefined },
        crop(mark.box, 0),
        make("p", {}, make("b", {}, mark.name), mark.part && mark.part !== "main" ? ` · moves on its own (${mark.part})` : "",
          mark.sort === "picture" || mark.sort === "word" ? ` · seen on ${scores.length} of ${desk.captures.length}${scores.length ? `, fits ${Math.round(Math.min(...scores) * 100)} % or more` : ""}` : ` · ${mark.sort}`),
        make("div", { class: "foot" },
          make("button", { type: "button", onclick: () => { desk.at = 0; select({ sort: "landmark", name: mark.name }); $("sheet").querySelector('.box[aria-current="true"]')?.focus(); } }, "Its box"),
          make("button", { type: "button", "aria-label": `Remove ${mark.name}`, onclick: () => { desk.selected = { sort: "landmark", name: mark.name }; remove(); } }, "Remove")));
    })),
  ];
}

export function relationsPanel() {
  const held = doc().relation ?? [];
  const fits = Object.fromEntries(desk.tried.relations.map((each) => [each.that, each]));
  const all = [...held, ...desk.tried.relations.filter((fit) => !held.some((each) => each.that === fit.that))];
  return [
    make("p", {}, "What must hold between figures of one capture. A figure that breaks one is flagged. Those that held on all captures shown are on."),
    make("div", {}, all.map((relation) => {
      const on = held.find((each) => each.that === relation.that);
      const fit = fits[relation.that];
      const told = !fit || fit.holds + fit.fails === 0 ? "could not be checked here" : `holds on ${fit.holds} of ${fit.holds + fit.fails}`;
      return make("div", { class: "entry" },
        make("label", { class: "check" }, make("input", { type: "checkbox", checked: Boolean(on), onchange: () => change(() => {
          const list = desk.draft.calibration.relation ?? [];
          desk.draft.calibration.relation = on ? list.filter((each) => each.that !== relation.that) : [...list, { that: relation.that, within: relation.within }];
        }) }), make("span", {}, make("code", {}, relation.that))),
        make("p", { class: fit?.fails ? "doubt" : "soft" }, `give or take ${relation.within} beyond rounding · ${told}`));
    })),
    make("form", { class: "fields", onsubmit: (event) => {
      event.preventDefault();
      const [that, within] = [event.target.elements.that.value.trim(), event.target.elements.within.value.trim() || "0 %"];
      if (that) change(() => { desk.draft.calibration.relation = [...(desk.draft.calibration.relation ?? []), { that, within }]; });
    } },
      make("h3", {}, "One more"),
      field("Names, numbers, + - * / and = < <=", make("input", { name: "that", class: "name", maxlength: 200, spellcheck: "false", placeholder: "voltage * current = 1000 * power" })),
      field("Give or take", make("input", { name: "within", placeholder: "3 %" })),
      make("div", {}, make("button", { type: "submit" }, "Add it"))),
  ];
}

export function chartsPanel() {
  const traces = doc().trace ?? [];
  return [
    make("p", {}, traces.length ? "A line of a chart: what it shows and where its axes are. The recovered curve lies over the picture; point at it to see the line alone, and click a line to follow that one. The boxes around the plot and around the labels of both axes can be moved on the capture." : "No chart was found. To add one, choose “a chart” above the capture and drag over the plot, from the lower left to the upper right corner of its axes."),
    make("div", {}, traces.map((trace) => {
      const put = (key) => (value) => change(() => {
        const each = desk.draft.calibration.trace.find((one) => one.name === trace.name);
        if (value === "" || value === null) delete each[key];
        else each[key] = value;
        if (key === "unit" && !value) each.unit = "";
      });
      const what = trace.sensor ? `${trace.quantity} ${trace.sensor}` : trace.quantity;
      return make("div", { class: "entry fields", "aria-current": desk.selected?.sort === "chart" && desk.selected.name === trace.name ? "true" : undefined },
        curveOf(trace) ?? crop(trace.plot, 0, true),
        make("div", { class: "pair" },
          field("Name in the tables", make("input", { class: "name", value: trace.name, onchange: (event) => put("name")(freeName(event.target.value.toLowerCase().replace(/[^a-z0-9_]+/g, "_").replace(/^[^a-z]+/, "") || "trace", traces.filter((one) => one !== trace).map((one) => one.name))) })),
          choice("What is measured", what, traceChoices(), (value) => change(() => measureTrace(trace.name, value))),
          choice("Unit", trace.unit, [...new Set([...(entryOf(trace.quantity, trace.sensor)?.units ?? []), trace.unit])].map((unit) => [unit, unitWord(unit)]), put("unit")),
          choice("The labels along the time count", trace.t_unit ?? "", [["", "what they say themselves"], ["s", "seconds"], ["min", "minutes"], ["h", "hours"], ["m:s", "min:s"], ["h:m", "h:min"], ["h:m:s", "h:min:s"]], put("t_unit")),
          field("Colour of the line", make("input", { type: "color", value: trace.colour, onchange: (event) => put("colour")(event.target.value) })),
          trace.value_range ? field("Axis from … to", make("input", { value: trace.value_range.join(" "), onchange: (event) => put("value_range")(event.target.value.split(/\s+/).map(Number)) })) : null,
          trace.t_range ? field("Time from … to, s", make("input", { value: trace.t_range.join(" "), onchange: (event) => put("t_range")(event.target.value.split(/\s+/).map(Number)) })) : null),
        make("div", { class: "foot" }, make("button", { type: "button", onclick: () => { desk.at = 0; select({ sort: "chart", name: trace.name, side: "plot" }); $("sheet").querySelector('.box[aria-current="true"]')?.focus(); } }, "Its box"),
          make("button", { type: "button", "aria-label": `Remove ${trace.name}`, onclick: () => { desk.selected = { sort: "chart", name: trace.name, side: "plot" }; remove(); } }, "Remove")));
    })),
  ];
}

/** The curve as recovered on the capture that is shown, over the picture; a click chooses a line. */
function curveOf(trace) {
  const told = desk.curves.at === desk.at ? desk.curves.told.find((each) => each.trace === trace.name) : null;
  if (!told?.plot) return null;
  const [x, y, w, h] = told.room;
  const pick = async (place) => {
    try {
      const answer = await ask(`/api/captures/${desk.at}/colour`, { method: "POST", body: { plot: told.plot, ...place } });
      change(() => { desk.draft.calibration.trace.find((one) => one.name === trace.name).colour = answer.colour; });
    } catch (error) {
      say(error.message, true);
    }
  };
  return curveView(`/api/captures/${desk.at}/crop?${new URLSearchParams({ x, y, w, h, of: desk.captures[desk.at].key })}`, told, unitWord(trace.unit), pick);
}

export function layoutPanel() {
  const { marks } = doc();
  const mark = (key) => (value) => change(() => {
    if (value) desk.draft.calibration.marks[key] = value;
    else delete desk.draft.calibration.marks[key];
    desk.draft.questions = desk.draft.questions.filter((each) => each.about !== `marks.${key}`);
  });
  const put = (key) => (event) => change(() => { desk.draft.calibration[key] = event.target.value; });
  return [make("div", { class: "fields" },
    field("Name of the layout in the tables", make("input", { class: "name", value: doc().name, pattern: "[a-z][a-z0-9_-]*", onchange: put("name") })),
    field("What it shows, in a sentence", make("input", { value: doc().shows, maxlength: 300, onchange: put("shows") })),
    make("h3", {}, "How it writes numbers"),
    make("p", { class: "soft" }, "What is not stated is never guessed: a figure that hangs on it is flagged."),
    choice("Before decimals stands", marks.decimal, [["", "not stated"], [".", "a point, as in 4.5"], [",", "a comma, as in 4,5"]], mark("decimal")),
    choice("Thousands are parted by", marks.thousands, [["", "not stated"], ["none", "nothing, as in 4512"], [",", "a comma, as in 4,512"], [".", "a point, as in 4.512"], [" ", "a space, as in 4 512"], ["'", "an apostrophe, as in 4'512"]], mark("thousands")),
    choice("A time such as 10:05 is", marks.duration, [["", "not stated"], ["m:s", "minutes and seconds"], ["h:m", "hours and minutes"], ["h:m:s", "hours, minutes and seconds"], ["units", "written with units: 1 h 5 min"]], mark("duration")),
    field("Mark for no value, for every figure", make("input", { value: doc().readout.find((each) => each.missing)?.missing ?? "", onchange: (event) => change(() => { for (const each of desk.draft.calibration.readout) { if (event.target.value) each.missing = event.target.value; else delete each.missing; } }) })),
    make("h3", {}, "Start over"),
    make("p", { class: "soft" }, "A new proposal from all captures shown takes the place of everything here. It can be undone."),
    make("div", {}, make("button", { type: "button", onclick: proposeAnew }, "Propose anew")))];
}

async function proposeAnew() {
  $("working").hidden = false;
  try {
    const fresh = await ask("/api/proposal", { method: "POST" });
    change(() => {
      fresh.calibration.id = desk.draft.calibration.id;
      fresh.calibration.name = desk.draft.calibration.name;
      fresh.calibration.shows = desk.draft.calibration.shows;
      Object.assign(desk.draft, fresh, { closed: desk.draft.closed });
      desk.selected = null;
    });
    desk.tab = "figures";
    show();
  } catch (error) {
    say(error.message, true);
  } finally {
    $("working").hidden = true;
  }
}
