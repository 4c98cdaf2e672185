// Speeds over footage time: what the picture shows, the log that a hand may move, the corrected
// curve; or a long recording with the windows of its runs. Shows and asks only: all values come
// from the desk.
import { h, renew } from "./dom.js";

const EDGE = { left: 44, right: 12, top: 12, bottom: 26 };
const STEPS = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500];

const stepFor = (length, most) => STEPS.find((step) => length / step <= most) || 1000;

export function at(curve, time) {
  const { t, v } = curve;
  let low = 0, high = t.length - 1;
  if (high < 1 || time < t[0] || time > t[high]) return null;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (t[middle] <= time) low = middle; else high = middle;
  }
  if (v[low] === null || v[high] === null) return null;
  return v[low] + ((v[high] - v[low]) * (time - t[low])) / (t[high] - t[low] || 1);
}

export class Strip {
  // curves: [{kind, curve}]; moved: offset in s by which the curve "log" lies earlier.
  constructor({ curves, from, to, unit, onmove, onseek, windows = [], onwindow, launch = null }) {
    Object.assign(this, { curves, whole: [from, to], span: [from, to], unit, onmove, onseek, windows, onwindow, launch });
    this.nudge = 0;
    this.cursor = null;
    this.interval = null; // of the nudge
    this.svg = h("svg:svg", { role: "img", "aria-label": "Speed over time" });
    this.node = h("div", { className: "strip" }, this.svg);
    const values = curves.flatMap(({ curve }) => curve.v).filter((one) => one !== null);
    this.top = values.reduce((most, one) => Math.max(most, one), 1) * 1.08;
    new ResizeObserver(() => this.draw()).observe(this.node);
    this.svg.addEventListener("pointerdown", (event) => this.press(event));
  }

  x(time) { return EDGE.left + ((time - this.span[0]) / (this.span[1] - this.span[0])) * this.inner; }
  time(x) { return this.span[0] + ((x - EDGE.left) / this.inner) * (this.span[1] - this.span[0]); }
  y(value) { return EDGE.top + (1 - value / this.top) * this.high; }

  path({ t, v }) {
    let text = "", broken = true;
    for (let i = 0; i < t.length; i += 1) {
      if (v[i] === null) { broken = true; continue; }
      text += `${broken ? "M" : "L"}${this.x(t[i]).toFixed(1)} ${this.y(v[i]).toFixed(1)}`;
      broken = false;
    }
    return text;
  }

  // All places where the log may lie: between the ends of the nudge's interval.
  area(curve, [low, high]) {
    const points = curve.t.map((t, i) => [t, curve.v[i]]).filter(([, v]) => v !== null);
    const side = (list, by) => list.map(([t, v]) => `${this.x(t - by).toFixed(1)} ${this.y(v).toFixed(1)}`);
    return `M${[...side(points, low), ...side(points.reverse(), high)].join("L")}Z`;
  }

  draw() {
    const box = this.node.getBoundingClientRect();
    this.inner = Math.max(50, box.width - EDGE.left - EDGE.right);
    const tall = this.svg.getBoundingClientRect().height || 200;
    this.high = tall - EDGE.top - EDGE.bottom;
    const inside = h("svg:clipPath", { id: "inside" }, h("svg:rect", { x: EDGE.left, y: 0, width: this.inner, height: tall }));
    const lines = h("svg:g", { "clip-path": "url(#inside)" });
    for (const { kind, curve } of this.curves) {
      const d = this.path(curve);
      if (kind !== "log") { lines.append(h("svg:path", { class: kind, d })); continue; }
      this.bands = this.interval ? [h("svg:path", { class: "band", d: this.area(curve, this.interval) })] : [];
      this.log = h("svg:path", { class: "log", d });
      this.handle = this.onmove ? h("svg:path", { class: "handle", d }) : null;
      lines.append(...this.bands, this.log, ...(this.handle ? [this.handle] : []));
    }
    if (this.launch !== null) {
      lines.append(h("svg:line", { class: "launch", x1: this.x(this.launch), x2: this.x(this.launch), y1: EDGE.top, y2: EDGE.top + this.high }));
    }
    this.windowGroup = h("svg:g", {});
    this.line = h("svg:line", { class: "cursor", y1: EDGE.top, y2: EDGE.top + this.high });
    lines.append(this.windowGroup, this.line);
    this.svg.replaceChildren(h("svg:defs", {}, inside), ...this.axes(tall), lines);
    this.place();
  }

  axes(tall) {
    const made = [];
    const across = stepFor(this.span[1] - this.span[0], Math.max(3, this.inner / 70));
    for (let t = Math.ceil(this.span[0] / across) * across; t <= this.span[1] + 1e-9; t += across) {
      made.push(h("svg:line", { class: "grid", x1: this.x(t), x2: this.x(t), y1: EDGE.top, y2: tall - EDGE.bottom }),
        h("svg:text", { x: this.x(t), y: tall - 8, "text-anchor": "middle" }, `${+t.toFixed(2)}${t + across > this.span[1] ? " s" : ""}`));
    }
    const up = stepFor(this.top, 5);
    for (let v = 0; v <= this.top; v += up) {
      made.push(h("svg:line", { class: "grid", x1: EDGE.left, x2: EDGE.left + this.inner, y1: this.y(v), y2: this.y(v) }),
        this.y(v) > 22 && h("svg:text", { x: EDGE.left - 6, y: this.y(v) + 4, "text-anchor": "end" }, `${v}`));
    }
    made.push(h("svg:text", { x: 4, y: 11 }, this.unit));
    return made.filter(Boolean);
  }

  // Only what moves: within one frame, however long the curves are.
  place() {
    if (!this.inner) return;
    const shift = (seconds) => `translate(${((-seconds / (this.span[1] - this.span[0])) * this.inner).toFixed(2)} 0)`;
    for (const one of [this.log, this.handle]) one?.setAttribute("transform", shift(this.nudge));
    this.line.style.display = this.cursor === null ? "none" : "";
    if (this.cursor !== null) {
      this.line.setAttribute("x1", this.x(this.cursor));
      this.line.setAttribute("x2", this.x(this.cursor));
    }
    renew(this.windowGroup, this.windows.flatMap((window, index) => [
      h("svg:rect", { class: "window", x: this.x(window[0]), width: Math.max(0, this.x(window[1]) - this.x(window[0])), y: EDGE.top, height: this.high }),
      ...window.flatMap((time, end) => ["edge", "grip"].map((kind) => h("svg:line", {
        class: kind, x1: this.x(time), x2: this.x(time), y1: EDGE.top, y2: EDGE.top + this.high,
        "data-window": index, "data-end": end }))),
    ]));
  }

  show(span) {
    const length = Math.min(span[1] - span[0], this.whole[1] - this.whole[0]);
    const start = Math.min(Math.max(span[0], this.whole[0]), this.whole[1] - length);
    this.span = [start, start + length];
    this.draw();
  }

  press(event) {
    if (event.button) return;
    const { dataset } = event.target;
    const left = this.svg.getBoundingClientRect().left;
    const begin = this.time(event.clientX - left), from = this.nudge;
    const isLog = this.handle && event.target === this.handle;
    const window = dataset.window === undefined ? null : Number(dataset.window);
    const move = (moved) => {
      const now = this.time(moved.clientX - left);
      if (isLog) this.onmove(from - (now - begin));
      else if (window !== null) this.onwindow(window, Number(dataset.end), now, false);
      else this.onseek?.(Math.min(Math.max(now, this.whole[0]), this.whole[1]));
    };
    const done = (ended) => {
      this.svg.removeEventListener("pointermove", move);
      this.svg.removeEventListener("pointerup", done);
      this.svg.removeEventListener("pointercancel", done);
      if (window !== null) this.onwindow(window, Number(dataset.end), this.time(ended.clientX - left), true);
    };
    this.svg.setPointerCapture(event.pointerId);
    this.svg.addEventListener("pointermove", move);
    this.svg.addEventListener("pointerup", done);
    this.svg.addEventListener("pointercancel", done);
    if (!isLog && window === null) move(event);
    event.preventDefault();
  }
}
