"use strict";
/* Joins the page to what the phone keeps: forms, drafts, photographs, the count on every page,
   the list 'On this phone', signing out. Without this script every form works as it stands. */
(() => {
  if (!PhoneOutbox.able) return;
  const here = document.getElementById("phone");
  const me = Number(here.dataset.user);
  const start = here.dataset.list.replace(/[^/]+\/$/, "");
  const isAtTheValve = location.pathname.startsWith(start);
  const ENVELOPE = ["csrfmiddlewaretoken", "version", "idempotency_key", "waited_s"];
  const LONGEST_SIDE = 1600;
  const WENT_ON = "valvecare-went-on"; // the page that follows a step begins at what is next
  const busy = new WeakMap(); // forms whose photographs are being made smaller

  function make(tag, words, kind) {
    const node = document.createElement(tag);
    if (words) node.textContent = words;
    if (kind) node.className = kind;
    return node;
  }
  function button(words, work, kind) {
    const node = make("button", words, kind);
    node.type = "button";
    node.addEventListener("click", async () => { node.disabled = true; await work(); });
    return node;
  }
  const clock = (ms) => new Date(ms).toLocaleString(document.documentElement.lang, { dateStyle: "short", timeStyle: "short" });
  const count = (number, one, many) => `${number} ${number === 1 ? one : many}`;

  // ---- a start sent later: its order has its procedure only once it is accepted

  const orderOf = (entry) => entry.url.replace(/[^/]+\/$/, "");
  let fetching = null;

  /* The page anew, unless somebody is just typing in it; then it says so and waits. */
  function showSteps() {
    const field = document.activeElement;
    if (!field || !field.matches("main :is(input, select, textarea)")) { location.reload(); return; }
    if (document.getElementById("new-steps")) return;
    const box = make("div", "", "phone-answer phone-kept");
    box.id = "new-steps";
    box.setAttribute("role", "status");
    const row = make("div", "", "buttons");
    row.append(button("Show its steps", () => location.reload()));
    box.append(make("p", "The start is accepted, and the order now has the steps of its procedure. "
      + "What is typed here stays."), row);
    (field.closest("details, form") || field).before(box);
  }

  async function fetchSteps() {
    const owing = (await PhoneStore.all()).filter((entry) => entry.more && entry.author === me);
    for (const entry of owing) {
      const whole = `${orderOf(entry)}whole/`;
      const answer = await fetch(whole,
        { cache: "no-store", redirect: "manual", signal: AbortSignal.timeout(8000) });
      if (!answer.ok) return; // still owed, asked for again with the next flush
      await PhoneStore.keep({ ...entry, more: false, steps: whole });
      if ("serviceWorker" in navigator) {
        navigator.serviceWorker.ready.then(
          ({ active }) => active.postMessage({ keep: [whole, orderOf(entry)] }));
      }
      if ([whole, orderOf(entry)].includes(location.pathname)) showSteps();
    }
  }

  const askForSteps = () => (fetching ??= fetchSteps().finally(() => { fetching = null; }));

  // ---- the count on every page

  async function tell() {
    const open = (await PhoneStore.all()).filter(PhoneOutbox.isOpen);
    const waiting = open.filter((entry) => entry.state === "waiting" || entry.state === "sent");
    const link = PhoneOutbox.link();
    const words = [];
    if (waiting.length) words.push(`${waiting.length} waiting to send.`);
    if (open.length > waiting.length) {
      words.push(`${count(open.length - waiting.length, "entry needs", "entries need")} you.`);
    }
    if (open.length && link === "signed out") words.push("Sign in again to send.");
    if (link === "offline" && isAtTheValve) {
      words.push(`No connection: this page is as it was on ${clock(Date.parse(here.dataset.madeAt))}.`);
    }
    here.replaceChildren(make("span", words.join(" ")));
    if (open.length) {
      const list = make("a", "On this phone");
      list.href = here.dataset.list;
      here.append(" ", list);
    }
    here.hidden = !words.length;
    if (location.pathname === here.dataset.list) await show();
    if (link === "online") await askForSteps();
  }

  // ---- the list

  const STATES = { waiting: "on this phone", sent: "sent, no answer yet", accepted: "accepted",
    refused: "refused", conflict: "changed by somebody else" };

  function lines(pairs) {
    const list = make("dl", "", "facts");
    for (const [what, words] of pairs) list.append(make("dt", what), make("dd", words));
    return list;
  }
  /* What a person typed, by the labels of the form; hidden fields have none. */
  const written = (entry) => entry.fields.filter(
    ([name, value]) => value !== "" && entry.labels[name]).map(
    ([name, value, file]) => [entry.labels[name], file ? "a photograph" : String(value)]);

  /* Both sides of each field that differs; a side must be chosen for every one. */
  function sides(entry) {
    const box = make("div", "", "both-sides");
    for (const pair of entry.compare) {
      const set = make("fieldset");
      set.append(make("legend", pair.label));
      for (const [side, who] of [["mine", "Yours"], ["theirs", "Theirs"]]) {
        const label = make("label", "", "choice");
        const knob = make("input");
        Object.assign(knob, { type: "radio", name: `${entry.id}-${pair.name}`, value: side });
        const words = make("span", `${who}: `);
        words.append(make("strong", pair[side] || "nothing"));
        label.append(knob, " ", words);
        set.append(label);
      }
      box.append(set);
    }
    box.addEventListener("change", () => box.querySelector(".wrong")?.remove());
    return box;
  }

  /* Sends what was chosen; says what is still to choose. */
  async function sendChosen(entry, box) {
    const chosen = entry.compare.map((pair) => {
      const knob = box.querySelector(`input[name="${entry.id}-${pair.name}"]:checked`);
      return [pair.name, knob ? knob.value : ""];
    });
    const left = entry.compare.filter((pair, place) => !chosen[place][1]);
    if (left.length) {
      let words = box.querySelector(".wrong");
      if (!words) { words = make("p", "", "wrong"); words.setAttribute("role", "alert"); box.append(words); }
      words.textContent = `Choose yours or theirs: ${left.map((pair) => pair.label).join(", ")}.`;
      return;
    }
    await PhoneOutbox.choose(entry.id, chosen);
    await PhoneOutbox.flush();
  }

  function card(entry) {
    const node = make("article", "", "plate");
    node.id = `entry-${entry.id}`;
    node.dataset.state = entry.state;
    node.append(make("h2", `${entry.step}, ${entry.orderName}`));
    const mark = make("p");
    mark.append(make("strong", STATES[entry.state]));
    mark.append(`, written ${clock(entry.queuedAt)} by ${entry.authorName}.`);
    if (entry.state === "accepted") mark.append(` Accepted ${clock(entry.acceptedAt)}.`);
    else if (entry.tries) mark.append(` Tried ${count(entry.tries, "time", "times")}.`);
    node.append(mark);
    for (const words of entry.words) node.append(make("p", words, "refusal"));
    if (entry.steps) {
      const row = make("div", "", "buttons");
      const steps = make("a", "Its steps", "button");
      steps.href = entry.steps;
      row.append(steps);
      node.append(row);
    }
    if (!PhoneOutbox.isOpen(entry)) return node;
    let both = null;
    if (entry.state === "conflict") {
      both = sides(entry);
      node.append(make("p", entry.compare.length
        ? "Somebody else changed this step after you saw it. Choose for each field."
        : "Somebody else changed the order after you saw it, but nothing of this step."), both,
      make("h3", "Yours"), lines(written(entry)), make("h3", "The order now"),
      lines(entry.now.map((line) => [line.what, line.words])));
    } else if (entry.state !== "sent") {
      node.append(lines(written(entry)));
    }
    if (entry.author !== me) {
      node.append(make("p", `Only ${entry.authorName} can send this: sign in as ${entry.authorName}.`));
      return node;
    }
    const row = make("div", "", "buttons");
    const then = (work) => async () => { await work(entry.id); await PhoneOutbox.flush(); };
    if (entry.state === "conflict") {
      const words = entry.compare.length ? "Send as chosen" : "Keep mine";
      const knob = button(`${words}, on version ${entry.current}`, async () => {
        await sendChosen(entry, both);
        knob.disabled = false;
      }, "main");
      row.append(knob);
    }
    if (entry.state !== "sent") {
      const open = make("a", "Open and correct", "button");
      open.href = `${entry.page}#entry-${entry.id}`;
      row.append(open);
    }
    if (entry.state === "refused") row.append(button("Send as it is", then(PhoneOutbox.again)));
    row.append(button("Drop mine", async () => {
      if (window.confirm(`Drop '${entry.step}' of ${entry.orderName}? It is not in the record.`)) {
        await then(PhoneOutbox.drop)();
      }
      await tell();
    }));
    node.append(row);
    return node;
  }

  async function show() {
    const list = document.getElementById("phone-list");
    if (!list) return;
    const entries = await PhoneStore.all();
    const top = make("p", entries.length ? "" : "Nothing is on this phone.");
    if (PhoneOutbox.link() === "signed out") {
      const sign = make("a", "Sign in again", "button main");
      sign.href = `${here.dataset.login}?next=${encodeURIComponent(location.pathname)}`;
      top.append(sign);
    } else if (entries.some(PhoneOutbox.isOpen)) {
      top.append(button("Send now", PhoneOutbox.flush, "main"));
    }
    const rank = { refused: 0, conflict: 0, waiting: 1, sent: 1, accepted: 2 };
    entries.sort((a, b) => rank[a.state] - rank[b.state] || a.id - b.id);
    list.replaceChildren(top, ...entries.map(card));
  }

  // ---- drafts

  const draftOf = (form) => `${me}:${form.getAttribute("action")}:${form.dataset.step}`;
  const fieldsOf = (form) => [...new FormData(form)].filter(
    ([name, value]) => !ENVELOPE.includes(name) && !(value instanceof File && !value.size)).map(
    ([name, value]) => (value instanceof File
      ? [name, new Blob([value], { type: value.type }), value.name] : [name, value]));

  function labelsOf(form) {
    const found = {};
    for (const field of form.elements) {
      if (!field.name || field.type === "hidden") continue;
      const label = form.querySelector(`label[for="${field.id}"]`);
      const group = field.closest(".field");
      const words = group ? group.querySelector("label, .label") : label;
      if (words) found[field.name] = words.textContent.trim();
    }
    return found;
  }

  function fill(form, fields) {
    const files = new Map();
    for (const box of form.querySelectorAll('input[type="checkbox"]')) {
      box.checked = fields.some(([name, value]) => name === box.name && value === box.value);
    }
    for (const [name, value, file] of fields) {
      const field = form.elements[name];
      if (!field || field.type === "checkbox" || field instanceof RadioNodeList) continue;
      if (!file) { field.value = value; continue; }
      if (!files.has(name)) files.set(name, new DataTransfer());
      files.get(name).items.add(new File([value], file, { type: value.type }));
    }
    for (const [name, held] of files) form.elements[name].files = held.files;
    tellPhotos(form);
  }

  // ---- photographs

  async function smaller(file) {
    try {
      const image = await createImageBitmap(file, { imageOrientation: "from-image" });
      const share = Math.min(1, LONGEST_SIDE / Math.max(image.width, image.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.round(image.width * share);
      canvas.height = Math.round(image.height * share);
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      image.close();
      const blob = await new Promise((done) => { canvas.toBlob(done, "image/jpeg", 0.85); });
      return blob ? new File([blob], "photograph.jpg", { type: "image/jpeg" }) : file;
    } catch {
      return file; // the server says what is wrong with it
    }
  }

  function tellPhotos(form) {
    for (const input of form.querySelectorAll('input[type="file"]')) {
      let note = input.parentNode.querySelector(".photos-kept");
      if (!note) { note = make("p", "", "help photos-kept"); input.after(note); }
      const size = [...input.files].reduce((sum, file) => sum + file.size, 0);
      note.textContent = input.files.length
        ? `${count(input.files.length, "photograph", "photographs")}, ${Math.ceil(size / 1000)} kB` : "";
    }
  }

  async function shrink(form, input) {
    const held = new DataTransfer();
    for (const file of input.files) held.items.add(await smaller(file));
    input.files = held.files;
    tellPhotos(form);
  }

  // ---- forms

  function say(form, lead, words, kind) {
    let box = form.querySelector(".phone-answer");
    if (!box) { box = make("div"); form.prepend(box); }
    box.className = `phone-answer ${kind}`;
    box.setAttribute("role", "alert");
    box.replaceChildren(make("p", lead), ...words.map((text) => make("p", text)));
    box.scrollIntoView({ block: "nearest" });
  }

  /* On the page with every step: fold this one, unfold the next. */
  function goOn(form, state) {
    const panel = form.closest("details");
    if (!panel) return;
    const summary = panel.querySelector("summary");
    summary.dataset.words ??= summary.textContent;
    summary.textContent = `${summary.dataset.words}: ${state}`;
    panel.open = false;
    const next = panel.nextElementSibling;
    if (next && next.matches("details")) {
      next.open = true;
      next.scrollIntoView({ block: "start" });
      next.querySelector("summary").focus({ preventScroll: true });
    }
  }

  const hexOf = (bytes) => [...new Uint8Array(bytes)].map(
    (byte) => byte.toString(16).padStart(2, "0")).join("");

  /* Whether what was read confirms the valve, as far as this phone took it along. */
  async function isTheValve(form) {
    const text = form.elements.text.value.trim();
    const label = /\/L\/([0-9A-Z]+)\/?$/.exec(text.toUpperCase());
    const readings = [label ? label[1] : "", text.toUpperCase().replace(/[ -]/g, ""),
      text.toLowerCase()];
    const wanted = form.dataset.expects.split(" ");
    for (const one of readings) {
      const bytes = new TextEncoder().encode(`${form.dataset.order}:${one}`);
      if (wanted.includes(hexOf(await crypto.subtle.digest("SHA-256", bytes)))) return true;
    }
    return false;
  }

  async function handOver(form) {
    await busy.get(form);
    if (form.dataset.expects && !(await isTheValve(form)) && !(await PhoneOutbox.isThere())) {
      say(form, `Stop. '${form.elements.text.value}' is not ${form.dataset.valve} as this phone `
        + "knows it. Read the label again. A label made since then needs a connection.", [],
      "refusal");
      return;
    }
    const isWhole = location.pathname.endsWith("/whole/");
    const id = await PhoneOutbox.hand({
      id: Number(form.dataset.entry) || undefined, draft: draftOf(form),
      url: form.getAttribute("action"), page: location.pathname + location.search,
      order: form.dataset.order, orderName: form.dataset.orderName, step: form.dataset.step,
      author: me, authorName: here.dataset.userName,
      version: Number(form.elements.version.value), fields: fieldsOf(form),
      labels: labelsOf(form),
    });
    form.dataset.entry = id;
    await PhoneOutbox.flush();
    const entry = await PhoneStore.entry(id);
    if (entry.state === "refused" || entry.state === "conflict") {
      say(form, entry.state === "refused"
        ? "Refused. It stays on this phone; correct it here and send it again."
        : "Kept on this phone. See both sides under 'On this phone'.", entry.words, "refusal");
      return;
    }
    delete form.dataset.entry;
    if (entry.state === "accepted" && !isWhole) {
      sessionStorage.setItem(WENT_ON, "1");
      location.assign(form.getAttribute("action").replace(/[^/]+\/$/, ""));
      return;
    }
    form.reset();
    tellPhotos(form);
    say(form, entry.state === "accepted" ? "Accepted."
      : "On this phone, waiting to send. It is not in the record yet.", [], "phone-kept");
    goOn(form, STATES[entry.state]);
  }

  function join(form) {
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const knob = form.querySelector('button[type="submit"]');
      if (knob.disabled) return;
      knob.disabled = true;
      const before = form.querySelector(".phone-answer");
      if (before) before.remove();
      try {
        await handOver(form);
      } catch (error) {
        say(form, "This phone could not keep the entry; nothing was sent.", [String(error)], "refusal");
      } finally {
        knob.disabled = false;
      }
    });
    const draft = () => PhoneStore.keepDraft({ key: draftOf(form), fields: fieldsOf(form) });
    form.addEventListener("input", draft);
    form.addEventListener("change", (event) => {
      if (event.target.type !== "file") { draft(); return; }
      busy.set(form, shrink(form, event.target).then(draft));
    });
  }

  async function restore(form) {
    const wanted = /^#entry-(\d+)$/.exec(location.hash);
    const entry = wanted ? await PhoneStore.entry(Number(wanted[1])) : null;
    if (entry && entry.author === me && PhoneOutbox.isOpen(entry)
      && entry.url === form.getAttribute("action") && entry.step === form.dataset.step) {
      form.dataset.entry = entry.id;
      fill(form, entry.fields);
      say(form, "Not accepted yet. Correct it and send it again.", entry.words, "refusal");
      const panel = form.closest("details");
      if (panel) panel.open = true;
      return;
    }
    const draft = await PhoneStore.draft(draftOf(form));
    if (draft) fill(form, draft.fields);
  }

  // ---- signing out, the worker

  async function forgetPages() {
    for (const name of await caches.keys()) {
      if (name.startsWith("valvecare-pages-")) await caches.delete(name);
    }
  }

  for (const form of document.querySelectorAll("form[data-sign-out]")) {
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const open = (await PhoneStore.all()).filter(PhoneOutbox.isOpen).length;
      const words = `${count(open, "entry is", "entries are")} on this phone and not in the record. `
        + "They stay here, but only their author can send them, after signing in. Sign out?";
      if (open && !window.confirm(words)) return;
      await forgetPages();
      form.submit();
    });
  }

  async function watch() {
    if (!("serviceWorker" in navigator) || !isAtTheValve) return;
    const last = localStorage.getItem("valvecare-user");
    if (last !== null && last !== String(me)) await forgetPages();
    localStorage.setItem("valvecare-user", String(me));
    await navigator.serviceWorker.register(here.dataset.worker);
    const { active } = await navigator.serviceWorker.ready;
    const ahead = [...document.querySelectorAll("[data-ahead]")].map((node) => node.dataset.ahead);
    const first = navigator.serviceWorker.controller ? [] : [location.pathname + location.search];
    active.postMessage({ keep: [...first, start, here.dataset.list, ...ahead.slice(0, 10)] });
    if (navigator.storage && navigator.storage.persist) await navigator.storage.persist();
  }

  const taken = document.querySelector("form[data-bring]");
  if (taken) {
    PhoneStore.setOut([...PhoneStore.out(), taken.dataset.bring]);
    taken.addEventListener("submit", () => {
      PhoneStore.setOut(PhoneStore.out().filter((id) => id !== taken.dataset.bring));
    });
  }

  const quietly = (promise) => promise.catch((error) => console.warn("phone:", error));
  // a password is never kept: a step that is signed needs a connection
  const forms = [...document.querySelectorAll("form[data-step]")].filter(
    (form) => !form.querySelector('input[type="password"]'));
  forms.forEach(join);
  document.addEventListener("phone:changed", () => quietly(tell()));
  const flush = () => quietly(PhoneOutbox.flush());
  window.addEventListener("online", flush);
  window.addEventListener("focus", flush);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) flush(); });
  setInterval(async () => {
    const left = (await PhoneStore.all()).some(PhoneOutbox.isOwing);
    if (left && !document.hidden) flush();
  }, 20000);
  quietly(Promise.all(forms.map(restore)).then(() => {
    const next = document.getElementById("next");
    if (next && sessionStorage.getItem(WENT_ON)) next.scrollIntoView();
    sessionStorage.removeItem(WENT_ON);
    document.documentElement.dataset.phone = "ready"; // forms are joined, drafts are back
  }));
  quietly(tell().then(() => PhoneOutbox.flush()));
  quietly(watch());
})();
