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

  const SILENT_MS = 4_000;
  let source = null;
  let silent = null;
  function listen() {
    source = new EventSource(`/events?tab=${encodeURIComponent(tab)}`);
    // Whatever changed since the page was made, or while the stream was away, is not in it.
    source.onopen = () => {
      clearTimeout(silent);
      silent = null;
      document.getElementById("gone").hidden = true;
      catchUp();
    };
    // A stream that is only late comes back by itself; one that is refused does not.
    source.onerror = () => {
      const tell = () => { document.getElementById("gone").hidden = false; };
      if (source?.readyState === EventSource.CLOSED) tell();
      else silent ??= setTimeout(tell, SILENT_MS);
    };
    source.onmessage = (message) => {
      const { kind, data } = JSON.parse(message.data);
      document.dispatchEvent(new CustomEvent(`bench:${kind}`, { detail: data }));
    };
  }

  // A browser opens six connections to one address at most, and each stream holds one: pages that
  // nobody looks at let go of theirs, unless something runs that their closing would stop.
  function catchUp() {
    const asked = [...document.querySelectorAll("[hx-trigger*='bench:']")].map((one) => one.getAttribute("hx-trigger"));
    const topics = new Set(asked.join(" ").match(/bench:[\w-]+/g));
    topics.forEach((topic) => document.dispatchEvent(new CustomEvent(topic, { detail: {} })));
  }
  document.addEventListener("visibilitychange", () => {
    if (document.hidden && source && !document.querySelector("#work .running")) {
      clearTimeout(silent);
      silent = null;
      source.close();
      source = null;
    } else if (!document.hidden && !source) {
      listen();
    }
  });

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
    gauges.querySelector("[data-level-text]").value = `${Math.max(-99, level).toFixed(0)} dBFS`;
    for (const word of gauges.querySelectorAll("[data-word]")) word.classList.toggle("lit", word.dataset.word === seen.words);
  }

  // What a person types is never touched. A prompt's form stays itself while all around it is made
  // anew; any other part of the page in which something is being typed waits until that is left.
  let unfolded = [];
  let isLate = false;
  document.addEventListener("htmx:beforeSwap", (event) => {
    unfolded = [...document.querySelectorAll("details[id][open]")].map((one) => one.id);
    const { target, serverResponse } = event.detail;
    if (target?.id === "work") event.detail.shouldSwap &&= !mendPanel(target, serverResponse);
    else holdBack(event);
  });
  document.addEventListener("htmx:oobBeforeSwap", holdBack);
  document.addEventListener("htmx:afterSwap", restore);
  document.addEventListener("htmx:oobAfterSwap", restore);
  function restore() {
    for (const id of unfolded) document.getElementById(id)?.setAttribute("open", "");
  }

  const written = "input:not([type=hidden], [type=checkbox], [type=radio], [type=file]), textarea, select";
  function isBeingTyped(field) {
    if (field === document.activeElement) return true;
    // A form that sends itself without leaving the page is its own keeper of what was not sent.
    const isUnsent = field.form && !field.form.hasAttribute("hx-post");
    return isUnsent && field.tagName !== "SELECT" && field.value !== field.defaultValue;
  }
  function holdBack(event) {
    const { target, shouldSwap } = event.detail;
    if (!shouldSwap || !target || target.matches(".form-error, datalist")) return;
    if (![...target.querySelectorAll(written)].some(isBeingTyped)) return;
    event.detail.shouldSwap = false;
    isLate = true;
  }
  document.addEventListener("focusout", () => setTimeout(() => {
    if (!isLate) return;
    isLate = false;
    catchUp();
  }));

  function mendPanel(panel, html) {
    const fresh = new DOMParser().parseFromString(html, "text/html").body;
    const form = panel.querySelector("form[id^=prompt-]");
    const itsLike = form && fresh.querySelector(`#${form.id}`);
    if (!itsLike) return false;
    const focused = document.activeElement?.id;
    renewAround(panel, fresh, form, itsLike);
    if (focused && document.activeElement === document.body) document.getElementById(focused)?.focus();
    restore();
    settle();
    return true;
  }
  // Everything of the old tree is replaced by the fresh one, except `kept`, which is never moved.
  function renewAround(old, fresh, kept, itsLike) {
    if (old === kept) return;
    const stays = [...old.childNodes].find((one) => one.contains(kept));
    const like = [...fresh.childNodes].find((one) => one.contains(itsLike));
    const all = [...fresh.childNodes];
    const at = all.indexOf(like);
    const news = [...fresh.children].filter((one) => one !== like);
    for (const one of [...old.childNodes]) if (one !== stays) one.remove();
    stays.before(...all.slice(0, at));
    stays.after(...all.slice(at + 1));
    // Not the panel whole: while it asks for itself it would forget what it is to ask for next.
    news.forEach((one) => window.htmx.process(one));
    if (stays !== kept) stays.className = like.className;
    renewAround(stays, like, kept, itsLike);
  }

  // What was refused stands beside its field, and the field is where the cursor is.
  document.addEventListener("htmx:afterSwap", (event) => {
    const { target } = event.detail;
    const form = target.matches?.(".form-error") ? target.closest("form") : null;
    if (!form) return;
    form.querySelectorAll("[aria-invalid]").forEach((field) => field.removeAttribute("aria-invalid"));
    const name = target.querySelector("[data-field]")?.dataset.field.replaceAll(" ", "_");
    const fields = [...form.elements].filter((field) => field.name && field.type !== "hidden");
    const field = name && (fields.find((one) => one.name === name) ?? fields.find((one) => one.name.startsWith(name)));
    if (!field) return;
    field.closest("details:not([open])")?.setAttribute("open", "");
    field.setAttribute("aria-invalid", "true");
    field.focus();
  });
  document.addEventListener("submit", (event) => event.target.querySelector(".form-error")?.replaceChildren(), true);

  document.addEventListener("bench:meter", (event) => {
    seen = event.detail;
    showGauges();
  });
  document.addEventListener("htmx:afterSettle", settle);
  function settle() {
    if (!document.querySelector("#work .running")) seen = null;
    showGauges();
    // Whoever waits at the bench goes on with one key; whoever types something is left alone.
    const idle = !document.activeElement || document.activeElement === document.body;
    if (idle) document.querySelector("[data-go]")?.focus();
  }

  // A form that is used again and again comes back as it was sent last.
  const kept = "input:not([type=file], [type=hidden]), select";
  function keepForm(form) {
    const values = [...form.querySelectorAll(kept)].map((field) =>
      [field.name, field.value, field.checked ?? false]);
    sessionStorage.setItem(`form-${form.dataset.keep}`, JSON.stringify(values));
  }
  function restoreForm(form) {
    const values = JSON.parse(sessionStorage.getItem(`form-${form.dataset.keep}`) ?? "[]");
    const fields = [...form.querySelectorAll(kept)].filter((field) => !("fresh" in field.dataset));
    for (const [name, value, checked] of values) {
      for (const field of fields.filter((one) => one.name === name)) {
        if (field.type === "checkbox") field.checked = field.value === value ? checked : field.checked;
        else if (field.tagName !== "SELECT" || [...field.options].some((one) => one.value === value)) field.value = value;
      }
    }
  }
  document.addEventListener("submit", (event) => {
    if (event.target.dataset.keep) keepForm(event.target);
  });

  // Who works with other steps than the next one has them open on every page.
  document.addEventListener("toggle", (event) => {
    if ("remember" in event.target.dataset) sessionStorage.setItem(`fold-${event.target.id}`, event.target.open ? "open" : "");
  }, true);
  function reopen() {
    for (const fold of document.querySelectorAll("details[data-remember]")) {
      if (sessionStorage.getItem(`fold-${fold.id}`)) fold.open = true;
    }
  }

  // A link to what is folded away unfolds it.
  function unfold(id) {
    const fold = document.getElementById(id);
    if (fold?.tagName !== "DETAILS") return;
    fold.open = true;
    fold.scrollIntoView({ block: "nearest" });
  }
  document.addEventListener("click", (event) => {
    const link = event.target.closest?.("a[data-open]");
    if (link) unfold(link.dataset.open);
  });

  // The line of work that ended well goes by itself; the program says when, and is asked again then.
  const GONE_MS = 31_000;
  let leaving = null;
  document.addEventListener("htmx:afterSettle", () => {
    clearTimeout(leaving);
    if (document.querySelector("#work-away")) leaving = setTimeout(() => document.dispatchEvent(new CustomEvent("bench:work", { detail: {} })), GONE_MS);
  });

  document.addEventListener("DOMContentLoaded", () => {
    listen();
    reopen();
    unfold(location.hash.slice(1));
    document.querySelectorAll("form[data-keep]").forEach(restoreForm);
  });
  // A page that is kept for the Back button must not hold the stream open.
  window.addEventListener("pagehide", () => source?.close());
  window.addEventListener("pageshow", (event) => {
    if (event.persisted) location.reload();
  });
})();
