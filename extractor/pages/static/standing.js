// How things stand, shared by the three parts of the page, and said in its head.

import { $ } from "./base.js";

export const review = {
  opening: null, // what the server said when the page was opened
  tab: "settle",
  revision: -1, // of the judging that is shown
  sending: 0, // decisions on their way to the disk
  waiting: 0, // figures that wait for a person
};

export const figures = (count) => `${count} ${count === 1 ? "figure" : "figures"}`;

/** Take in what the server says of itself. */
export function say(standing) {
  review.standing = standing;
  const parts = [`${review.waiting} in doubt`, `${standing.made} settled now, kept on the disk`];
  if (standing.judging) parts.push("the tables are being written");
  else if (standing.unwritten) parts.push("the tables follow when you pause");
  else parts.push("the tables are up to date");
  $("state").textContent = `${parts.join(" · ")}.${standing.trouble ? ` ${standing.trouble}` : ""}`;
  $("state").classList.toggle("doubt", Boolean(standing.trouble));
  $("undo").disabled = standing.made === 0;
}

/** Say what went wrong where nobody overlooks it; '' takes it away. */
export function alarm(sentence) {
  $("alarm").textContent = sentence;
  $("alarm").hidden = !sentence;
}
