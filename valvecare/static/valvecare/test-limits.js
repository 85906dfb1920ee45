"use strict";
/* Shows an abort limit as crossed while the value is typed, with or without a connection.
   The server judges again; without this script the limit stands beside the field in words. */
(() => {
  const box = document.getElementById("abort-now");
  const what = document.getElementById("abort-what");
  const watched = [...document.querySelectorAll("[data-abort-above]")];
  const cold = document.querySelector("[data-rise-side=cold]");
  const hot = document.querySelector("[data-rise-side=hot]");
  const fields = [...watched, cold, hot].filter(Boolean);
  if (!box || !fields.length) return;
  const typed = (field) => field.value.trim();
  const number = (text) => Number(text.trim().replace(",", "."));

  /* The rise over the pump from what is typed; a side that is empty counts as read last. */
  function rise() {
    if (!cold || !hot || !(typed(cold) || typed(hot))) return [];
    const [low, high] = [cold, hot].map((field) => typed(field) || field.dataset.riseLast);
    if (!low || !high) return [];
    const [found, limit] = [number(high) - number(low), Number(hot.dataset.riseLimit)];
    return found > limit ? [`temperature rise, K: ${Number(found.toFixed(2))}, agreed ${limit}`] : [];
  }

  function look() {
    const crossed = watched.filter((field) => typed(field)
      && number(field.value) > Number(field.dataset.abortAbove));
    const was = box.hidden;
    const told = crossed.map((field) => `${field.dataset.abortWords}: ${field.value}, `
      + `agreed ${field.dataset.abortAbove}`).concat(rise());
    box.hidden = !told.length;
    what.textContent = told.join("; ");
    if (was && !box.hidden) box.scrollIntoView({ block: "start" });
  }

  for (const field of fields) field.addEventListener("input", look);
  look();
})();
