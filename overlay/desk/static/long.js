// A long recording: the runs found in it, their bounds moved on the strip or typed.
import { ask, button, fileOf, h, refill, renew } from "./dom.js";
import { edit, isBusy, job, say, state } from "./store.js";
import { Strip } from "./strip.js";

const shown = { key: "" };

async function start(name) {
  try { await ask("find", { text: state.text, name }); } catch (error) { say(error.message); }
}

export function long(main, index) {
  const run = state.raw.runs[index];
  const one = job("find", run.name);
  const key = `${run.name} ${one?.number} ${one?.state}`;
  if (one?.state === "done" && shown.key === key && main.querySelector(".strip")) return;
  const head = [h("h1", {}, `Runs in ${run.clip}`), h("p", {}, h("a", { href: "#folder" }, "Back to the folder"))];
  if (one?.state !== "done") {
    renew(main, head,
      h("p", {}, "The picture is watched and the log read for launches from rest and stops."),
      one?.state === "failed" && h("p", { className: "error", role: "alert" }, one.error),
      isBusy(one) ? h("p", { className: "quiet", role: "status" }, `${one.stage} ${Math.round(100 * one.share)} %`)
        : button("Find the runs", () => start(run.name), { id: "find", className: "main" }));
    return;
  }
  shown.key = key;
  fetch(fileOf(one.result)).then((answer) => answer.json())
    .then((found) => { if (shown.key === key) show(main, head, run, index, found); }, (error) => say(error.message));
}

function show(main, head, run, index, found) {
  const windows = found.windows.map(([from, to]) => ({ from, to, taken: true }));
  const curves = [{ kind: "picture", curve: found.motion }, ...(found.log ? [{ kind: "log", curve: found.log }] : [])];
  const strip = new Strip({ curves, from: 0, to: found.duration_s, unit: found.unit,
    windows: windows.map(({ from, to }) => [from, to]),
    onwindow: (which, end, time) => put(which, end, time) });
  const inputs = [];
  const wrong = h("p", { className: "warn", role: "status" });
  function put(which, end, time) {
    const one = windows[which], at = Math.min(Math.max(Math.round(time * 10) / 10, 0), Math.ceil(found.duration_s * 10) / 10);
    if (end === 0) one.from = Math.min(at, one.to - 1); else one.to = Math.max(at, one.from + 1);
    strip.windows[which] = [one.from, one.to];
    strip.place();
    inputs[which].forEach((input, side) => { input.value = (side ? one.to : one.from).toFixed(1); });
    const over = windows.some((a, i) => windows.some((b, j) => j > i && a.taken && b.taken && a.from < b.to && b.from < a.to));
    wrong.textContent = over ? "Two windows overlap; part them." : "";
  }
  const row = (one, which) => {
    const number = (side, label) => h("input", { id: `window-${which}-${side}`, inputMode: "decimal", size: 7, value: (side ? one.to : one.from).toFixed(1),
      onchange: (event) => { const value = Number(event.target.value.replace(",", ".")); put(which, side, Number.isFinite(value) ? value : side ? one.to : one.from); }, "aria-label": label });
    inputs[which] = [number(0, `Start of run ${which + 1}, seconds`), number(1, `End of run ${which + 1}, seconds`)];
    return h("li", { className: "row" }, h("label", { className: "check" },
      h("input", { type: "checkbox", checked: true, onchange: (event) => { one.taken = event.target.checked; put(which, 0, one.from); } }), `Run ${which + 1}`),
    " from ", inputs[which][0], " to ", inputs[which][1], " s ", h("span", { className: "quiet" }, found.about[which]));
  };
  const take = () => {
    const { name, window_s: _, ...rest } = run;
    const taken = windows.filter((one) => one.taken);
    const names = new Set(state.raw.runs.map((other) => other.name.toLowerCase()));
    names.delete(name.toLowerCase());
    let number = 0;
    const free = () => {
      let one;
      do { number += 1; one = `${name.slice(0, 35)}-${number}`; } while (names.has(one.toLowerCase()));
      return one;
    };
    edit({ op: "remove", path: ["runs", index] },
      ...taken.map(({ from, to }) => ({ op: "add", path: ["runs"], value: { name: free(), ...rest, window_s: [from, to] } })))
      .then(() => { location.hash = "#folder"; });
  };
  refill(main, head, h("ul", { className: "legend" }, h("li", { className: "picture" }, "the picture's motion"), found.log && h("li", { className: "log" }, "the receiver's log")),
    strip.node, h("p", {}, "Drag the edges of a window, or type its times. Leave some seconds of rest before each launch and after each stop."),
    h("ol", { className: "list" }, windows.map(row)), wrong,
    found.only_logged > 0 && h("p", { className: "quiet" }, `${found.only_logged} more in the log, not in the picture.`),
    button("Make runs of them", take, { id: "take-windows", className: "main" }));
}
