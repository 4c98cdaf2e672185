// Elements without a framework, and questions to the desk.

export function h(tag, given = {}, ...inside) {
  const svg = tag.startsWith("svg:");
  const made = svg
    ? document.createElementNS("http://www.w3.org/2000/svg", tag.slice(4))
    : document.createElement(tag);
  for (const [name, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name === "hue") made.style.setProperty("--hue", value);
    else if (name === "share") made.style.setProperty("--share", value);
    else if (!svg && name in made && name !== "list" && name !== "form") made[name] = value;
    else made.setAttribute(name, value === true ? "" : value);
  }
  made.append(...inside.flat(3).filter((one) => one !== null && one !== undefined && one !== false));
  return made;
}

// New content in place of the old; whoever types or tabs stays there, and what is unfolded stays so.
export function refill(place, ...inside) {
  const held = document.activeElement;
  const id = place.contains(held) ? held.id : "";
  const typed = id && "value" in held && held.type !== "range" ? held.value : null;
  const changed = typed !== null && "defaultValue" in held && typed !== held.defaultValue;
  const folds = [...place.querySelectorAll("details[id]")].map((one) => [one.id, one.open]);
  place.replaceChildren(...inside.flat(3).filter(Boolean));
  for (const [fold, open] of folds) document.getElementById(fold)?.toggleAttribute("open", open);
  const again = id && document.getElementById(id);
  if (!again) return;
  if (changed && again.type !== "checkbox" && again.type !== "radio") again.value = typed;
  again.focus({ preventScroll: true });
}

// The same where something is new; else all stays as it is, so that nothing moves away from under
// a pointer or loses its caret. What lies behind the content, as the sheet, is part of it.
const shown = new WeakMap();
let behind = () => "";
export const standOn = (what) => { behind = what; };

export function renew(place, ...inside) {
  const nodes = inside.flat(3).filter(Boolean);
  const now = `${behind()}\n${nodes.map(told).join("")}`;
  const before = shown.get(place);
  if (before && before.first === place.firstChild && before.now === now && before.set === setIn([...place.childNodes])) return;
  refill(place, nodes);
  shown.set(place, { now, first: place.firstChild, set: setIn(nodes) });
}

const all = (node, what) => (node.querySelectorAll ? [...(node.matches(what) ? [node] : []), ...node.querySelectorAll(what)] : []);
const told = (node) => `${node.outerHTML ?? node.data}${all(node, "input, select").map((one) => `|${one.value}|${one.checked}`).join("")}`;
// What is ticked and chosen; it may have been changed by hand and not been taken.
const setIn = (nodes) => nodes.flatMap((node) => all(node, "[type=checkbox], [type=radio], select"))
  .map((one) => (one.type === "checkbox" || one.type === "radio" ? one.checked : one.value)).join("|");

export class Refused extends Error {}

export async function ask(name, body) {
  let answer;
  try {
    answer = await fetch(`/api/${name}`, body === undefined ? {} : {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(body),
    });
  } catch {
    throw new Refused("the desk does not answer; start it again with 'timetrue desk'");
  }
  if (answer.status === 401) throw new Refused((await answer.text()).trim());
  if (answer.headers.get("content-type") === "image/png") return answer.blob();
  const said = await answer.json();
  if (!answer.ok) throw new Refused(said.error);
  return said;
}

export function button(text, onclick, more = {}) {
  return h("button", { type: "button", onclick, ...more }, text);
}

export function field(id, label, control, hint = "") {
  control.id = id;
  if (hint) control.setAttribute("aria-describedby", `${id}-hint`);
  return h("div", { className: "field" },
    h("label", { htmlFor: id }, label), control,
    hint && h("p", { id: `${id}-hint`, className: "hint" }, hint));
}

export function choice(options, value, onchange, more = {}) {
  return h("select", { onchange: (event) => onchange(event.target.value), ...more },
    options.map((one) => {
      const [key, text] = Array.isArray(one) ? one : [one, one];
      return h("option", { value: key, selected: key === value }, text);
    }));
}

// Where a file of the folder is read.
export const fileOf = (path) => `/files/${path.split("/").map(encodeURIComponent).join("/")}`;

export function seconds(value) {
  if (value === null || value === undefined) return "";
  return value >= 90 ? `${Math.round(value / 60)} min` : `${Math.max(1, Math.round(value))} s`;
}
