// Films: which runs, how they stand together, which gauges and where; drawn in line, then proved.
import { ask, button, choice, field, fileOf, h, renew, whenFree } from "./dom.js";
import { hindered, problemList, problemsAt } from "./folder.js";
import { edit, isBusy, job, say, state } from "./store.js";

const WORDS = { ribbon: "ribbon: speed", comb: "comb: revs", ladder: "ladder: splits", accel: "acceleration", strip: "track strip" };
const QUALITY = [["h264 19", "good, plays everywhere"], ["h264 15", "best, large"], ["h264 26", "small, to send"], ["h265 21", "H.265: smaller, not everywhere"], ["av1 28", "AV1: smallest, slow"]];
const PLAIN = { runs: [], arrangement: "alone", gauges: ["ribbon", "comb", "ladder"], places: {}, codec: "h264", quality: 19 };
let current = null; // name of the film shown; null for one that is not in the sheet yet
let fresh = {}; // what is chosen for that one so far
let about = null; // the film's size, length, and where gauges may stand
let at_s = null;
let picture = "";
let waiting = null;
const moved = {}, later = {}; // places that a hand gave and that are not in the sheet yet, by gauge

// Films lie in the sheet, so that they are undone, saved and found again like all else.
const kept = () => state.raw.films || [];
const place = () => kept().findIndex((film) => film.name === current);
function order() {
  const film = kept()[place()] || fresh;
  const known = (film.runs || []).filter((name) => state.runs.some((run) => run.name === name && run.state === "done"));
  return { ...PLAIN, units: state.raw.report?.speed_unit || "mph", name: "", ...film, runs: known };
}
const suggested = (runs) => (runs.length ? runs.join(" beside ") : "film").slice(0, 40);
const isSuggested = ({ name, runs = [] }) =>
  name.startsWith(suggested(runs)) && /^( \d+)?$/.test(name.slice(suggested(runs).length));
function freeName(runs) {
  const taken = new Set(kept().map((film) => film.name.toLowerCase()));
  const wanted = suggested(runs).slice(0, 36);
  let name = wanted, number = 1;
  while (taken.has(name.toLowerCase())) name = `${wanted} ${++number}`;
  return name;
}

// Change some keys of the film shown; one that is not in the sheet yet is once it has a run.
function put(keys) {
  const index = place();
  if (index >= 0 && keys.runs?.length === 0) {
    fresh = { ...kept()[index], runs: [], name: "" };
    current = null;
    return edit({ op: "remove", path: ["films", index] });
  }
  if (index >= 0) {
    const film = kept()[index];
    if (keys.runs && isSuggested(film)) keys.name = freeName(keys.runs);
    if (keys.name) current = keys.name;
    const { runs, arrangement } = { ...film, ...keys }; // places are of one way to stand together
    const isOther = film.places && (arrangement !== film.arrangement || (runs.length > 2) !== (film.runs.length > 2));
    return edit(...(isOther ? [{ op: "unset", path: ["films", index, "places"] }] : []), ...Object.entries(keys).map(([key, value]) => ({ op: "set", path: ["films", index, ...key.split("/")], value })));
  }
  const { places, name, ...rest } = { ...fresh, ...keys };
  fresh = { ...fresh, ...keys };
  if (!rest.runs?.length) { films(document.getElementById("work")); return null; }
  current = name || freeName(rest.runs);
  fresh = {};
  return edit({ op: "add", path: ["films"], value: { name: current, ...rest } });
}

const isAlone = (film) => film.arrangement === "alone";
function asked() {
  const film = order();
  return { ...film, name: film.name || suggested(film.runs), gauges: isAlone(film) ? film.gauges : null };
}

// A film of one run has its gauges where the sheet has them, or at the usual places. In one of
// several the desk keeps them clear of the clips' edges, and says where they stand.
function spot(film, kind, cell) {
  const said = isAlone(film) && (film.places[kind] || about.usual[kind]);
  const [x, y, width, height] = said || cell.boxes[kind];
  return moved[kind] ?? { x, y, width, height };
}

async function fetchPlaces() {
  about = await ask("places", { text: state.text, film: asked() });
  if (at_s === null || at_s > about.duration_s) at_s = Number((about.duration_s / 2).toFixed(1));
}

// One picture at a time; the last wish wins.
async function fetchStill() {
  if (waiting) { waiting = "again"; return; }
  if (!order().runs.length) return; // taken back meanwhile
  waiting = "once";
  try {
    if (!about || !isAlone(order())) await fetchPlaces();
    const blob = await ask("picture", { text: state.text, film: asked(), at_s });
    if (picture) URL.revokeObjectURL(picture);
    picture = URL.createObjectURL(blob);
    say("");
  } catch (error) { say(error.message); }
  const more = waiting === "again";
  waiting = null;
  if (more) fetchStill();
  else whenFree("still", showPicture);
}

function showPicture() {
  const host = document.getElementById("still");
  if (!host || !about) return;
  const film = order();
  showAt(document.getElementById("still-at"), film);
  if (!picture) return;
  host.style.setProperty("--aspect", about.width / about.height); // so that shares of it are shares of the picture
  renew(host, h("img", { src: picture, alt: `Picture at ${at_s} s with its gauges` }), about.cells.map((cell, index) => [
    laid(h("div", { className: "safe", id: `safe-${index}` }), { x: 0, y: 0, width: 1, height: 1 }, cell),
    (isAlone(film) ? film.gauges.filter((kind) => about.usual[kind]) : Object.keys(cell.boxes)).map((kind) => box(film, kind, index))]));
}

const percent = (share) => `${(100 * share).toFixed(3)}%`;
function laid(node, one, { safe: [x, y, width, height] }) {
  node.style.left = percent(x + width * one.x);
  node.style.top = percent(y + height * one.y);
  node.style.width = percent(width * one.width);
  node.style.height = percent(height * one.height);
  return node;
}

// A gauge's place in one run's part; moved, it moves in all.
const boxOf = (kind, index) => `place-${kind}${index ? `-${index + 1}` : ""}`;
function box(film, kind, index) {
  const cell = about.cells[index];
  const layAt = (to) => {
    const width = Math.min(Math.max(to.width, 0.05), 1), height = Math.min(Math.max(to.height, 0.04), 1);
    moved[kind] = { width, height, x: Math.min(Math.max(to.x, 0), 1 - width), y: Math.min(Math.max(to.y, 0), 1 - height) };
    about.cells.forEach((other, i) => {
      const node = document.getElementById(boxOf(kind, i));
      if (node) laid(node, moved[kind], other);
    });
  };
  const keep = async () => {
    const where = moved[kind];
    const shares = [where.x, where.y, where.width, where.height].map((share) => Number(share.toFixed(4)));
    await put({ [`places/${kind}`]: shares });
    for (const { boxes } of about.cells) if (boxes[kind]) boxes[kind] = shares; // until the picture shows where it went
    if (moved[kind] === where) delete moved[kind];
  };
  const shift = ({ x, y, width, height }, by, sized) =>
    (sized ? { x, y, width: width + by[0], height: height + by[1] } : { x: x + by[0], y: y + by[1], width, height });
  return laid(h("button", { type: "button", className: "place", id: boxOf(kind, index),
    "aria-label": `Place of the ${kind}${isAlone(film) ? "" : ` of ${film.runs[index]}`}: arrow keys move it, with Shift they size it`,
    onkeydown: (event) => {
      const by = { ArrowLeft: [-0.01, 0], ArrowRight: [0.01, 0], ArrowUp: [0, -0.01], ArrowDown: [0, 0.01] }[event.key];
      if (!by) return;
      event.preventDefault();
      layAt(shift(spot(film, kind, cell), by, event.shiftKey));
      clearTimeout(later[kind]);
      later[kind] = setTimeout(keep, 400);
    },
    onpointerdown: (event) => {
      const node = event.currentTarget, sized = event.target.matches("i"), start = spot(film, kind, cell);
      const area = node.parentNode.getBoundingClientRect(), [,, across, down] = cell.safe, from = [event.clientX, event.clientY];
      node.setPointerCapture(event.pointerId);
      node.onpointermove = (now) => layAt(shift(start,
        [(now.clientX - from[0]) / area.width / across, (now.clientY - from[1]) / area.height / down], sized));
      node.onpointerup = node.onpointercancel = () => {
        node.onpointermove = node.onpointerup = node.onpointercancel = null;
        if (moved[kind]) keep();
      };
    } }, h("span", {}, kind), h("i", {})), spot(film, kind, cell), cell);
}

async function draw() {
  try { await ask("film", { text: state.text, film: asked() }); } catch (error) { say(error.message); }
}

async function prove(name) {
  try { await ask("verify", { name }); } catch (error) { say(error.message); }
}

function pick(film, run) {
  return h("label", { className: "check" }, h("input", { type: "checkbox", id: `film-${run.name}`, checked: film.runs.includes(run.name), disabled: run.state !== "done",
    onchange: (event) => {
      const runs = event.target.checked ? [...film.runs, run.name] : film.runs.filter((name) => name !== run.name);
      put({ runs, arrangement: runs.length > 2 ? "grid" : runs.length === 2 ? "side by side" : "alone" });
    } }), run.name, run.state !== "done" && h("span", { className: "quiet" }, " not worked out yet"));
}

function listed(file) {
  const proof = job("verify", file);
  return h("li", { className: "card", id: `drawn-${file}` }, h("h3", {}, file.split("/").pop()),
    h("video", { src: fileOf(file), controls: true, preload: "metadata", "aria-label": file }),
    h("p", {}, h("a", { href: fileOf(file), target: "_blank", rel: "noopener" }, "Open"), " ",
      button(isBusy(proof) ? "Proving …" : "Prove that no lag is left", () => prove(file), { id: `prove-${file}`, disabled: Boolean(isBusy(proof)), "aria-label": `Prove that no lag is left in ${file}` })),
    proof?.result && h("ul", { className: "lines" }, proof.result.lines.map((line) => h("li", {}, line))),
    proof?.error && h("p", { className: "error", role: "alert" }, proof.error));
}

let pictured = "";
export function films(main) {
  if (hindered(main, "Films")) return;
  if (current !== null && place() < 0) current = null;
  if (current === null && !fresh.runs && kept().length) current = kept().at(-1).name;
  const film = order(), drawing = job("film", film.name || suggested(film.runs));
  if (!main.querySelector("#film-form")) {
    main.replaceChildren(h("h1", {}, "Films"), h("div", { className: "two" }, h("div", { id: "film-form" }), h("div", {},
      h("div", { id: "still", className: "still" }), h("div", { id: "still-at" }))), h("h2", {}, "Drawn"), h("ul", { className: "films", id: "drawn" }));
    pictured = "";
  }
  const alone = isAlone(film);
  renew(main.querySelector("#film-form"),
    !state.runs.some((run) => run.state === "done") && h("p", { className: "empty" }, "A film needs a run that is worked out. ", h("a", { href: "#runs" }, "Work one out"), " first."),
    kept().length > 0 && field("film-which", "Film", choice([...kept().map((one) => one.name), ["", "a new one"]], current ?? "", (name) => {
      current = name || null;
      fresh = name ? {} : { runs: [] };
      films(main);
    })),
    h("fieldset", {}, h("legend", {}, "Runs, in the order shown"), state.runs.map((run) => pick(film, run))),
    field("film-arrangement", "Shape", choice(state.look.arrangements, film.arrangement, (arrangement) => put({ arrangement }))),
    field("film-units", "Unit of speed", choice(["mph", "km/h", "m/s"], film.units, (units) => put({ units }))),
    alone && h("fieldset", {}, h("legend", {}, "Gauges"), state.look.gauges.map((kind) => h("label", { className: "check" },
      h("input", { type: "checkbox", id: `gauge-${kind}`, checked: film.gauges.includes(kind), onchange: (event) => {
        put({ gauges: state.look.gauges.filter((one) => (one === kind ? event.target.checked : film.gauges.includes(one))) });
      } }), WORDS[kind] || kind))),
    Object.keys(film.places).length > 0 && button("Gauges at the usual places", () => edit({ op: "unset", path: ["films", place(), "places"] }), { id: "usual" }),
    field("film-quality", "Quality", choice(QUALITY, `${film.codec} ${film.quality}`, (value) => {
      const [codec, quality] = value.split(" ");
      put({ codec, quality: Number(quality) });
    })),
    field("film-name", "Name", h("input", { value: film.name, placeholder: suggested(film.runs), maxLength: 40, onchange: (event) => put({ name: event.target.value.trim() || freeName(film.runs) }) }), "goes to day-results/films"),
    h("p", {}, button("Draw it", draw, { id: "draw", className: "main", disabled: !film.runs.length || Boolean(isBusy(drawing)) }), " ",
      place() >= 0 && button("Take it out of the sheet", () => edit({ op: "remove", path: ["films", place()] }), { id: "film-out" })),
    problemList(problemsAt("films")),
    drawing?.state === "failed" && h("p", { className: "error", role: "alert" }, drawing.error));
  showAt(main.querySelector("#still-at"), film);
  // Another picture only where something of it changed.
  const now = JSON.stringify([film, at_s]);
  if (film.runs.length && now !== pictured) {
    const stands = ({ runs, arrangement }) => JSON.stringify([runs, arrangement]);
    if (stands(JSON.parse(pictured || "[{}]")[0]) !== stands(film)) about = null;
    pictured = now;
    fetchStill();
  }
  showDrawn(main);
  whenFree("still", showPicture);
}

const pictureAt = (time_s) => `Picture at ${time_s.toFixed(1)} s`;
function showAt(place, film) {
  renew(place, about ? field("at", pictureAt(at_s), h("input", { type: "range", min: 0, max: about.duration_s, step: 0.1, value: at_s,
    oninput: ({ target }) => { target.labels[0].textContent = pictureAt(Number(target.value)); },
    onchange: (event) => { at_s = Number(event.target.value); fetchStill(); } }), `Drag a gauge to its place inside the dashed edge, or move it with the arrow keys; the place is kept in the sheet.${isAlone(film) ? ""
      : " The runs launch together, and a gauge has the same place in each, clear of the clip's edges."}`)
    : h("p", { className: "quiet" }, film.runs.length ? "" : "Choose a run to see its picture."));
}

function showDrawn(main) {
  renew(main.querySelector("#drawn"), state.look.films.length ? state.look.films.map(listed) : h("li", { className: "empty" }, "No film drawn yet."));
}
document.addEventListener("jobs", () => {
  const main = document.querySelector("#work");
  if (location.hash.startsWith("#films") && main.querySelector("#film-form")) showDrawn(main);
});
