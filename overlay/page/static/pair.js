// Two runs beside each other: the second keeps to the first, from the launch or by distance.
//
//   const pair = document.createElement("run-pair");
//   pair.show({ first: {data, base, clip}, second: {...}, locks })   // locks: overlay.page.play
//   pair.lock = "distance"                                           // or "launch"
//   pair.first, pair.second                                          // the two views

import { Spaced, between } from "./clock.js";
import { RunView } from "./player.js";

const LOCKS = [["launch", "From the launch"], ["distance", "At the same distance"]];
const PULL_PER_S = 2; // an error is made good in half a second
const TOO_FAR_S = 0.3; // beyond it the second run is set anew

export class RunPair extends HTMLElement {
  async show({ first, second, locks }) {
    this.replaceChildren();
    this._tables = {};
    for (const [name, table] of Object.entries(locks)) {
      this._tables[name] = { from: new Spaced(table.first).numbers, to: new Spaced(table.second).numbers };
    }
    this._lock = "launch";
    this._bar = document.createElement("div");
    this._bar.className = "rp-bar";
    this._bar.setAttribute("role", "group");
    this._bar.setAttribute("aria-label", "How the runs are locked");
    this._buttons = LOCKS.filter(([name]) => this._tables[name]).map(([name, text]) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = text;
      button.dataset.lock = name;
      button.addEventListener("click", () => { this.lock = name; });
      this._bar.append(button);
      return button;
    });
    this.first = new RunView();
    this.second = new RunView();
    const sides = document.createElement("div");
    sides.className = "rp-sides";
    sides.append(this.first, this.second);
    this.append(this._bar, sides);
    this.second.classList.add("is-led");
    await Promise.all([this.first.show(first), this.second.show(second)]);
    this.second.muted = true;
    this.first.addEventListener("framechange", () => this._keep());
    this.first.addEventListener("statechange", () => this._keep());
    this.first.addEventListener("gaugeschange", (event) => { this.second.gauges = event.detail.gauges; });
    this.lock = "launch";
    return this;
  }

  get lock() {
    return this._lock;
  }

  set lock(name) {
    if (!this._tables[name]) return;
    this._lock = name;
    for (const button of this._buttons) {
      button.setAttribute("aria-pressed", String(button.dataset.lock === name));
    }
    this._keep();
  }

  /** Where the second run belongs, and how fast it goes for each second of the first. */
  _due() {
    const { from, to } = this._tables[this._lock];
    const now = this.first.clock;
    const step = 0.05;
    const at = between(from, to, now);
    return { at, slope: (between(from, to, now + step) - at) / step };
  }

  _keep() {
    const { at, slope } = this._due();
    const led = this.second;
    const isWithin = at >= 0 && at <= led.times.at(-1);
    const off = led.clock - at;
    if (this.first.paused || !isWithin || Math.abs(off) > TOO_FAR_S) {
      led.pause();
      led.seek(at);
      if (this.first.paused || !isWithin) return;
    }
    led.rate = Math.max(0.0625, Math.min(4, this.first.rate * (slope - PULL_PER_S * off)));
    if (led.paused) led.play();
  }
}

customElements.define("run-pair", RunPair);
