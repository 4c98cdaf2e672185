// Builds, their parts and prices; what might be fitted next; what to report; the vehicle.
import { button, choice, field, h, renew } from "./dom.js";
import { candidates } from "./candidates.js";
import { list, number, renamed, text } from "./inputs.js";
import { problemList, problemsAt } from "./folder.js";
import { edit, state } from "./store.js";

function parts(build, index) {
  const rows = build.parts || [];
  const path = ["builds", index, "parts"];
  return h("fieldset", {}, h("legend", {}, "Parts"),
    rows.length > 0 && h("table", {}, h("thead", {}, h("tr", {}, h("th", {}, "Part"), h("th", {}, "Price"), h("th", {}, h("span", { className: "quiet" }, "")))),
      h("tbody", {}, rows.map((part, i) => h("tr", {},
        h("td", {}, text([...path, i, "name"], part.name, { id: `part-${index}-${i}-name`, "aria-label": `Part ${i + 1} of build ${build.name}` })),
        h("td", {}, number([...path, i, "price"], part.price, { id: `part-${index}-${i}-price`, size: 8, ariaLabel: `Price of ${part.name}` })),
        h("td", {}, button("Take out", () => edit({ op: "remove", path: [...path, i] }), { id: `part-${index}-${i}-out`, "aria-label": `Take out ${part.name}` })))))),
    button("Add a part", () => edit({ op: "add", path, value: { name: "new part", price: 0 } },
      ...(build.currency ? [] : [{ op: "set", path: ["builds", index, "currency"], value: currency() }])), { id: `part-${index}-add` }));
}

const currency = () => (state.raw.builds || []).map((build) => build.currency).find(Boolean) || "GBP";

function card(build, index) {
  const at = (key) => ["builds", index, key];
  const id = (key) => `build-${index}-${key}`;
  const hue = state.runs.find((run) => state.raw.runs?.some((said) => said.name === run.name && said.build === build.name))?.hue;
  const name = renamed(build.name, at("name"), (value) => ["runs", "candidates"].flatMap((key) => (state.raw[key] || [])
    .flatMap((one, i) => one.build === build.name ? [{ op: "set", path: [key, i, "build"], value }] : [])));
  const users = (state.raw.runs || []).filter((run) => run.build === build.name).length;
  return h("li", { className: "run", hue },
    h("div", { className: "fields" },
      field(id("name"), "Build", name), field(id("about"), "What it is", text(at("about"), build.about)),
      field(id("price"), "Price of the whole", number(at("price"), build.price), "or leave it to the parts"),
      field(id("currency"), "Currency", text(at("currency"), build.currency, { maxLength: 3, placeholder: "GBP" }))),
    parts(build, index),
    h("details", { id: id("changes") }, h("summary", {}, "What it changes on the vehicle"), h("div", { className: "fields" },
      field(id("mass_kg"), "Mass, kg", number(at("mass_kg"), build.mass_kg)),
      field(id("limiter_rpm"), "Limiter, rpm", number(at("limiter_rpm"), build.limiter_rpm)),
      field(id("stock_limit_rpm"), "Maker's limit, rpm", number(at("stock_limit_rpm"), build.stock_limit_rpm)))),
    h("p", { className: "quiet" }, `${users} run${users === 1 ? "" : "s"}`, " ",
      users === 0 && (state.raw.builds || []).length > 1 && button("Take out", () => edit({ op: "remove", path: ["builds", index] }), { id: id("out"), "aria-label": `Take out build ${build.name}` })),
    problemList(problemsAt(`builds[${index + 1}]`)));
}

function newName() {
  const taken = new Set((state.raw.builds || []).map((build) => build.name?.toUpperCase()));
  return [..."ABCDEFGHIJKLMNOPQRSTUVWXYZ"].find((letter) => !taken.has(letter)) || "new";
}

const VEHICLE = [["mass_kg", "Mass with driver, kg"], ["rolling_circumference_m", "Rolled in one turn, m"],
  ["idle_rpm", "Idle, rpm"], ["limiter_rpm", "Limiter, rpm"], ["stock_limit_rpm", "Maker's limit, rpm"],
  ["gear_ratios", "Whole ratios", list.numbers, "turns of the crank for one of the wheel"],
  ["sprocket_teeth", "Teeth, driving and driven", list.numbers, "such as 10, 94"]];

export function builds(main) {
  const report = state.raw.report || {}, vehicle = state.raw.vehicle || {};
  renew(main, h("h1", {}, "Builds and their prices"),
    h("ol", { className: "runs" }, (state.raw.builds || []).map(card)),
    h("p", {}, button("Add a build", () => edit({ op: "add", path: ["builds"], value: { name: newName() } }), { id: "build-add" })),
    candidates(),
    h("fieldset", {}, h("legend", {}, "What to report"), h("div", { className: "fields" },
      field("report-title", "Title", text(["report", "title"], report.title)),
      field("report-unit", "Unit of speed", choice(["mph", "km/h", "m/s"], report.speed_unit || "mph", (value) => edit({ op: "set", path: ["report", "speed_unit"], value }))),
      field("report-splits", "Splits from launch", list(["report", "splits"], report.splits, "60 m, 20 mph"), "such as 60 m, 20 mph, 60 m rollout"),
      field("report-judged", "Judged by", list(["report", "judged"], report.judged, "20 to 60 m"), "such as 20 to 60 m, trap 50 to 60 m"),
      field("report-main", "Judged first", text(["report", "main"], report.main)),
      field("report-worth", "Matters from, s", number(["report", "worth_noticing_s"], report.worth_noticing_s)),
      field("report-worth-v", "and of speed, m/s", number(["report", "worth_noticing_mps"], report.worth_noticing_mps))),
    problemList(problemsAt("report"))),
    h("fieldset", {}, h("legend", {}, "The vehicle"), h("div", { className: "fields" },
      field("vehicle-name", "Name", text(["vehicle", "name"], vehicle.name)),
      VEHICLE.map(([key, label, input = number, hint]) => field(`vehicle-${key}`, label, input(["vehicle", key], vehicle[key]), hint))),
    h("p", { className: "hint" }, "A stock flywheel or rod can burst above its maker's limit. Everything else the sheet may say can be written into day.toml with an editor; the desk keeps it."),
    problemList(problemsAt("vehicle"))),
    problemList(state.problems.filter((one) => !/^(report|vehicle|builds|candidates|runs)/.test(one.place))));
}
