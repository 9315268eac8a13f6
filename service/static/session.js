// Says that a sign-in is about to end, and that it has ended; without this file the next page that is asked for says so.
(() => {
  "use strict";

  const BEFORE = 5 * 60;
  const soon = document.getElementById("ends-soon");
  const ended = document.getElementById("ended");
  if (!soon || !ended) return;
  let timer = 0;

  const show = (left) => {
    ended.hidden = left > 0;
    soon.hidden = left <= 0 || left > BEFORE;
    clearTimeout(timer);
    const next = left > BEFORE ? left - BEFORE : left;
    if (left > 0) timer = setTimeout(ask, Math.min(next, 3600) * 1000 + 500);
  };
  // Another page, or this one's own questions, may have kept it alive meanwhile: the server knows.
  const ask = async () => {
    try {
      const reply = await fetch("/desk/sign-in/left", { headers: { Accept: "application/json" } });
      if (reply.ok) show((await reply.json()).seconds);
    } catch { timer = setTimeout(ask, 60000); /* no network just now */ }
  };

  soon.querySelector("[data-stay]").addEventListener("click", async (event) => {
    event.preventDefault();
    try { show((await (await fetch("/desk/sign-in/stay", { headers: { Accept: "application/json" } })).json()).seconds); } catch { ask(); }
  });
  addEventListener("visibilitychange", () => { if (!document.hidden) ask(); });
  addEventListener("pageshow", (event) => { if (event.persisted) ask(); });
  show(Number(document.body.dataset.signInLasts));
})();
