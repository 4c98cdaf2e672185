// What the day came to: the same page that is sent to a friend.
import { ask, button, h, refill, renew } from "./dom.js";
import { hindered } from "./folder.js";
import { isBusy, isChanged, job, save, say, state } from "./store.js";

async function start() {
  if (isChanged()) await save();
  try { await ask("results", { text: state.text, with_clips: clips() }); } catch (error) { say(error.message); }
}

// Whether small clips go beside the page: as ticked here, else as the page that is there has it.
let ticked = null;
const clips = () => ticked ?? state.look.has_clips;
let shown = "";
export function results(main) {
  if (!state.raw.runs?.length) { hindered(main, "Results"); return; }
  const one = job("results", "");
  const left = state.runs.filter((run) => run.state !== "done").length;
  const words = isChanged() ? "Save the sheet and compare the builds" : "Compare the builds";
  const busy = isBusy(one);
  const stamp = `${state.look.results} ${one?.number} ${one?.state}`;
  const top = [h("h1", {}, "Results"),
    h("p", {}, button(words, start, { id: "compare", className: "main", disabled: busy || state.problems.length > 0 }), " ",
      h("span", { className: "quiet" }, busy ? `working: ${one.stage} ${Math.round(100 * one.share)} %`
        : state.problems.length ? "the sheet has problems; correct them under Folder or Builds first"
        : left ? `${left} run${left > 1 ? "s are" : " is"} not worked out; that is done first` : "")),
    h("label", { className: "check" }, h("input", { type: "checkbox", id: "with-clips", checked: clips(),
      onchange: (event) => { ticked = event.target.checked; } }), "put small clips beside the page, which play in it"),
    one?.state === "failed" && h("p", { className: "error", role: "alert" }, one.error),
    ...(one?.result?.problems || []).map((line) => h("p", { className: "error" }, line)),
    !state.look.results && !busy && h("p", { className: "empty" }, "No results yet. Work the runs out, then compare the builds.")];
  let head = main.querySelector("#result-head");
  if (!head) {
    main.replaceChildren(h("div", { id: "result-head" }), h("div", { id: "result-page" }));
    head = main.querySelector("#result-head");
    shown = "";
  }
  renew(head, top);
  if (state.look.results && stamp !== shown && !busy) {
    shown = stamp;
    const file = state.look.results;
    refill(main.querySelector("#result-page"),
      h("p", {}, h("a", { href: file, target: "_blank", rel: "noopener" }, "Open it in a page of its own"),
        " or send the file day-results/results.html."),
      h("iframe", { src: file, title: "Results of the day", sandbox: "allow-scripts allow-popups allow-downloads" }));
  }
}
document.addEventListener("jobs", () => {
  const main = document.querySelector("#work");
  if (location.hash.startsWith("#results") && state.look) results(main);
});
