// What is said, in the reader's language: the page brings every sentence along, the scripts hold none.

const read = (id) => JSON.parse(document.getElementById(id).textContent);
const sentences = read("words");
const plural = new Intl.PluralRules(document.documentElement.lang || "en");

/** What the page itself was told by the server. */
export const given = read("given");

/** Return a sentence with its {values} put in; a counted one is chosen by `count`. */
export function say(name, values = {}) {
  let text = sentences[name];
  if (text === undefined) throw new Error(`got the sentence ${name}, expected one that the page brought along`);
  if (Array.isArray(text)) text = text[plural.select(values.count) === "one" ? 0 : 1];
  return text.replace(/\{(\w+)\}/g, (_whole, key) => String(values[key]));
}
