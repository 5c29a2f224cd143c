// Draws the curves of a job: one figure a path, its read-out, its numbers, and what comes in live.
"use strict";
(() => {
  const TICKS_HZ = [200, 300, 500, 1000, 2000, 3400];
  const SAID_HZ = [300, 500, 1000, 2000, 3400];
  const TABLE_HZ = [250, 300, 500, 1000, 2000, 3400, 4000];
  const VOICE_HZ = [300, 3400];
  const SHOWN_HZ = [195, 4100];
  const LEAST_SPAN_DB = 30;
  const PAPER_PX = 640; // fits an upright sheet, A4 or Letter, inside its margins

  // Each stage has its dashes, each earlier run of it a further dot: grey paper still tells them apart.
  // Maps, since a stage is free text and may be called "constructor".
  const DASHES = new Map([["before", [8, 4]], ["after", []], ["reference", [12, 3, 2, 3]]]);
  const OTHER_DASHES = [[2, 3], [8, 3, 2, 3, 2, 3], [4, 2], [14, 4]];
  const COLOURS = new Map([["before", 1], ["after", 2], ["reference", 3]]);
  const N_COLOURS = 8;

  const live = new Set(); // figures on the page, to be drawn again when colours change
  let onPaper = false;
  let nFigures = 0;

  // Small helpers ------------------------------------------------------------------------------
  // Text of others goes in as text only; nothing here ever makes markup of it.
  function make(tag, { text, ...attributes } = {}, ...children) {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    element.append(...children);
    return element;
  }
  const isNumber = (value) => typeof value === "number";
  const number = (value) => value.toFixed(1).replace("-0.0", "0.0").replace("-", "\u2212");
  const sayHz = (hz) => `${Math.round(hz)} Hz`;
  const tickHz = (hz) => (hz < 1000 ? String(hz) : `${hz / 1000}k`);
  const shorten = (text, most) => (text.length > most ? `${text.slice(0, most - 1)}\u2026` : text);
  const capital = (word) => word.charAt(0).toUpperCase() + word.slice(1);
  const isolate = (text) => `\u2068${text}\u2069`; // a right-to-left label must not turn the rest

  function nearest(frequencies, hz) {
    let best = 0;
    frequencies.forEach((one, i) => {
      if (Math.abs(Math.log(one / hz)) < Math.abs(Math.log(frequencies[best] / hz))) best = i;
    });
    return best;
  }
  function sayValue(line, i) {
    if (!isNumber(line.level_db[i])) return "withheld";
    const half = line.uncertainty_db?.[i];
    const spread = half < 0.05 ? "<0.1" : half?.toFixed(1);
    return number(line.level_db[i]) + (isNumber(half) ? ` \u00b1 ${spread}` : "");
  }
  function sample(line) {
    const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    svg.setAttribute("class", "sample");
    svg.setAttribute("viewBox", "0 0 40 14");
    svg.setAttribute("aria-hidden", "true");
    if (line.isBand) svg.append(shape("rect", { x: 0, y: 1, width: 40, height: 12, class: "limits" }));
    const dashes = (line.look.dash ?? []).join(" ");
    svg.append(shape("path", { d: "M0 7H40", class: line.look.name, "stroke-dasharray": dashes, "stroke-width": line.look.width }));
    return svg;
  }
  function shape(tag, attributes) {
    const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [name, value] of Object.entries(attributes)) if (value !== "") element.setAttribute(name, value);
    return element;
  }

  // How lines look -----------------------------------------------------------------------------
  function chooseLooks(runs) {
    const later = new Map(), looks = new Map(), others = [];
    for (const run of [...runs].reverse()) {
      if (!DASHES.has(run.stage) && !others.includes(run.stage)) others.push(run.stage);
      const nth = later.get(run.stage) ?? 0;
      later.set(run.stage, nth + 1);
      looks.set(run.run, lookOf(run.stage, others.indexOf(run.stage), nth));
    }
    return looks;
  }
  function lookOf(stage, other, nth) {
    const own = DASHES.get(stage) ?? OTHER_DASHES[other % OTHER_DASHES.length];
    const dots = Array.from({ length: nth % 4 }, () => [2, 3]).flat();
    const dash = nth === 0 ? own : [...(own.length ? own : [16, 3]), ...dots];
    const first = COLOURS.get(stage) ?? 4 + other;
    const colour = nth === 0 ? first : 3 + first + nth;
    return { name: `curve-${((colour - 1) % N_COLOURS) + 1}`, dash, width: nth === 0 ? 2 : 1.5 };
  }

  // A figure -----------------------------------------------------------------------------------
  class Figure {
    constructor(root, entry, key) {
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
      const after = latest.find((run) => run.stage === "after") ?? latest.filter((run) => run.stage !== "before").at(-1);
      const before = latest.find((run) => run.stage === "before");
      return [before, after].filter(Boolean).map((run) => String(run.run)).concat("limits");
    }
    lines() {
      const chosen = this.root.chosen[this.key] ?? {};
      const defaults = this.defaults();
      const isShown = (id) => chosen[id] ?? defaults.includes(id);
      const lines = this.entry.runs.map((run) => ({ ...run, id: String(run.run), short: shorten(run.label, 60), look: this.looks.get(run.run), shown: isShown(String(run.run)) }));
      const { baseline } = this.entry;
      if (baseline) lines.unshift({ id: "limits", label: `limits of ${baseline.label}`, short: "mean of the type", isBand: true, level_db: baseline.mean_db, look: { name: "curve-mean", width: 1 }, shown: isShown("limits"), is_latest: true });
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
      this.choices.replaceChildren(...rows(newest));
      if (this.trace.length) this.choices.append(this.row({ id: "trace", label: "rough, while playing", look: { name: "curve-trace", dash: [1, 3], width: 2 }, shown: true, isPlain: true }));
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
      const head = make("tr", {}, make("th", { scope: "col", text: "Hz" }), ...lines.map((line) => make("th", { scope: "col" }, make("bdi", { text: line.short }))));
      const rows = [...new Set(TABLE_HZ.map((hz) => nearest(this.entry.frequency_hz, hz)))].map((i) =>
        make("tr", {}, make("th", { scope: "row", class: "number", text: Math.round(this.entry.frequency_hz[i]) }), ...lines.map((line) => make("td", { class: "number", text: sayValue(line, i) }))));
      const title = make("caption", { text: `${capital(this.entry.path)}${this.entry.unit ? `, ${this.entry.unit}` : ""}, \u00b1 at 95 %` });
      this.table.replaceChildren(make("table", {}, title, make("thead", {}, head), make("tbody", {}, ...rows)));
    }

    // Drawing ----------------------------------------------------------------------------------
    colour(name) {
      return getComputedStyle(this.root.element).getPropertyValue(`--${name}`).trim();
    }
    size() {
      const width = Math.min(this.plot.clientWidth, onPaper ? PAPER_PX : Infinity);
      return { width, height: Math.round(Math.min(Math.max(width * 0.48, 230), 380)) };
    }
    resize() {
      const { width, height } = this.size();
      if (!width) return;
      if (!this.chart) this.draw();
      else if (width !== this.chart.width) this.chart.setSize({ width, height });
    }
    // The scale only ever grows while the page is open, so that ticking runs moves nothing.
    findScale(lines) {
      const { baseline } = this.entry;
      const limits = baseline && lines.some((line) => line.isBand) ? [...baseline.low_db, ...baseline.high_db] : [];
      const levels = lines.flatMap((line) => line.level_db).concat(limits).filter(isNumber);
      if (levels.length) {
        this.low = Math.min(this.low, Math.floor((Math.min(...levels) - 1) / 5) * 5);
        this.high = Math.max(this.high, Math.ceil((Math.max(...levels) + 1) / 5) * 5);
      }
      if (!Number.isFinite(this.low)) [this.low, this.high] = [-25, 5];
      while (this.high - this.low < LEAST_SPAN_DB) {
        this.low -= 5;
        if (this.high - this.low < LEAST_SPAN_DB) this.high += 5;
      }
    }
    draw() {
      const size = this.size();
      this.tell();
      this.read();
      if (!size.width) return; // drawn when there is room
      const lines = this.shown();
      this.findScale(lines);
      this.chart?.destroy();
      const data = [this.entry.frequency_hz, ...lines.map((line) => line.level_db)];
      this.chart = new uPlot({ ...size, ...this.options(lines) }, data, this.plot);
    }
    options(lines) {
      const font = `12px ${getComputedStyle(this.plot).fontFamily}`;
      const axis = { stroke: () => this.colour("curve-ink"), font, labelFont: font, filter: (_, splits) => splits, ticks: { show: false }, grid: { stroke: () => this.colour("curve-grid"), width: 1, filter: (_, splits) => splits }, border: { show: true, width: 1, stroke: () => this.colour("curve-ink") } };
      return {
        padding: [8, 12, 0, 0],
        legend: { show: false },
        cursor: { x: false, y: false, points: { show: false }, drag: { x: false, y: false, setScale: false }, bind: { dblclick: () => null } },
        scales: { x: { time: false, distr: 3, range: () => SHOWN_HZ }, y: { range: () => [this.low, this.high] } },
        axes: [
          { ...axis, splits: () => TICKS_HZ, values: (_, splits) => splits.map(tickHz), size: 26, gap: 6, label: "Hz", labelSize: 18, labelGap: 0 },
          { ...axis, splits: () => this.levelTicks(), values: (_, splits) => splits.map((level) => String(level).replace("-", "\u2212")), size: 38, gap: 6 },
        ],
        series: [{}, ...lines.map((line) => this.series(line))],
        hooks: {
          drawClear: [(chart) => this.shadeOutside(chart)],
          drawAxes: [(chart) => lines.filter((line) => !line.isPlain).forEach((line) => this.shadeBand(chart, line))],
          draw: [(chart) => this.drawTrace(chart), (chart) => this.markPlace(chart, lines)],
          setCursor: [(chart) => this.follow(chart)],
        },
      };
    }
    levelTicks() {
      const step = this.high - this.low <= 45 ? 5 : this.high - this.low <= 120 ? 10 : 20;
      const first = Math.ceil(this.low / step), last = Math.floor(this.high / step);
      return Array.from({ length: last - first + 1 }, (_, i) => (first + i) * step);
    }
    series(line) {
      const { level_db } = line;
      // A point between two gaps has no line, so it is shown as a dot.
      const alone = level_db.map((_, i) => i).filter((i) => isNumber(level_db[i]) && !isNumber(level_db[i - 1]) && !isNumber(level_db[i + 1]));
      const stroke = () => this.colour(line.look.name);
      return { stroke, width: line.look.width, dash: line.look.dash, points: { show: () => false, filter: () => (alone.length ? alone : null), size: 5, stroke, fill: stroke } };
    }
    inside(chart, paint) {
      const { ctx, bbox } = chart;
      ctx.save();
      ctx.beginPath();
      ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
      ctx.clip();
      paint(ctx, bbox, (hz) => chart.valToPos(hz, "x", true), (db) => chart.valToPos(db, "y", true));
      ctx.restore();
    }
    shadeOutside(chart) {
      this.inside(chart, (ctx, box, x) => {
        const [low, high] = VOICE_HZ.map(x);
        ctx.fillStyle = this.colour("curve-outside");
        ctx.fillRect(box.left, box.top, low - box.left, box.height);
        ctx.fillRect(high, box.top, box.left + box.width - high, box.height);
      });
    }
    shadeBand(chart, line) {
      const { baseline, frequency_hz } = this.entry;
      const edge = (sign) => line.level_db.map((level, i) => (isNumber(level) && isNumber(line.uncertainty_db?.[i]) ? level + sign * line.uncertainty_db[i] : null));
      const [low, high] = line.isBand ? [baseline.low_db, baseline.high_db] : [edge(-1), edge(1)];
      this.inside(chart, (ctx, _, x, y) => {
        ctx.fillStyle = this.colour(line.isBand ? "curve-limits" : line.look.name);
        ctx.globalAlpha = line.isBand ? 1 : 0.18;
        // One area for each stretch without a gap, so that no seams show.
        let stretch = [];
        const fill = () => {
          ctx.beginPath();
          stretch.forEach((i) => ctx.lineTo(x(frequency_hz[i]), y(high[i])));
          stretch.reverse().forEach((i) => ctx.lineTo(x(frequency_hz[i]), y(low[i])));
          ctx.fill();
          stretch = [];
        };
        frequency_hz.forEach((_, i) => (isNumber(low[i]) && isNumber(high[i]) ? stretch.push(i) : fill()));
        fill();
      });
    }
    drawTrace(chart) {
      if (this.trace.length < 2) return;
      // Its own level means nothing here: it is moved onto what is shown, and only its shape counts.
      const base = this.shown().at(-1);
      const middle = (this.low + this.high) / 2;
      const under = ([hz]) => base?.level_db[nearest(this.entry.frequency_hz, hz)] ?? middle;
      const inBand = this.trace.filter(([hz]) => hz >= SHOWN_HZ[0] && hz <= SHOWN_HZ[1]);
      const shift = inBand.reduce((sum, point) => sum + under(point) - point[1], 0) / inBand.length;
      this.inside(chart, (ctx, _, x, y) => {
        ctx.strokeStyle = this.colour("curve-trace");
        ctx.lineWidth = 2 * devicePixelRatio;
        ctx.setLineDash([devicePixelRatio, 3 * devicePixelRatio]);
        ctx.beginPath();
        inBand.forEach(([hz, level]) => ctx.lineTo(x(hz), y(level + shift)));
        ctx.stroke();
      });
    }
    markPlace(chart, lines) {
      this.inside(chart, (ctx, box, x, y) => {
        const place = x(this.entry.frequency_hz[this.index]);
        ctx.strokeStyle = this.colour("curve-ink");
        ctx.lineWidth = devicePixelRatio;
        ctx.setLineDash([]); // what the last curve left behind
        ctx.globalAlpha = 0.55;
        ctx.beginPath();
        ctx.moveTo(place, box.top);
        ctx.lineTo(place, box.top + box.height);
        ctx.stroke();
        ctx.globalAlpha = 1;
        for (const line of lines.filter((one) => isNumber(one.level_db[this.index]))) {
          ctx.fillStyle = this.colour(line.look.name);
          ctx.beginPath();
          ctx.arc(place, y(line.level_db[this.index]), 3.5 * devicePixelRatio, 0, 2 * Math.PI);
          ctx.fill();
        }
      });
    }
    follow(chart) {
      const { idx } = chart.cursor;
      // The place stays where it was when the pointer leaves.
      if (!isNumber(idx) || idx === this.index || chart.cursor.left < 0) return;
      this.index = idx;
      this.read();
      chart.redraw(false, false);
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

  // All figures of a job -------------------------------------------------------------------------
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

  function paper(isPaper) {
    if (isPaper === onPaper) return;
    onPaper = isPaper;
    document.querySelectorAll(".curves").forEach((element) => element.classList.toggle("on-paper", isPaper));
    live.forEach((figure) => figure.draw());
  }
  function start() {
    document.querySelectorAll(".curves[data-source]").forEach((element) => new Curves(element));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => live.forEach((figure) => figure.draw()));
    matchMedia("print").addEventListener("change", (event) => paper(event.matches));
    window.addEventListener("beforeprint", () => paper(true));
    window.addEventListener("afterprint", () => paper(false));
  }
  if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", start);
  else start();
})();
