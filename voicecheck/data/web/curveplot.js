// Draws one figure: scales, curves with their spread, limits, the live trace, the place being read.
import { isNumber, nearest, tickHz } from "./curvelooks.js";

export const TICKS_HZ = [200, 300, 500, 1000, 2000, 3400];
const VOICE_HZ = [300, 3400];
const SHOWN_HZ = [195, 4100];
const LEAST_SPAN_DB = 30;
const PAPER_PX = 640; // fits an upright sheet, A4 or Letter, inside its margins

export const paper = { isOn: false };

// What is shown, its entry, and the words beside it belong to the figure that this is the base of.
export class CurvePlot {
  colour(name) {
    return getComputedStyle(this.root.element).getPropertyValue(`--${name}`).trim();
  }
  size() {
    const width = Math.min(this.plot.clientWidth, paper.isOn ? PAPER_PX : Infinity);
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
    const stroke = () => this.colour("curve-ink");
    const filter = (_, splits) => splits;
    const grid = { stroke: () => this.colour("curve-grid"), width: 1, filter };
    const border = { show: true, width: 1, stroke };
    const axis = { stroke, font, labelFont: font, filter, ticks: { show: false }, grid, border };
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
        drawAxes: [(chart) => lines.filter((line) => line.isBand || (!line.isPlain && !this.isThin)).forEach((line) => this.shadeBand(chart, line))],
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
    const filter = () => (alone.length ? alone : null);
    const points = { show: () => false, filter, size: 5, stroke, fill: stroke };
    return { stroke, width: line.look.width, dash: line.look.dash, points };
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
}
