// What the day came to: the same page that is sent to a friend.
import { ask, button, h, refill } from "./dom.js";
import { isBusy, isChanged, job, save, say, state } from "./store.js";

async function start() {
  if (isChanged()) await save();
  try { await ask("results", { text: state.text }); } catch (error) { say(error.message); }
}

let shown = "";
export function results(main) {
  const one = job("results", "");
  const left = state.runs.filter((run) => run.state !== "done").length;
  const words = isChanged() ? "Save the sheet and compare the builds" : "Compare the builds";
  const busy = isBusy(one);
  const stamp = `${state.look.has_results} ${one?.number} ${one?.state}`;
  const top = [h("h1", {}, "Results"),
    h("p", {}, button(words, start, { id: "compare", className: "main", disabled: busy || state.problems.length > 0 }), " ",
      h("span", { className: "quiet" }, busy ? `working: ${one.stage} ${Math.round(100 * one.share)} %`
        : left ? `${left} run${left > 1 ? "s are" : " is"} not worked out; that is done first` : "")),
    one?.state === "failed" && h("p", { className: "error", role: "alert" }, one.error),
    ...(one?.result?.problems || []).map((line) => h("p", { className: "error" }, line)),
    !state.look.has_results && !busy && h("p", { className: "empty" }, "No results yet. Work the runs out, then compare the builds.")];
  let head = main.querySelector("#result-head");
  if (!head) {
    main.replaceChildren(h("div", { id: "result-head" }), h("div", { id: "result-page" }));
    head = main.querySelector("#result-head");
    shown = "";
  }
  refill(head, top);
  if (state.look.has_results && stamp !== shown && !busy) {
    shown = stamp;
    const file = "/files/day-results/results.html";
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
