"use strict";
/* Sends what the phone keeps: in order, one tab at a time, once. An entry leaves only when the
   server has said 'accepted', or when its author drops it. */
const PhoneOutbox = (() => {
  const KEPT_DAYS = 14; // how long an accepted entry stays on the list
  const here = document.getElementById("phone");
  const able = Boolean(here && window.isSecureContext && navigator.locks && window.indexedDB);
  let asked = null;
  let link = "unknown"; // unknown, online, offline, signed out

  const chainOf = (entry) => `${entry.author}:${entry.order}`;
  const isOpen = (entry) => entry.state !== "accepted";
  const changed = () => document.dispatchEvent(new CustomEvent("phone:changed"));

  async function get(url) {
    const answer = await fetch(url, {
      headers: { Accept: "application/json" }, cache: "no-store", redirect: "manual",
      signal: AbortSignal.timeout(8000),
    });
    if (answer.type === "opaqueredirect" || answer.status === 401) return null;
    if (!answer.ok) throw new TypeError(`answered ${answer.status}`);
    return answer.json();
  }

  /* Who is signed in and a fresh token; null: nobody; throws without a connection. */
  async function session() {
    try {
      const out = PhoneStore.out();
      const found = await get(here.dataset.session + (out.length ? `?out=${out}` : ""));
      link = found ? "online" : "signed out";
      return found;
    } catch (error) {
      link = "offline";
      throw error;
    }
  }

  function post(url, token, fields) {
    const body = new FormData();
    for (const [name, value, file] of fields) {
      if (file) body.append(name, value, file); else body.append(name, value);
    }
    body.append("csrfmiddlewaretoken", token);
    return fetch(url, {
      method: "POST", body, redirect: "manual", headers: { Accept: "application/json" },
      signal: AbortSignal.timeout(90000),
    });
  }

  /* The version an entry is sent on: the one seen, or the one our own entries made of it. */
  async function versionFor(entry) {
    if (entry.sentVersion) return entry.sentVersion; // a repeat must be the same word for word
    const chain = await PhoneStore.chain(chainOf(entry));
    const ours = chain && entry.version >= chain.from && entry.version <= chain.to;
    return ours ? chain.to : entry.version;
  }

  async function accept(entry, { version, more }, owes) {
    const chain = await PhoneStore.chain(chainOf(entry));
    const from = chain && chain.to === entry.sentVersion ? chain.from : entry.sentVersion;
    const to = version || entry.sentVersion + 1;
    await PhoneStore.write(["outbox", "chains"], (step) => {
      step.objectStore("outbox").put(
        { ...entry, state: "accepted", words: [], now: [], fields: [], owes, more: Boolean(more),
          acceptedAt: Date.now() });
      step.objectStore("chains").put({ key: chainOf(entry), from, to });
    });
  }

  const WORDS = {
    404: "There is no such order for you any more.",
    413: "The photographs are too large for the server.",
  };

  /* True when the next entry may be tried. */
  async function send(entry, token) {
    const wasLate = entry.late === true || (entry.tries || 0) > 0;
    entry.sentVersion = await versionFor(entry);
    Object.assign(entry, { state: "sent", tries: (entry.tries || 0) + 1, triedAt: Date.now() });
    await PhoneStore.keep(entry);
    changed();
    const waited = Math.max(0, Math.floor((Date.now() - entry.queuedAt) / 1000));
    let answer;
    let told = null;
    try {
      answer = await post(entry.url, token, [...entry.fields, ["version", entry.sentVersion],
        ["idempotency_key", entry.key], ["waited_s", waited]]);
      const kind = answer.headers.get("Content-Type") || "";
      if (kind.startsWith("application/json")) told = await answer.json();
    } catch {
      // perhaps it arrived and only the answer was lost: the key makes the repeat harmless
      link = "offline";
      await PhoneStore.keep({ ...entry, state: "waiting" });
      return false;
    }
    if (told && told.outcome === "accepted") {
      await accept(entry, told, wasLate);
      return true;
    }
    if (told && (told.outcome === "refused" || told.outcome === "conflict")) {
      await PhoneStore.keep({ ...entry, state: told.outcome, words: told.words,
        now: told.now || [], compare: told.compare || [], seen: told.seen || "",
        current: told.version || null });
      return true;
    }
    if (answer.type === "opaqueredirect") link = "signed out";
    const forGood = [400, 404, 405, 413].includes(answer.status) && !told;
    await PhoneStore.keep({ ...entry, state: forGood ? "refused" : "waiting",
      words: forGood ? [WORDS[answer.status] || `The server answered ${answer.status}.`] : [] });
    return forGood;
  }

  /* Tells the planner, once and until it is heard, that nothing of an order is left here. */
  async function report(who) {
    const all = await PhoneStore.all();
    const left = new Set(all.filter(isOpen).map(chainOf));
    const owing = all.filter((entry) => entry.owes && entry.author === who.user
      && !left.has(chainOf(entry)));
    const back = (entry) => entry.url.replace(/[^/]+\/$/, "brought-back/");
    for (const url of new Set(owing.map(back))) {
      const answer = await post(url, who.csrf, []);
      if (!answer.ok && answer.status !== 404) continue;
      const [order] = owing.filter((one) => url === back(one)).map((one) => one.order);
      PhoneStore.setOut(PhoneStore.out().filter((id) => id !== order));
      for (const entry of owing.filter((one) => url === back(one))) {
        await PhoneStore.keep({ ...entry, owes: false });
      }
    }
  }

  async function run() {
    const entries = await PhoneStore.all();
    const old = Date.now() - KEPT_DAYS * 86400000;
    for (const entry of entries) {
      if (!isOpen(entry) && entry.acceptedAt < old) await PhoneStore.drop(entry.id);
    }
    const who = await session().catch(() => null);
    if (!who) {
      for (const entry of entries.filter((one) => isOpen(one) && !one.late)) {
        await PhoneStore.keep({ ...entry, late: true });
      }
      return;
    }
    const stopped = new Set();
    for (const entry of entries.filter(isOpen)) {
      if (entry.author !== who.user || stopped.has(chainOf(entry))) continue;
      if (entry.state === "refused" || entry.state === "conflict") {
        stopped.add(chainOf(entry)); // what follows may rest on it
        continue;
      }
      if (!(await send(entry, who.csrf))) return;
      const now = await PhoneStore.entry(entry.id);
      if (now && isOpen(now)) stopped.add(chainOf(entry));
      changed();
    }
    await report(who).catch(() => { link = "offline"; });
  }

  /* One flush at a time over all tabs; a call while one waits joins it. */
  function flush() {
    if (!able) return Promise.resolve();
    asked ??= navigator.locks.request("valvecare-outbox", () => {
      asked = null;
      return run();
    }).then(changed, (error) => { asked = null; changed(); throw error; });
    return asked;
  }

  const change = (id, work) => navigator.locks.request("valvecare-outbox", async () => {
    const entry = await PhoneStore.entry(id);
    if (entry && isOpen(entry)) await work(entry);
  });

  const fresh = (entry) => ({ ...entry, key: crypto.randomUUID(), state: "waiting", words: [],
    now: [], compare: [], current: null, sentVersion: null });
  const CHOICE = /^(seen|differs|choose_.*)$/;

  return {
    able,
    flush,
    isOpen,
    /* True when the server answers this person now. */
    isThere: () => session().then(Boolean, () => false),
    isOwing: (entry) => isOpen(entry) || entry.owes === true,
    link: () => link,
    /* An entry with a key made now; with `entry` it takes that one's place. */
    async hand({ id, draft, ...given }) {
      const entry = fresh({ ...given, queuedAt: Date.now(), tries: 0 });
      if (!id) return PhoneStore.hand(entry, draft);
      await change(id, (before) => PhoneStore.hand(
        { ...entry, id, queuedAt: before.queuedAt }, draft));
      return id;
    },
    /* The person has seen both sides: this entry, with 'mine' or 'theirs' for each field that
       differs, and those after it go on the version they have now seen. */
    choose: (id, sides) => change(id, async (entry) => {
      const fields = entry.fields.filter(([name]) => !CHOICE.test(name));
      fields.push(["seen", entry.seen]);
      for (const [name, side] of sides) {
        fields.push(["differs", name], [`choose_${name}`, side]);
      }
      Object.assign(entry, { fields });
      const later = (await PhoneStore.all()).filter((other) => other.id > id && isOpen(other)
        && chainOf(other) === chainOf(entry));
      await PhoneStore.write(["outbox", "chains"], (step) => {
        for (const one of [entry, ...later]) {
          step.objectStore("outbox").put({ ...fresh(one), version: entry.current });
        }
        step.objectStore("chains").put(
          { key: chainOf(entry), from: entry.current, to: entry.current });
      });
    }),
    again: (id) => change(id, (entry) => PhoneStore.keep(fresh(entry))),
    drop: (id) => change(id, (entry) => PhoneStore.drop(entry.id)),
  };
})();
