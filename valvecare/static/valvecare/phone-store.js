"use strict";
/* What this phone keeps in IndexedDB:
   outbox: entries and what became of them; drafts: what is typed but not given in yet;
   chains: which versions of an order were made by this person's own entries. */
const PhoneStore = (() => {
  let opened = null;

  function open() {
    opened ??= new Promise((resolve, reject) => {
      const request = indexedDB.open("valvecare", 1);
      request.onupgradeneeded = () => {
        request.result.createObjectStore("outbox", { keyPath: "id", autoIncrement: true });
        request.result.createObjectStore("drafts", { keyPath: "key" });
        request.result.createObjectStore("chains", { keyPath: "key" });
      };
      request.onerror = () => reject(request.error);
      request.onsuccess = () => {
        request.result.onversionchange = () => { request.result.close(); opened = null; };
        resolve(request.result);
      };
    });
    return opened;
  }

  /* Resolves once the data is on the phone's storage, not merely handed to the system. */
  async function write(names, work) {
    const base = await open();
    return new Promise((resolve, reject) => {
      const step = base.transaction(names, "readwrite", { durability: "strict" });
      const last = work(step);
      step.oncomplete = () => resolve(last ? last.result : undefined);
      step.onerror = step.onabort = () => reject(step.error);
    });
  }

  async function read(name, work) {
    const base = await open();
    return new Promise((resolve, reject) => {
      const request = work(base.transaction(name).objectStore(name));
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(request.error);
    });
  }

  const OUT = "valvecare-out";

  return {
    /* Ids of the orders taken along on this phone. */
    out: () => JSON.parse(localStorage.getItem(OUT) || "[]"),
    setOut: (ids) => localStorage.setItem(OUT, JSON.stringify([...new Set(ids)])),
    write,
    all: () => read("outbox", (store) => store.getAll()),
    entry: (id) => read("outbox", (store) => store.get(id)),
    keep: (entry) => write(["outbox"], (step) => step.objectStore("outbox").put(entry)),
    drop: (id) => write(["outbox"], (step) => { step.objectStore("outbox").delete(id); }),
    chain: (key) => read("chains", (store) => store.get(key)),
    draft: (key) => read("drafts", (store) => store.get(key)),
    keepDraft: (draft) => write(["drafts"], (step) => step.objectStore("drafts").put(draft)),
    /* One transaction: the entry is there or the draft still is. */
    hand: (entry, draft) => write(["outbox", "drafts"], (step) => {
      step.objectStore("drafts").delete(draft);
      return step.objectStore("outbox").put(entry);
    }),
  };
})();
