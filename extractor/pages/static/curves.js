// A recovered curve over the picture of its chart; shared by the pages of `calibrate` and `review`.

import { make } from "./base.js";

const NS = "http://www.w3.org/2000/svg";
const time = (seconds) => `${Math.floor(Math.round(seconds) / 60)}:${String(Math.round(seconds) % 60).padStart(2, "0")}`;
const short = (value) => String(Number(value.toPrecision(4)));

/** `src`: the picture of `told.room`; `pick` is called with px of the capture, { x, y }. */
export function curveView(src, told, unit, pick) {
  const [x, y, w, h] = told.room;
  const svg = document.createElementNS(NS, "svg");
  svg.setAttribute("viewBox", `${x} ${y} ${w} ${h}`);
  svg.setAttribute("aria-hidden", "true");
  for (const stretch of told.stretches) {
    for (const kind of ["halo", "core"]) {
      const line = document.createElementNS(NS, "polyline");
      line.setAttribute("points", stretch.map((point) => point.join(",")).join(" "));
      line.setAttribute("class", kind);
      svg.append(line);
    }
  }
  const picture = make("div", { class: "curve", onclick: (event) => {
    const room = picture.getBoundingClientRect();
    pick({ x: x + ((event.clientX - room.left) * w) / room.width, y: y + ((event.clientY - room.top) * h) / room.height });
  } }, make("img", { src, alt: `Chart of ${told.trace.replaceAll("_", " ")}`, width: w, height: h }), svg);
  picture.style.maxWidth = `calc(58vh * ${w / h})`; // what is to be pressed stays in sight
  const says = told.says;
  return make("div", {}, picture,
    make("p", { class: "soft" }, says ? `From ${time(says.from)} to ${time(says.to)}: lowest ${short(says.lowest)}, mean ${short(says.mean)}, highest ${short(says.highest)} ${unit}` : "No series: an axis or the line is not known."),
    told.doubts.length ? make("ul", { class: "doubt" }, told.doubts.map((doubt) => make("li", {}, `${doubt.code.replaceAll("-", " ")}: ${doubt.why}`))) : null);
}
