// A sent page: charts where they stand in the text, players once they are opened.

import { drawChart } from "./charts.js";
import { Followers } from "./follow.js";
import { RunPair } from "./pair.js";
import { RunView } from "./player.js";

const given = JSON.parse(document.getElementById("data").textContent);

for (const node of document.querySelectorAll("[data-hue]")) {
  node.style.setProperty("--hue", node.dataset.hue);
}

/** Charts are drawn when they come near the screen, those of closed runs when they open. */
const drawn = new Map();
const runOf = (name) => [...document.querySelectorAll("details.run")].find((run) => run.dataset.run === name);
const followers = new Followers((name) => {
  const run = runOf(name);
  if (!run) return;
  run.open = true;
  run.scrollIntoView({ block: "nearest" });
});
const draw = (host) => {
  if (drawn.has(host)) return;
  const spec = given.charts[host.dataset.chart];
  const run = host.closest("details.run");
  const own = run ? () => run.querySelector("run-view") : null;
  const chart = drawChart(host, spec, followers.callsFor(spec, own));
  drawn.set(host, chart);
  if (spec.x.follows) followers.add(chart, spec, own);
};
const near = new IntersectionObserver((seen) => {
  for (const one of seen) if (one.isIntersecting) draw(one.target);
}, { rootMargin: "600px" });
const hosts = [...document.querySelectorAll("figure[data-chart]")];
for (const host of hosts) near.observe(host);
const opened = [];
addEventListener("beforeprint", () => {
  for (const run of document.querySelectorAll("details.run:not([open])")) {
    run.open = true;
    opened.push(run);
  }
  hosts.forEach(draw);
  // Legible on paper, where two may stand beside each other.
  for (const [host, chart] of drawn) chart.forPaper(host.closest(".grid") ? 420 : 720);
});
addEventListener("afterprint", () => {
  for (const run of opened.splice(0)) run.open = false;
  for (const chart of drawn.values()) chart.forPaper(null);
});

const film = (name) => given.films[name];
const failed = (host) => (error) => { host.append(error.message); };

for (const run of document.querySelectorAll("details.run")) {
  const host = run.querySelector(".player");
  run.addEventListener("toggle", () => {
    if (!host) return;
    if (run.open && !host.firstChild) {
      const view = new RunView();
      host.append(view);
      view.show(film(host.dataset.film)).then(() => followers.watch(view), failed(host));
    } else if (!run.open) {
      host.querySelector("run-view")?.pause();
    }
  });
}
for (const host of document.querySelectorAll("details.film")) {
  host.addEventListener("toggle", () => {
    const there = host.querySelector("run-pair");
    if (host.open && !there) {
      const pair = new RunPair();
      host.append(pair);
      const { first, second } = host.dataset;
      const locks = given.locks[Number(host.dataset.pair)];
      pair.show({ first: film(first), second: film(second), locks })
        .then(() => followers.watch(pair.first), failed(host));
    } else if (!host.open) {
      there?.first?.pause();
    }
  });
}
document.documentElement.dataset.ready = "true";
