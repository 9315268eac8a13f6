// One trial on a screen: how it begins, one bow a screen, how it ends. The same on the tablet, on a phone, for a listener.

import { fill, list, on, part, show, tell } from "./dom.js";
import { Strokes, counted } from "./strokes.js";
import { say } from "./words.js";

const NOTE_PAUSE = 300;

export class Trial {
  /** `app` has the store, the sender, and what is done when the trial is left (`left`) or played through (`played`). */
  constructor(app, payload, place) {
    this.app = app;
    this.payload = payload;
    this.slots = payload.slots;
    this.place = place ?? { trial: payload.trial, step: "start", touched: Date.now() };
    this.saving = Promise.resolve();
  }

  get current() {
    return typeof this.place.step === "number" ? this.slots[this.place.step] : null;
  }

  get withOwn() {
    return this.payload.rater === "player" && this.slots.some((slot) => slot.own);
  }

  /** Show where the trial stands. */
  async resume() {
    const { step } = this.place;
    if (step === "start") return this.start();
    if (step === "warm") return this.warm();
    return this.place.probe === undefined ? this.bow(step) : this.probe(step);
  }

  /** Whether it is still this trial that the screen is for: it may have been ended while something was being kept. */
  get here() {
    return this.app.screen === this;
  }

  go(step) {
    return this.move({ step, probe: undefined });
  }

  /** Go to a stroke of the bow on the screen, to what the strokes are for ("start") or to what came of them ("end"). */
  probeAt(probe) {
    return this.move({ probe });
  }

  async move(to) {
    if (!this.here) return;
    this.place = { ...this.place, ...to, touched: Date.now() };
    await this.app.store.put("place", this.place);
    if (this.here) await this.resume();
  }

  start() {
    const { main } = show(this.payload.rater === "listener" ? "start-listener" : "start", {
      where: this.payload.title,
      texts: { count: say("bows", { count: this.slots.length }) },
    });
    list(main, "plays", this.payload.plays);
    list(main, "cautions", this.payload.cautions);
    this.askMayHelp(main.querySelector("[data-may-help]"));
    on("go", () => this.go(this.withOwn ? "warm" : this.first()));
    on("back", () => this.app.left());
  }

  /** Ask once whether the ratings may help others; what is said goes along with the sheets. */
  askMayHelp(place) {
    if (!place) return;
    place.hidden = !this.payload.ask_model;
    const said = { true: "yes", false: "no" }[this.place.mayHelp];
    for (const input of place.querySelectorAll("input")) {
      input.checked = input.value === said;
      input.addEventListener("change", () => {
        this.place = { ...this.place, mayHelp: input.value === "yes", touched: Date.now() };
        this.app.store.put("place", this.place);
      });
    }
  }

  warm() {
    show("warm", { where: this.payload.title, texts: { next: this.next(this.first()) } });
    on("go", () => this.go(this.first()));
    on("back", () => this.go("start"));
  }

  /** The first bow that has no sheet yet, on this screen or on another one. */
  first() {
    const rated = new Set(this.payload.rated);
    const at = this.slots.findIndex((slot) => !rated.has(slot.position));
    return at < 0 ? 0 : at;
  }

  next(step) {
    const slot = this.slots[step];
    if (!slot) return say("last");
    if (slot.own) return say(this.payload.rater === "listener" ? "next_own_listener" : "next_own");
    return say("next_bow", { letter: slot.letter });
  }

  async bow(step) {
    const slot = this.slots[step];
    const sheet = await this.app.store.sheet(this.payload.trial, this.payload.rater, slot);
    if (!this.here) return;
    const minutes = this.payload.minutes_a_bow * (this.slots.length - step);
    const { main } = show("bow", {
      where: `${say("bow", { place: step + 1, all: this.slots.length })} · ${say("left", { count: minutes })}`,
      texts: { letter: slot.letter, own: slot.own ? this.payload.own_name : "", next: this.next(step + 1), fault: "" },
    });
    main.querySelector(".lettered").hidden = slot.own;
    list(main, "plays", this.payload.plays);
    if (this.payload.rater === "listener") main.querySelectorAll("[data-player]").forEach((each) => each.remove());
    const form = main.querySelector("form");
    form.querySelector("[data-scales]").replaceChildren(...this.payload.criteria.map((each) => scale(each, sheet.ratings)));
    form.elements.note.value = sheet.note;
    this.listen(form, sheet);
    this.offerStrokes(main.querySelector("[data-probe]"), sheet);
    on("next", () => this.done(form, sheet, step));
    on("back", () => this.back(sheet, step));
  }

  /** The strokes are there for who likes: what came of them so far stands beside the way to them. */
  offerStrokes(place, sheet) {
    if (!place) return;
    place.hidden = !this.payload.probe;
    const { played, clean } = counted(sheet.strokes);
    tell("probed", played ? say("clean", { clean, played }) : "");
    if (played) tell("probe", say(played < sheet.strokes.length ? "probe_next" : "probe_again"));
    on("probe", async () => {
      await this.ready(sheet);
      await this.probeAt(played ? "end" : "start");
    });
  }

  async probe(step) {
    const sheet = await this.app.store.sheet(this.payload.trial, this.payload.rater, this.slots[step]);
    if (this.here) await new Strokes(this, sheet).resume();
  }

  listen(form, sheet) {
    let pause = 0;
    const keep = () => {
      clearTimeout(pause);
      const { ratings, note } = answers(form, this.payload.criteria);
      if (ratings.overall !== undefined) tell("fault", "");
      form.dataset.kept = "no";
      this.saving = this.saving
        .then(() => this.app.store.draft(sheet.run, ratings, note))
        .then(() => { form.dataset.kept = "yes"; });
    };
    form.addEventListener("change", keep);
    form.addEventListener("input", () => { clearTimeout(pause); pause = setTimeout(keep, NOTE_PAUSE); });
    form.addEventListener("submit", (event) => event.preventDefault());
    this.keep = keep;
  }

  async done(form, sheet, step) {
    const first = this.payload.criteria[0].name;
    if (answers(form, this.payload.criteria).ratings[first] === undefined) {
      tell("fault", say("needed"));
      form.querySelector("input").focus();
      scrollTo(0, 0);
      return;
    }
    await this.ready(sheet);
    if (step + 1 < this.slots.length) await this.go(step + 1);
    else if (this.here) await this.app.played();
  }

  async back(sheet, step) {
    await this.ready(sheet);
    if (step > 0) await this.go(step - 1);
    else await this.go(this.withOwn ? "warm" : "start");
  }

  /** What stands on the screen is made ready to send, and sent as soon as that can be. */
  async ready(sheet) {
    this.keep();
    await this.saving;
    await this.app.store.ready(sheet.run);
    this.app.sender.soon();
  }

  /** Take the sheet from the screen: what was rated before is not to be seen by whoever passes by. */
  async cover() {
    await this.saving;
    if (!this.here) return;
    const slot = this.current;
    show("cover", {
      where: this.payload.title,
      texts: { letter: slot && !slot.own ? slot.letter : "", own: slot && !slot.own ? "" : this.payload.own_name },
    });
    on("go", () => this.resume());
    on("end", () => show("end", { where: this.payload.title }) && this.askEnd());
  }

  askEnd() {
    on("back", () => this.cover());
    on("go", () => this.app.left());
  }
}

/** Return what stands in a sheet's form. */
function answers(form, criteria) {
  const ratings = {};
  for (const { name } of criteria) {
    const chosen = form.querySelector(`input[name="${name}"]:checked`)?.value;
    if (chosen) ratings[name] = chosen === "cannot_tell" ? chosen : Number(chosen);
  }
  return { ratings, note: form.elements.note.value.trim() };
}

/** Build one row of seven steps from the page's part. */
function scale({ name, question, low, high }, ratings) {
  const row = fill(part("scale"), { question, low, high });
  for (const input of row.querySelectorAll("input")) {
    input.name = name;
    input.id = `${name}-${input.value}`;
    input.checked = String(ratings[name]) === input.value;
    const end = { 1: low, 7: high }[input.value];
    if (end) input.setAttribute("aria-label", `${input.value}, ${end}`);
    else if (input.value !== "cannot_tell") input.setAttribute("aria-label", say("step", { number: input.value }));
  }
  return row;
}
