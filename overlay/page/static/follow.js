// Charts of a day that follow a clip: the place of its frame marked in each, and a click or an arrow
// key in one takes the clip there. Where a frame belongs is said in its run's data.

import { Spaced } from "./clock.js";

/** Columns of a run's frames by what a chart has along x, a number or null for each frame. */
function columnOf(view, what) {
  view.columns ??= {};
  const text = what === "footage" ? view.data.frame_times : view.data.along?.[what];
  view.columns[what] ??= text ? new Spaced(text).numbers : null;
  return view.columns[what];
}

/** The index of a value among others that need not be sorted; null where all are unknown. */
function closest(values, wanted) {
  let best = null;
  values.forEach((value, index) => {
    if (value === null) return;
    if (best === null || Math.abs(value - wanted) < Math.abs(values[best] - wanted)) best = index;
  });
  return best;
}

export class Followers {
  constructor(onrun) {
    this.onrun = onrun; // a run was clicked in the chart of runs
    this.active = null; // the view that was moved last
    this.charts = []; // {chart, spec, x, own}
  }

  /** What `drawChart` calls for a chart; `own` gives the view of the run that it stands with. */
  callsFor(spec, own) {
    const what = spec.x.follows;
    if (!what) return {};
    if (what === "run") return { pick: (index) => this.onrun(spec.shown_x[index]) };
    return { seek: (index) => {
      const view = own?.() ?? this.active;
      const column = view && columnOf(view, what);
      const x = new Spaced(spec.x.values).numbers[index];
      const frame = column ? closest(column, x) : null;
      if (frame === null) return;
      view.pause();
      view.seekFrame(frame);
    } };
  }

  add(chart, spec, own) {
    this.charts.push({ chart, spec, x: new Spaced(spec.x.values).numbers, own });
    if (this.active) this.show(this.active);
  }

  /** Follow a view from its next frame on. */
  watch(view) {
    view.addEventListener("framechange", () => this.show(view));
    this.show(view);
  }

  show(view) {
    this.active = view;
    for (const one of this.charts) {
      if (one.own && one.own() !== view) continue;
      one.chart.follow(this.placeOf(one, view));
    }
  }

  placeOf({ spec, x, chart }, view) {
    if (spec.x.follows === "run") {
      const index = spec.shown_x.indexOf(view.data.name);
      return index < 0 ? null : index;
    }
    const value = columnOf(view, spec.x.follows)?.[view.frame] ?? null;
    const isWithin = value !== null && value >= x[0] && value <= x.at(-1);
    return isWithin ? chart.indexAt(value) : null;
  }
}
