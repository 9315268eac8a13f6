// The service worker of tablet and phone: VERSION and FILES stand above, put there by the service, so that a new version of any
// file is a new worker. Sheets are never sent or kept here: the pages do that (static/tablet/sender.js).

const CACHE = `bow-files-${VERSION}`;
const PAGES = "bow-pages";
const SHELL = "/tablet";
const PATIENCE = 4000;

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const cache = await caches.open(CACHE);
    await cache.addAll(FILES.map((file) => new Request(file, { cache: "reload" })));
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    const names = await caches.keys();
    await Promise.all(names.filter((name) => name !== CACHE && name !== PAGES).map((name) => caches.delete(name)));
    await self.clients.claim();
  })());
});

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== self.location.origin) return;
  if (event.request.mode === "navigate" && url.pathname.startsWith("/play/")) event.respondWith(pageOf(event.request));
  else if (event.request.mode === "navigate" && url.pathname === SHELL) event.respondWith(fileOf(SHELL, event.request));
  else if (url.pathname.startsWith("/static/")) event.respondWith(fileOf(url.pathname, event.request));
});

/** A file of this version, whole and at once; what is not kept comes from the network. */
async function fileOf(name, request) {
  const kept = await (await caches.open(CACHE)).match(name);
  return kept ?? fetch(request);
}

/** A player's page as it is now, or, without network or with a service in trouble, as it was last. */
async function pageOf(request) {
  const cache = await caches.open(PAGES);
  const kept = await cache.match(request);
  try {
    const answer = await fetch(request.url, { headers: { Accept: "text/html" }, signal: AbortSignal.timeout(kept ? PATIENCE : 10 * PATIENCE) });
    if (answer.ok) await cache.put(request, answer.clone());
    return answer.status >= 500 && kept ? kept : answer;
  } catch (error) {
    if (kept) return kept;
    throw error;
  }
}
