// What the figures of curves are made of: elements, numbers in words, and how lines look.
// Each stage has its dashes, each earlier run of it a further dot: grey paper still tells them apart.
// Maps, since a stage is free text and may be called "constructor".
const DASHES = new Map([["before", [8, 4]], ["after", []], ["reference", [12, 3, 2, 3]]]);
const OTHER_DASHES = [[2, 3], [8, 3, 2, 3, 2, 3], [4, 2], [14, 4]];
export const COLOURS = new Map([["before", 1], ["after", 2], ["reference", 3]]);
const N_COLOURS = 8;

// Text of others goes in as text only; nothing here ever makes markup of it.
export function make(tag, { text, ...attributes } = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text !== undefined) element.textContent = text;
  element.append(...children);
  return element;
}
export const isNumber = (value) => typeof value === "number";
export const number = (value) => value.toFixed(1).replace("-0.0", "0.0").replace("-", "\u2212");
export const sayHz = (hz) => `${Math.round(hz)} Hz`;
export const tickHz = (hz) => (hz < 1000 ? String(hz) : `${hz / 1000}k`);
export const shorten = (text, most) => (text.length > most ? `${text.slice(0, most - 1)}\u2026` : text);
export const capital = (word) => word.charAt(0).toUpperCase() + word.slice(1);
export const isolate = (text) => `\u2068${text}\u2069`; // a right-to-left label must not turn the rest

export function nearest(frequencies, hz) {
  let best = 0;
  frequencies.forEach((one, i) => {
    if (Math.abs(Math.log(one / hz)) < Math.abs(Math.log(frequencies[best] / hz))) best = i;
  });
  return best;
}
export function sayValue(line, i) {
  if (!isNumber(line.level_db[i])) return "withheld";
  const half = line.uncertainty_db?.[i];
  const spread = half < 0.05 ? "<0.1" : half?.toFixed(1);
  return number(line.level_db[i]) + (isNumber(half) ? ` \u00b1 ${spread}` : "");
}
export function sample(line) {
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

export function chooseLooks(runs) {
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
