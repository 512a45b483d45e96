// What every page shares: asking the server, and making elements.

export const $ = (id) => document.getElementById(id);

/** Ask the server; a refusal becomes an Error with the server's sentence. */
export async function ask(path, { method = "GET", body, bytes } = {}) {
  const how = { method, headers: {} };
  if (body !== undefined) {
    how.body = JSON.stringify(body);
    how.headers["content-type"] = "application/json";
  } else if (bytes !== undefined) {
    how.body = bytes;
  }
  let answer;
  try {
    answer = await fetch(path, how);
  } catch {
    throw new Error(
      "The command has ended or does not answer. Start it again in the terminal: " +
        "what was kept on the disk goes on.",
    );
  }
  const text = await answer.text();
  let said = {};
  try {
    said = JSON.parse(text);
  } catch {
    /* not the server's own answer */
  }
  if (!answer.ok) throw new Error(said.refused ?? `The server could not do that (${answer.status}).`);
  return said;
}

/** Make an element: attributes, listeners as onclick, the rest as children. */
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "style") Object.assign(element.style, value);
    else if (value === true) element.setAttribute(name, "");
    else element.setAttribute(name, value);
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return element;
}

/** Call once, when no further call came for some time. */
export function later(what, ms) {
  let waiting = 0;
  return (...given) => {
    clearTimeout(waiting);
    waiting = setTimeout(() => what(...given), ms);
  };
}
