// Everything at the desk works without this file; it only spares the adviser some steps.
(() => {
  "use strict";

  const DEBOUNCE = 250;
  const LONELY = 90 * 60 * 1000;
  const was = new Map();

  // A part of the page that may change while one looks at it: marked data-live, found again by its id.
  const renew = (fresh) => {
    document.querySelectorAll("[data-live]").forEach((part) => {
      const other = fresh.getElementById(part.id);
      if (!other || other.innerHTML === was.get(part.id)) return;
      if (part.contains(document.activeElement)) return;
      const opened = [...part.querySelectorAll("details[open]")].map((fold) => fold.id);
      was.set(part.id, other.innerHTML);
      part.replaceChildren(...document.importNode(other, true).childNodes);
      opened.forEach((id) => { const fold = id && document.getElementById(id); if (fold) fold.open = true; });
    });
  };
  document.querySelectorAll("[data-live]").forEach((part) => was.set(part.id, part.innerHTML));

  const read = async (address, options) => {
    const reply = await fetch(address, { headers: { Accept: "text/html" }, redirect: "error", ...options });
    return new DOMParser().parseFromString(await reply.text(), "text/html");
  };

  // While a trial is played, its page is asked for anew; the place of the focus stays.
  const live = document.querySelector("[data-live-page]");
  if (live) {
    const seconds = Number(live.dataset.livePage);
    // A page that nobody touches for ninety minutes asks no more, so that it does not keep a sign-in alive.
    let touched = Date.now();
    ["pointerdown", "keydown"].forEach((what) => addEventListener(what, () => { touched = Date.now(); }));
    setInterval(async () => {
      if (document.hidden || Date.now() - touched > LONELY) return;
      try { renew(await read(location.pathname)); } catch { /* no network just now: the next turn tries again */ }
    }, seconds * 1000);
  }

  // What another choice of bows would do is shown at once.
  const form = document.querySelector("form[data-live-form]");
  if (form) {
    let waiting = 0, asked = null;
    const ask = async () => {
      if (asked) asked.abort();
      asked = new AbortController();
      const body = new URLSearchParams(new FormData(form));
      body.set("go", "look");
      try { renew(await read(form.action, { method: "POST", body, signal: asked.signal })); } catch { /* the button does the same */ }
    };
    form.addEventListener("change", () => { clearTimeout(waiting); waiting = setTimeout(ask, DEBOUNCE); });
    // By post the player sees the bows: until the adviser says otherwise, the trial is masked there and blind in the shop.
    let said = false;
    form.addEventListener("change", (event) => {
      if (event.target.name === "blinding") said = true;
      if (event.target.name !== "place" || said) return;
      const usual = form.querySelector(`[name=blinding][value=${event.target.value === "post" ? "masked" : "blind"}]`);
      if (usual) usual.checked = true;
    });
    const look = form.querySelector(".effect button[value=look]");
    if (look) look.hidden = true;
  }

  // A link is marked as a whole when it is touched, to be copied.
  document.querySelectorAll("input[readonly]").forEach((field) => field.addEventListener("focus", () => field.select()));
})();
