// The curves of a job, or of the sets of a type: one figure a path, kept as runs come and go.
import { Figure, live } from "./curvefigure.js";
import { make } from "./curvelooks.js";
import { TICKS_HZ, paper } from "./curveplot.js";

class Curves {
  constructor(element) {
    const { job, source, path, topic = `job-${job}` } = element.dataset;
    const isLive = "live" in element.dataset;
    Object.assign(this, { element, job, source, path, isLive, figures: new Map(), asked: 0 });
    this.store = `curves-${source}`;
    try {
      this.chosen = JSON.parse(sessionStorage.getItem(this.store)) ?? {};
    } catch {
      this.chosen = {};
    }
    this.note = make("p", { class: "curve-note", role: "status" });
    element.append(this.note);
    // What comes in is drawn where the work is shown, if there is such a place, and else here.
    const isTold = isLive || !document.querySelector(".curves[data-live]");
    const mine = (act) => (event) => isTold && String(event.detail?.job) === this.job && this.turnTo(event.detail.path) && act(event.detail);
    this.listen(`bench:${topic}`, () => (isLive && !this.path) || this.load());
    this.listen("bench:seat", mine((seat) => seat.level_db.length && this.find(seat).addSeat(seat)));
    this.listen("bench:trace", mine((trace) => this.find(trace).addTrace(trace)));
    if (!isLive) this.load();
  }
  // A figure may be taken off the page while others stay: then it hears nothing any more.
  listen(kind, act) {
    const hear = (event) => {
      if (this.element.isConnected) return act(event);
      document.removeEventListener(kind, hear);
      this.figures.forEach((figure) => figure.drop());
      this.figures.clear();
      return undefined;
    };
    document.addEventListener(kind, hear);
  }
  // The live figure goes along from path to path; the others are of one path, or of all.
  turnTo(path) {
    if (this.isLive && this.path !== path) {
      this.path = path;
      this.figures.forEach((figure) => figure.drop());
      this.figures.clear();
      this.load();
    }
    return !this.path || this.path === path;
  }
  remember() {
    try {
      sessionStorage.setItem(this.store, JSON.stringify(this.chosen));
    } catch {
      // Without storage the choice lasts as long as the page.
    }
  }
  async load() {
    const asked = (this.asked += 1);
    try {
      const answer = await fetch(this.source, { headers: { accept: "application/json" } });
      if (!answer.ok) throw new Error(answer.statusText);
      const { paths } = await answer.json();
      if (asked === this.asked) this.show(paths);
    } catch {
      if (asked === this.asked) this.note.textContent = "The curves could not be loaded; load the page again.";
    }
  }
  show(paths) {
    const kept = new Set();
    for (const entry of paths.filter((one) => !this.path || one.path === this.path)) {
      let key = `${entry.path}, ${entry.unit}`;
      while (kept.has(key)) key += " again"; // same unit on another grid
      kept.add(key);
      const figure = this.figures.get(key) ?? this.adopt(entry.path, key);
      if (figure) figure.take(entry);
      else this.figures.set(key, new Figure(this, entry, key));
      this.place(this.figures.get(key).element, kept.size);
    }
    this.sweepUp(kept);
    this.note.textContent = this.figures.size ? "" : this.job ? "No run yet. The curves of a sweep are drawn here." : "No reference set was swept yet.";
  }
  // Moved only if it must be: an element that is moved loses the focus.
  place(element, at) {
    const there = this.element.children[at] ?? null;
    if (there !== element) this.element.insertBefore(element, there);
  }
  // A figure begun by a live trace or seat becomes that of the first run.
  adopt(path, key) {
    const begun = this.figures.get(path);
    if (!begun) return undefined;
    this.figures.delete(path);
    begun.key = key;
    this.figures.set(key, begun);
    return begun;
  }
  sweepUp(kept) {
    for (const [key, figure] of this.figures) {
      if (kept.has(key) || figure.seats.length || figure.trace.length) continue;
      figure.drop();
      this.figures.delete(key);
    }
  }
  find({ path, unit, frequency_hz: frequencies }) {
    const figures = [...this.figures.values()].filter((figure) => figure.entry.path === path).reverse();
    const fits = figures.find((figure) => !unit || figure.entry.unit === unit);
    if (fits) return fits;
    const begun = this.figures.get(path);
    const entry = { path, unit: unit ?? "", frequency_hz: frequencies ?? TICKS_HZ, runs: [], baseline: null };
    if (begun) {
      begun.take(entry);
      return begun;
    }
    const figure = new Figure(this, entry, path);
    this.figures.set(path, figure);
    this.element.append(figure.element);
    this.note.textContent = "";
    return figure;
  }
}

function turnTo(isPaper) {
  if (isPaper === paper.isOn) return;
  paper.isOn = isPaper;
  document.querySelectorAll(".curves").forEach((element) => element.classList.toggle("on-paper", isPaper));
  live.forEach((figure) => figure.draw());
}
const begun = new WeakSet();
function begin(root) {
  for (const element of root.querySelectorAll(".curves[data-source]")) {
    if (begun.has(element)) continue;
    begun.add(element);
    new Curves(element);
  }
}
function start() {
  begin(document);
  document.addEventListener("htmx:load", (event) => begin(event.detail.elt));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => live.forEach((figure) => figure.draw()));
  matchMedia("print").addEventListener("change", (event) => turnTo(event.matches));
  window.addEventListener("beforeprint", () => turnTo(true));
  window.addEventListener("afterprint", () => turnTo(false));
}
if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", start);
else start();
