// Eight strokes with one bow: each is asked for alone, in the bow's own order, and marked clean, noisy or broken.

import { list, on, show } from "./dom.js";
import { say } from "./words.js";

/** How many of a sheet's strokes are marked, and how many of those clean. */
export function counted(strokes = []) {
  const marked = strokes.filter(Boolean);
  return { played: marked.length, clean: marked.filter((mark) => mark === "clean").length };
}

export class Strokes {
  /** `trial` is the screen's trial, `sheet` the bow's as it is kept here. */
  constructor(trial, sheet) {
    this.trial = trial;
    this.probe = trial.payload.probe;
    this.order = this.probe.orders[sheet.position];
    this.sheet = sheet;
    this.strokes = this.order.map((_place, index) => sheet.strokes?.[index] ?? null);
  }

  get texts() {
    const { letter } = this.sheet;
    return { which: letter ? say("lettered", { letter }) : this.trial.payload.own_name };
  }

  /** The first stroke of the order that is not marked, none where all are. */
  get next() {
    return this.order.findIndex((place) => !this.strokes[place]);
  }

  /** Show where the strokes stand: what they are for, one of them, or what came of them. */
  resume() {
    const { probe } = this.trial.place;
    if (probe === "start") return this.start();
    return probe === "end" ? this.end() : this.one(probe);
  }

  start() {
    const { main } = show("probe", { where: this.trial.payload.title, texts: this.texts });
    list(main, "cautions", this.probe.cautions);
    on("go", () => this.trial.probeAt(Math.max(this.next, 0)));
    on("back", () => this.trial.go(this.trial.place.step));
  }

  one(at) {
    const stroke = this.order[at];
    const where = say("stroke", { place: at + 1, all: this.order.length });
    const { main } = show("stroke", { where: `${this.trial.payload.title} · ${where}`, texts: { ...this.texts, where } });
    list(main, "settings", this.probe.strokes[stroke]);
    for (const mark of ["clean", "noisy", "broken"]) {
      main.querySelector(`[data-do="${mark}"]`).setAttribute("aria-pressed", String(this.strokes[stroke] === mark));
      // The second tap of two in a row was meant for the stroke before.
      on(mark, (event) => event.detail > 1 || this.mark(at, mark));
    }
    on("leave", () => this.trial.probeAt("end"));
    on("back", () => this.trial.probeAt(at ? at - 1 : "start"));
  }

  async mark(at, mark) {
    if (this.marked) return;
    this.marked = true;
    this.strokes[this.order[at]] = mark;
    await this.trial.app.store.strokes(this.sheet.run, this.strokes);
    await this.trial.probeAt(at + 1 < this.order.length ? at + 1 : "end");
  }

  async end() {
    await this.trial.app.store.ready(this.sheet.run);
    this.trial.app.sender.soon();
    if (!this.trial.here) return;
    const { played, clean } = counted(this.strokes);
    const missing = this.order.length - played;
    show("probed", {
      where: this.trial.payload.title,
      texts: { ...this.texts, clean: say("clean", { clean, played }), missing: missing ? say("missing", { count: missing }) : "" },
    });
    for (const button of document.querySelectorAll('main [data-do="missing"]')) button.hidden = !missing;
    on("missing", () => this.trial.probeAt(this.next));
    on("back", () => this.trial.probeAt(this.order.length - 1));
    on("go", () => this.trial.go(this.trial.place.step));
  }
}
