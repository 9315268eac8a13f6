// The questionnaire on the tablet: the same pages as on the website, shown one after the other at the tablet's one address,
// so that there is no history to go back through. Nothing of it is kept on the device.

import { on, show } from "./dom.js";
import { say } from "./words.js";

const PATIENCE = 20000;

export class Questions {
  constructor(app, dealer) {
    this.app = app;
    this.dealer = dealer;
  }

  async start() {
    await this.load(`/?dealer=${encodeURIComponent(this.dealer)}`);
  }

  async load(address, options = {}) {
    try {
      const answer = await fetch(address, {
        headers: { Accept: "text/html" }, credentials: "omit", signal: AbortSignal.timeout(PATIENCE), ...options,
      });
      this.put(page(await answer.text()), answer.url);
    } catch {
      this.trouble(say("no_network_page"));
    }
  }

  put(main, address) {
    if (this.app.screen !== this) return;  // wiped in the meantime
    if (!main) { this.trouble(say("unreadable")); return; }
    const holder = show("questions", { focus: false }).main.querySelector("[data-page]");
    holder.replaceChildren(...document.importNode(main, true).childNodes);
    for (const form of holder.querySelectorAll("form")) this.catch(form, address);
    for (const field of holder.querySelectorAll("input, select")) field.autocomplete = "off";
    // No printer here, and no address to come back to.
    holder.querySelectorAll("[data-print], p.no-print").forEach((each) => each.remove());
    on("again", () => this.app.left());
    (holder.querySelector("#faults") ?? holder.querySelector("h1"))?.setAttribute("tabindex", "-1");
    (holder.querySelector("#faults") ?? holder.querySelector("h1"))?.focus({ preventScroll: true });
    holder.addEventListener("click", follow);
  }

  catch(form, address) {
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (form.dataset.sent) return;
      form.dataset.sent = "yes";
      const fields = new URLSearchParams(new FormData(form, event.submitter));
      const to = new URL(form.getAttribute("action") || address, address);
      this.load(to, { method: "POST", body: fields }).finally(() => { delete form.dataset.sent; });
    });
  }

  /** Say what went wrong above what stands on the screen; what was typed stays. */
  trouble(sentence) {
    if (this.app.screen !== this) return;
    const holder = document.querySelector("[data-page]");
    if (!holder) show("questions");
    const line = document.querySelector("[data-trouble]");
    line.textContent = sentence;
    line.hidden = false;
    on("again", () => this.app.left());
  }
}

/** Return the content of a page. */
export const page = (text) => new DOMParser().parseFromString(text, "text/html").querySelector("main");

/** A link leads to a place on the same page, or nowhere. */
function follow(event) {
  const link = event.target.closest("a");
  if (!link) return;
  event.preventDefault();
  const target = link.hash && document.getElementById(decodeURIComponent(link.hash.slice(1)));
  if (target) { target.scrollIntoView({ block: "center" }); target.focus({ preventScroll: true }); }
}
