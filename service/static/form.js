// Everything works without this file; it only spares the reader some steps.
(() => {
  "use strict";

  // For browsers that know `autofocus` on form fields only.
  const faults = document.getElementById("faults");
  if (faults) addEventListener("load", () => setTimeout(() => { if (document.activeElement === document.body) faults.focus(); }, 100));

  // A criterion chosen once is not offered a second time.
  const priorities = [...document.querySelectorAll("select[data-distinct]")];
  const offer = () => {
    const taken = priorities.map((select) => select.value);
    priorities.forEach((select, place) => {
      for (const option of select.options) {
        option.disabled = option.value !== "" && taken.some((value, other) => other !== place && value === option.value);
      }
    });
  };
  priorities.forEach((select) => select.addEventListener("change", offer));
  if (priorities.length) offer();

  // A second click while the first is on its way does nothing. The server would take it as the same enquiry anyway.
  document.querySelectorAll("form").forEach((form) => {
    form.addEventListener("submit", (event) => {
      if (form.dataset.sent) { event.preventDefault(); return; }
      form.dataset.sent = "yes";
      if (event.submitter) event.submitter.setAttribute("aria-disabled", "true");
    });
  });
  addEventListener("pageshow", () => {
    document.querySelectorAll("form[data-sent]").forEach((form) => {
      delete form.dataset.sent;
      form.querySelectorAll("[aria-disabled]").forEach((button) => button.removeAttribute("aria-disabled"));
    });
    if (priorities.length) offer();
  });

  // The numbers behind a picture are printed with it.
  const folds = [...document.querySelectorAll("details")];
  let closed = [];
  addEventListener("beforeprint", () => {
    closed = folds.filter((fold) => !fold.open);
    closed.forEach((fold) => { fold.open = true; });
  });
  addEventListener("afterprint", () => closed.forEach((fold) => { fold.open = false; }));

  document.querySelectorAll("[data-print]").forEach((button) => {
    button.hidden = false;
    button.addEventListener("click", () => print());
  });
})();
