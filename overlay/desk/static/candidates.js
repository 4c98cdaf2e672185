// What might be fitted next, and what it is thought to change.
import { button, choice, field, h } from "./dom.js";
import { list, number, renamed, text } from "./inputs.js";
import { problemList, problemsAt } from "./folder.js";
import { edit, state } from "./store.js";

// Key, label, kind of input and, where there is one, a hint.
const CHANGES = [
  ["mass_change_kg", "Mass, kg more", number, "below 0 where it takes mass off"],
  ["power_percent", "Power, % more", list.numbers, "least and most, such as 0, 6"],
  ["gear_ratio", "Whole ratio", list.numbers, "one, or a choice"],
  ["engine_teeth", "Driving sprocket, teeth", list.numbers, "such as 9, 10, 11"],
  ["wheel_teeth", "Driven sprocket, teeth", list.numbers, "such as 90, 98"],
  ["tyre_diameter_m", "Tyre's diameter, m", list.numbers, "one, or a choice"],
  ["limiter_rpm", "Limiter, rpm", number],
  ["stock_limit_rpm", "Maker's limit, rpm", number, "of the weakest of rod and flywheel with it"],
  ["gasket_mm", "Head gasket, mm", number], ["compression_ratio", "Compression", number],
  ["spring_seat_n", "Spring shut, N", number], ["spring_rate_npmm", "Spring, N per mm", number],
];

function card(one, index) {
  const at = (key) => ["candidates", index, key];
  const id = (key) => `candidate-${index}-${key}`;
  const said = one.name || `candidate ${index + 1}`;
  const all = state.raw.candidates;
  const builds = [["", "the last that has run"], ...(state.raw.builds || []).map((build) => build.name)];
  const others = all.filter((other) => other !== one).map((other) => other.name).filter(Boolean);
  const needed = all.some((other) => other.needs?.includes(one.name));
  const name = renamed(one.name, at("name"), (value) => all.flatMap((other, i) => (other.needs || []).includes(one.name)
    ? [{ op: "set", path: ["candidates", i, "needs"], value: other.needs.map((need) => need === one.name ? value : need) }] : []));
  return h("li", { className: "run" },
    h("div", { className: "fields" },
      field(id("name"), "Candidate", name),
      field(id("price"), "Price", number(at("price"), one.price)),
      field(id("build"), "Fitted to", choice(builds, one.build || "", (value) =>
        edit(value ? { op: "set", path: at("build"), value } : { op: "unset", path: at("build") }))),
      others.length > 0 && field(id("needs"), "Bought with", list(at("needs"), one.needs), `of ${others.join(", ")}`),
      field(id("may_break"), "What it puts at risk", text(at("may_break"), one.may_break))),
    h("details", { id: id("changes"), open: true }, h("summary", {}, "What it is thought to change"), h("div", { className: "fields" },
      CHANGES.map(([key, label, input, hint]) => field(id(key), label, input(at(key), one[key]), hint)))),
    !needed && h("p", {}, button("Take out", () => edit({ op: "remove", path: ["candidates", index] }), { id: id("out"), "aria-label": `Take out ${said}` })),
    problemList(problemsAt(`candidates[${index + 1}]`)));
}

function newName() {
  const taken = new Set((state.raw.candidates || []).map((one) => one.name));
  for (let number = 1; ; number += 1) if (!taken.has(`new part ${number}`)) return `new part ${number}`;
}

export function candidates() {
  const all = state.raw.candidates || [];
  return [h("h2", {}, "What might be fitted next"),
    h("p", { className: "hint" }, all.length
      ? "What each would bring, what a tenth of a second would cost and how many runs would show it stands on the page of the results, once the builds are compared."
      : "Name parts that you think of buying: the results say what each would bring on your course, from the runs driven already."),
    all.length > 0 && h("ol", { className: "runs" }, all.map(card)),
    h("p", {}, button("Add a candidate", () => edit({ op: "add", path: ["candidates"], value: { name: newName() } }), { id: "candidate-add" }))];
}
