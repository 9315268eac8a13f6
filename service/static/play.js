// A trial by post, or the listener's sheet: the same sheets on a phone, from a signed link. Without this file the page's own
// forms do the same with network.

import { on, show } from "./tablet/dom.js";
import { Sender } from "./tablet/sender.js";
import { openStore } from "./tablet/store.js";
import { Trial } from "./tablet/trial.js";
import { given, say } from "./tablet/words.js";
import { keepOffline } from "./tablet/worker.js";

class App {
  constructor(store) {
    this.store = store;
    this.sender = new Sender(store, async () => given.token, (state) => this.status(state));
  }

  async begin() {
    this.sender.send();
    if (given.closed) return this.end();
    const payload = given.screen;
    if ((await this.store.get("sitting") ?? 1) !== payload.sitting) {
      // Another sitting begins at its first bow; what was rated before is sent or waits.
      await this.store.put("place", undefined);
      await this.store.put("done", false);
      await this.store.put("sitting", payload.sitting);
    }
    this.screen = new Trial(this, payload, await this.store.get("place"));
    const done = await this.store.get("done");
    return done || payload.rated.length === payload.slots.length ? this.played() : this.screen.resume();
  }

  /** Back to the first page of the link. */
  left() {
    return this.screen.go("start");
  }

  async played() {
    await this.store.put("done", true);
    show("thanks-link", { where: given.screen.title });
    on("back", async () => {
      await this.store.put("done", false);
      await this.screen.go(this.screen.slots.length - 1);
    });
    this.status(this.sender.state);
  }

  /** The trial is over: what was begun here is made ready and sent, and nothing else stays on the phone. */
  async end() {
    const place = await this.store.get("place");
    if (place) await this.store.end(place.trial);
    this.sender.soon();
    this.over();
  }

  over() {
    show("over-link");
    this.status(this.sender.state);
  }

  status({ waiting, offline, revoked, refused }) {
    const lines = [
      offline || !navigator.onLine ? say("offline") : "",
      waiting ? say("waiting", { count: waiting }) : "",
      refused || revoked ? say("refused", { reason: refused }) : "",
    ];
    document.getElementById("status").textContent = lines.filter(Boolean).join(" ");
    for (const place of document.querySelectorAll("[data-saved]")) place.hidden = waiting > 0;
    for (const place of document.querySelectorAll("[data-unsaved]")) place.hidden = waiting === 0;
  }
}

async function begin() {
  if (!isSecureContext) return;  // the page's own forms do without
  keepOffline("/play/", location.pathname).catch(() => undefined);  // it works while it is open all the same
  let store;
  try {
    store = await openStore(`play ${given.seat}`);
  } catch {
    return;  // the page's own forms do without
  }
  navigator.storage?.persist?.();
  // A full disk, a database taken away by the browser: never go on as if all were well.
  addEventListener("unhandledrejection", () => { document.getElementById("status").textContent = say("not_kept"); });
  await new App(store).begin();
}

begin();
