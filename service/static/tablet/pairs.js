// Two bows, pair by pair: the player hears 'first' and 'second', and says which was the better one.

import { on, show } from "./dom.js";
import { say } from "./words.js";

export class Pairs {
  constructor(app, payload) {
    this.app = app;
    this.payload = payload;
    this.head = payload.pairs;
  }

  /** Show the next pair; those that wait to be sent are counted. */
  async resume() {
    const waiting = (await this.app.store.waiting()).filter((item) => item.body.head_to_head === this.head.id);
    const number = Math.max(this.head.number, ...waiting.map((item) => item.body.number + 1));
    if (this.head.ended || number > this.head.most) return this.over();
    this.number = number;
    show("pair", { where: `${this.payload.title} · ${say("pair", { number })}` });
    on("first", () => this.prefer("first"));
    on("second", () => this.prefer("second"));
    on("back", () => this.app.left());
    return undefined;
  }

  async prefer(preferred) {
    if (this.kept) return;
    this.kept = true;
    try {
      await this.keep(preferred);
    } finally {
      this.kept = false;
    }
    if (this.app.screen === this) await this.resume();
  }

  async keep(preferred) {
    const body = { head_to_head: this.head.id, number: this.number, preferred, rated_at: new Date().toISOString() };
    await this.app.store.wait({ kind: "pair", trial: this.payload.trial, id: crypto.randomUUID(), body });
    await Promise.race([this.app.sender.soon(), new Promise((done) => { setTimeout(done, 1500); })]);
    // From here on the number counts what this screen has asked, whether it has reached the service or not.
    this.head = { ...this.head, number: this.number + 1 };
    await this.app.refresh();
  }

  /** Take in what the service says. */
  update(head) {
    if (head && head.id === this.head.id) this.head = { ...head, number: Math.max(head.number, this.head.number) };
  }

  over() {
    this.app.done("pairs-over");
  }

  cover() {
    return this.resume();
  }
}
