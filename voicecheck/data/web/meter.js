// Draws the live meter: bars, marks in words, thirds of an octave.
"use strict";
(() => {
  const SPAN_DB = 80, STALE_MS = 1000, CALM_MS = 500;
  const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
  let live = null, seen = null, seenAt = 0, drawnAt = 0, isDue = false;

  const find = (name) => live.querySelector(`[data-${name}]`);
  const share = (level) => Math.min(1, Math.max(0, ((level ?? -999) - seen.top) / SPAN_DB + 1));
  const words = (level) => (level === null ? "–" : level.toFixed(1));
  const say = (place, text) => { if (place.textContent !== text) place.textContent = text; };

  function describeTalk() {
    if (seen.talk === null) return seen.is_talking ? "yes" : "level of full transmit not known";
    return `${seen.is_talking ? "yes" : "no"}, from ${words(seen.talk)} ${seen.unit}`;
  }

  function mark(name, text, isLit) {
    const place = find(`mark="${name}"`);
    say(place, text);
    place.classList.toggle("lit", isLit);
  }

  function draw() {
    isDue = false;
    const now = performance.now();
    if (calm.matches && now - drawnAt < CALM_MS) return;
    drawnAt = now;
    live.classList.remove("stale");
    say(find("title"), seen.title);
    for (const name of ["peak", "rms", "psophometric"]) {
      find(`fill="${name}"`).style.width = `${100 * share(seen[name])}%`;
      say(find(`value="${name}"`), `${words(seen[name])} ${seen.unit}`);
    }
    find('fill="peak"').classList.toggle("clipped", seen.is_clipped);
    const line = find("talk-line");
    line.hidden = seen.talk === null;
    if (seen.talk !== null) line.style.left = `${100 * share(seen.talk)}%`;
    live.querySelectorAll("[data-tick]").forEach((tick) => {
      say(tick, (seen.top - Number(tick.dataset.tick)).toFixed(0));
    });
    say(find("unit"), seen.unit);
    mark("talk", describeTalk(), seen.is_talking);
    mark("clipped", seen.is_clipped ? "yes, turn it down" : "no", seen.is_clipped);
    mark("mains", seen.mains_hz === null ? "none" : `${words(seen.mains_hz)} Hz`, seen.mains_hz !== null);
    mark("tone", seen.tone || "none", seen.tone !== "");
    live.querySelectorAll("[data-band]").forEach((column, at) => {
      column.style.height = `${100 * share(seen.bands[at])}%`;
    });
  }

  function age() {
    if (!seen || performance.now() - seenAt < STALE_MS) return;
    live.classList.add("stale");
    say(find("title"), `Nothing comes in now; last: ${seen.title}`);
  }

  function tell() {
    const said = find("said");
    if (!seen || live.classList.contains("stale")) {
      said.textContent = "The meter is not running.";
      return;
    }
    const marks = [
      seen.is_talking ? "talk" : "", seen.is_clipped ? "clipped" : "",
      seen.mains_hz === null ? "" : `mains ${words(seen.mains_hz)} Hz`, seen.tone,
    ].filter(Boolean).join(", ");
    said.textContent = `RMS ${words(seen.rms)}, peak ${words(seen.peak)}, psophometric `
      + `${words(seen.psophometric)} ${seen.unit}${marks ? `; ${marks}` : ""}.`;
  }

  document.addEventListener("bench:meter", (event) => {
    // The levels of a sweep come under the same name, without bands.
    if (!live || !event.detail.bands) return;
    seen = event.detail;
    seenAt = performance.now();
    if (!isDue) {
      isDue = true;
      requestAnimationFrame(draw);
    }
  });

  document.addEventListener("DOMContentLoaded", () => {
    live = document.querySelector("[data-live]");
    find("say").addEventListener("click", tell);
    setInterval(age, 300);
  });
})();
