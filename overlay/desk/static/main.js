// Start: the frame around the stages, and what the desk tells meanwhile.
import { ask, button, fileOf, h, renew, Refused, seconds, whenFree } from "./dom.js";
import * as store from "./store.js";
import { folder } from "./folder.js";
import { lead } from "./tour.js";

const { state } = store;
const STAGES = [["folder", "Folder"], ["runs", "Runs"], ["builds", "Builds"], ["results", "Results"], ["films", "Films"]];
// What shows each; all but the first are fetched once the page is there.
const shows = { folder };
const fetched = {};
const REST_MS = 1000;
function fetchStage(key) {
  fetched[key] ??= import(`./${key}.js`).then((module) => { shows[key] = module[key]; });
  return fetched[key];
}
const place = (id) => document.getElementById(id);
const stage = () => {
  const [name] = location.hash.slice(1).split("/");
  return STAGES.find(([key]) => key === name) || STAGES[0];
};

function showSheet() {
  const changed = store.isChanged();
  const wrong = state.raw.runs?.length ? state.problems.length : 0;
  const told = !state.look || state.look.text === null ? "" : state.look.is_new ? "new sheet, not saved yet"
    : changed ? "unsaved changes" : "saved";
  renew(place("sheet"),
    h("span", { className: changed ? "unsaved" : "quiet" }, told,
      wrong ? `, ${counted(wrong, "problem")}` : ""),
    button("Undo", () => store.step(-1), { id: "undo", disabled: state.at < 1 }),
    button("Redo", () => store.step(1), { id: "redo", disabled: state.at >= state.steps.length - 1 }),
    button("Save", store.save, { id: "save", className: "main", disabled: !changed || !(state.raw.runs || []).length }));
}

const counted = (number, what) => `${number} ${what}${number === 1 ? "" : "s"}`;
function shares() {
  const all = state.runs.length;
  const done = state.runs.filter((run) => run.state === "done").length;
  const made = state.look?.films.length || 0;
  return {
    folder: [state.look && !state.look.is_new ? 1 : 0.3, state.look ? counted(state.look.files.clips.length, "clip") : ""],
    runs: [all ? done / all : 0, all ? `${done} of ${all} worked out` : ""],
    builds: [state.problems.length ? 0 : 1, counted((state.raw.builds || []).length, "build")],
    results: [state.look?.results ? 1 : 0, state.look?.results ? "worked out" : "not yet"],
    films: [made ? 1 : 0, counted(made, "film")],
  };
}

function showTape() {
  const how = shares();
  const [here] = stage();
  renew(place("tape"), h("ol", {}, STAGES.map(([key, name]) =>
    h("li", { share: how[key][0] },
      h("a", { id: `to-${key}`, href: `#${key}`, "aria-current": key === here ? "page" : null },
        h("b", {}, name), h("span", {}, how[key][1]))))));
}

function showNews() {
  const clash = state.clash;
  const parts = state.news
    ? [h("p", {}, state.news, " ", button("Close", () => store.say(""), { id: "close-news" }))] : [];
  if (clash) {
    const edits = store.ownEdits();
    parts.push(h("div", { className: "clash", role: "alert" },
      h("p", {}, h("b", {}, "The sheet was changed elsewhere while you changed it here."),
        " Nothing is lost: choose what goes on."),
      edits && button("Put my changes onto the other one", () => store.settle("together"), { id: "together", className: "main" }),
      button("Save mine, keep the other aside", () => store.settle("mine"), { id: "mine" }),
      button("Take the other, keep mine aside", () => store.settle("theirs"), { id: "theirs" }),
      h("details", {}, h("summary", {}, "The other one"),
        h("pre", { tabIndex: 0 }, clash.text))));
  }
  renew(place("news"), parts);
}

const WORDS = { run: "work out", results: "compare builds", film: "draw", verify: "prove", find: "find runs in", demo: "film the demo day", play: "draw gauges of" };
const STATES = { waiting: "in line", working: "", done: "done", failed: "failed", cancelled: "cancelled" };

function showLine() {
  const busy = state.jobs.filter(store.isBusy);
  const recent = state.jobs.filter((one) => !store.isBusy(one)).slice(-3).reverse();
  place("line").hidden = !state.jobs.length;
  place("line").className = busy.length ? "" : "idle";
  renew(place("line"), h("h2", {}, busy.length ? `Working: ${busy.length} left` : "Nothing in line"),
    h("ol", {}, [...busy, ...recent].map((one) => {
      const left = one.left_s ? `, about ${seconds(one.left_s)} left` : "";
      const name = `${WORDS[one.kind]} ${one.about}`.trim();
      return h("li", { id: `line-${one.number}`, className: one.state, share: one.share },
        h("span", {}, name), " ",
        h("span", { className: "quiet" }, one.state === "working"
          ? `${Math.round(100 * one.share)} %${left}` : STATES[one.state]),
        one.kind === "film" && one.result && h("a", { href: fileOf(one.result.file), target: "_blank", rel: "noopener" }, "Open"),
        store.isBusy(one) && button("Cancel", () => ask(`cancel/${one.number}`, {}), {
          id: `cancel-${one.number}`, "aria-label": `Cancel: ${name}` }),
        one.error && h("p", { className: "error" }, one.error));
    })));
}

let shown = null;
function showStage() {
  const [key, name] = stage();
  if (!state.look) return;
  document.title = `${name}: Timetrue desk`;
  const main = place("work");
  if (shown !== key) main.replaceChildren();
  if (!shows[key]) {
    main.replaceChildren(h("p", { className: "wait" }, "Loading …"));
    fetchStage(key).then(showStage);
    return;
  }
  if (lead(place("tour"), key)) { main.replaceChildren(); return; }
  shows[key](main, location.hash.slice(1).split("/").slice(1).map(decodeURIComponent));
  if (shown !== null && shown !== key) main.focus({ preventScroll: true });
  shown = key;
}

function showAll() {
  if (state.look) place("place").textContent = ` ${state.look.folder}`;
  showSheet();
  showTape();
  showNews();
  showLine();
  showStage();
}

function show(what) {
  if (what === "news") showNews();
  else if (what === "jobs") {
    showLine();
    if (state.look?.is_tour) lead(place("tour"), stage()[0]);
    if (location.hash.startsWith("#folder/long")) showStage();
    document.dispatchEvent(new CustomEvent("jobs"));
  }
  else showAll();
}

store.onchange((what) => whenFree(what, () => show(what)));
addEventListener("hashchange", () => { showTape(); showStage(); });
addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.altKey) return;
  const typing = event.target.matches("input:not([type=range]):not([type=checkbox]):not([type=radio]), textarea");
  const key = event.key.toLowerCase();
  if (key === "s") store.save();
  else if (!typing && key === "z") store.step(event.shiftKey ? 1 : -1);
  else if (!typing && key === "y") store.step(1);
  else return;
  event.preventDefault();
});

function listen() {
  const events = new EventSource("/api/events");
  let ended = new Set(), first = true, gone = false;
  events.onmessage = ({ data }) => {
    const told = JSON.parse(data);
    if (gone) { gone = false; store.say("The desk answers again."); }
    state.jobs = told.jobs;
    const now = new Set(told.jobs.filter((one) => !store.isBusy(one)).map((one) => one.number));
    const isNew = [...now].some((number) => !ended.has(number));
    ended = now;
    if (isNew && !first) store.again();
    first = false;
    store.tell("jobs");
    store.filesChanged(told.files);
    store.diskChanged(told.base);
  };
  events.onerror = async () => {
    if (events.readyState === EventSource.CLOSED) setTimeout(listen, 3000);
    try {
      await ask("look");
    } catch (error) {
      gone = true;
      if (error instanceof Refused) store.say(`${error.message} Unsaved changes wait in this browser.`);
    }
  };
}

if (!location.hash) history.replaceState(null, "", "#folder");
store.load().then(() => {
  if (!state.look) place("work").replaceChildren(h("p", {}, state.news));
  // Once the files are shown, which are still being read.
  setTimeout(() => { for (const [key] of STAGES) if (!shows[key]) fetchStage(key); }, REST_MS);
});
listen();
