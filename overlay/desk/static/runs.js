// The runs: worked out one by one, their sync looked at and nudged, their marks judged.
import "/player/player.js";
import { ask, button, choice, field, fileOf, h, refill, renew, Refused, whenFree } from "./dom.js";
import { hindered, problemList, problemsAt } from "./folder.js";
import { edit, isBusy, job, say, state, workOut } from "./store.js";
import { at, Strip } from "./strip.js";

const held = { key: "", hand: "", nudge: 0 }; // what is shown, and where a hand has laid its log
const asked = new Set(); // players that are being made

function stateOf(run) {
  const one = job("run", run.name);
  if (isBusy(one)) return [one.state === "working" ? `working, ${Math.round(100 * one.share)} %` : "in line", ""];
  if (run.state === "done") return [run.offset || "worked out", ""];
  if (run.state === "failed") return ["", run.problem];
  if (one?.state === "failed") return ["", one.error];
  return ["not worked out yet", ""];
}

function listOf(now) {
  return h("ol", { className: "list", "aria-label": "Runs" }, state.runs.map((run) => {
    const [told, wrong] = stateOf(run);
    return h("li", {}, h("a", { id: `run-${run.name}`, href: `#runs/${encodeURIComponent(run.name)}`, hue: run.hue,
      "aria-current": run.name === now ? "true" : null },
    h("b", {}, run.name), told && h("span", {}, told), wrong && h("span", { className: "wrong" }, wrong),
    run.splits?.length > 0 && h("span", {}, run.splits.slice(-2).join(", ")),
    run.marks?.length > 0 && h("span", {}, `marked: ${[...new Set(run.marks)].join(", ")}`)));
  }));
}

export function runs(main, [wanted]) {
  if (hindered(main, "Runs")) {
    held.key = "";
    return;
  }
  const now = state.runs.find((run) => run.name === wanted) || state.runs[0];
  const left = state.runs.filter((run) => run.state === "new" || run.state === "failed").length;
  let detail = main.querySelector("#detail");
  if (!detail) {
    main.replaceChildren(h("h1", {}, "Runs"), h("p", { id: "all" }),
      h("div", { className: "two" }, h("div", { id: "runlist" }), h("section", { id: "detail", "aria-label": "One run" })));
    detail = main.querySelector("#detail");
    held.key = "";
  }
  renew(main.querySelector("#all"), left ? button(`Work out ${left} run${left > 1 ? "s" : ""}`, () => workOut(), { id: "work-all", className: "main" })
    : h("a", { className: "onward", href: "#results" }, "On to the results"));
  renew(main.querySelector("#runlist"), listOf(now?.name));
  const made = job("play", now?.name)?.state === "done" && job("play", now.name).number;
  const key = JSON.stringify([state.text, now?.name, now?.state, now?.offset, made]);
  if (key !== held.key) {
    held.key = key;
    fetchRun(detail, now, key);
  }
}

document.addEventListener("jobs", () => {
  const list = document.querySelector("#runlist");
  if (list && state.runs.length) {
    const name = list.querySelector("[aria-current]")?.querySelector("b").textContent;
    renew(list, listOf(name));
  }
});

async function fetchRun(detail, run, key) {
  if (!detail.firstChild) detail.replaceChildren(h("p", { className: "wait" }, "Reading the run …"));
  try {
    const view = await ask("run", { text: state.text, name: run.name });
    whenFree("run", () => { if (held.key === key) showRun(detail, run.name, view); });
  } catch (error) {
    if (!(error instanceof Refused)) console.error(error);
    if (held.key === key) refill(detail, h("h2", {}, run.name), h("p", { className: "error", role: "alert" }, error.message));
  }
}

function showRun(detail, name, view) {
  const index = state.raw.runs.findIndex((run) => run.name === name);
  const said = state.raw.runs[index];
  const parts = [h("h2", {}, `${name}, build ${said.build}`)];
  const wrong = view.state === "failed" ? view.problem : view.state === "new" ? job("run", name)?.error : "";
  if (wrong) parts.push(h("p", { className: "error", role: "alert" }, wrong));
  if (view.state !== "done") {
    parts.push(view.evidence
      ? h("p", {}, "Lay the log over the picture by hand and take that offset, or correct what the message says and try again.")
      : h("p", {}, wrong ? "Correct what the message says, under Folder or in the files, and try again."
        : "This run is not worked out yet: its picture has to be watched first."),
    button(wrong ? "Try again" : "Work it out", () => workOut(name), { id: "work-one", className: "main" }));
  }
  if (view.evidence) parts.push(sync(view, index));
  else parts.push(clipOf(view, { preload: "metadata" }));
  if (view.state === "done") {
    parts.push(marks(view, said, index), h("h2", {}, "What is known"),
      h("ul", { className: "lines" }, view.lines.map((line) => h("li", {}, line))));
  }
  parts.push(problemList(problemsAt(`runs[${index + 1}]`)));
  refill(detail, parts);
}

function clipOf(view, more) {
  const refuse = () => video.replaceWith(h("p", { className: "warn" },
    "This browser cannot play this clip as it is; once the run is worked out, a copy is made that it can play."));
  const video = h("video", { controls: true, src: fileOf(view.clip), "aria-label": `Clip of ${view.name}`, ...more,
    onerror: refuse, onloadedmetadata: () => video.videoWidth || refuse() }); // where only its sound plays
  return video;
}

const signed = (value) => `${value < 0 ? "−" : "+"}${Math.abs(value).toFixed(3)} s`;

function sync(view, index) {
  const e = view.evidence;
  const player = view.play ? document.createElement("run-view") : null;
  const video = player ? null : clipOf(view, { id: "clip", preload: "auto", muted: true, playsInline: true });
  const curves = [{ kind: "picture", curve: e.motion }, ...(view.course ? [{ kind: "course", curve: view.course }] : []),
    { kind: "log", curve: e.log }];
  const strip = new Strip({ curves, from: 0, to: e.duration_s, unit: view.unit, launch: view.launch_s ?? null,
    onmove: (nudge) => put(nudge), onseek: (time) => seek(time) });
  strip.interval = e.interval_s && e.interval_s.map((end) => end - e.base_s);
  const number = h("span", { className: "number", id: "offset" });
  const warn = h("p", { className: "warn", role: "status", id: "hand-warning" });
  const here = h("p", { className: "quiet", id: "here" });
  const range = h("input", { type: "range", id: "nudge", min: -3, max: 3, step: "any", value: 0,
    oninput: () => put(Number(range.value)),
    onkeydown: (event) => {
      const way = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[event.key];
      if (way) { event.preventDefault(); put(strip.nudge + way * (event.shiftKey ? e.frame_s / 10 : e.frame_s)); }
    } });
  const take = button("Take this offset", () => set({ op: "set", path: ["runs", index, "offset_s"], value: Number((e.base_s + strip.nudge).toFixed(4)) }), { id: "take", className: "main" });

  function put(nudge) {
    strip.nudge = Math.abs(nudge) < 1e-9 ? 0 : nudge;
    held.nudge = strip.nudge;
    if (player?.data) player.nudge = strip.nudge;
    strip.place();
    range.value = strip.nudge;
    const offset = e.base_s + strip.nudge;
    number.textContent = signed(offset);
    range.setAttribute("aria-valuetext", `total offset ${signed(offset)}`);
    take.disabled = strip.nudge === 0;
    const [low, high] = e.interval_s || [null, null];
    const by = low === null ? 0 : offset < low ? offset - low : offset > high ? offset - high : 0;
    const text = by ? `The hand is ${Math.abs(by).toFixed(3)} s outside the measured interval, ${signed(low)} to ${signed(high)} (95 %): gauges drawn like this would be ${by > 0 ? "early" : "late"}.` : "";
    if (warn.textContent !== text) warn.textContent = text;
    tellHere();
  }
  function tellHere() {
    const t = strip.cursor;
    if (t === null) return;
    const words = [["picture", at(e.motion, t)], ["log as it lies", at(e.log, t + strip.nudge)], ["corrected", view.course ? at(view.course, t) : null]];
    here.textContent = `At ${t.toFixed(2)} s: ${words.filter(([, v]) => v !== null).map(([w, v]) => `${w} ${v.toFixed(1).replace(/^-0\.0$/, "0.0")}`).join(", ")} ${view.unit}`;
  }
  function cursor(time) {
    strip.cursor = time;
    strip.place();
    tellHere();
  }
  function seek(time) {
    if (player) player.seek(time);
    else video.currentTime = e.clip_start_s + time + 0.001;
    cursor(time);
  }
  function set(change) {
    edit(change).then(() => workOut(view.name));
  }
  const frame = (_, shown) => {
    cursor(shown.mediaTime - e.clip_start_s);
    video.requestVideoFrameCallback(frame);
  };
  if (player) showPlayer();
  else {
    video.requestVideoFrameCallback?.(frame);
    video.addEventListener("loadedmetadata", () => seek(strip.cursor ?? 0), { once: true });
    const wanted = `${view.name} ${view.offset} ${state.text}`;
    if (view.state === "done" && !asked.has(wanted)) {
      asked.add(wanted);
      ask("play", { text: state.text, name: view.name }).catch((error) => say(error.message));
    }
  }
  function showPlayer() {
    const { data, base, clip } = view.play;
    player.addEventListener("framechange", ({ detail }) => cursor(detail.time));
    player.show({ data, base: `${fileOf(base)}/`, clip: data.clip ? undefined : fileOf(clip) }).then(() => {
      player.muted = true;
      player.nudge = strip.nudge;
      if (view.launch_s !== undefined && view.launch_s !== null) player.seek(view.launch_s);
    }, (error) => say(error.message));
  }
  const zoom = (length) => {
    const middle = strip.cursor ?? view.launch_s ?? e.duration_s / 2;
    strip.show(length ? [middle - length / 2, middle + length / 2] : strip.whole);
  };
  strip.cursor = view.launch_s ?? null;
  const hand = `${view.name} ${e.base_s}`;
  const before = held.hand === hand ? held.nudge : 0;
  held.hand = hand;
  put(before);
  const measured = e.determined && e.measured_s !== null
    ? `measured ${signed(e.measured_s)}${e.interval_s ? ` ± ${((e.interval_s[1] - e.interval_s[0]) / 2).toFixed(3)} (95 %)` : ""}`
    : `not measured: ${e.reason}`;
  return h("div", {},
    h("ul", { className: "legend" }, h("li", { className: "picture" }, e.motion.to_scale ? "the picture's motion" : "the picture's motion, not to scale"),
      h("li", { className: "log" }, "the receiver's log, to be moved"), view.course && h("li", { className: "course" }, "corrected speed")),
    strip.node, here,
    h("div", { className: "hand" },
      h("label", { htmlFor: "nudge" }, "Total offset of the log "), number, h("span", { className: "quiet" }, ` ${measured}`),
      range, warn,
      h("div", { className: "row" },
        button("One frame earlier", () => put(strip.nudge + e.frame_s), { id: "earlier" }),
        button("One frame later", () => put(strip.nudge - e.frame_s), { id: "later" }),
        button("Back", () => put(0), { id: "back" }), take,
        view.given_s !== null && button("Take the measured one again", () => set({ op: "unset", path: ["runs", index, "offset_s"] }), { id: "measured" })),
      h("p", { className: "hint" }, "Drag the log over the picture's dots, or use the arrow keys: a frame a press, with Shift a tenth of one. It is in the draft when taken, and in the sheet when saved."),
      h("div", { className: "row" }, field("zoom", "Show", choice([["0", "the whole clip"], ["4", "4 s around the line"], ["1", "1 s around the line"]], "0", (value) => zoom(Number(value)))))),
    h("details", {}, h("summary", {}, "The evidence in words"), h("ul", { className: "lines" }, e.lines.map((line) => h("li", {}, line)))),
    player || video,
    !player && view.state === "done" && h("p", { className: "quiet" }, "Its gauges are being drawn for every picture; they come by themselves."));
}

function marks(view, said, index) {
  const now = said.counted === undefined ? "marks" : said.counted ? "in" : "out";
  const why = h("input", { value: said.because || "", maxLength: 200, placeholder: "such as: tyre went soft" });
  const put = (how) => {
    const path = (key) => ["runs", index, key];
    if (how === "marks") return edit(...["counted", "because"].filter((key) => key in said).map((key) => ({ op: "unset", path: path(key) })));
    if (!why.value.trim()) {
      say("Give the reason first; it stands beside the run in the results.");
      why.focus();
      return null;
    }
    return edit({ op: "set", path: path("counted"), value: how === "in" }, { op: "set", path: path("because"), value: why.value.trim() });
  };
  why.addEventListener("change", () => { if (now !== "marks") put(now); });
  const pick = (value, text) => h("label", { className: "check" }, h("input", { type: "radio", name: "counted", id: `counted-${value}`, checked: now === value,
    onchange: (event) => { if (put(value) === null) { event.target.checked = false; document.getElementById(`counted-${now}`).checked = true; } } }), text);
  return h("fieldset", {}, h("legend", {}, "Marks"),
    view.found_marks.length ? h("ul", { className: "lines" }, view.found_marks.map((mark) => h("li", {}, h("b", {}, mark.kind), ` at ${mark.start_s.toFixed(1)} s: ${mark.detail}`)))
      : h("p", {}, "Nothing spoiled this run."),
    field("because", "Reason, where you overrule the marks", why),
    pick("marks", "leave it to the marks"), pick("in", "count the run all the same"), pick("out", "leave the run out"));
}
