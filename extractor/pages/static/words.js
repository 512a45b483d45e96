// The words of the calibrate page for what the calibration file calls by names, and the keys.

/** quantity (and sensor) -> words, key. */
export const QUANTITIES = {
  frame_rate: ["frame rate", "f"],
  frame_time: ["time of a frame", "t"],
  power: ["power", "p"],
  current: ["current", "c"],
  voltage: ["voltage", "v"],
  "temperature battery": ["battery temperature", "b"],
  "temperature chip": ["chip temperature", "h"],
  "temperature skin": ["skin temperature", "s"],
  "temperature ambient": ["air temperature", "a"],
  clock: ["clock", "k"],
  load: ["load", "l"],
  level: ["battery level", "e"],
  charge: ["charge (mA·h)", "q"],
  energy: ["energy (W·h)", "y"],
  capacity: ["capacity", "j"],
  memory: ["memory", "m"],
  render_size: ["render size", "r"],
  share_at_floor: ["share of time at a frame rate", "g"],
  duration: ["length of time", "d"],
  count: ["number of frames", "n"],
  brightness: ["brightness", "w"],
  outcome: ["how it ended (words)", "u"],
  other: ["something else", "x"],
};

export const STATISTICS = {
  now: ["at this instant", "1"],
  mean: ["mean", "2"],
  lowest: ["lowest", "3"],
  highest: ["highest", "4"],
  low_1_percent: ["1 % low", "5"],
  median: ["median", "6"],
  start: ["at the start", "7"],
  end: ["at the end", "8"],
  total: ["in total", "9"],
  share: ["share", "0"],
  spread: ["spread", "-"],
};

const UNITS = { Cel: "°C", "[degF]": "°F", "mA.h": "mA·h", "W.h": "W·h", MiBy: "MiB", GiBy: "GiB", "cd/m2": "cd/m²", "": "none" };

export const KINDS = {
  number: "a number",
  percentage: "a percentage",
  duration: "a length of time, as 10:05",
  size: "a size, as 1280 × 720",
  word: "a word",
};

export const unitWord = (unit) => UNITS[unit] ?? unit;

/** What a readout measures, in words. */
export function meaningOf(readout) {
  const key = readout.sensor ? `${readout.quantity} ${readout.sensor}` : readout.quantity;
  const what = QUANTITIES[key]?.[0] ?? readout.quantity;
  const which = readout.statistic ?? "now";
  const plain = which === "now" || (which === "total" && ["duration", "outcome", "count"].includes(readout.quantity));
  const unit = readout.unit ? `, ${unitWord(readout.unit)}` : "";
  return `${what}${plain || readout.quantity === "share_at_floor" ? "" : `, ${STATISTICS[which][0]}`}${unit}`;
}

export const KEYS = [
  ["Ctrl + Z, Ctrl + Shift + Z", "undo, redo"],
  ["Ctrl + S", "save as a calibration file"],
  ["?", "this help"],
  ["↑ ↓ in the list", "the figure before, the next one"],
  ["letters in the list", "what is measured; the letter is underlined on its button"],
  ["1 to 9, 0, -", "which value of it: now, mean, lowest, highest, …"],
  ["F8", "from the capture to the open questions and the list, and back"],
  ["F2 in the list", "another name for the figure"],
  ["Delete", "remove the figure, landmark or chart that is selected"],
  ["Enter on a box", "its entry in the list; Enter in the list opens and closes it"],
  ["Tab on the capture", "from box to box"],
  ["arrow keys on a box", "move it by 1 px of the capture, with Shift by 10"],
  ["Alt + arrow keys on a box", "make it wider, narrower, higher, lower"],
  ["N on the capture", "a new box in the middle of what is shown"],
  ["+ and − on the capture", "larger, smaller; 0 shows all of it"],
  ["← → on the captures", "the capture before, the next one"],
];
