// A figure of one path: what is shown of it, its read-out, its numbers, and what comes in live.
import {
  COLOURS, capital, chooseLooks, isNumber, isolate, make, nearest, sample, sayHz, sayValue, shorten,
} from "./curvelooks.js";
import { CurvePlot } from "./curveplot.js";

const SAID_HZ = [300, 500, 1000, 2000, 3400];
const MOST_SETS = 6; // more lines of a type are named where they are asked for
const TABLE_HZ = [250, 300, 500, 1000, 2000, 3400, 4000];

export const live = new Set(); // figures on the page, to be drawn again when colours change
let nFigures = 0;

export class Figure extends CurvePlot {
  constructor(root, entry, key) {
    super();
    // Sets of a type are thin lines in the band of the type: eight shaded bands would tell nothing.
    this.isThin = !root.job;
    Object.assign(this, { root, key, seats: [], trace: [], low: Infinity, high: -Infinity });
    this.name = make("h3");
    this.plot = make("div", { class: "curve-plot", role: "img", tabindex: 0 });
    this.words = make("p", { class: "curve-words", id: `curve-words-${(nFigures += 1)}` });
    this.plot.setAttribute("aria-describedby", this.words.id);
    this.said = make("p", { class: "curve-words", "aria-live": "polite" });
    this.at = make("p", { class: "curve-at" });
    this.choices = make("ul", { class: "curve-key" });
    this.table = make("div", { class: "wide", tabindex: 0, role: "region" });
    this.numbers = make("details", {}, make("summary", { text: "Numbers" }), this.table);
    this.element = make("section", { class: "curve" }, this.name, this.plot, this.words, this.said, this.at, this.choices, this.numbers);
    this.plot.addEventListener("keydown", (event) => this.step(event));
    this.watch = new ResizeObserver(() => this.resize());
    this.watch.observe(this.plot);
    this.take(entry);
    live.add(this);
  }

  take(entry) {
    const raw = JSON.stringify(entry);
    if (raw === this.raw) return;
    this.raw = raw;
    const newest = Math.max(0, ...entry.runs.map((run) => run.run));
    // The pooled run takes the place of its seats.
    if (newest > (this.newest ?? 0)) [this.seats, this.trace] = [[], []];
    const hz = this.index === undefined ? 1000 : this.entry.frequency_hz[this.index];
    Object.assign(this, { entry, newest, looks: chooseLooks(entry.runs), index: nearest(entry.frequency_hz, hz) });
    this.refresh();
  }

  drop() {
    live.delete(this);
    this.watch.disconnect();
    this.chart?.destroy();
    this.element.remove();
  }

  // What is drawn: choice of the reader where there is one, else before, after (or the newest other), limits.
  defaults() {
    const latest = this.entry.runs.filter((run) => run.is_latest);
    if (!this.root.job) return latest.map((run) => String(run.run)).concat("limits"); // sets of a type, side by side
    const own = latest.filter((run) => !run.is_beside);
    const after = own.find((run) => run.stage === "after") ?? own.filter((run) => run.stage !== "before").at(-1);
    const before = latest.find((run) => run.stage === "before");
    const beside = latest.filter((run) => run.is_beside);
    return [before, after, ...beside].filter(Boolean).map((run) => String(run.run)).concat("limits");
  }
  lines() {
    const chosen = this.root.chosen[this.key] ?? {};
    const defaults = this.defaults();
    const isShown = (id) => chosen[id] ?? defaults.includes(id);
    const lines = this.entry.runs.map((run) => {
      const id = String(run.run);
      const short = shorten(run.label, 60);
      const look = this.looks.get(run.run);
      return { ...run, id, short, look: this.isThin ? { ...look, width: 1 } : look, shown: isShown(id) };
    });
    const { baseline } = this.entry;
    if (baseline) {
      const look = { name: "curve-mean", width: 1 };
      const words = { label: `limits of ${baseline.label}`, short: "mean of the type" };
      const state = { isBand: true, shown: isShown("limits"), is_latest: true };
      lines.unshift({ id: "limits", ...words, ...state, level_db: baseline.mean_db, look });
    }
    return lines.concat(this.seats);
  }
  shown() {
    return this.lines().filter((line) => line.shown);
  }

  refresh() {
    this.name.replaceChildren(capital(this.entry.path), " ", make("small", { text: this.entry.unit }));
    this.plot.setAttribute("aria-label", `${capital(this.entry.path)}: level against frequency${this.entry.unit ? `, ${this.entry.unit}` : ""}`);
    this.table.setAttribute("aria-label", `Numbers of ${this.entry.path}`);
    this.list();
    this.draw();
  }

  // Read-out and numbers ---------------------------------------------------------------------
  list() {
    const focused = document.activeElement?.dataset?.line;
    const had = this.choices.contains(document.activeElement);
    const wasOpen = this.choices.querySelector("details")?.open;
    this.values = new Map();
    const lines = this.lines();
    const rows = (some) => some.map((line) => this.row(line));
    const [newest, earlier] = [lines.filter((line) => line.is_latest), lines.filter((line) => !line.is_latest)];
    if (this.isThin && newest.length > MOST_SETS) {
      const fold = make("details", {}, make("summary", { text: `The sets (${newest.filter((line) => !line.isBand).length})` }));
      fold.append(make("ul", { class: "curve-key" }, ...rows(newest.filter((line) => !line.isBand))));
      fold.open = wasOpen ?? false;
      this.choices.replaceChildren(...rows(newest.filter((line) => line.isBand)), make("li", { class: "curve-earlier" }, fold));
    } else this.choices.replaceChildren(...rows(newest));
    if (this.trace.length) {
      const look = { name: "curve-trace", dash: [1, 3], width: 2 };
      const trace = { id: "trace", label: "rough, while playing", look, shown: true, isPlain: true };
      this.choices.append(this.row(trace));
    }
    if (earlier.length) {
      const list = make("ul", { class: "curve-key" }, ...rows(earlier));
      const fold = make("details", {}, make("summary", { text: `Earlier runs (${earlier.length})` }), list);
      fold.open = wasOpen ?? earlier.some((line) => line.shown);
      this.choices.append(make("li", { class: "curve-earlier" }, fold));
    }
    if (had && focused) this.choices.querySelector(`[data-line="${CSS.escape(focused)}"]`)?.focus();
  }
  row(line) {
    const value = make("span", { class: "curve-value" });
    this.values.set(line.id, value);
    const name = make("bdi", { class: "curve-label", text: line.label.replace(/(\d{4})-(\d\d)-(\d\d)/, "$1\u2011$2\u2011$3"), title: shorten(line.label, 300) });
    if (line.isPlain) return make("li", { class: "shown" }, make("span", { class: "curve-row" }, sample(line), name), value);
    const box = make("input", { type: "checkbox", "data-line": line.id });
    box.checked = line.shown;
    box.addEventListener("change", () => this.choose(line.id, box));
    const item = make("li", {}, make("label", { class: "tick curve-row" }, box, sample(line), name), value);
    item.classList.toggle("shown", line.shown);
    return item;
  }
  choose(id, box) {
    (this.root.chosen[this.key] ??= {})[id] = box.checked;
    this.root.remember();
    box.closest("li").classList.toggle("shown", box.checked);
    this.draw();
  }
  read() {
    const lines = this.shown();
    const hz = sayHz(this.entry.frequency_hz[this.index]);
    this.at.textContent = lines.length ? `At ${hz}${this.entry.unit ? `, ${this.entry.unit}` : ""}` : "";
    for (const value of this.values.values()) value.textContent = "";
    for (const line of lines) this.values.get(line.id).textContent = sayValue(line, this.index);
    return `${hz}: ${lines.map((line) => `${isolate(line.short)} ${sayValue(line, this.index)}`).join("; ")}`;
  }
  step(event) {
    const last = this.entry.frequency_hz.length - 1;
    const to = { ArrowLeft: this.index - 1, ArrowRight: this.index + 1, Home: 0, End: last }[event.key];
    if (to === undefined || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    this.index = Math.min(Math.max(to, 0), last);
    this.said.textContent = this.read();
    this.chart?.redraw(false, false);
  }
  tell() {
    const lines = this.shown();
    this.numbers.hidden = !lines.length;
    const at = SAID_HZ.map((hz) => nearest(this.entry.frequency_hz, hz));
    const say = (line) => `${isolate(line.short)}: ${at.map((i) => `${sayValue(line, i)} at ${sayHz(this.entry.frequency_hz[i])}`).join(", ")}.`;
    this.words.textContent = lines.map(say).join(" ") || "No curve is shown.";
    const name = (line) => make("th", { scope: "col" }, make("bdi", { text: line.short }));
    const head = make("tr", {}, make("th", { scope: "col", text: "Hz" }), ...lines.map(name));
    const rows = [...new Set(TABLE_HZ.map((hz) => nearest(this.entry.frequency_hz, hz)))].map((i) =>
      make("tr", {},
        make("th", { scope: "row", class: "number", text: Math.round(this.entry.frequency_hz[i]) }),
        ...lines.map((line) => make("td", { class: "number", text: sayValue(line, i) }))));
    const title = make("caption", { text: `${capital(this.entry.path)}${this.entry.unit ? `, ${this.entry.unit}` : ""}, \u00b1 at 95 %` });
    this.table.replaceChildren(make("table", {}, title, make("thead", {}, head), make("tbody", {}, ...rows)));
  }

  // What comes in while a sweep runs ------------------------------------------------------------
  addSeat(seat) {
    if (this.seats.length && seat.seat <= this.seats.at(-1).seat) this.seats = [];
    const name = `curve-${COLOURS.get(seat.stage) ?? 4}`;
    const label = `seat ${seat.seat} of ${seat.n_seats}`;
    const look = { name, width: 1, dash: [[], [6, 3], [2, 2]][this.seats.length % 3] };
    this.seats.push({ ...seat, id: `seat-${seat.seat}`, label, short: label, look, shown: true, isPlain: true, is_latest: true });
    this.trace = [];
    this.refresh();
  }
  addTrace({ points, is_new: isNew }) {
    if (isNew) this.trace = [];
    const isFirst = !this.trace.length;
    this.trace.push(...points.filter((point) => point.every(isNumber)));
    if (isFirst) {
      this.list();
      this.read();
    }
    this.chart?.redraw(false, false);
  }
}
