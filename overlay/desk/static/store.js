// The draft of the day sheet: changed by the desk, kept by the browser, written only by Save.
import { ask, Refused } from "./dom.js";

const DEEPEST = 60; // steps that can be undone
export const state = {
  look: null, // the folder as it was found
  text: "", // the draft
  disk: "", // the sheet's text as far as this window knows it
  base: "", // its digest
  raw: {}, problems: [], runs: [],
  steps: [], at: -1, // texts, and the edits that led to each
  jobs: [], clash: null, news: "",
};
const listeners = new Set();
let chain = Promise.resolve();

export const onchange = (call) => listeners.add(call);
export const tell = (what) => listeners.forEach((call) => call(what));
export const isChanged = () => isBegun() && (state.look.is_new || state.text !== state.disk);
const isBegun = () => state.steps.length > 0; // there is a draft: not so while a new folder is read
export const job = (kind, about) =>
  state.jobs.findLast((one) => one.kind === kind && one.about === about);
export const isBusy = (one) => one && (one.state === "waiting" || one.state === "working");

export function say(news) {
  state.news = news;
  tell("news");
}

// One question after the other, so that no answer overtakes another.
function inOrder(work) {
  chain = chain.then(work).catch((error) => {
    if (!(error instanceof Refused)) console.error(error);
    say(error.message);
  });
  return chain;
}

// A draft is what the desk makes of it; `look` brings that of the text that it gives.
async function take(text, edits = []) {
  const { draft } = state.look;
  state.look.draft = null; // once: the runs' states go out of date
  const view = draft && draft.text === text && !edits.length ? draft : await ask("draft", { text, edits });
  Object.assign(state, { text: view.text, raw: view.raw, problems: view.problems, runs: view.runs });
}

function keep() {
  const { look, text, disk, base, steps, at } = state;
  if (!look) return;
  const kept = text !== disk ? JSON.stringify({ text, disk, base, steps, at }) : null;
  if (kept) localStorage.setItem(keyOf(look.folder), kept);
  else localStorage.removeItem(keyOf(look.folder));
}

// Each window keeps its own draft; a lock shows which windows still live.
const windowName = sessionStorage.getItem("window") || crypto.randomUUID();
sessionStorage.setItem("window", windowName);
const keyOf = (folder, name = windowName) => `draft ${name} ${folder}`;
navigator.locks.request(`draft ${windowName}`, () => new Promise(() => {}));

async function orphan(folder) {
  const { held } = await navigator.locks.query();
  const alive = new Set(held.map((lock) => lock.name));
  return Object.keys(localStorage).find((key) => {
    const name = key.slice(0, "draft ".length + windowName.length);
    return key === `${name} ${folder}` && !alive.has(name);
  });
}

let loading = null;
export function load() {
  loading ??= inOrder(async () => {
    state.look = await ask("look");
    await begin();
  }).finally(() => { loading = null; });
  return loading;
}

// The first draft, once the desk has a text for it.
async function begin() {
  if (state.look.text === null) { tell("all"); return; }
  const folder = state.look.folder;
  let kept = localStorage.getItem(keyOf(folder));
  const left = kept ? null : await orphan(folder);
  if (left) {
    kept = localStorage.getItem(left);
    localStorage.removeItem(left);
  }
  Object.assign(state, { text: state.look.text, disk: state.look.text, base: state.look.base });
  Object.assign(state, { steps: [{ text: state.text, edits: [] }], at: 0 });
  if (kept) {
    const draft = JSON.parse(kept);
    Object.assign(state, { text: draft.text, steps: draft.steps, at: draft.at });
    if (draft.base === state.base) say("Your unsaved changes of before are here again.");
    else {
      const theirs = { text: state.look.text, base: state.look.base };
      Object.assign(state, { disk: draft.disk, base: draft.base, clash: theirs });
    }
  }
  await take(state.text);
  keep();
  tell("all");
}

// More of the folder's files is known.
export const filesChanged = (version) => {
  if (!state.look) load(); // it was refused before
  else if (version !== state.look.files_version) again();
};

// The folder and the runs' states again; the draft stays.
export const again = () => inOrder(async () => {
  const look = await ask("look");
  if (!isBegun()) {
    state.look = look;
    await begin();
    return;
  }
  state.look = { ...look, is_new: state.look.is_new && look.is_new };
  await take(state.text);
  tell("all");
});

export const edit = (...edits) => inOrder(async () => {
  await take(state.text, edits);
  if (state.text === state.steps[state.at].text) return;
  state.steps = [...state.steps.slice(0, state.at + 1), { text: state.text, edits }].slice(-DEEPEST);
  state.at = state.steps.length - 1;
  keep();
  tell("all");
});

export const step = (by) => inOrder(async () => {
  const there = state.steps[state.at + by];
  if (!there) return;
  state.at += by;
  await take(there.text);
  keep();
  tell("all");
});

export const save = () => inOrder(async () => {
  const said = await ask("save", { text: state.text, base: state.base });
  if (said.theirs !== undefined) state.clash = { text: said.theirs, base: said.base };
  else {
    Object.assign(state, { disk: state.text, base: said.base, clash: null });
    state.look.is_new = false;
    say("The sheet is saved.");
  }
  keep();
  tell("all");
});

// The sheet on disk has another digest than this window knows.
export const diskChanged = (base) => inOrder(async () => {
  if (!isBegun() || base === state.base || base === "" || state.clash?.base === base) return;
  const look = await ask("look");
  if (look.base === state.base) return;
  if (state.text !== state.disk) state.clash = { text: look.text, base: look.base };
  else {
    const wasNew = state.base === "";
    state.look = look;
    await adopt(look.text, look.base);
    if (!wasNew) say("The sheet was changed elsewhere; it is shown as it is now.");
  }
  tell("all");
});

async function adopt(text, base, edits = []) {
  Object.assign(state, { disk: text, base, clash: null });
  state.look.is_new = false;
  await take(text, edits);
  const steps = edits.length ? [{ text, edits: [] }] : [];
  state.steps = [...steps, { text: state.text, edits }];
  state.at = state.steps.length - 1;
  keep();
}

// The edits of this window that are not on disk; null where they cannot be told.
export function ownEdits() {
  const from = state.steps.findLastIndex((one) => one.text === state.disk);
  if (from < 0 || from > state.at) return null;
  return state.steps.slice(from + 1, state.at + 1).flatMap((one) => one.edits);
}

export const settle = (how) => inOrder(async () => {
  const theirs = state.clash;
  if (how === "together") await adopt(theirs.text, theirs.base, ownEdits());
  else {
    const losing = how === "theirs" ? state.text : theirs.text;
    const said = await ask("save", { text: losing, aside: true });
    if (how === "theirs") await adopt(theirs.text, theirs.base);
    else {
      state.base = theirs.base;
      const done = await ask("save", { text: state.text, base: state.base });
      if (done.theirs !== undefined) state.clash = { text: done.theirs, base: done.base };
      else Object.assign(state, { disk: state.text, base: done.base, clash: null });
      keep();
    }
    say(`${how === "theirs" ? "Yours" : "The other one"} is kept as ${said.aside}.`);
  }
  tell("all");
});

// Put a run in line, or all that are not worked out.
export async function workOut(name = "") {
  try {
    const { count } = await ask("work-out", { text: state.text, name });
    if (!count) say("Every run is worked out already.");
  } catch (error) { say(error.message); }
}
