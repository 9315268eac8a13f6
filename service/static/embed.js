// Puts the form into a dealer's page, where this script stands:
//   <a href="https://SERVICE/?dealer=SLUG">…</a><script async src="https://SERVICE/static/embed.js" data-dealer="SLUG"></script>
// The link before it is what remains where the form cannot be shown; its words are the frame's title. data-lang="de" is optional.
(() => {
  "use strict";
  const script = document.currentScript;
  const service = new URL(script.src).origin;
  const before = script.previousElementSibling;
  const link = before instanceof HTMLAnchorElement && before.origin === service ? before : document.createElement("a");
  if (link !== before) {
    link.href = `${service}/?dealer=${encodeURIComponent(script.dataset.dealer)}`;
    link.textContent = script.dataset.title || link.href;
  }

  // A page that knows no dark scheme gets a light form, whatever its reader's wish.
  const scheme = getComputedStyle(document.documentElement).colorScheme.includes("dark") ? "both" : "light";
  const asked = new URLSearchParams({ from: location.origin, scheme, lang: script.dataset.lang || "" });
  const frame = document.createElement("iframe");
  frame.src = `${service}/embed/${encodeURIComponent(script.dataset.dealer)}?${asked}`;
  frame.title = link.textContent;
  frame.loading = "lazy";
  for (const [name, value] of Object.entries({ display: "block", width: "100%", height: "640px", border: "0" })) {
    frame.style.setProperty(name, value);
  }

  let pages = 0, clock = 0;
  const show = (form) => {
    link.hidden = form;
    frame.style.setProperty("display", form ? "block" : "none");
  };
  const wait = (milliseconds) => {
    clearTimeout(clock);
    clock = setTimeout(() => { if (!pages) show(false); }, milliseconds);
  };

  addEventListener("message", (event) => {
    if (event.origin !== service || event.source !== frame.contentWindow) return;
    const { bows, height } = event.data || {};
    if (bows === "page") {
      pages += 1;
      show(true);
      // A new step begins at its head, also where the reader had scrolled down to the button.
      if (pages > 1 && frame.getBoundingClientRect().top < 0) frame.scrollIntoView();
    }
    if (bows === "height" && height > 0 && height < 30000) frame.style.setProperty("height", `${Math.ceil(height)}px`);
  });
  // What the frame shows is told by itself within a moment of loading; a browser that refuses it says nothing.
  frame.addEventListener("load", () => wait(1500));
  new IntersectionObserver((seen, observer) => {
    if (!seen.some((each) => each.isIntersecting)) return;
    observer.disconnect();
    if (!pages) wait(8000);
  }).observe(frame);

  const place = () => {
    if (script.closest("head")) document.body.append(link, frame);
    else script.after(...(link === before ? [] : [link]), frame);
    show(true);
  };
  if (document.body) place(); else addEventListener("DOMContentLoaded", place);
})();
