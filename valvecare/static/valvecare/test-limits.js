"use strict";
/* Shows an abort limit as crossed while the value is typed, with or without a connection.
   The server judges again; without this script the limit stands beside the field in words. */
(() => {
  const box = document.getElementById("abort-now");
  const what = document.getElementById("abort-what");
  const watched = [...document.querySelectorAll("[data-abort-above]")];
  if (!box || !watched.length) return;
  const number = (text) => Number(text.trim().replace(",", "."));

  function look() {
    const crossed = watched.filter((field) => field.value.trim()
      && number(field.value) > Number(field.dataset.abortAbove));
    const was = box.hidden;
    box.hidden = !crossed.length;
    what.textContent = crossed.map((field) => `${field.dataset.abortWords}: ${field.value}, `
      + `agreed ${field.dataset.abortAbove}`).join("; ");
    if (was && !box.hidden) box.scrollIntoView({ block: "start" });
  }

  for (const field of watched) field.addEventListener("input", look);
  look();
})();
