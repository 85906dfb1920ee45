/* Service worker: pages at the valve from the network within 4 s, else the copy on this phone.
   SETTINGS stands before this text, see valvecare/web/worker.py. */
const LIMIT_MS = 4000;
const MOST_PAGES = 80;
const PAGES = `valvecare-pages-${SETTINGS.version}`;
const FILES = `valvecare-files-${SETTINGS.version}`;

/* A redirect (the login page), an error or anything that is no page is never kept. */
const mayKeep = (answer) => answer.ok && !answer.redirected && answer.type === "basic"
  && (answer.headers.get("Content-Type") || "").startsWith("text/html");
const isPage = (path) => SETTINGS.kept.some((start) => path.startsWith(start));

async function keep(request, answer) {
  if (!mayKeep(answer)) return;
  const cache = await caches.open(PAGES);
  await cache.put(request, answer);
  const keys = await cache.keys();
  for (const old of keys.slice(0, Math.max(0, keys.length - MOST_PAGES))) await cache.delete(old);
}

async function fetchAndKeep(path) {
  const answer = await fetch(path, { credentials: "same-origin" });
  const good = mayKeep(answer);
  await keep(path, answer);
  return good;
}

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const cache = await caches.open(FILES);
    await cache.addAll([...SETTINGS.files, SETTINGS.offline]
      .map((path) => new Request(path, { cache: "reload" })));
    await self.skipWaiting();
  })());
});

/* Pages taken along under an older version are fetched anew; where that fails they stay,
   with the files they need. */
async function takeOver(names) {
  const pages = await caches.open(PAGES);
  let stayed = false;
  for (const name of names.filter((one) => one.startsWith("valvecare-pages-"))) {
    const before = await caches.open(name);
    for (const request of await before.keys()) {
      const fetched = await fetchAndKeep(request.url).catch(() => false);
      if (fetched) continue;
      await pages.put(request, await before.match(request));
      stayed = true;
    }
  }
  const files = await caches.open(FILES);
  for (const name of names.filter((one) => stayed && one.startsWith("valvecare-files-"))) {
    const before = await caches.open(name);
    for (const request of await before.keys()) {
      if (!(await files.match(request))) await files.put(request, await before.match(request));
    }
  }
  await Promise.all(names.map((name) => caches.delete(name)));
}

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    const names = (await caches.keys()).filter(
      (name) => name.startsWith("valvecare-") && name !== PAGES && name !== FILES);
    await takeOver(names);
    await self.clients.claim();
  })());
});

/* The page asks for copies: on its first visit, and for orders given to this person. */
self.addEventListener("message", (event) => {
  if (!event.data || !Array.isArray(event.data.keep)) return;
  event.waitUntil(Promise.allSettled(event.data.keep.map((path) => fetchAndKeep(path))));
});

async function copyOf(request) {
  const cache = await caches.open(PAGES);
  return (await cache.match(request)) || cache.match(request, { ignoreSearch: true });
}

async function offlinePage() {
  return (await caches.match(SETTINGS.offline)) || Response.error();
}

async function page(event) {
  const network = fetch(event.request).then(async (answer) => {
    if (answer.status >= 502 && answer.status <= 504) throw new TypeError("no server");
    if (mayKeep(answer)) await keep(event.request, answer.clone());
    return answer;
  });
  event.waitUntil(network.catch(() => undefined));
  const late = new Promise((resolve) => { setTimeout(resolve, LIMIT_MS, null); });
  const first = await Promise.race([network.catch(() => null), late]);
  if (first) return first;
  return (await copyOf(event.request)) || network.catch(offlinePage);
}

async function file(request) {
  const cache = await caches.open(FILES);
  return (await cache.match(request)) || fetch(request);
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (SETTINGS.never.includes(url.pathname)) return;
  if (request.mode === "navigate") {
    event.respondWith(isPage(url.pathname) ? page(event) : fetch(request).catch(offlinePage));
  } else if (url.pathname.startsWith(SETTINGS.static)) {
    event.respondWith(file(request));
  }
});
