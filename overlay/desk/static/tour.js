// The first minute: the demo day, and what to look at on each page of it. True while there is
// nothing to look at yet.
import { h, renew } from "./dom.js";
import { isBusy, job, state, workOut } from "./store.js";

const WORDS = {
  folder: ["A village cyclekart club timed runs on a disused taxiway: two builds, seven runs, one of them spoiled. Each run is a clip with its logs; the desk paired them by name and time.", "runs", "See the runs"],
  runs: ["The receiver shows the speed about a second late. The dots are the speed in the picture; drag the orange log away from them and watch the gauges go wrong. Nothing is written unless you save.", "builds", "See what was bought"],
  builds: ["Build B got a filter, a jet, a spring and a flywheel. Prices make the last figure of the results: what a tenth of a second cost.", "results", "See whether it was worth it"],
  results: ["Compare the builds: the answer says real, no difference that matters, or cannot tell yet, and what spoiled a run.", "films", "Make a film of it"],
  films: ["Choose two runs to set them side by side from the same launch, draw the film, then have it proved from its own pixels. Your own day: 'timetrue desk FOLDER'.", null, ""],
};
let begun = false;

export function lead(place, stage) {
  if (!state.look?.is_tour) { renew(place); return false; }
  const filming = job("demo", "");
  if (isBusy(filming) || (state.look.is_new && !filming)) {
    renew(place, h("section", { className: "tour", "aria-label": "Tour" },
      h("p", {}, h("b", {}, "The demo day is being filmed. "), "How far it is stands below, and the runs come by themselves.")));
    return true;
  }
  if (filming?.state === "failed") {
    renew(place, h("section", { className: "tour", "aria-label": "Tour" }, h("p", { className: "error", role: "alert" }, filming.error)));
    return true;
  }
  const left = state.runs.filter((run) => run.state === "new").length;
  if (left && !begun) { begun = true; workOut(); }
  const working = state.jobs.filter((one) => one.kind === "run" && isBusy(one)).length;
  const [text, next, words] = WORDS[stage];
  renew(place, h("section", { className: "tour", "aria-label": "Tour" }, h("p", {}, h("b", {}, "Tour. "), text),
    working > 0 && h("p", { className: "quiet" }, `${working} run${working > 1 ? "s are" : " is"} being worked out; each appears when it is done.`),
    next && h("p", {}, h("a", { href: `#${next}` }, words))));
  return false;
}
