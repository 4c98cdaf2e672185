// A run to look at: the clip, the program's gauges on each frame, charts that follow it.
//
//   const view = document.createElement("run-view");
//   view.show({ data, base, clip });      // data: what overlay.page.play wrote; base: URL in front
//                                         // of its files; clip: URL, where it is not base + name
//   view.currentTime                      // footage time of the picture shown, seconds
//   view.frame                            // its number, from 0
//   view.seek(seconds); view.seekFrame(n); view.play(); view.pause(); view.step(±n)
//   view.rate = 0.25                      // of playing
//   view.gauges = "received"              // or "corrected"
//   view.nudge = 0.05                     // gauges of that much later on, seconds
//   view.addEventListener("framechange", (event) => event.detail) // {frame, time}
//   view.addEventListener("ready" | "statechange" | "gaugeschange", ...)
//
// Times are footage time: 0 is the clip's first picture. Nothing here computes what a gauge shows.

import { drawChart } from "./charts.js";
import { Spaced, lastAtOrBefore, nearest } from "./clock.js";
import { GaugeSheets } from "./gauges.js";

export const RATES = [["1", "full speed"], ["0.5", "1/2"], ["0.25", "1/4"], ["0.125", "1/8"]];
const PROMPT_MS = 12; // less than the shortest time that a screen shows a picture
const MOST_KEPT = 5; // pictures passed over in a row
const CHOICES = [["corrected", "Corrected"], ["received", "As the receiver showed it"]];

function made(tag, kind, text) {
  const node = document.createElement(tag);
  if (kind) node.className = kind;
  if (text) node.textContent = text;
  return node;
}

export class RunView extends HTMLElement {
  /** Show a run; resolves with the first picture. */
  show({ data, base = "", clip }) {
    this.data = data;
    this.base = base;
    this.times = new Spaced(data.frame_times).numbers;
    this.frame = 0;
    this._origin = 0; // the player's own time of the first picture
    this._nudge = 0;
    this._wanted = null;
    this._sets = {};
    for (const [name] of CHOICES) {
      const set = data.gauges[name];
      if (set && set.sheets) this._sets[name] = new GaugeSheets(set, this.times, base);
    }
    this._chosen = "corrected";
    this._build();
    this._video.src = clip ?? base + data.clip;
    return new Promise((resolve, reject) => {
      this._video.addEventListener("error", () => {
        this._say("This clip cannot be played here.");
        reject(new Error("clip cannot be played"));
      }, { once: true });
      this._whenShown((about) => {
        this._origin = about.mediaTime;
        this.classList.add("is-ready");
        this._arrived(about);
        this._watch();
        this.dispatchEvent(new CustomEvent("ready"));
        resolve(this);
      });
    });
  }

  get currentTime() {
    return this.times[this.frame];
  }

  /** Footage time by the clip's own clock, which runs on between pictures. */
  get clock() {
    return this.paused ? this.currentTime : this._video.currentTime - this._origin;
  }

  get paused() {
    return this._video.paused;
  }

  get rate() {
    return this._video.playbackRate;
  }

  set rate(value) {
    this._video.playbackRate = value;
    const word = String(value);
    if ([...this._rates.options].some((option) => option.value === word)) this._rates.value = word;
  }

  get muted() {
    return this._video.muted;
  }

  set muted(value) {
    this._video.muted = value;
  }

  get gauges() {
    return this._chosen;
  }

  set gauges(name) {
    if (!this._sets[name] || name === this._chosen) return;
    this._chosen = name;
    for (const [key, button] of Object.entries(this._choices)) {
      button.setAttribute("aria-pressed", String(key === name));
    }
    this._redraw();
    this.dispatchEvent(new CustomEvent("gaugeschange", { detail: { gauges: name } }));
  }

  get nudge() {
    return this._nudge;
  }

  set nudge(seconds) {
    this._nudge = seconds;
    this._redraw();
  }

  play() {
    if (this.frame >= this.times.length - 1) this.seekFrame(0);
    return this._video.play().catch(() => {});
  }

  pause() {
    this._video.pause();
  }

  seek(seconds) {
    this.seekFrame(nearest(this.times, seconds));
  }

  /** Show a frame by its number; of many asked for in a row the last is shown. */
  seekFrame(frame) {
    const last = this.times.length - 1;
    const wanted = Math.max(0, Math.min(last, Math.round(frame)));
    const idle = this._wanted === null;
    this._wanted = wanted;
    if (idle) this._goTo(wanted);
  }

  step(frames) {
    this.pause();
    this.seekFrame((this._wanted ?? this.frame) + frames);
  }

  // -- pictures -----------------------------------------------------------------------------------

  _goTo(frame) {
    // The middle of the frame's time on screen: no rounding then shows its neighbour.
    const next = this.times[frame + 1] ?? this.times[frame] + 0.01;
    this._asked = frame;
    this._video.currentTime = this._origin + (this.times[frame] + next) / 2;
  }

  /** Call once with the time of the next picture that comes to the screen. */
  _whenShown(call) {
    const video = this._video;
    if (video.requestVideoFrameCallback) {
      video.requestVideoFrameCallback((_, about) => call(about));
    } else {
      requestAnimationFrame(() => {
        if (video.readyState < 2) this._whenShown(call);
        else {
          const shown = this.times[lastAtOrBefore(this.times, video.currentTime - this._origin)];
          call({ mediaTime: this._origin + shown, presentationTime: performance.now() });
        }
      });
    }
  }

  _watch() {
    this._whenShown((about) => {
      this._watch();
      // Later than that on a busy machine, the clip may have moved on to another picture than the
      // one announced: the last picture with its gauges stays until one comes in time.
      const isLate = performance.now() - about.presentationTime > PROMPT_MS;
      if (isLate && !this.paused && this._kept < MOST_KEPT) this._kept += 1;
      else this._arrived(about);
    });
  }

  _arrived(about) {
    this._kept = 0;
    const frame = nearest(this.times, about.mediaTime - this._origin);
    const isNew = frame !== this.frame;
    this.frame = frame;
    this._redraw();
    if (isNew || !this._told) this._tell();
  }

  _settled() {
    // A seek within the picture shown brings no new one.
    const asked = this._asked;
    const wanted = this._wanted;
    this._wanted = null;
    if (wanted !== null && wanted !== asked) {
      this.seekFrame(wanted);
    } else if (this._video.paused && asked !== undefined && asked !== this.frame) {
      this.frame = asked;
      this._redraw();
      this._tell();
    }
  }

  _redraw() {
    const set = this._sets[this._chosen];
    const box = this._canvas;
    if (!set) return;
    const wide = Math.round(Math.min(set.set.size[0], (box.clientWidth || 640) * devicePixelRatio));
    const high = Math.round((wide * set.set.size[1]) / set.set.size[0]);
    if (box.width !== wide || box.height !== high) {
      box.width = wide;
      box.height = high;
    }
    // Picture and gauges reach the screen in one go: laid over the running clip, the gauges would
    // come up to two pictures later than the one they belong to.
    this._context.drawImage(this._video, 0, 0, wide, high);
    const shown = this._nudge ? set.frameAt(this.currentTime + this._nudge) : this.frame;
    const isThere = set.draw(this._context, shown);
    this._canvas.dataset.frame = isThere ? shown : "";
    if (!isThere) {
      const frame = this.frame;
      const again = () => { if (this.frame === frame && this._sets[this._chosen] === set) this._redraw(); };
      set.ready(shown).then(again, (error) => this._say(error.message));
    }
  }

  _tell() {
    this._told = true;
    const frame = this.frame;
    this._rail.value = frame;
    for (const { values, node } of this._readouts) node.textContent = values.shown(frame);
    this._rail.setAttribute("aria-valuetext", this._spoken(frame));
    for (const chart of this._charts) chart.follow(frame);
    this.dispatchEvent(new CustomEvent("framechange", { detail: { frame, time: this.currentTime } }));
  }

  _spoken(frame) {
    return this._readouts.slice(0, 2)
      .map(({ about, values }) => `${about.label} ${values.shown(frame)} ${about.unit}`).join(", ");
  }

  // -- what is on the page ------------------------------------------------------------------------

  _build() {
    const data = this.data;
    for (const chart of this._charts ?? []) chart.remove();
    this.replaceChildren();
    this.tabIndex = 0;
    this.setAttribute("role", "group");
    this.setAttribute("aria-label", `Run ${data.name}`);
    this.style.setProperty("--hue", data.hue);
    const stage = made("div", "rv-stage");
    stage.style.aspectRatio = String(data.aspect);
    this._video = made("video", "rv-clip");
    this._video.playsInline = true;
    this._video.preload = "auto";
    this._canvas = made("canvas", "rv-gauges");
    this._canvas.setAttribute("aria-hidden", "true");
    this._context = this._canvas.getContext("2d", { alpha: false });
    this._note = made("p", "rv-note");
    this._note.setAttribute("role", "status");
    stage.append(this._video, this._canvas, this._note);
    this.append(stage, this._buildRail(), this._buildControls(), this._buildReadouts());
    this._charts = this._buildCharts();
    this._video.addEventListener("click", () => this._toggle());
    this._video.addEventListener("seeked", () => this._settled());
    for (const kind of ["play", "pause", "ended"]) {
      this._video.addEventListener(kind, () => this._state());
    }
    new ResizeObserver(() => this._redraw()).observe(stage);
    this.onkeydown = (event) => this._key(event);
    this._state();
  }

  _buildRail() {
    const holder = made("div", "rv-rail");
    this._rail = made("input");
    Object.assign(this._rail, { type: "range", min: 0, max: this.times.length - 1, step: 1, value: 0 });
    this._rail.setAttribute("aria-label", "Frame");
    this._rail.addEventListener("input", () => this.seekFrame(Number(this._rail.value)));
    holder.append(this._rail);
    const posts = made("div", "rv-posts");
    for (const post of this.data.posts) {
      const button = made("button", "rv-post", post.label);
      button.type = "button";
      button.title = post.title;
      button.addEventListener("click", () => this.seekFrame(post.frame));
      posts.append(button);
    }
    holder.append(posts);
    return holder;
  }

  _buildControls() {
    const bar = made("div", "rv-controls");
    const button = (text, about, call) => {
      const node = made("button", "", text);
      node.type = "button";
      node.title = about;
      node.addEventListener("click", call);
      bar.append(node);
      return node;
    };
    button("Frame back", "Left arrow; with Shift ten frames", () => this.step(-1));
    this._playing = button("Run", "Space", () => this._toggle());
    button("Frame on", "Right arrow; with Shift ten frames", () => this.step(1));
    const label = made("label", "", "Pace ");
    this._rates = made("select");
    for (const [value, text] of RATES) this._rates.append(new Option(text, value));
    this._rates.addEventListener("change", () => { this.rate = Number(this._rates.value); });
    label.append(this._rates);
    const choice = made("div", "rv-choice");
    choice.setAttribute("role", "group");
    choice.setAttribute("aria-label", "Gauges");
    this._choices = {};
    for (const [name, text] of CHOICES) {
      const node = made("button", "", text);
      node.type = "button";
      node.title = "G changes over";
      node.setAttribute("aria-pressed", String(name === this._chosen));
      node.disabled = !this._sets[name];
      if (node.disabled) node.title = this.data.gauges[name]?.reason ?? "";
      node.addEventListener("click", () => { this.gauges = name; });
      this._choices[name] = node;
      choice.append(node);
    }
    bar.append(label, choice);
    const why = this.data.gauges.received?.reason;
    if (why) bar.append(made("p", "rv-why", why));
    return bar;
  }

  _buildReadouts() {
    const list = made("dl", "rv-readouts");
    this._readouts = this.data.readouts.map((about) => {
      const item = made("div");
      const value = made("dd");
      const node = made("span", "rv-value");
      value.append(node, made("span", "rv-unit", ` ${about.unit}`));
      item.append(made("dt", "", about.label), value);
      list.append(item);
      return { about, values: new Spaced(about.values), node };
    });
    return list;
  }

  _buildCharts() {
    const holder = made("div", "rv-charts");
    this.append(holder);
    return this.data.charts.map((spec) => {
      const host = made("figure");
      holder.append(host);
      return drawChart(host, spec, { seek: (frame) => { this.pause(); this.seekFrame(frame); } });
    });
  }

  _toggle() {
    if (this.paused) this.play();
    else this.pause();
  }

  _state() {
    // Where the clip stops on a picture that was passed over, that one is shown now.
    if (this.paused && this._kept && this._wanted === null) {
      this.seek(this._video.currentTime - this._origin);
    }
    this._playing.textContent = this.paused ? "Run" : "Hold";
    this.dispatchEvent(new CustomEvent("statechange", { detail: { paused: this.paused } }));
  }

  _say(text) {
    this._note.textContent = text;
  }

  _key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("select")) return;
    const many = event.shiftKey ? 10 : 1;
    const at = RATES.findIndex(([value]) => Number(value) === this.rate);
    const pace = (place) => { if (RATES[place]) this.rate = Number(RATES[place][0]); };
    const keys = {
      ArrowLeft: () => this.step(-many),
      ArrowRight: () => this.step(many),
      Home: () => this.seekFrame(0),
      End: () => this.seekFrame(this.times.length - 1),
      "-": () => pace(at + 1),
      "+": () => pace(at - 1),
      l: () => { if (this.data.launch_frame !== null) this.seekFrame(this.data.launch_frame); },
      g: () => { this.gauges = this._chosen === "corrected" ? "received" : "corrected"; },
    };
    if (!event.target.matches("button")) keys[" "] = () => this._toggle();
    const call = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!call || (event.target.classList.contains("ch-plot") && event.key.startsWith("Arrow"))) return;
    event.preventDefault();
    call();
  }
}

customElements.define("run-view", RunView);
