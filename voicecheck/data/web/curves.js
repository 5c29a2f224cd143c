// The curves of a job, or of the sets of a type: one figure a path, kept as runs come and go.
import { Figure, live } from "./curvefigure.js";
import { make } from "./curvelooks.js";
import { TICKS_HZ, paper } from "./curveplot.js";

class Curves {
  constructor(element) {
    const { job, source, topic = `job-${job}` } = element.dataset;
    Object.assign(this, { element, job, source, figures: new Map(), asked: 0 });
    this.store = `curves-${source}`;
    try {
      this.chosen = JSON.parse(sessionStorage.getItem(this.store)) ?? {};
    } catch {
      this.chosen = {};
    }
    this.note = make("p", { class: "curve-note", role: "status" });
    element.append(this.note);
    const mine = (act) => (event) => String(event.detail?.job) === this.job && act(event.detail);
    document.addEventListener(`bench:${topic}`, () => this.load());
    document.addEventListener("bench:seat", mine((seat) => seat.level_db.length && this.find(seat).addSeat(seat)));
    document.addEventListener("bench:trace", mine((trace) => this.find(trace).addTrace(trace)));
    this.load();
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
    for (const entry of paths) {
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
function start() {
  document.querySelectorAll(".curves[data-source]").forEach((element) => new Curves(element));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => live.forEach((figure) => figure.draw()));
  matchMedia("print").addEventListener("change", (event) => turnTo(event.matches));
  window.addEventListener("beforeprint", () => turnTo(true));
  window.addEventListener("afterprint", () => turnTo(false));
}
if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", start);
else start();
