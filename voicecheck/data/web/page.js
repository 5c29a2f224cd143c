// Ties this page to the program: one stream of what happens, and the name of this tab.
"use strict";
(() => {
  // The tab keeps its name while it goes from page to page, so that only its closing stops work.
  const tab = sessionStorage.getItem("bench-tab") ?? crypto.randomUUID();
  sessionStorage.setItem("bench-tab", tab);

  document.addEventListener("submit", (event) => {
    const field = event.target.elements.namedItem("tab");
    if (field) field.value = tab;
  }, true);

  let source = null;
  function listen() {
    source = new EventSource(`/events?tab=${encodeURIComponent(tab)}`);
    source.onmessage = (message) => {
      const { kind, data } = JSON.parse(message.data);
      document.dispatchEvent(new CustomEvent(`bench:${kind}`, { detail: data }));
    };
  }

  // What the panel showed last, since the panel is made anew whenever the work changes.
  let seen = null;
  function showGauges() {
    const gauges = document.querySelector("[data-gauges]");
    if (!gauges || !seen) return;
    gauges.hidden = false;
    if (seen.fraction !== undefined) gauges.querySelector("[data-done]").value = seen.fraction;
    const level = seen.peak_dbfs;
    if (level === null || level === undefined) return;
    gauges.querySelector("[data-level]").value = level;
    const words = level > -3 ? "too much" : level < -45 ? "too little" : "enough";
    gauges.querySelector("[data-level-text]").value = `${Math.max(-99, level).toFixed(0)} dBFS, ${words}`;
  }

  document.addEventListener("bench:meter", (event) => {
    seen = event.detail;
    showGauges();
  });
  document.addEventListener("htmx:afterSettle", () => {
    if (!document.querySelector("#work.running")) seen = null;
    showGauges();
    // Whoever waits at the bench goes on with one key; whoever types something is left alone.
    const idle = !document.activeElement || document.activeElement === document.body;
    if (idle) document.querySelector("[data-go]")?.focus();
  });

  document.addEventListener("DOMContentLoaded", listen);
  // A page that is kept for the Back button must not hold the stream open.
  window.addEventListener("pagehide", () => source?.close());
  window.addEventListener("pageshow", (event) => {
    if (event.persisted) location.reload();
  });
})();
