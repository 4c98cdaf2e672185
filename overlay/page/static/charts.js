// Charts that can be pointed at. uPlot draws; every figure read out is the program's own text.
//
// A chart is {title, x: {label, unit, values}, y: {label, unit}, series: [{label, hue, values, low,
// high, kind, dash}], lines: [{x, label}], spans: [{from, to, label, hue}], level: {from, to, label},
// bars: [{x, y, low, high, hue, label}], ticks: [{x, label}], shown_x}; of the kinds of series, "told"
// is read out and not drawn.

import { Spaced, nearest } from "./clock.js";

const HEIGHT = 260;
const css = (node, name) => getComputedStyle(node).getPropertyValue(name).trim();
const clear = (hue, share) => hue + Math.round(share * 255).toString(16).padStart(2, "0");

/**
 * Draw a chart into a figure.
 *
 * @param {HTMLElement} host
 * @param {object} spec
 * @param {{seek?: (index: number) => void, pick?: (index: number) => void}} calls seek: a place was
 *   clicked or pointed at by keys; pick: it was clicked or entered
 */
export function drawChart(host, spec, calls = {}) {
  host.classList.add("ch");
  const x = new Spaced(spec.x.values);
  const series = spec.series.map((one) => ({ ...one, text: new Spaced(one.values) }));
  const caption = document.createElement("figcaption");
  caption.textContent = spec.title;
  const plot = document.createElement("div");
  plot.className = "ch-plot";
  plot.tabIndex = 0;
  plot.setAttribute("role", "img");
  plot.setAttribute("aria-label", `${spec.title}. Arrow keys point along it.`);
  const key = document.createElement("ul");
  key.className = "ch-key";
  host.replaceChildren(caption, plot, key);
  const outputs = keyOf(key, spec, series, x);

  const chart = new globalThis.uPlot(options(host, spec, series), columns(x, series), plot);
  const needle = document.createElement("div");
  needle.className = "ch-needle";
  needle.hidden = true;
  chart.over.append(needle);
  let followed = null;
  let pointed = null;

  const read = (index) => {
    for (const { values, unit, isDots, node } of outputs) {
      const isKnown = values.isNames || values.numbers[index] != null;
      if (isKnown) node.textContent = `${values.shown(index)} ${unit}`;
      else node.textContent = isDots ? "" : "none";
    }
  };
  const place = () => {
    needle.hidden = followed === null || x.numbers[followed] === null;
    if (needle.hidden) return;
    const left = chart.valToPos(x.numbers[followed], "x");
    needle.hidden = left < 0 || left > chart.over.clientWidth;
    needle.style.transform = `translateX(${left}px)`;
  };
  const point = (index) => {
    pointed = index;
    const shown = pointed ?? followed;
    if (shown !== null) read(shown);
  };
  chart.hooks.setCursor = [(self) => point(self.cursor.left >= 0 ? self.cursor.idx ?? null : null)];
  (chart.hooks.draw ??= []).push(place); // when the scales are those of the size shown
  chart.over.addEventListener("click", (event) => {
    const at = chart.posToVal(event.clientX - chart.over.getBoundingClientRect().left, "x");
    (calls.pick ?? calls.seek)?.(nearest(x.numbers, at));
  });
  plot.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (event.key === "Enter" && pointed !== null) calls.pick?.(pointed);
    if (!way) return;
    event.preventDefault();
    event.stopPropagation();
    const from = pointed ?? followed ?? (way > 0 ? -1 : x.numbers.length);
    const to = Math.max(0, Math.min(x.numbers.length - 1, from + way * (event.shiftKey ? 10 : 1)));
    const middle = chart.over.clientHeight / 2;
    chart.setCursor({ left: chart.valToPos(x.numbers[to], "x"), top: middle });
    point(to);
    if (calls.seek) calls.seek(to);
  });
  const size = () => chart.setSize({ width: Math.max(200, plot.clientWidth), height: HEIGHT });
  const watcher = new ResizeObserver(size);
  watcher.observe(plot);
  const again = () => chart.redraw(false, true);
  const schemes = ["(prefers-color-scheme: dark)", "print"].map((query) => matchMedia(query));
  for (const scheme of schemes) scheme.addEventListener("change", again);
  return {
    chart,
    /** Put the needle at an index, as of the frame shown; null takes it away. */
    follow(index) {
      followed = index;
      place();
      if (pointed === null && index !== null) read(index);
    },
    /** Draw so wide for paper, which scales the chart to its column; null: for the screen again. */
    forPaper(width) {
      if (width) chart.setSize({ width, height: HEIGHT });
      else size();
    },
    /** The index nearest to a place along x. */
    indexAt: (value) => nearest(x.numbers, value),
    remove() {
      watcher.disconnect();
      for (const scheme of schemes) scheme.removeEventListener("change", again);
      chart.destroy();
    },
  };
}

function keyOf(list, spec, series, x) {
  const outputs = [];
  const row = (label, unit, values, one) => {
    const item = document.createElement("li");
    const mark = document.createElement("i");
    mark.className = `ch-mark ch-${one?.kind ?? "line"}${one?.dash ? " is-dashed" : ""}`;
    if (one && one.kind !== "told") {
      mark.style.setProperty("--hue", one.hue);
      item.append(mark);
    }
    const name = document.createElement("span");
    name.textContent = label;
    const value = document.createElement("output");
    item.append(name, " ", value);
    list.append(item);
    const isDots = one?.kind === "dots" || one?.kind === "rings";
    outputs.push({ values, unit, isDots, node: value });
  };
  row(spec.x.label, spec.x.unit, spec.shown_x ? new Spaced(spec.shown_x) : x, null);
  for (const one of series) {
    row(one.label, one.unit ?? spec.y.unit, one.shown ? new Spaced(one.shown) : one.text, one);
  }
  return outputs;
}

function columns(x, series) {
  const found = [x.numbers];
  for (const one of series) {
    found.push(one.text.numbers);
    if (one.low) found.push(new Spaced(one.low).numbers, new Spaced(one.high).numbers);
  }
  return found;
}

function options(host, spec, series) {
  const rows = [{}];
  const bands = [];
  for (const one of series) {
    const isDots = one.kind === "dots" || one.kind === "rings";
    if (one.kind === "told") {
      rows.push({ label: one.label, scale: "told", paths: () => null, points: { show: false } });
      continue;
    }
    rows.push({
      label: one.label,
      stroke: one.hue,
      width: isDots ? 0 : 2,
      dash: one.dash ? [6, 4] : undefined,
      paths: isDots ? () => null : undefined,
      points: isDots
        ? { show: true, size: one.size ?? 10, width: 2, stroke: one.hue, fill: one.kind === "rings" ? "transparent" : one.hue }
        : { show: false },
      spanGaps: false,
    });
    if (one.low) {
      const at = rows.length;
      const edge = { stroke: "transparent", points: { show: false } };
      rows.push({ ...edge, label: `${one.label} low` }, { ...edge, label: `${one.label} high` });
      bands.push({ series: [at + 1, at], fill: clear(one.hue, 0.25) });
    }
  }
  const ink = () => css(host, "--ink");
  const line = () => css(host, "--line");
  const axis = (label, unit) => ({
    label: unit ? `${label} (${unit})` : label,
    stroke: ink,
    labelFont: "13px system-ui, sans-serif",
    font: "12px system-ui, sans-serif",
    labelSize: 22,
    grid: { stroke: line, width: 1 },
    ticks: { stroke: line, width: 1 },
  });
  const along = { ...axis(spec.x.label, spec.x.unit), size: 30 };
  if (spec.ticks) {
    along.splits = () => spec.ticks.map((tick) => tick.x);
    along.values = () => spec.ticks.map((tick) => tick.label);
  }
  return {
    width: Math.max(200, host.clientWidth || 600),
    height: HEIGHT,
    legend: { show: false },
    cursor: { y: false, drag: { x: false, y: false }, points: { size: 7 } },
    scales: {
      x: { time: false, range: spec.x.range ? () => spec.x.range : undefined },
      y: { range: (_, low, high) => reach(spec, low, high) },
    },
    axes: [along, { ...axis(spec.y.label, spec.y.unit), size: wideEnough }],
    series: rows,
    bands,
    hooks: { drawAxes: [(self) => under(self, spec, host)], draw: [(self) => over(self, spec, host)] },
  };
}

/** Room for the widest number beside a chart, so that it does not touch the axis's label. */
function wideEnough(self, values) {
  const longest = Math.max(3, ...(values ?? []).map((text) => String(text ?? "").length));
  return 22 + 8 * longest;
}

function reach(spec, low, high) {
  const edges = [low, high, ...(spec.bars ?? []).flatMap((bar) => [bar.low, bar.high])]
    .concat(spec.level ? [spec.level.from, spec.level.to] : [])
    .filter((value) => value !== null && Number.isFinite(value));
  if (!edges.length) return [0, 1];
  const least = spec.y.from_zero ? Math.min(0, ...edges) : Math.min(...edges);
  const most = Math.max(...edges);
  const room = 0.06 * (most - least || Math.abs(most) || 1);
  return [least === 0 ? 0 : least - room, most + room];
}

/** What lies under the curves: spans of time, the level that does not matter, lines at splits. */
function under(self, spec, host) {
  const { ctx, bbox } = self;
  const at = (value) => self.valToPos(value, "x", true);
  const up = (value) => self.valToPos(value, "y", true);
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  const tops = new Rows(self, host);
  for (const span of spec.spans ?? []) {
    ctx.fillStyle = clear(span.hue, 0.16);
    ctx.fillRect(at(span.from), bbox.top, Math.max(2, at(span.to) - at(span.from)), bbox.height);
    tops.write(span.label, at(span.from), "top");
  }
  if (spec.level) {
    ctx.fillStyle = clear("#808080", 0.16);
    ctx.fillRect(bbox.left, up(spec.level.to), bbox.width, up(spec.level.from) - up(spec.level.to));
    write(ctx, host, spec.level.label, bbox.left + 6, up(spec.level.to) + 3, "top");
  }
  ctx.strokeStyle = css(host, "--quiet");
  ctx.lineWidth = devicePixelRatio;
  ctx.setLineDash([4 * devicePixelRatio, 4 * devicePixelRatio]);
  const bottoms = new Rows(self, host);
  const lines = [...(spec.lines ?? [])].sort((a, b) => a.x - b.x);
  for (const one of lines) {
    ctx.beginPath();
    ctx.moveTo(at(one.x), bbox.top);
    ctx.lineTo(at(one.x), bbox.top + bbox.height);
    ctx.stroke();
  }
  ctx.setLineDash([]);
  for (const one of lines) bottoms.write(one.label, at(one.x), "bottom");
  ctx.restore();
}

/** Words along an edge of the chart, from left to right, none over another or beyond the chart. */
class Rows {
  constructor(self, host) {
    Object.assign(this, { self, host, ends: [] });
  }

  write(text, at, edge) {
    const { ctx, bbox } = this.self;
    const wide = measured(ctx, text);
    const x = Math.min(at + 4, bbox.left + bbox.width - wide - 2);
    const free = this.ends.findIndex((end) => end < x);
    const row = free < 0 ? this.ends.length : free;
    this.ends[row] = x + wide + 8;
    const away = (4 + 14 * row) * devicePixelRatio;
    const y = edge === "top" ? bbox.top + away : bbox.top + bbox.height - away;
    if (edge === "bottom") { // lines of the grid and of neighbours end at the word
      ctx.fillStyle = css(this.host, "--ground");
      ctx.fillRect(x - 1, y - 13 * devicePixelRatio, wide + 2, 13 * devicePixelRatio);
    }
    write(ctx, this.host, text, x, y, edge);
  }
}

const FONT = () => `${12 * devicePixelRatio}px system-ui, sans-serif`;
function measured(ctx, text) {
  ctx.font = FONT();
  return ctx.measureText(text).width;
}

/** Means with their bars, over the dots. */
function over(self, spec, host) {
  const { ctx } = self;
  for (const bar of spec.bars ?? []) {
    const [x, y] = [self.valToPos(bar.x, "x", true), self.valToPos(bar.y, "y", true)];
    const cap = 7 * devicePixelRatio;
    ctx.save();
    ctx.strokeStyle = bar.hue;
    ctx.lineWidth = 2.5 * devicePixelRatio;
    ctx.beginPath();
    ctx.moveTo(x - 1.6 * cap, y);
    ctx.lineTo(x + 1.6 * cap, y);
    for (const end of [bar.low, bar.high]) {
      if (end === null) continue;
      const edge = self.valToPos(end, "y", true);
      ctx.moveTo(x, y);
      ctx.lineTo(x, edge);
      ctx.moveTo(x - cap, edge);
      ctx.lineTo(x + cap, edge);
    }
    ctx.stroke();
    write(ctx, host, bar.label, x + cap, y - 3 * devicePixelRatio, "bottom");
    ctx.restore();
  }
}

function write(ctx, host, text, x, y, baseline) {
  ctx.fillStyle = css(host, "--ink");
  ctx.font = FONT();
  ctx.textBaseline = baseline;
  ctx.textAlign = "left";
  ctx.fillText(text, x, y);
}
