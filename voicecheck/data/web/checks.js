// Shows the beat that somebody moves the cord, the hook or the handset to, and says when work ended.
"use strict";
(() => {
  const still = window.matchMedia("(prefers-reduced-motion: reduce)");
  const pulse = [{ opacity: 1, transform: "scale(1.15)" }, { opacity: 0.35, transform: "scale(1)" }];

  document.addEventListener("bench:beat", (event) => {
    const beat = document.getElementById("beat");
    if (!beat) return;
    beat.hidden = false;
    beat.querySelector("[data-beat]").textContent = event.detail.number;
    beat.querySelector("[data-beat-line]").textContent = event.detail.line;
    if (!still.matches) beat.querySelector("[data-beat]").animate(pulse, { duration: 180, fill: "forwards" });
  });
  // Who chooses a recording or a sound device sees at once where it is named.
  document.addEventListener("change", (event) => {
    if (!event.target.matches('.check select[name="on"]')) return;
    const isBench = event.target.selectedIndex === 0;
    event.target.form.querySelector("[data-source]").open = !isBench;
  });
  // The check list: a tick is kept at once, and arrow keys go from tick to tick.
  document.addEventListener("change", (event) => {
    if (event.target.matches("[data-tick]")) event.target.form.dispatchEvent(new CustomEvent("bench:tick"));
  });
  document.addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step || !event.target.matches?.("[data-tick]")) return;
    const ticks = [...document.querySelectorAll("[data-tick]")];
    const to = ticks[ticks.indexOf(event.target) + step];
    if (!to) return;
    event.preventDefault();
    to.focus();
  });

  // A check may end between the making of this page and the opening of its stream, which then tells
  // nothing of it; so the results are asked for once when the panel first shows that all is quiet.
  let wasRunning = true;
  document.addEventListener("htmx:afterSettle", () => {
    const isRunning = document.querySelector("#work .running") !== null;
    if (wasRunning && !isRunning) {
      const beat = document.getElementById("beat");
      if (beat) beat.hidden = true;
      document.dispatchEvent(new CustomEvent("bench:quiet"));
    }
    wasRunning = isRunning;
  });
})();
