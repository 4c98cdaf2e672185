// What was found in the folder, and which clip and logs make a run.
import { button, choice, field, h, renew } from "./dom.js";
import { long } from "./long.js";
import { edit, state } from "./store.js";

const LONG_S = 45; // a clip that may well hold several runs

const length = (value) => `${value.toFixed(1)} s`;

export function problemsAt(place) {
  return state.problems.filter((one) => one.place === place || one.place.startsWith(`${place}.`)
    || one.place.startsWith(`${place}[`));
}

export function problemList(list) {
  return list.length ? h("ul", { className: "problems" }, list.map((one) =>
    h("li", {}, `line ${one.line}${one.place ? `, ${one.place}` : ""}: ${one.text}`))) : null;
}

// In place of a page that needs runs, and a sheet without problems.
export function hindered(main, title) {
  if (!state.raw.runs?.length) {
    renew(main, h("h1", {}, title), h("p", { className: "empty" }, "There is no run yet. ",
      h("a", { href: "#folder" }, "Folder"), " shows which clips and logs are there, and makes a clip a run."));
    return true;
  }
  if (!state.problems.length) return false;
  renew(main, h("h1", {}, title), h("p", { className: "empty" }, "The sheet has problems. Correct them under ",
    h("a", { href: "#folder" }, "Folder"), " or ", h("a", { href: "#builds" }, "Builds"), ", or in an editor; this page is here again then."),
  problemList(state.problems));
  return true;
}

// The logs of a run with one of its two roles given to another file.
function withLog(run, role, name) {
  const files = state.look.files.logs;
  const of = (log) => files.find((one) => one.name === log);
  const old = roles(run)[role];
  let logs = (run.logs || []).filter((log) => log !== old);
  if (name) {
    logs = logs.filter((log) => log !== name);
    logs = role === "speed" || of(name)?.has_speed ? [name, ...logs] : [...logs, name];
  }
  return logs;
}

function roles(run) {
  const files = state.look.files.logs;
  const logs = (run.logs || []).map((name) => files.find((one) => one.name === name) || { name });
  const speed = logs.find((one) => one.has_speed) || logs.find((one) => !("has_rpm" in one));
  const revs = logs.find((one) => one.has_rpm && one !== speed);
  return { speed: speed?.name || "", revs: revs?.name || "" };
}

function putLogs(index, logs) {
  const path = ["runs", index, "logs"];
  return edit(logs.length ? { op: "set", path, value: logs } : { op: "unset", path });
}

function logCell(run, index, role, label) {
  const files = state.look.files;
  const now = roles(run)[role];
  const fit = files.logs.filter((log) => (role === "speed" ? log.has_speed : log.has_rpm && !log.has_speed) || log.name === now);
  const own = files.clips.find((clip) => clip.name === run.clip)?.has_track;
  const none = role === "speed" ? (own ? "the clip's own track" : "none: choose one") : "none, or in the speed log";
  const names = fit.map((log) => log.name);
  if (now && !names.includes(now)) names.push(now);
  const control = choice([["", none], ...names], now, (name) => putLogs(index, withLog(run, role, name)), { disabled: !isRead() });
  return h("div", { className: "field drop", id: `run-${index}-${role}-field`, draggable: Boolean(now),
    ondragstart: now ? (event) => event.dataTransfer.setData("text/plain", now) : null,
    ondragover: (event) => { event.preventDefault(); event.currentTarget.classList.add("over"); },
    ondragleave: (event) => event.currentTarget.classList.remove("over"),
    ondrop: (event) => {
      event.preventDefault();
      event.currentTarget.classList.remove("over");
      const name = event.dataTransfer.getData("text/plain");
      if (files.logs.some((log) => log.name === name) && name !== now) putLogs(index, withLog(run, role, name));
    } }, [...field(`run-${index}-${role}`, label, control).childNodes]);
}

// A film names its runs, so it goes along.
function rename(old, index, value) {
  const films = (state.raw.films || []).map((film, i) => ({ op: "set", path: ["films", i, "runs"],
    value: (film.runs || []).map((name) => (name === old ? value : name)) }));
  return edit({ op: "set", path: ["runs", index, "name"], value }, ...films.filter((_, i) => state.raw.films[i].runs?.includes(old)));
}

function runRow(run, index) {
  const path = (key) => ["runs", index, key];
  const pair = state.look.files.pairs[run.clip];
  const same = pair && JSON.stringify(pair.logs.filter((log) => log !== run.clip)) === JSON.stringify(run.logs || []);
  const clip = state.look.files.clips.find((one) => one.name === run.clip);
  const builds = (state.raw.builds || []).map((build) => build.name);
  return h("li", { className: "run", hue: state.runs.find((one) => one.name === run.name)?.hue },
    h("p", { className: "file" }, h("b", {}, run.clip || "no clip"), " ",
      h("span", { className: "quiet" }, clip ? length(clip.duration_s) : isRead() ? "is not in the folder" : "being read …",
        run.window_s ? `, ${run.window_s[0]} to ${run.window_s[1]} s of it` : "")),
    h("div", { className: "fields" },
      field(`run-${index}-name`, "Run", h("input", { value: run.name || "", maxLength: 40,
        onchange: (event) => rename(run.name, index, event.target.value.trim()) })),
      field(`run-${index}-build`, "Build", choice(builds, run.build,
        (value) => edit({ op: "set", path: path("build"), value }))),
      logCell(run, index, "speed", "Speed log"),
      logCell(run, index, "revs", "Revs log"),
      h("label", { className: "check" }, h("input", { type: "checkbox", id: `run-${index}-clock`, checked: run.same_clock === true,
        onchange: (event) => edit(event.target.checked
          ? { op: "set", path: path("same_clock"), value: true } : { op: "unset", path: path("same_clock") }) }),
      "the camera's own clock"),
      clip?.duration_s > LONG_S && !run.window_s && h("a", { className: "find", href: `#folder/long/${encodeURIComponent(run.name)}` }, "Find the runs in it"),
      button("Take out", () => edit({ op: "remove", path: ["runs", index] }),
        { id: `run-${index}-out`, "aria-label": `Take run ${run.name} out of the sheet` })),
    same && pair.reasons.length > 0 && h("p", { className: "quiet" }, "paired ", pair.reasons.join("; ")),
    same && pair.doubts.filter(isOpen).map((doubt) => h("p", { className: "doubt" }, `Look: ${doubt}.`)),
    problemList(problemsAt(`runs[${index + 1}]`)));
}

// What is said of a clip that is no run asks for nothing: it was taken out, or is a film of ours.
function isOpen(doubt) {
  const used = new Set(state.raw.runs.map((run) => run.clip));
  return !state.look.files.clips.some((clip) => !used.has(clip.name) && doubt.includes(clip.name));
}

function free(names) {
  let stem = names.wanted, number = 1;
  while (names.taken.has(stem.toLowerCase())) stem = `${names.wanted}-${++number}`;
  return stem;
}

function addRun(clip) {
  const runs = state.raw.runs || [];
  const name = free({ wanted: clip.name.replace(/\.[^.]*$/, "").slice(0, 34), taken: new Set(runs.map((run) => String(run.name).toLowerCase())) });
  const logs = (state.look.files.pairs[clip.name]?.logs || []).filter((log) => log !== clip.name);
  const build = state.raw.builds?.[0]?.name || "A";
  return edit({ op: "add", path: ["runs"], value: { name, build, clip: clip.name, ...(logs.length ? { logs } : {}) } });
}

// Whether every file of the folder is known.
const isRead = () => state.look.files.text !== null;

// While the files are being read: how far that is, and what is known already.
function reading() {
  const { files } = state.look;
  if (isRead() || !files.reading) return null;
  const [number, all] = files.reading;
  return h("p", { className: "quiet", role: "status" }, `Reading the files: ${number} of ${all}.`);
}

function waited(main) {
  const { files } = state.look;
  renew(main, h("h1", {}, "What is in the folder"), reading(),
    h("section", { className: "tray" }, h("h2", {}, "Found so far"), h("ul", {},
      files.clips.map((clip) => h("li", {}, h("b", {}, clip.name), ` ${length(clip.duration_s)}`)),
      files.logs.map((log) => h("li", {}, h("b", {}, log.name), ` ${told(log)}`)),
      files.left_out.map((one) => h("li", { className: "quiet" }, `${one.name}: ${one.why}`)))));
}

const told = (log) => `${[log.has_speed && "speed", log.has_rpm && "revs"].filter(Boolean).join(" and ")}, ${length(log.duration_s)}`;

export function folder(main, [kind, name]) {
  if (state.look.text === null) { waited(main); return; }
  const one = (state.raw.runs || []).findIndex((run) => run.name === name);
  if (kind === "long" && one >= 0) { long(main, one); return; }
  const { files } = state.look;
  const runs = state.raw.runs || [];
  const used = new Set(runs.flatMap((run) => [run.clip, ...(run.logs || [])]));
  const clips = files.clips.filter((clip) => !used.has(clip.name));
  const logs = files.logs.filter((log) => !used.has(log.name));
  const general = runs.length ? state.problems.filter((one) => !one.place.startsWith("runs[")) : [];
  renew(main,
    h("h1", {}, "What is in the folder"),
    h("p", {}, !runs.length ? "No clip is a run yet."
      : state.look.is_new ? "There is no day sheet yet: this is how one would start. Check the pairs, then save."
      : "Each run is a clip with its logs. Drag a log onto another run, or choose it there."),
    reading(),
    isRead() && !files.clips.length && h("p", { className: "empty" }, "No clip in this folder can be read. Copy the day's clips and logs into it, and they appear here; or start the desk with another folder."),
    problemList(general),
    h("ol", { className: "runs" }, runs.map(runRow)),
    (clips.length || logs.length || files.left_out.length) > 0 && h("section", { className: "tray", "aria-labelledby": "tray-head" },
      h("h2", { id: "tray-head" }, "Not in any run"),
      h("ul", {},
        clips.map((clip) => h("li", {}, h("b", {}, clip.name), ` ${length(clip.duration_s)} `,
          button("Make it a run", () => addRun(clip), { id: `add-${clip.name}`, "aria-label": `Make ${clip.name} a run` }))),
        logs.map((log) => h("li", { className: "log", draggable: true,
          ondragstart: (event) => event.dataTransfer.setData("text/plain", log.name) },
        h("b", {}, log.name), ` ${told(log)}`)),
        files.left_out.map((one) => h("li", { className: "quiet" }, `${one.name}: ${one.why}`)))),
    runs.length > 0 && h("p", {}, h("a", { className: "onward", href: "#runs" }, "On to the runs")));
}
