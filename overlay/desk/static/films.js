// Films: which runs, how they stand together, which gauges and where; drawn in line, then proved.
import { ask, button, choice, field, h, refill } from "./dom.js";
import { isBusy, job, say, state } from "./store.js";

const order = { name: "", runs: [], arrangement: "alone", units: "", gauges: ["ribbon", "comb", "ladder"], places: {}, codec: "h264", quality: null };
const GAUGES = [["ribbon", "ribbon: speed"], ["comb", "comb: revs"], ["ladder", "ladder: splits"], ["accel", "acceleration"], ["strip", "track strip"]];
const QUALITY = [["h264 19", "good, plays everywhere"], ["h264 15", "best, large"], ["h264 26", "small, to send"], ["h265 21", "H.265: smaller, not everywhere"], ["av1 28", "AV1: smallest, slow"]];
let usual = null; // of the first run's picture
let at_s = null;
let picture = "";
let waiting = null;

const asked = () => ({ ...order, name: order.name || suggested(), places: order.arrangement === "alone" ? chosenPlaces() : {},
  gauges: order.arrangement === "alone" ? order.gauges : null });
const suggested = () => (order.runs.length ? order.runs.join(" beside ") : "film").slice(0, 40);
const chosenPlaces = () => (Object.keys(order.places).length
  ? Object.fromEntries(order.gauges.map((kind) => [kind, order.places[kind] || usual.places[kind]])) : {});

async function fetchPlaces() {
  const name = order.runs[0];
  usual = name ? await ask("places", { text: state.text, name }) : null;
  if (usual && (at_s === null || at_s > usual.duration_s)) at_s = Number((usual.duration_s / 2).toFixed(1));
}

// One picture at a time; the last wish wins.
async function fetchStill() {
  if (waiting) { waiting = "again"; return; }
  waiting = "once";
  try {
    if (!usual) await fetchPlaces();
    const blob = await ask("picture", { text: state.text, film: { ...asked(), arrangement: "alone", runs: order.runs.slice(0, 1), places: chosenPlaces(), gauges: order.gauges }, at_s });
    if (picture) URL.revokeObjectURL(picture);
    picture = URL.createObjectURL(blob);
    say("");
  } catch (error) { say(error.message); }
  const more = waiting === "again";
  waiting = null;
  if (more) fetchStill();
  else if (document.getElementById("still")) showStill();
}

function showStill() {
  const place = document.getElementById("still");
  if (!picture || !usual) return;
  const img = h("img", { src: picture, alt: `Picture at ${at_s} s with its gauges` });
  const safe = h("div", { className: "safe" });
  const boxes = order.arrangement === "alone" ? order.gauges.filter((kind) => usual.places[kind]).map(box) : [];
  refill(place, img, safe, boxes);
  lay(safe, { x: 0, y: 0, width: 1, height: 1 });
}

const percent = (share) => `${(100 * share).toFixed(3)}%`;
function lay(node, one) {
  const inner = 1 - 2 * usual.edge;
  node.style.left = percent(usual.edge + inner * one.x);
  node.style.top = percent(usual.edge + inner * one.y);
  node.style.width = percent(inner * one.width);
  node.style.height = percent(inner * one.height);
}

function box(kind) {
  const now = () => order.places[kind] || usual.places[kind];
  const corner = h("i", {});
  const node = h("button", { type: "button", className: "place", id: `place-${kind}`,
    "aria-label": `Place of the ${kind}: arrow keys move it, with Shift they size it` }, h("span", {}, kind), corner);
  const put = (place) => {
    const width = Math.min(Math.max(place.width, 0.05), 1), height = Math.min(Math.max(place.height, 0.04), 1);
    order.places = { ...order.places, [kind]: { ...place, width, height,
      x: Math.min(Math.max(place.x, 0), 1 - width), y: Math.min(Math.max(place.y, 0), 1 - height) } };
    lay(node, order.places[kind]);
  };
  const move = (by, sized) => {
    const place = now();
    put(sized ? { ...place, width: place.width + by[0], height: place.height + by[1] } : { ...place, x: place.x + by[0], y: place.y + by[1] });
  };
  node.addEventListener("keydown", (event) => {
    const by = { ArrowLeft: [-0.01, 0], ArrowRight: [0.01, 0], ArrowUp: [0, -0.01], ArrowDown: [0, 0.01] }[event.key];
    if (!by) return;
    event.preventDefault();
    move(by, event.shiftKey);
    clearTimeout(node.later);
    node.later = setTimeout(fetchStill, 400);
  });
  node.addEventListener("pointerdown", (event) => {
    const sized = event.target === corner, start = now(), area = node.parentNode.getBoundingClientRect();
    const inner = 1 - 2 * usual.edge, from = [event.clientX, event.clientY];
    node.setPointerCapture(event.pointerId);
    node.onpointermove = (moved) => {
      const by = [(moved.clientX - from[0]) / area.width / inner, (moved.clientY - from[1]) / area.height / inner];
      put(sized ? { ...start, width: start.width + by[0], height: start.height + by[1] } : { ...start, x: start.x + by[0], y: start.y + by[1] });
    };
    node.onpointerup = () => { node.onpointermove = null; node.onpointerup = null; fetchStill(); };
  });
  queueMicrotask(() => lay(node, now()));
  return node;
}

async function draw() {
  try { await ask("film", { text: state.text, film: asked() }); } catch (error) { say(error.message); }
}

async function prove(name) {
  try { await ask("verify", { name }); } catch (error) { say(error.message); }
}

function pick(run) {
  return h("label", { className: "check" }, h("input", { type: "checkbox", id: `film-${run.name}`, checked: order.runs.includes(run.name), disabled: run.state !== "done",
    onchange: (event) => {
      order.runs = event.target.checked ? [...order.runs, run.name] : order.runs.filter((name) => name !== run.name);
      order.arrangement = order.runs.length > 2 ? "grid" : order.runs.length === 2 ? "side by side" : "alone";
      changed(true);
    } }), run.name, run.state !== "done" && h("span", { className: "quiet" }, " not worked out yet"));
}

function changed(otherRun = false) {
  if (otherRun) { usual = null; order.places = {}; }
  films(document.getElementById("work"));
  if (order.runs.length) fetchStill();
}

function listed(file) {
  const proof = job("verify", file);
  return h("li", { className: "card" }, h("h3", {}, file.split("/").pop()),
    h("video", { src: `/files/${file.split("/").map(encodeURIComponent).join("/")}`, controls: true, preload: "metadata", "aria-label": file }),
    h("p", {}, h("a", { href: `/files/${file.split("/").map(encodeURIComponent).join("/")}`, target: "_blank", rel: "noopener" }, "Open"), " ",
      button(isBusy(proof) ? "Proving …" : "Prove that no lag is left", () => prove(file), { id: `prove-${file}`, disabled: Boolean(isBusy(proof)), "aria-label": `Prove that no lag is left in ${file}` })),
    proof?.result && h("ul", { className: "lines" }, proof.result.lines.map((line) => h("li", {}, line))),
    proof?.error && h("p", { className: "error", role: "alert" }, proof.error));
}

let list = "";
export function films(main) {
  order.units ||= state.raw.report?.speed_unit || "mph";
  order.runs = order.runs.filter((name) => state.runs.some((run) => run.name === name && run.state === "done"));
  const drawing = job("film", order.name || suggested());
  if (!main.querySelector("#film-form")) {
    main.replaceChildren(h("h1", {}, "Films"), h("div", { className: "two" }, h("div", { id: "film-form" }), h("div", {},
      h("div", { id: "still", className: "still" }), h("div", { id: "still-at" }))), h("h2", {}, "Drawn"), h("ul", { className: "films", id: "drawn" }));
    list = "";
    if (order.runs.length) fetchStill();
  }
  refill(main.querySelector("#film-form"),
    !state.runs.some((run) => run.state === "done") && h("p", { className: "empty" }, "A film needs a run that is worked out. ", h("a", { href: "#runs" }, "Work one out"), " first."),
    h("fieldset", {}, h("legend", {}, "Runs, in the order shown"), state.runs.map(pick)),
    field("film-arrangement", "Shape", choice([["alone", "one clip"], ["side by side", "side by side"], ["stacked", "one above the other"], ["grid", "grid"]], order.arrangement, (value) => { order.arrangement = value; changed(); })),
    field("film-units", "Unit of speed", choice(["mph", "km/h", "m/s"], order.units, (value) => { order.units = value; changed(); })),
    order.arrangement === "alone" && h("fieldset", {}, h("legend", {}, "Gauges"), GAUGES.map(([kind, words]) => h("label", { className: "check" },
      h("input", { type: "checkbox", id: `gauge-${kind}`, checked: order.gauges.includes(kind), onchange: (event) => {
        order.gauges = GAUGES.map(([one]) => one).filter((one) => (one === kind ? event.target.checked : order.gauges.includes(one)));
        changed();
      } }), words)),
    Object.keys(order.places).length > 0 && button("Usual places", () => { order.places = {}; changed(); }, { id: "usual" })),
    field("film-quality", "Quality", choice(QUALITY, `${order.codec} ${order.quality ?? 19}`, (value) => {
      const [codec, quality] = value.split(" ");
      Object.assign(order, { codec, quality: Number(quality) });
    })),
    field("film-name", "Name", h("input", { value: order.name, placeholder: suggested(), maxLength: 40, onchange: (event) => { order.name = event.target.value.trim(); } }), "goes to day-results/films"),
    h("p", {}, button("Draw it", draw, { id: "draw", className: "main", disabled: !order.runs.length || Boolean(isBusy(drawing)) })),
    drawing?.state === "failed" && h("p", { className: "error", role: "alert" }, drawing.error));
  refill(main.querySelector("#still-at"), usual ? field("at", "Picture at, seconds", h("input", { type: "range", min: 0, max: usual.duration_s, step: 0.1, value: at_s,
    onchange: (event) => { at_s = Number(event.target.value); fetchStill(); } }), "Drag a gauge to its place inside the dashed edge, or move it with the arrow keys.")
    : h("p", { className: "quiet" }, order.runs.length ? "" : "Choose a run to see its picture."));
  showDrawn(main);
  if (picture && usual) showStill();
}

// Players are made anew only when there is something new to show.
function showDrawn(main) {
  const now = JSON.stringify([state.look.films, state.jobs.filter((one) => one.kind === "verify" || one.kind === "film").map((one) => [one.number, one.state])]);
  if (now === list) return;
  list = now;
  refill(main.querySelector("#drawn"), state.look.films.length ? state.look.films.map(listed) : h("li", { className: "empty" }, "No film drawn yet."));
}
document.addEventListener("jobs", () => {
  const main = document.querySelector("#work");
  if (location.hash.startsWith("#films") && main.querySelector("#film-form")) showDrawn(main);
});
