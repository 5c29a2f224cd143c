// Shows the beat that somebody moves the cord, the hook or the handset to.
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
  document.addEventListener("htmx:afterSettle", () => {
    const beat = document.getElementById("beat");
    if (beat && !document.querySelector("#work.running")) beat.hidden = true;
  });
})();
