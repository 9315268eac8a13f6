// Sends what waits, in order, as soon as it can be; whatever happens to a reply, nothing is lost and nothing is stored twice,
// because every sheet has an id and a revision of this device's own.

const FIRST_WAIT = 1000;
const LONGEST_WAIT = 30000;
const PATIENCE = 15000;
const NOT_TAKEN = new Set([400, 403, 404, 405, 409, 413, 415, 422]);

const ADDRESSES = {
  sheet: (item) => `/api/v1/trials/${encodeURIComponent(item.trial)}/runs/${item.id}`,
  pair: (item) => `/tablet/trials/${encodeURIComponent(item.trial)}/pairs/${item.id}`,
};

export class Sender {
  /** `bearer` gives the key to send with; `changed` is called with the state whenever that is another one. */
  constructor(store, bearer, changed) {
    this.store = store;
    this.bearer = bearer;
    this.changed = changed;
    this.state = { waiting: 0, offline: false, revoked: false, refused: "" };
    this.pause = FIRST_WAIT;
    this.timer = 0;
    this.again = false;
    this.busy = null;
    addEventListener("online", () => this.soon());
    document.addEventListener("visibilitychange", () => { if (!document.hidden) this.soon(); });
  }

  /** Send now, whatever the pause was. */
  soon() {
    this.pause = FIRST_WAIT;
    return this.send();
  }

  /** Send what waits; one round at a time, in this tab and over all tabs. */
  send() {
    if (this.busy) { this.again = true; return this.busy; }
    clearTimeout(this.timer);
    mark("yes");
    this.busy = this.alone(() => this.round()).finally(() => {
      this.busy = null;
      if (this.again) { this.again = false; this.send(); }
    });
    return this.busy;
  }

  alone(does) {
    return navigator.locks ? navigator.locks.request(`send ${this.store.name}`, does) : does();
  }

  async round() {
    let well = true;
    for (const item of await this.store.waiting()) {
      if (!await this.one(item)) { well = false; break; }
    }
    await this.told();
    if (well) { this.pause = FIRST_WAIT; mark("no"); return; }
    // A little chance in it: a shop full of tablets must not come back all at once.
    this.timer = setTimeout(() => this.send(), this.pause * (0.75 + Math.random() / 2));
    this.pause = Math.min(2 * this.pause, LONGEST_WAIT);
  }

  /** Send one thing; say whether to go on with the next. */
  async one(item) {
    const answer = await this.put(item);
    this.note({ offline: answer === null });
    if (answer === null) return false;
    if (answer.ok) { await this.store.acknowledged(item.number); this.note({ revoked: false }); await this.told(); return true; }
    if (answer.status === 401) { this.note({ revoked: true }); return false; }
    if (!NOT_TAKEN.has(answer.status)) return false;
    await this.store.refused(item.number, await reason(answer));
    return true;
  }

  async put(item) {
    try {
      const answer = await fetch(ADDRESSES[item.kind](item), {
        method: "PUT",
        headers: { "Content-Type": "application/json", Authorization: `Bearer ${await this.bearer()}` },
        body: JSON.stringify({ ...item.body, sent_at: new Date().toISOString() }),
        signal: AbortSignal.timeout(PATIENCE),
      });
      // Acknowledged means that the whole answer came; half of one is none.
      await answer.clone().text();
      return answer;
    } catch {
      return null;
    }
  }

  note(change) {
    const next = { ...this.state, ...change };
    if (JSON.stringify(next) === JSON.stringify(this.state)) return;
    this.state = next;
    this.changed(next);
  }

  async told() {
    const items = await this.store.waiting();
    this.note({ waiting: new Set(items.map((item) => item.id)).size, refused: items.find((item) => item.refused)?.refused ?? "" });
  }
}

/** Mark in the page whether anything is on its way, for whoever looks at it from outside. */
function mark(sending) {
  document.documentElement.dataset.sending = sending;
}

async function reason(answer) {
  try {
    const problem = await answer.json();
    return problem.errors[0]?.detail ?? problem.detail;
  } catch {
    return String(answer.status);
  }
}
