// In a page that is framed: tells the page around it, and no other origin, that it is there and how high it is.
(() => {
  "use strict";
  if (parent === self) return;
  const around = document.currentScript.dataset.parent || location.origin;
  const page = document.documentElement;
  let told = 0;
  const tell = () => {
    const height = Math.ceil(page.getBoundingClientRect().height);
    if (height !== told) parent.postMessage({ bows: "height", height }, around);
    told = height;
  };
  parent.postMessage({ bows: "page" }, around);
  tell();
  new ResizeObserver(tell).observe(page);
})();
