// Lets the pages of this device be opened without network.

/** Register the worker for a scope; without one (an old browser, a private window) the page works while it is open. */
export async function keepOffline(scope, page) {
  if (!navigator.serviceWorker) return;
  await navigator.serviceWorker.register("/tablet-worker.js", { scope });
  if (!page) return;
  // The page was loaded before the worker was there to keep it.
  const kept = await caches.open("bow-pages");
  const answer = await fetch(page, { headers: { Accept: "text/html" } });
  if (answer.ok) await kept.put(page, answer);
}
