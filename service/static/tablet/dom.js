// Screens: each stands in the page as a <template>; showing one takes the one before out of the document, whole.

const screen = document.getElementById("screen");
const foot = document.getElementById("foot");
const place = document.getElementById("place");

/** Show a screen and return a handle on its parts: `main` and `foot` hold what was put into the document. */
export function show(name, { texts = {}, where = "", focus = true } = {}) {
  const parts = document.getElementById(`screen-${name}`).content.cloneNode(true);
  const buttons = parts.querySelector("[data-foot]");
  foot.replaceChildren(...(buttons ? buttons.childNodes : []));
  buttons?.remove();
  screen.replaceChildren(parts);
  screen.dataset.screen = name;
  foot.hidden = !foot.childElementCount;
  place.textContent = where;
  for (const [key, value] of Object.entries(texts)) tell(key, value);
  scrollTo(0, 0);
  if (focus) (screen.querySelector("h1") ?? screen).focus({ preventScroll: true });
  return { main: screen, foot };
}

/** Put a text where the screen has a place for it; an empty one hides the place. */
export function tell(key, value) {
  for (const spot of document.querySelectorAll(`main [data-text="${key}"], footer [data-text="${key}"]`)) {
    spot.textContent = value;
    spot.hidden = value === "";
  }
}

/** Let the button of a name do something. */
export function on(name, does) {
  for (const button of document.querySelectorAll(`main [data-do="${name}"], footer [data-do="${name}"]`)) {
    button.addEventListener("click", (event) => { event.preventDefault(); does(event); });
  }
}

/** Return a copy of a small part that stands in the page as a <template>. */
export function part(name) {
  return document.getElementById(`part-${name}`).content.firstElementChild.cloneNode(true);
}

/** Fill the places of a part with texts. */
export function fill(element, texts) {
  for (const [key, value] of Object.entries(texts)) {
    for (const spot of element.querySelectorAll(`[data-text="${key}"]`)) spot.textContent = value;
  }
  return element;
}

/** Fill the lists of a name with a line for each sentence; an empty list hides, with the fold it is in. */
export function list(main, name, sentences) {
  for (const place of main.querySelectorAll(`[data-list="${name}"]`)) {
    place.replaceChildren(...sentences.map((sentence) => {
      const line = document.createElement("li");
      line.textContent = sentence;
      return line;
    }));
    (place.closest("details") ?? place).hidden = !sentences.length;
  }
}

export const shown = () => screen.dataset.screen;
