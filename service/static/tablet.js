// The tablet: one address, one screen at a time. What stands on the screen is all there is of it in the document.

import { on, fill, part, show, tell } from "./tablet/dom.js";
import { Idle } from "./tablet/idle.js";
import { Pairs } from "./tablet/pairs.js";
import { fileKey, save } from "./tablet/parcel.js";
import { page, Questions } from "./tablet/questions.js";
import { Sender } from "./tablet/sender.js";
import { openStore } from "./tablet/store.js";
import { Trial } from "./tablet/trial.js";
import { say } from "./tablet/words.js";
import { keepOffline } from "./tablet/worker.js";

const MINUTE = 60000;
const ASK = 2 * MINUTE;
const WIPE = ASK + MINUTE / 2;
const COVER = 2 * MINUTE;
const END = 90 * MINUTE;
const LOOK = 15000;
const TOUCHED = 5000;
const PATIENCE = 10000;

class App {
  /** The trial, the pairs or the questions on the screen; null where none of them is. */
  screen = null;
  device = null;

  constructor(store) {
    this.store = store;
    this.idle = new Idle();
    this.sender = new Sender(store, () => this.device?.key, (state) => this.status(state));
    this.reachable = true;
  }

  async begin() {
    this.device = await this.store.get("device") ?? null;
    this.status(this.sender.state);
    const code = codeInAddress();
    history.replaceState(null, "", "/tablet");
    if (!this.device || code) return this.enrol(code);
    this.sender.send();
    setInterval(() => this.look(), LOOK);
    addEventListener("online", () => this.look());
    const place = await this.store.get("place");
    const payload = await this.store.get("trial");
    if (!place || !payload) return this.wait();
    return this.play(payload, place);
  }

  // Who this tablet is

  enrol(code = "") {
    show("enrol", { texts: { fault: "" } });
    const form = document.querySelector("main form");
    form.elements.code.value = code;
    form.addEventListener("submit", (event) => { event.preventDefault(); this.register(form.elements.code.value); });
  }

  async register(code) {
    const answer = await this.ask("/tablet/enrol", { method: "POST", body: JSON.stringify({ code: code.trim() }) });
    if (!answer?.ok) {
      const sentence = { 429: "too_often", 404: "bad_code", 422: "bad_code" }[answer?.status];
      tell("fault", say(sentence ?? (answer ? "unreadable" : "offline")));
      return;
    }
    const { file_key, ...device } = await answer.json();
    await this.store.put("device", { ...device, fileKey: await fileKey(file_key) });
    // From the start, so that everything that is begun once is begun once.
    location.reload();
  }

  // Between two players

  async wait() {
    this.screen = null;
    this.idle.watch([]);
    document.querySelectorAll("dialog").forEach((question) => question.remove());
    show("waiting", { where: this.device.name, texts: { dealer: this.device.dealer_name, trouble: "" } });
    on("questions", () => this.questions());
    on("save", () => this.saveFile());
    on("enrol", () => this.enrol());
    this.status(this.sender.state);
    await this.look();
  }

  async list() {
    const answer = await this.ask("/tablet/trials");
    const place = document.querySelector("[data-trials]");
    if (!place) return;
    if (!answer?.ok) { tell("trouble", answer ? "" : say("no_network_list")); return; }
    const { trials } = await answer.json();
    tell("trouble", trials.length ? "" : say("no_trials"));
    const focused = document.activeElement?.dataset.trial;
    place.replaceChildren(...trials.map((trial) => this.line(trial)));
    if (focused) place.querySelector(`[data-trial="${CSS.escape(focused)}"]`)?.focus();
  }

  line(trial) {
    const name = say(trial.name ? "trial_for" : "trial", trial);
    const button = fill(part("trial"), { name, pairs: trial.pairs ? say("pairs") : "" });
    button.dataset.trial = trial.id;
    button.addEventListener("click", () => this.open(trial.id));
    return button;
  }

  async saveFile() {
    const name = await save(this.store, this.device);
    if (name) tell("trouble", say("saved", { name }));
  }

  // A trial

  async open(id) {
    const payload = await this.fetchTrial(id);
    if (payload?.state !== "open") {
      tell("trouble", say(payload === null ? "no_network_open" : "not_here"));
      return undefined;
    }
    const pairs = payload.pairs && !payload.pairs.ended;
    if (!pairs && payload.rated.length === payload.slots.length) { tell("trouble", say("all_rated")); return undefined; }
    const place = { trial: id, step: "start", touched: Date.now() };
    await this.store.put("trial", payload);
    await this.store.put("place", place);
    return this.play(payload, place);
  }

  /** Return a trial as the screen needs it, undefined where there is none any more, null without network. */
  async fetchTrial(id) {
    const answer = await this.ask(`/tablet/trials/${encodeURIComponent(id)}`);
    if (answer?.status === 404) return undefined;
    return answer?.ok ? answer.json() : null;
  }

  async play(payload, place) {
    this.screen = payload.pairs && !payload.pairs.ended ? new Pairs(this, payload) : new Trial(this, payload, place);
    this.idle.watch([[COVER, () => this.screen?.cover()], [END, () => this.left()]], place.touched);
    this.idle.touched = (at) => this.touched(at);
    const idle = Date.now() - place.touched;
    if (idle >= END) return this.left();
    return idle >= COVER ? this.screen.cover() : this.screen.resume();
  }

  touched(at) {
    const place = this.screen?.place;
    if (!place || at - place.touched < TOUCHED) return;
    place.touched = at;
    this.store.put("place", place);
  }

  /** Ask whether the trial still goes on, or what else there is to play. */
  async look() {
    this.sender.send();
    if (!this.screen) return this.list();
    if (!this.screen.payload) return undefined;
    return this.refresh();
  }

  async refresh() {
    const screen = this.screen;
    const payload = await this.fetchTrial(screen.payload.trial);
    if (payload === null || this.screen !== screen) return;
    if (payload === undefined || payload.state !== "open") { await this.done("over"); return; }
    if (payload.pairs) screen.update?.(payload.pairs);
  }

  /** The last sheet was given. */
  played() {
    return this.done("thanks");
  }

  async done(name) {
    const trial = this.screen?.payload?.trial;
    await this.forget();
    this.idle.watch([[ASK, () => this.wait()]]);
    show(name, { texts: { trouble: "" } });
    on("again", () => this.wait());
    on("result", () => this.result(trial));
    on("save", () => this.saveFile());
    this.status(this.sender.state);
  }

  /** What the player marked and which bow was which, once that is revealed: for whoever holds the tablet now, and nobody after. */
  async result(trial) {
    const asked = document.querySelector('[data-do="result"]');
    const answer = await this.ask(`/tablet/trials/${encodeURIComponent(trial)}/result`);
    if (!asked?.isConnected) return;  // left, or wiped, in the meantime
    if (!answer?.ok) { tell("trouble", say(answer ? "not_revealed" : "no_network_page")); return; }
    const main = page(await answer.text());
    if (!asked.isConnected) return;
    this.screen = new Questions(this, this.device.dealer);
    this.idle.watch([[ASK, () => this.stillThere()], [WIPE, () => this.left()]]);
    this.screen.put(main, location.href);
  }

  /** Whatever was on the screen is left: nothing of it stays but what waits to be sent. */
  async left() {
    await this.forget();
    await this.wait();
  }

  async forget() {
    const trial = this.screen?.payload?.trial;
    await this.screen?.saving;
    this.screen = null;
    this.idle.touched = undefined;
    if (trial) await this.store.end(trial);
    this.sender.soon();
  }

  // The questionnaire

  async questions() {
    this.screen = new Questions(this, this.device.dealer);
    this.idle.watch([[ASK, () => this.stillThere()], [WIPE, () => this.left()]]);
    await this.screen.start();
  }

  stillThere() {
    const question = part("still-there");
    document.body.append(question);
    question.addEventListener("close", () => question.remove());
    question.showModal();
  }

  // Network and state

  async ask(address, options = {}) {
    try {
      const answer = await fetch(address, {
        headers: { "Content-Type": "application/json", Authorization: `Bearer ${this.device?.key ?? ""}` },
        signal: AbortSignal.timeout(PATIENCE), ...options,
      });
      this.reachable = true;
      if (answer.status === 401) this.sender.note({ revoked: true });
      else if (answer.ok && this.device) this.sender.note({ revoked: false });
      return answer;
    } catch {
      return null;
    } finally {
      this.status(this.sender.state);
    }
  }

  status({ waiting, offline, revoked, refused }) {
    const lines = [
      offline || !navigator.onLine ? say("offline") : "",
      waiting ? say("waiting", { count: waiting }) : "",
      revoked ? say("revoked") : "",
      refused ? say("refused", { reason: refused }) : "",
    ];
    document.getElementById("status").textContent = lines.filter(Boolean).join(" ");
    for (const button of document.querySelectorAll('[data-do="save"]')) button.hidden = !waiting;
    for (const button of document.querySelectorAll('[data-do="enrol"]')) button.hidden = !revoked;
  }
}

/** Return the code of a QR link, in the address's fragment or query. */
function codeInAddress() {
  return new URLSearchParams(location.search).get("code") ?? decodeURIComponent(location.hash.slice(1));
}

async function begin() {
  // Without https there is no service worker, no key that signs, no id that nobody else draws (Secure Contexts, W3C).
  if (!isSecureContext) {
    document.getElementById("status").textContent = say("insecure");
    return;
  }
  keepOffline("/tablet").catch(() => undefined);  // it works while it is open all the same
  let store;
  try {
    store = await openStore("tablet");
  } catch {
    document.getElementById("status").textContent = say("no_storage");
    return;
  }
  navigator.storage?.persist?.();
  // A full disk, a database taken away by the browser: never go on as if all were well.
  addEventListener("unhandledrejection", () => { document.getElementById("status").textContent = say("not_kept"); });
  await new App(store).begin();
}

begin();
