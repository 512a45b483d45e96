// The capture with its boxes: drawing, moving and resizing them by mouse and by keys.

import { $, make } from "./base.js";
import { change, desk, doc, trial } from "./desk.js";
import { clamped, cutLandmark, draw, remove } from "./document.js";
import { show } from "./showing.js";

/** All boxes of the capture that is shown: { sort, name, side, box, state, fixed }. */
function boxes() {
  const found = [];
  const now = trial();
  if (desk.at === 0) {
    for (const each of doc().landmark) found.push({ sort: "landmark", name: each.name, box: each.box });
    for (const each of doc().trace ?? [])
      for (const side of ["plot", "t_labels", "value_labels"])
        if (each[side]) found.push({ sort: "chart", name: each.name, side, box: each[side] });
    for (const each of doc().line ?? []) found.push({ sort: "line", name: each.name, box: each.box });
    for (const each of doc().readout) {
      const reading = now?.readings?.[each.name];
      const box = each.box ?? reading?.box;
      if (box) found.push({ sort: "readout", name: each.name, box, state: reading?.state, fixed: !each.box });
    }
  } else {
    for (const [name, each] of Object.entries(now?.readings ?? {}))
      if (each.box) found.push({ sort: "readout", name, box: each.box, state: each.state, fixed: true });
  }
  return found;
}

function entryBox(sort, name, side) {
  if (sort === "chart") return doc().trace.find((each) => each.name === name)?.[side];
  return { readout: doc().readout, landmark: doc().landmark, line: doc().line }[sort]?.find((each) => each.name === name)?.box;
}

async function place(what, box) {
  const inside = clamped(box);
  if (what.sort === "landmark") {
    const mark = doc().landmark.find((each) => each.name === what.name);
    if (mark.sort === "picture") {
      await cutLandmark(what.name, inside, mark.part ?? "main");
      return;
    }
  }
  change(() => {
    const list = { readout: "readout", landmark: "landmark", line: "line", chart: "trace" }[what.sort];
    desk.draft.calibration[list].find((each) => each.name === what.name)[what.sort === "chart" ? what.side : "box"] = inside;
  });
}

export function scale() {
  const { width, height } = desk.captures[desk.at];
  if (desk.zoom) return desk.zoom;
  const view = $("view");
  return Math.min(view.clientWidth / width, view.clientHeight / height) || 0.1;
}

export const same = (one, other) => Boolean(one) && Boolean(other) && one.sort === other.sort && one.name === other.name && (one.side ?? "") === (other.side ?? "");

export function showStage() {
  const sheet = $("sheet");
  const k = scale();
  const { width, height } = desk.captures[desk.at];
  Object.assign(sheet.style, { width: `${width * k}px`, height: `${height * k}px` });
  sheet.classList.toggle("looking", desk.at !== 0);
  let image = sheet.querySelector("img");
  const source = `/api/captures/${desk.at}/picture?of=${desk.captures[desk.at].key}`;
  if (!image) sheet.append((image = make("img", { draggable: "false" })));
  if (image.getAttribute("src") !== source) image.setAttribute("src", source);
  image.alt = `The capture ${desk.captures[desk.at].name}`;
  const focused = document.activeElement?.dataset?.box;
  for (const old of sheet.querySelectorAll(".box, .handle")) old.remove();
  for (const each of boxes()) sheet.append(boxElement(each, k));
  if (focused) sheet.querySelector(`[data-box="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
  const current = boxes().find((each) => same(each, desk.selected));
  if (current && desk.at === 0 && !current.fixed) for (const handle of handles(current, k)) sheet.append(handle);
}

function boxElement(each, k) {
  const words = { readout: "figure", landmark: "landmark", line: "flowing line", chart: "chart" }[each.sort];
  const reading = each.sort === "readout" ? trial()?.readings?.[each.name] : null;
  const read = reading ? `, reads ${reading.text || "nothing"}` : "";
  const [x, y, w, h] = each.box;
  const element = make("button", {
    type: "button",
    class: `box ${each.sort} ${each.state ?? ""}`,
    "data-box": `${each.sort} ${each.name} ${each.side ?? ""}`,
    "aria-label": `${words} ${each.name}${each.side && each.side !== "plot" ? ` ${each.side}` : ""}${read}`,
    title: `${each.name}${read}`,
    "aria-current": same(each, desk.selected) ? "true" : undefined,
    style: { left: `${x * k}px`, top: `${y * k}px`, width: `${w * k}px`, height: `${h * k}px` },
    onclick: () => select(each),
    onkeydown: (event) => boxKey(event, each),
    onpointerdown: (event) => {
      if (desk.at === 0 && !each.fixed) drag(event, each, "move");
    },
  });
  return element;
}

const EDGES = { nw: [0, 0], n: [0.5, 0], ne: [1, 0], e: [1, 0.5], se: [1, 1], s: [0.5, 1], sw: [0, 1], w: [0, 0.5] };

function handles(each, k) {
  const [x, y, w, h] = each.box;
  const outside = 5; // beside the box, so that what it reads stays in sight
  return Object.entries(EDGES)
    .filter(([edge]) => edge.length === 2 || ((edge === "n" || edge === "s") ? w : h) * k > 44)
    .map(([edge, [across, down]]) =>
      make("span", {
        class: "handle",
        "aria-hidden": "true",
        style: {
          left: `${(x + w * across) * k + (across * 2 - 1) * outside}px`,
          top: `${(y + h * down) * k + (down * 2 - 1) * outside}px`,
          cursor: `${edge}-resize`,
        },
        onpointerdown: (event) => drag(event, each, edge),
      }),
    );
}

function drag(event, each, edge) {
  if (event.button !== 0) return;
  event.preventDefault();
  event.stopPropagation();
  const k = scale();
  const start = [event.clientX, event.clientY];
  const before = [...each.box];
  let box = before;
  let moved = false;
  const follow = (move) => {
    const right = (move.clientX - start[0]) / k;
    const down = (move.clientY - start[1]) / k;
    if (!moved && Math.hypot(right, down) * k < 4) return;
    moved = true;
    let [x, y, w, h] = before;
    if (edge === "move") [x, y] = [x + right, y + down];
    else {
      if (edge.includes("w")) [x, w] = [x + right, w - right];
      if (edge.includes("e")) w += right;
      if (edge.includes("n")) [y, h] = [y + down, h - down];
      if (edge.includes("s")) h += down;
    }
    box = clamped([x, y, Math.max(4, w), Math.max(4, h)]);
    const element = $("sheet").querySelector(`[data-box="${CSS.escape(`${each.sort} ${each.name} ${each.side ?? ""}`)}"]`);
    if (element) Object.assign(element.style, { left: `${box[0] * k}px`, top: `${box[1] * k}px`, width: `${box[2] * k}px`, height: `${box[3] * k}px` });
  };
  const end = () => {
    window.removeEventListener("pointermove", follow);
    window.removeEventListener("pointerup", end);
    if (moved) {
      desk.selected = { sort: each.sort, name: each.name, side: each.side };
      place(each, box);
    } else select(each);
  };
  window.addEventListener("pointermove", follow);
  window.addEventListener("pointerup", end);
}

function boxKey(event, each) {
  if (event.ctrlKey || event.metaKey) return;
  const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (way && desk.at === 0 && !each.fixed) {
    event.preventDefault();
    event.stopPropagation();
    const far = event.shiftKey ? 10 : 1;
    const [x, y, w, h] = entryBox(each.sort, each.name, each.side);
    desk.selected = { sort: each.sort, name: each.name, side: each.side };
    place(each, event.altKey ? [x, y, w + way[0] * far, h + way[1] * far] : [x + way[0] * far, y + way[1] * far, w, h]);
  } else if (event.key === "Delete" || event.key === "Backspace") {
    event.preventDefault();
    desk.selected = { sort: each.sort, name: each.name, side: each.side };
    if (desk.at === 0) remove();
  } else if (event.key === "Enter" || event.key === " ") {
    event.preventDefault();
    select(each);
    $("panel").querySelector('[aria-expanded="true"], .entry[aria-current="true"] button')?.focus();
  }
}

export function startDrawing(event) {
  if (event.button !== 0 || desk.at !== 0 || event.target.closest(".box, .handle")) return;
  event.preventDefault();
  $("view").focus({ preventScroll: true });
  const k = scale();
  const sheet = $("sheet").getBoundingClientRect();
  const spot = (move) => [(move.clientX - sheet.left) / k, (move.clientY - sheet.top) / k];
  const [x0, y0] = spot(event);
  const rectangle = make("div", { class: "drawn" });
  $("sheet").append(rectangle);
  let box = null;
  const follow = (move) => {
    const [x1, y1] = spot(move);
    box = [Math.min(x0, x1), Math.min(y0, y1), Math.abs(x1 - x0), Math.abs(y1 - y0)];
    Object.assign(rectangle.style, { left: `${box[0] * k}px`, top: `${box[1] * k}px`, width: `${box[2] * k}px`, height: `${box[3] * k}px` });
  };
  const end = () => {
    window.removeEventListener("pointermove", follow);
    window.removeEventListener("pointerup", end);
    rectangle.remove();
    if (box && box[2] * k > 5 && box[3] * k > 5) draw(box);
  };
  window.addEventListener("pointermove", follow);
  window.addEventListener("pointerup", end);
}

export function viewKey(event) {
  if (event.target !== $("view") || event.ctrlKey || event.metaKey || event.altKey) return;
  const k = scale();
  const view = $("view");
  if (event.key === "n" || event.key === "N") {
    if (desk.at !== 0) return;
    const [w, h] = desk.mode === "chart" ? [400, 160] : [120, 36];
    draw([(view.scrollLeft + view.clientWidth / 2) / k - w / 2, (view.scrollTop + view.clientHeight / 2) / k - h / 2, w, h]).then(() =>
      $("sheet").querySelector('.box[aria-current="true"]')?.focus(),
    );
  } else if (event.key === "+" || event.key === "=") resize(k * 1.25);
  else if (event.key === "-") resize(k / 1.25);
  else if (event.key === "0") resize(0);
  else return;
  event.preventDefault();
}

export function resize(wanted) {
  const before = scale();
  const view = $("view");
  desk.zoom = wanted && Math.min(Math.max(wanted, 0.05), 8);
  const [x, y] = [(view.scrollLeft + view.clientWidth / 2) / before, (view.scrollTop + view.clientHeight / 2) / before];
  showStage();
  const after = scale();
  view.scrollTo(x * after - view.clientWidth / 2, y * after - view.clientHeight / 2);
}

/** Bring the layout itself to fill the view. */
export function frame() {
  const all = boxes().map((each) => each.box);
  if (!all.length) return resize(0);
  const [x0, y0] = [Math.min(...all.map((box) => box[0])), Math.min(...all.map((box) => box[1]))];
  const [x1, y1] = [Math.max(...all.map((box) => box[0] + box[2])), Math.max(...all.map((box) => box[1] + box[3]))];
  const view = $("view");
  desk.zoom = Math.min(1.5, Math.max(0.05, Math.min(view.clientWidth / (x1 - x0 + 60), view.clientHeight / (y1 - y0 + 60))));
  showStage();
  view.scrollTo(((x0 + x1) / 2) * desk.zoom - view.clientWidth / 2, ((y0 + y1) / 2) * desk.zoom - view.clientHeight / 2);
}

export function select(what) {
  desk.selected = { sort: what.sort, name: what.name, side: what.side };
  desk.tab = { readout: "figures", landmark: "landmarks", chart: "charts", line: "figures" }[what.sort];
  show();
  $("panel").querySelector('[aria-expanded="true"], [aria-current="true"]')?.scrollIntoView({ block: "nearest" });
}
