// How long nobody has touched the screen; what happens then is the screen's own affair.

const EVENTS = ["pointerdown", "keydown", "input", "wheel", "touchmove"];
const OFTEN = 1000;

export class Idle {
  constructor() {
    this.last = Date.now();
    this.steps = [];
    this.done = 0;
    for (const name of EVENTS) document.addEventListener(name, () => this.touch(), { capture: true, passive: true });
    document.addEventListener("visibilitychange", () => { if (!document.hidden) this.look(); });
    addEventListener("pageshow", () => this.look());
    setInterval(() => this.look(), OFTEN);
  }

  /** From now on do these: [milliseconds without a touch, what then], in order. `since`: when it was touched last. */
  watch(steps, since = Date.now()) {
    this.steps = steps;
    this.last = Math.min(since, Date.now());
    this.done = 0;
  }

  touch() {
    // A clock set back while the screen slept must not make it wait for hours.
    this.last = Date.now();
    this.done = 0;
    this.touched?.(this.last);
  }

  look() {
    const idle = Date.now() - this.last;
    if (idle < 0) { this.last = Date.now(); return; }
    while (this.done < this.steps.length && idle >= this.steps[this.done][0]) {
      const [, does] = this.steps[this.done];
      this.done += 1;
      does();
    }
  }
}
