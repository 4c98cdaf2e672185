// Elements without a framework, and questions to the desk.

const calls = new WeakMap(); // of each element, what its events call, by kind
function listen(node, kind, call) {
  const own = calls.get(node) ?? {};
  calls.set(node, own);
  if (!(kind in own)) node.addEventListener(kind, (event) => own[kind]?.(event));
  own[kind] = call;
}

export function h(tag, given = {}, ...inside) {
  const svg = tag.startsWith("svg:");
  const made = svg
    ? document.createElementNS("http://www.w3.org/2000/svg", tag.slice(4))
    : document.createElement(tag);
  for (const [name, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (name === "value") made.given = value;
    if (name.startsWith("on")) listen(made, name.slice(2), value);
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

// The same by changing what is there: an element stays, by its id or its place, and takes what is
// new of it. So nothing goes from under a pointer or loses its caret, however often it is told.
const renewed = new WeakMap();
export function renew(place, ...inside) {
  if (renewed.get(place) !== place.firstChild) place.replaceChildren();
  const held = document.activeElement;
  merge(place, inside.flat(3).filter(Boolean));
  if (held !== document.activeElement && place.contains(held)) held.focus({ preventScroll: true }); // it changed places
  renewed.set(place, place.firstChild);
}

function merge(place, nodes) {
  const ids = new Set(nodes.map((node) => node.id).filter(Boolean));
  for (const old of [...place.childNodes]) if (old.id && !ids.has(old.id)) old.remove();
  let next = place.firstChild;
  for (const node of nodes) {
    const old = node.id ? [...place.children].find((one) => one.id === node.id) : next?.id ? null : next;
    if (old?.nodeName !== node.nodeName) { place.insertBefore(node, next); continue; }
    while (next !== old && !next.id) next = dropped(next);
    if (next === old) next = next.nextSibling;
    else place.insertBefore(old, next);
    become(old, node);
  }
  while (next) next = dropped(next);
}
function dropped(node) {
  const next = node.nextSibling;
  node.remove();
  return next;
}

function become(old, node) {
  if (node.nodeType === Node.TEXT_NODE) {
    if (old.data !== node.data) old.data = node.data;
    return;
  }
  for (const { name } of [...old.attributes]) if (!node.hasAttribute(name) && name !== "open") old.removeAttribute(name);
  for (const { name, value } of node.attributes) {
    if (name === "style") old.style.cssText = node.style.cssText;
    else if (name !== "open" && old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
  const now = calls.get(node) ?? {};
  for (const kind in { ...calls.get(old), ...now }) listen(old, kind, now[kind]);
  merge(old, [...node.childNodes]);
  if (node.matches("[type=checkbox], [type=radio]")) old.checked = node.checked;
  else if (node.matches("select, [type=range]")) old.value = node.value;
  else if (node.given !== old.given && old !== document.activeElement) { // what is typed is left alone
    old.value = node.value;
    old.given = node.given;
  }
}

// While a button or key is down nothing is shown anew: a click ends on what it began on.
let isDown = false;
const waiting = new Map(); // what is to be shown, by what it shows
export function whenFree(what, call) {
  if (isDown) waiting.set(what, call);
  else call();
}
function release() {
  isDown = false;
  setTimeout(() => { // after the click that the release makes
    if (isDown) return;
    const due = [...waiting.values()];
    waiting.clear();
    due.forEach((call) => call());
  });
}
for (const kind of ["pointerdown", "dragstart"]) addEventListener(kind, () => { isDown = true; }, true);
for (const kind of ["pointerup", "pointercancel", "dragend", "drop", "keyup"]) addEventListener(kind, release, true);
addEventListener("blur", (event) => { if (event.target === window) release(); });
addEventListener("change", (event) => { if (event.target.matches("select")) release(); }, true);
addEventListener("pointermove", (event) => { if (isDown && !event.buttons) release(); }, true);
addEventListener("keydown", (event) => { if (event.key === " ") isDown = true; }, true);

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
  return h("div", { className: "field", id: `${id}-field` },
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
